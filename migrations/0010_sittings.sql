-- A sitting: one time at the bench with one instrument, from the first look to
-- "stop here". Its steps are only ever added to; where it stands is played
-- through from them, so that anyone can take it up at any time.

CREATE TABLE sittings (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    started_at      TEXT NOT NULL,
    started_by      BLOB NOT NULL REFERENCES people (id),
    ground          TEXT NOT NULL                        -- JSON: optics, screws, threshold as they were
) STRICT;
CREATE INDEX sittings_by_instrument ON sittings (instrument_id, started_at);

CREATE TABLE sitting_steps (
    sitting_id      BLOB NOT NULL REFERENCES sittings (id),
    ordinal         INTEGER NOT NULL CHECK (ordinal >= 0),
    at              TEXT NOT NULL,
    by              BLOB NOT NULL REFERENCES people (id),
    record          TEXT NOT NULL,                       -- JSON: stage begun, shade, look, go
    entry_id        BLOB REFERENCES entries (id),        -- the star test of a look
    PRIMARY KEY (sitting_id, ordinal)
) STRICT, WITHOUT ROWID;

CREATE TABLE sitting_ends (
    sitting_id      BLOB PRIMARY KEY REFERENCES sittings (id),
    ended_at        TEXT NOT NULL,
    ended_by        BLOB NOT NULL REFERENCES people (id),
    outcome         TEXT NOT NULL,                       -- JSON: why, before, after, goes
    entry_id        BLOB REFERENCES entries (id)         -- the work entry it left
) STRICT;

-- What a sitting taught of the screws; the newest for an element holds.
CREATE TABLE learnt_responses (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    sitting_id      BLOB NOT NULL REFERENCES sittings (id),
    element         TEXT NOT NULL,
    learnt_at       TEXT NOT NULL,
    screws          TEXT NOT NULL,                       -- JSON: it holds for these screws only
    response        TEXT NOT NULL                        -- JSON
) STRICT;
CREATE INDEX learnt_by_instrument ON learnt_responses (instrument_id, learnt_at);

CREATE TRIGGER sittings_are_never_changed BEFORE UPDATE ON sittings
BEGIN SELECT RAISE(ABORT, 'a sitting is never changed'); END;
CREATE TRIGGER sittings_are_never_removed BEFORE DELETE ON sittings
BEGIN SELECT RAISE(ABORT, 'a sitting is never removed'); END;
CREATE TRIGGER sitting_steps_are_never_changed BEFORE UPDATE ON sitting_steps
BEGIN SELECT RAISE(ABORT, 'a step of a sitting is never changed'); END;
CREATE TRIGGER sitting_steps_are_never_removed BEFORE DELETE ON sitting_steps
BEGIN SELECT RAISE(ABORT, 'a step of a sitting is never removed'); END;
CREATE TRIGGER sitting_ends_are_never_changed BEFORE UPDATE ON sitting_ends
BEGIN SELECT RAISE(ABORT, 'a sitting is never changed'); END;
CREATE TRIGGER sitting_ends_are_never_removed BEFORE DELETE ON sitting_ends
BEGIN SELECT RAISE(ABORT, 'a sitting is never removed'); END;
