-- The house: who we are, who works here, what we own, and what happened to it.
--
-- Ids are 16-byte UUIDs. Instants are UTC text as RFC 3339, dates YYYY-MM-DD;
-- both sort as text. Booleans are 0 or 1. A logbook entry is never changed or
-- removed: a correction is a new entry that supersedes the old one.

CREATE TABLE club (
    only_row        INTEGER PRIMARY KEY CHECK (only_row = 1),
    name            TEXT NOT NULL,
    zone            TEXT NOT NULL,                       -- IANA name
    units           TEXT NOT NULL CHECK (units IN ('metric', 'imperial')),
    paper           TEXT NOT NULL CHECK (paper IN ('a4', 'letter')),
    currency        TEXT NOT NULL,                       -- ISO 4217
    public_address  TEXT,                                -- printed on labels
    contact         TEXT NOT NULL DEFAULT '',            -- how to reach the lending desk
    loan_days       INTEGER NOT NULL CHECK (loan_days BETWEEN 1 AND 366),
    demo            INTEGER NOT NULL DEFAULT 0 CHECK (demo IN (0, 1))
) STRICT;

CREATE TABLE people (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    name            TEXT NOT NULL CHECK (name <> ''),
    email           TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (email <> ''),
    role            TEXT NOT NULL CHECK (role IN ('member', 'volunteer', 'coordinator')),
    password_hash   TEXT,                                -- NULL until a password is chosen
    joined_at       TEXT NOT NULL,
    left_at         TEXT                                 -- no longer signs in or borrows
) STRICT;

CREATE TABLE sessions (
    token_hash      BLOB PRIMARY KEY,                    -- SHA-256 of the cookie's token
    person_id       BLOB NOT NULL REFERENCES people (id),
    started_at      TEXT NOT NULL,
    last_seen_at    TEXT NOT NULL,
    expires_at      TEXT NOT NULL
) STRICT;
CREATE INDEX sessions_by_person ON sessions (person_id);

CREATE TABLE sign_in_links (
    token_hash      BLOB PRIMARY KEY,
    purpose         TEXT NOT NULL CHECK (purpose IN ('set-up', 'welcome', 'new-password')),
    person_id       BLOB REFERENCES people (id),         -- NULL for the first set-up
    made_at         TEXT NOT NULL,
    made_by         BLOB REFERENCES people (id),
    expires_at      TEXT NOT NULL,
    used_at         TEXT
) STRICT;

CREATE TABLE sign_in_attempts (
    id              INTEGER PRIMARY KEY,
    account         TEXT NOT NULL COLLATE NOCASE,
    address         TEXT NOT NULL,
    at              TEXT NOT NULL,
    succeeded       INTEGER NOT NULL CHECK (succeeded IN (0, 1))
) STRICT;
CREATE INDEX sign_in_attempts_by_account ON sign_in_attempts (account, at);
CREATE INDEX sign_in_attempts_by_address ON sign_in_attempts (address, at);

-- A form that arrives twice acts once: its own mark, and where it led.
CREATE TABLE handled_forms (
    once            TEXT PRIMARY KEY,
    person_id       BLOB REFERENCES people (id),
    at              TEXT NOT NULL,
    location        TEXT NOT NULL
) STRICT;

CREATE TABLE instruments (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    tag             TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (tag <> ''),
    name            TEXT NOT NULL CHECK (name <> ''),
    design          TEXT NOT NULL CHECK (design IN ('newtonian', 'schmidt-cassegrain',
                        'aplanatic-schmidt-cassegrain', 'maksutov-cassegrain',
                        'classical-cassegrain', 'ritchey-chretien', 'achromat',
                        'apochromat', 'binocular', 'solar')),
    aperture_mm     REAL NOT NULL CHECK (aperture_mm BETWEEN 10 AND 2000),
    focal_mm        REAL NOT NULL CHECK (focal_mm BETWEEN 20 AND 40000),
    obstruction     REAL NOT NULL CHECK (obstruction >= 0 AND obstruction < 0.9),
    vane_count      INTEGER NOT NULL DEFAULT 0 CHECK (vane_count BETWEEN 0 AND 12),
    weight_kg       REAL CHECK (weight_kg > 0),
    cool_down_min   INTEGER CHECK (cool_down_min BETWEEN 0 AND 600),
    uses_diagonal   INTEGER NOT NULL CHECK (uses_diagonal IN (0, 1)),
    replacement_value_cents INTEGER CHECK (replacement_value_cents >= 0),
    place           TEXT NOT NULL DEFAULT '',            -- where it lives when at home
    notes           TEXT NOT NULL DEFAULT '',
    status          TEXT NOT NULL CHECK (status IN ('shelf', 'held', 'bench', 'retired')),
    status_reason TEXT NOT NULL DEFAULT '',
    version         INTEGER NOT NULL DEFAULT 1,          -- counts edits, to notice two at once
    added_at        TEXT NOT NULL,
    added_by        BLOB NOT NULL REFERENCES people (id)
) STRICT;

CREATE TABLE adjusters (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    ordinal         INTEGER NOT NULL,
    label           TEXT NOT NULL,                       -- as marked on the tube
    element         TEXT NOT NULL CHECK (element IN ('primary', 'secondary', 'objective-cell', 'focuser', 'prism')),
    clock_deg       REAL NOT NULL CHECK (clock_deg >= 0 AND clock_deg < 360),
    pitch_mm        REAL NOT NULL CHECK (pitch_mm > 0 AND pitch_mm <= 5),
    lever_mm        REAL NOT NULL CHECK (lever_mm > 0 AND lever_mm <= 1000),
    kind            TEXT NOT NULL CHECK (kind IN ('pull-against-spring', 'push-pull-pair', 'pull-around-pivot')),
    head            TEXT NOT NULL CHECK (head IN ('thumb', 'hex', 'slotted')),
    UNIQUE (instrument_id, ordinal)
) STRICT;

CREATE TABLE kit_parts (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    ordinal         INTEGER NOT NULL,
    name            TEXT NOT NULL CHECK (name <> ''),
    removed_at      TEXT                                 -- no longer part of the kit
) STRICT;
CREATE INDEX kit_parts_by_instrument ON kit_parts (instrument_id, ordinal);

CREATE TABLE loans (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    borrower_id     BLOB NOT NULL REFERENCES people (id),
    lent_at   TEXT NOT NULL,
    lent_by   BLOB NOT NULL REFERENCES people (id),
    due_on          TEXT NOT NULL,
    limit_stated    TEXT NOT NULL,                       -- what the borrower was told it will not do
    override_reason TEXT,                                -- why it went out though held or at the bench
    returned_at     TEXT,
    returned_to   BLOB REFERENCES people (id),
    CHECK ((returned_at IS NULL) = (returned_to IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_loan ON loans (instrument_id) WHERE returned_at IS NULL;
CREATE INDEX loans_by_instrument ON loans (instrument_id, lent_at);
CREATE INDEX loans_by_borrower ON loans (borrower_id, lent_at);

CREATE TABLE loan_kit (
    loan_id         BLOB NOT NULL REFERENCES loans (id),
    kit_part_id     BLOB NOT NULL REFERENCES kit_parts (id),
    went_out        INTEGER NOT NULL CHECK (went_out IN (0, 1)),
    came_back       INTEGER CHECK (came_back IN (0, 1)), -- NULL while out
    PRIMARY KEY (loan_id, kit_part_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE waits (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    person_id       BLOB NOT NULL REFERENCES people (id),
    asked_at        TEXT NOT NULL,
    wants_it_for    TEXT NOT NULL CHECK (wants_it_for IN ('planets', 'wide-field', 'anything')),
    note            TEXT NOT NULL DEFAULT '',
    closed_at       TEXT,
    outcome         TEXT CHECK (outcome IN ('lent', 'withdrawn', 'removed')),
    CHECK ((closed_at IS NULL) = (outcome IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_wait ON waits (instrument_id, person_id) WHERE closed_at IS NULL;

-- The logbook ------------------------------------------------------------

CREATE TABLE entries (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    kind            TEXT NOT NULL CHECK (kind IN ('journey', 'star-test', 'problem', 'work',
                        'lend', 'return', 'status', 'limit', 'register', 'note')),
    happened_at     TEXT NOT NULL,
    recorded_at     TEXT NOT NULL,
    recorded_by     BLOB NOT NULL REFERENCES people (id),
    loan_id         BLOB REFERENCES loans (id),
    supersedes      BLOB UNIQUE REFERENCES entries (id),
    struck          INTEGER NOT NULL DEFAULT 0 CHECK (struck IN (0, 1)),
    note            TEXT NOT NULL DEFAULT '',
    CHECK (struck = 0 OR supersedes IS NOT NULL),
    CHECK (supersedes IS NULL OR supersedes <> id)
) STRICT;
CREATE INDEX entries_by_instrument ON entries (instrument_id, happened_at);

CREATE TRIGGER entries_are_never_changed BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER entries_are_never_removed BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;

-- What stands: neither superseded nor itself a mere striking-out.
CREATE VIEW current_entries AS
    SELECT e.* FROM entries e
    WHERE e.struck = 0
      AND NOT EXISTS (SELECT 1 FROM entries c WHERE c.supersedes = e.id);

CREATE TABLE journeys (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    kind            TEXT NOT NULL CHECK (kind IN ('hand-carry', 'car', 'rough-road',
                        'flight-or-parcel', 'public-event', 'knock-or-drop', 'left-outdoors')),
    distance_km     REAL CHECK (distance_km > 0 AND distance_km <= 40000),
    severity        INTEGER CHECK (severity BETWEEN 1 AND 3)
) STRICT;

CREATE TABLE problems (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    what            TEXT NOT NULL CHECK (what IN ('optics-dirty', 'dew-or-mould', 'optics-damaged',
                        'alignment-suspect', 'moving-part', 'part-missing', 'electrical', 'case-or-strap', 'other')),
    asks_for        TEXT NOT NULL CHECK (asks_for IN ('nothing', 'a-look', 'the-bench')),
    words           TEXT NOT NULL CHECK (words <> '')
) STRICT;

CREATE TABLE works (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    what            TEXT NOT NULL CHECK (what IN ('collimation', 'cleaning', 'repair', 'part-replaced', 'inspection')),
    minutes         INTEGER CHECK (minutes BETWEEN 0 AND 10000),
    moved_optics    INTEGER NOT NULL CHECK (moved_optics IN (0, 1)),
    words           TEXT NOT NULL
) STRICT;

CREATE TABLE work_settles (
    work_entry_id    BLOB NOT NULL REFERENCES entries (id),
    problem_entry_id BLOB NOT NULL REFERENCES entries (id),
    PRIMARY KEY (work_entry_id, problem_entry_id)
) STRICT, WITHOUT ROWID;

-- One try at measuring frames: kept whether it was measured or refused.
CREATE TABLE attempts (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    asked_by        BLOB NOT NULL REFERENCES people (id),
    asked_at        TEXT NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'measuring', 'measured', 'refused', 'cancelled', 'failed')),
    frames_done     INTEGER NOT NULL DEFAULT 0,
    frames_given    INTEGER NOT NULL DEFAULT 0,
    circumstances   TEXT NOT NULL,                       -- JSON: setup, side, seeing, diagonal ...
    report          TEXT,                                -- JSON: startest::report
    picture_png     BLOB,                                -- the stacked donut
    overlay_svg     TEXT,
    finished_at     TEXT
) STRICT;
CREATE INDEX attempts_by_instrument ON attempts (instrument_id, asked_at);

CREATE TABLE star_tests (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    method          TEXT NOT NULL CHECK (method IN ('by-eye', 'from-frames')),
    side            TEXT NOT NULL CHECK (side IN ('inside', 'outside', 'unknown')),
    diagonal        INTEGER NOT NULL CHECK (diagonal IN (0, 1)),
    seeing          INTEGER CHECK (seeing BETWEEN 1 AND 5),  -- Antoniadi I (best) to V
    magnification   REAL CHECK (magnification > 0),
    defocus_waves   REAL,
    thin_to_thick   REAL CHECK (thin_to_thick >= 0 AND thin_to_thick <= 1),
    thin_clock_deg  REAL CHECK (thin_clock_deg >= 0 AND thin_clock_deg < 360),
    coma_rms_waves  REAL NOT NULL CHECK (coma_rms_waves >= 0),
    coma_rms_waves_sigma REAL NOT NULL CHECK (coma_rms_waves_sigma > 0),
    attempt_id      BLOB REFERENCES attempts (id),
    judged          TEXT NOT NULL                        -- JSON: what the person told, as told
) STRICT;

-- Set limits: the newest row for a design or an instrument holds; a NULL value
-- goes back to the level above (instrument -> design -> the default built in).
CREATE TABLE limits (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    design          TEXT,
    instrument_id   BLOB REFERENCES instruments (id),
    what            TEXT NOT NULL CHECK (what IN ('coma-note', 'coma-bench', 'exposure', 'months', 'loans')),
    value           REAL CHECK (value >= 0),
    set_at          TEXT NOT NULL,
    set_by          BLOB NOT NULL REFERENCES people (id),
    reason          TEXT NOT NULL,
    CHECK ((design IS NULL) <> (instrument_id IS NULL))
) STRICT;

CREATE TABLE photos (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    entry_id        BLOB REFERENCES entries (id),
    caption         TEXT NOT NULL DEFAULT '',
    media_type      TEXT NOT NULL CHECK (media_type IN ('image/jpeg', 'image/png')),
    width_px        INTEGER NOT NULL,
    height_px       INTEGER NOT NULL,
    picture         BLOB NOT NULL,
    thumbnail       BLOB NOT NULL,
    added_at        TEXT NOT NULL,
    added_by        BLOB NOT NULL REFERENCES people (id),
    removed_at      TEXT
) STRICT;
CREATE INDEX photos_by_instrument ON photos (instrument_id, added_at);

CREATE TABLE work_nights (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    held_on         TEXT NOT NULL,
    place           TEXT NOT NULL,
    hours           REAL NOT NULL CHECK (hours > 0 AND hours <= 24),
    hands           INTEGER NOT NULL CHECK (hands BETWEEN 1 AND 100),
    note            TEXT NOT NULL DEFAULT '',
    called_off_at   TEXT
) STRICT;

CREATE TABLE work_night_instruments (
    work_night_id   BLOB NOT NULL REFERENCES work_nights (id),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    assigned_at     TEXT NOT NULL,
    assigned_by     BLOB NOT NULL REFERENCES people (id),
    done_at         TEXT,
    PRIMARY KEY (work_night_id, instrument_id)
) STRICT, WITHOUT ROWID;

-- Every detail of an entry stands with it.
CREATE TRIGGER journeys_are_never_changed BEFORE UPDATE ON journeys
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER journeys_are_never_removed BEFORE DELETE ON journeys
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER problems_are_never_changed BEFORE UPDATE ON problems
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER problems_are_never_removed BEFORE DELETE ON problems
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER works_are_never_changed BEFORE UPDATE ON works
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER works_are_never_removed BEFORE DELETE ON works
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER star_tests_are_never_changed BEFORE UPDATE ON star_tests
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER star_tests_are_never_removed BEFORE DELETE ON star_tests
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
