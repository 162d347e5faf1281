-- A collimation: one time at the bench with one instrument, from the first look to
-- "stop here". Its steps are only ever added to; where it stands is played
-- through from them, so that anyone can take it up at any time.

CREATE TABLE collimations (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    started_at      TEXT NOT NULL,
    started_by      BLOB NOT NULL REFERENCES people (id),
    setup           TEXT NOT NULL                        -- JSON: optics, screws, threshold as they were
) STRICT;
CREATE INDEX collimations_by_instrument ON collimations (instrument_id, started_at);

CREATE TABLE collimation_steps (
    collimation_id      BLOB NOT NULL REFERENCES collimations (id),
    ordinal         INTEGER NOT NULL CHECK (ordinal >= 0),
    at              TEXT NOT NULL,
    by              BLOB NOT NULL REFERENCES people (id),
    record          TEXT NOT NULL,                       -- JSON: stage begun, shade, look, go
    entry_id        BLOB REFERENCES entries (id),        -- the star test of a look
    PRIMARY KEY (collimation_id, ordinal)
) STRICT, WITHOUT ROWID;

CREATE TABLE collimation_ends (
    collimation_id      BLOB PRIMARY KEY REFERENCES collimations (id),
    ended_at        TEXT NOT NULL,
    ended_by        BLOB NOT NULL REFERENCES people (id),
    outcome         TEXT NOT NULL,                       -- JSON: why, before, after, goes
    entry_id        BLOB REFERENCES entries (id)         -- the work entry it left
) STRICT;

-- What a collimation session taught of the screws; the newest for an element holds.
CREATE TABLE learnt_responses (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    collimation_id      BLOB NOT NULL REFERENCES collimations (id),
    element         TEXT NOT NULL,
    learnt_at       TEXT NOT NULL,
    screws          TEXT NOT NULL,                       -- JSON: it holds for these screws only
    response        TEXT NOT NULL                        -- JSON
) STRICT;
CREATE INDEX learnt_by_instrument ON learnt_responses (instrument_id, learnt_at);

CREATE TRIGGER collimations_are_never_changed BEFORE UPDATE ON collimations
BEGIN SELECT RAISE(ABORT, 'a collimation is never changed'); END;
CREATE TRIGGER collimations_are_never_removed BEFORE DELETE ON collimations
BEGIN SELECT RAISE(ABORT, 'a collimation is never removed'); END;
CREATE TRIGGER collimation_steps_are_never_changed BEFORE UPDATE ON collimation_steps
BEGIN SELECT RAISE(ABORT, 'a step of a collimation is never changed'); END;
CREATE TRIGGER collimation_steps_are_never_removed BEFORE DELETE ON collimation_steps
BEGIN SELECT RAISE(ABORT, 'a step of a collimation is never removed'); END;
CREATE TRIGGER collimation_ends_are_never_changed BEFORE UPDATE ON collimation_ends
BEGIN SELECT RAISE(ABORT, 'a collimation is never changed'); END;
CREATE TRIGGER collimation_ends_are_never_removed BEFORE DELETE ON collimation_ends
BEGIN SELECT RAISE(ABORT, 'a collimation is never removed'); END;
