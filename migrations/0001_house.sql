-- The house: who we are, who works here, what we own, and what happened to it.
--
-- Ids are 16-byte UUIDs. Instants are UTC text as RFC 3339, dates YYYY-MM-DD;
-- both sort as text. Booleans are 0 or 1. A logbook entry is never changed or
-- removed: a correction is a new entry that supersedes the old one. Only an import
-- that is undone takes back what it brought, while nothing rests on it.
--
-- What must always hold stands here: the code checks first, to say it in words, and
-- the database refuses what slipped through.

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
    loans_per_person INTEGER CHECK (loans_per_person BETWEEN 1 AND 100), -- NULL: as many as there are
    renewals        INTEGER NOT NULL DEFAULT 2 CHECK (renewals BETWEEN 0 AND 50), -- how often members renew one loan
    renew_late_days INTEGER NOT NULL DEFAULT 7 CHECK (renew_late_days BETWEEN 0 AND 366), -- later than this they do not
    fetch_days      INTEGER NOT NULL DEFAULT 7 CHECK (fetch_days BETWEEN 1 AND 90), -- kept so long for the next in line
    second_factor_required INTEGER NOT NULL DEFAULT 0 CHECK (second_factor_required IN (0, 1)), -- of coordinators
    second_look     TEXT,                                -- since when work waits for one; NULL: it does not
    demo            INTEGER NOT NULL DEFAULT 0 CHECK (demo IN (0, 1))
) STRICT;

CREATE TABLE people (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    name            TEXT NOT NULL CHECK (name <> ''),
    email           TEXT COLLATE NOCASE UNIQUE CHECK (email <> ''), -- NULL: has none, and never signs in
    role            TEXT NOT NULL CHECK (role IN ('member', 'volunteer', 'coordinator')),
    password_hash   TEXT,                                -- NULL until a password is chosen
    joined_at       TEXT NOT NULL,
    left_at         TEXT,                                -- no longer signs in or borrows
    totp_secret     BLOB,                                -- shared with the app on their phone; NULL: no second factor
    totp_wanted     BLOB,                                -- shown, not yet confirmed by a code
    totp_last_step  INTEGER NOT NULL DEFAULT 0,          -- no code works twice
    guest           INTEGER NOT NULL DEFAULT 0 CHECK (guest IN (0, 1)), -- borrows without being a member
    sorted_as       TEXT NOT NULL DEFAULT '',            -- the name in small letters without accents: see library::people
    CHECK (left_at IS NULL OR password_hash IS NULL),
    -- Who has no address, or is a guest, has no way in and works nowhere.
    CHECK ((email IS NOT NULL AND guest = 0) OR (password_hash IS NULL AND role = 'member'))
) STRICT;
CREATE INDEX people_by_name ON people (sorted_as, name) WHERE left_at IS NULL;

-- Ways in -----------------------------------------------------------------
--
-- Only hashes of tokens are kept. What has expired opens nothing any more and is
-- removed by `library::expiry`, each table by the rule at its head.

-- Every change of a setting of the club's (of limits, see there): what it was and what
-- it became, as the form has it, and who changed it.
CREATE TABLE settings_changes (
    number          INTEGER PRIMARY KEY,                 -- grows with time
    changed_at      TEXT NOT NULL,
    changed_by      BLOB NOT NULL REFERENCES people (id),
    what            TEXT NOT NULL CHECK (what <> ''),
    was             TEXT NOT NULL,
    became          TEXT NOT NULL,
    CHECK (was <> became)
) STRICT;
CREATE TRIGGER settings_changes_are_never_changed BEFORE UPDATE ON settings_changes
BEGIN SELECT RAISE(ABORT, 'the history of settings is never changed'); END;
CREATE TRIGGER settings_changes_are_never_removed BEFORE DELETE ON settings_changes
BEGIN SELECT RAISE(ABORT, 'the history of settings is never shortened'); END;

-- Until `expires_at`, or two weeks after `last_seen_at`.
CREATE TABLE sessions (
    token_hash      BLOB PRIMARY KEY,                    -- SHA-256 of the cookie's token
    person_id       BLOB NOT NULL REFERENCES people (id),
    started_at      TEXT NOT NULL,
    last_seen_at    TEXT NOT NULL,
    expires_at      TEXT NOT NULL,
    device          TEXT NOT NULL DEFAULT '',            -- its kind in words, never the browser's own long name
    confirmed_at    TEXT                                 -- when the password was last typed; NULL: what is grave asks for it
) STRICT;
CREATE INDEX sessions_by_person ON sessions (person_id);

-- Until `expires_at`; a used one is kept until then and works no more.
CREATE TABLE sign_in_links (
    token_hash      BLOB PRIMARY KEY,
    purpose         TEXT NOT NULL CHECK (purpose IN ('set-up', 'welcome', 'new-password')),
    person_id       BLOB REFERENCES people (id),         -- NULL for the first set-up
    made_at         TEXT NOT NULL,
    made_by         BLOB REFERENCES people (id),
    expires_at      TEXT NOT NULL,
    used_at         TEXT,
    CHECK ((purpose = 'set-up') = (person_id IS NULL))
) STRICT;
CREATE INDEX sign_in_links_by_person ON sign_in_links (person_id);

-- Thirty days from `at`.
CREATE TABLE sign_in_attempts (
    id              INTEGER PRIMARY KEY,
    account         TEXT NOT NULL COLLATE NOCASE,
    address         TEXT NOT NULL,
    at              TEXT NOT NULL,
    succeeded       INTEGER NOT NULL CHECK (succeeded IN (0, 1)),
    browser         BLOB                                 -- of a known browser, its token's hash
) STRICT;
CREATE INDEX sign_in_attempts_by_account ON sign_in_attempts (account, at);
CREATE INDEX sign_in_attempts_by_address ON sign_in_attempts (address, at);

-- The password was right, the second factor is still asked for. Ten minutes.
CREATE TABLE half_sign_ins (
    token_hash      BLOB PRIMARY KEY,
    person_id       BLOB NOT NULL REFERENCES people (id),
    begun_at        TEXT NOT NULL,
    tries           INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX half_sign_ins_by_person ON half_sign_ins (person_id);

-- Browsers that have signed in before: failures from elsewhere do not make them
-- wait. Four hundred days from `known_since`.
CREATE TABLE known_browsers (
    token_hash      BLOB PRIMARY KEY,
    person_id       BLOB NOT NULL REFERENCES people (id),
    known_since     TEXT NOT NULL
) STRICT;
CREATE INDEX known_browsers_by_person ON known_browsers (person_id);

-- For the day the phone is gone. They last until new ones are made.
CREATE TABLE spare_codes (
    code_hash       BLOB PRIMARY KEY,                    -- SHA-256 of person and code
    person_id       BLOB NOT NULL REFERENCES people (id),
    used_at         TEXT
) STRICT;
CREATE INDEX spare_codes_by_person ON spare_codes (person_id);

-- Whoever has left has no way in any more and waits for nothing. What is reserved for them ends by the club's day:
-- library::people.
CREATE TRIGGER whoever_left_has_no_way_in AFTER UPDATE OF left_at ON people WHEN NEW.left_at IS NOT NULL
BEGIN
    DELETE FROM sessions WHERE person_id = NEW.id;
    DELETE FROM sign_in_links WHERE person_id = NEW.id;
    DELETE FROM half_sign_ins WHERE person_id = NEW.id;
    DELETE FROM known_browsers WHERE person_id = NEW.id;
    DELETE FROM spare_codes WHERE person_id = NEW.id;
    DELETE FROM calendar_feeds WHERE person_id = NEW.id;
    UPDATE waits SET closed_at = NEW.left_at, outcome = 'removed' WHERE person_id = NEW.id AND closed_at IS NULL;
END;

CREATE TRIGGER whoever_has_no_address_has_no_way_in AFTER UPDATE OF email, guest ON people
WHEN NEW.email IS NULL OR NEW.guest = 1
BEGIN
    DELETE FROM sessions WHERE person_id = NEW.id;
    DELETE FROM sign_in_links WHERE person_id = NEW.id;
    DELETE FROM half_sign_ins WHERE person_id = NEW.id;
    DELETE FROM known_browsers WHERE person_id = NEW.id;
    DELETE FROM spare_codes WHERE person_id = NEW.id;
END;

-- A form that arrives twice acts once: a hash of its own mark, of who sent it and of
-- where it went, and where it led. Thirty days.
CREATE TABLE handled_forms (
    form_key        BLOB PRIMARY KEY CHECK (length(form_key) = 32),
    at              TEXT NOT NULL,
    location        TEXT NOT NULL
) STRICT;
CREATE INDEX handled_forms_by_day ON handled_forms (at);

-- What we own -------------------------------------------------------------

-- All that can be lent has a row here: instruments, and the things that go with them,
-- which have no optics to look after. One tag, one loan, one reservation at a time is
-- one rule for both.
CREATE TABLE instruments (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    tag             TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (tag <> ''),
    kind            TEXT NOT NULL DEFAULT 'instrument' CHECK (kind IN ('instrument', 'mount', 'tripod', 'eyepiece',
                        'filter', 'finder', 'camera', 'battery', 'case', 'book', 'other')),
    name            TEXT NOT NULL CHECK (name <> ''),
    design          TEXT CHECK (design IN ('newtonian', 'schmidt-cassegrain',
                        'aplanatic-schmidt-cassegrain', 'maksutov-cassegrain',
                        'classical-cassegrain', 'ritchey-chretien', 'achromat',
                        'apochromat', 'binocular', 'solar')),
    aperture_mm     REAL CHECK (aperture_mm BETWEEN 10 AND 2000),
    focal_mm        REAL CHECK (focal_mm BETWEEN 20 AND 40000),
    obstruction     REAL CHECK (obstruction >= 0 AND obstruction < 0.9),
    vane_count      INTEGER NOT NULL DEFAULT 0 CHECK (vane_count BETWEEN 0 AND 12),
    weight_kg       REAL CHECK (weight_kg > 0),
    cool_down_min   INTEGER CHECK (cool_down_min BETWEEN 0 AND 600),
    uses_diagonal   INTEGER CHECK (uses_diagonal IN (0, 1)),
    replacement_value_cents INTEGER CHECK (replacement_value_cents >= 0),
    place           TEXT NOT NULL DEFAULT '',            -- where it lives when at home
    notes           TEXT NOT NULL DEFAULT '',
    status          TEXT NOT NULL CHECK (status IN ('shelf', 'held', 'bench', 'missing', 'retired')),
    status_reason TEXT NOT NULL DEFAULT '',
    version         INTEGER NOT NULL DEFAULT 1,          -- counts edits, to notice two at once
    added_at        TEXT NOT NULL,
    added_by        BLOB NOT NULL REFERENCES people (id),
    CHECK ((kind = 'instrument') = (design IS NOT NULL)),
    CHECK (design IS NULL OR (aperture_mm IS NOT NULL AND focal_mm IS NOT NULL AND obstruction IS NOT NULL
        AND uses_diagonal IS NOT NULL))
) STRICT;
CREATE TRIGGER a_thing_is_no_instrument_later BEFORE UPDATE OF kind ON instruments
WHEN (OLD.kind = 'instrument') <> (NEW.kind = 'instrument')
BEGIN SELECT RAISE(ABORT, 'an instrument stays one, and a thing never becomes one'); END;

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
    override_reason TEXT,                                -- why it went out though held, kept or reserved for another
    collected_by    TEXT NOT NULL DEFAULT '',            -- who fetched it, where that was not the borrower
    deposit         TEXT NOT NULL DEFAULT '',            -- noted, not handled
    event           TEXT NOT NULL DEFAULT '',            -- the public evening it went out for with others
    returned_at     TEXT,
    returned_to   BLOB REFERENCES people (id),
    CHECK ((returned_at IS NULL) = (returned_to IS NULL)),
    CHECK (returned_at IS NULL OR returned_at >= lent_at)
) STRICT;
CREATE UNIQUE INDEX one_open_loan ON loans (instrument_id) WHERE returned_at IS NULL;
CREATE INDEX loans_by_instrument ON loans (instrument_id, lent_at);
CREATE INDEX loans_by_borrower ON loans (borrower_id, lent_at);
CREATE INDEX loans_by_day ON loans (lent_at);
CREATE INDEX loans_by_return ON loans (returned_at);
CREATE INDEX loans_by_event ON loans (event) WHERE event <> '';
-- Loans that are still out, without reading those that came back.
CREATE INDEX open_loans_by_day ON loans (due_on) WHERE returned_at IS NULL;
-- Nobody has what another has at the same time, whichever was written down first.
-- Of those that began before it ends, the last one is the last to end.
CREATE TRIGGER loans_do_not_overlap BEFORE INSERT ON loans
WHEN (SELECT COALESCE(o.returned_at, '9999') FROM loans o
    WHERE o.instrument_id = NEW.instrument_id AND o.lent_at < COALESCE(NEW.returned_at, '9999')
    ORDER BY o.lent_at DESC, COALESCE(o.returned_at, '9999') DESC LIMIT 1) > NEW.lent_at
BEGIN SELECT RAISE(ABORT, 'it was on loan to somebody else then'); END;
CREATE TRIGGER loans_end_before_the_next_begins BEFORE UPDATE OF returned_at ON loans
WHEN EXISTS (SELECT 1 FROM loans o WHERE o.instrument_id = NEW.instrument_id AND o.id <> NEW.id
    AND o.lent_at >= NEW.lent_at AND o.lent_at < COALESCE(NEW.returned_at, '9999'))
BEGIN SELECT RAISE(ABORT, 'it was on loan to somebody else by then'); END;
CREATE TRIGGER loans_are_never_removed BEFORE DELETE ON loans
WHEN NOT EXISTS (SELECT 1 FROM import_rows r JOIN imports i ON i.id = r.import_id
    WHERE r.row_id = OLD.id AND i.undoing = 1)
BEGIN SELECT RAISE(ABORT, 'a loan is never removed'); END;

-- The name that a borrower drew under the loan sheet with a finger; it goes when they are erased.
CREATE TABLE signatures (
    loan_id         BLOB PRIMARY KEY REFERENCES loans (id),
    signed_at       TEXT NOT NULL,
    taken_by        BLOB NOT NULL REFERENCES people (id),      -- who was signed in on that screen
    strokes         TEXT NOT NULL CHECK (length(strokes) BETWEEN 8 AND 12000) -- as library/signatures.rs has it
) STRICT;

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
    wants_it_for    TEXT CHECK (wants_it_for IN ('planets', 'wide-field', 'anything')), -- NULL: a thing without optics
    note            TEXT NOT NULL DEFAULT '',
    closed_at       TEXT,
    outcome         TEXT CHECK (outcome IN ('lent', 'withdrawn', 'removed')),
    CHECK ((closed_at IS NULL) = (outcome IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_wait ON waits (instrument_id, person_id) WHERE closed_at IS NULL;
CREATE INDEX waits_by_person ON waits (person_id);
CREATE INDEX waits_by_instrument ON waits (instrument_id, asked_at);
CREATE TRIGGER an_instrument_is_wanted_for_something BEFORE INSERT ON waits
WHEN (NEW.wants_it_for IS NULL) = EXISTS (SELECT 1 FROM instruments WHERE id = NEW.instrument_id AND kind = 'instrument')
BEGIN SELECT RAISE(ABORT, 'an instrument is wanted for something, and only an instrument'); END;

-- How long a loan runs, where that differs from the club's own length: of a sort, which
-- is a design of instruments or a kind of things, or of one, which counts for more.
CREATE TABLE loan_periods (
    sort            TEXT UNIQUE CHECK (sort IN ('newtonian', 'schmidt-cassegrain',
                        'aplanatic-schmidt-cassegrain', 'maksutov-cassegrain',
                        'classical-cassegrain', 'ritchey-chretien', 'achromat',
                        'apochromat', 'binocular', 'solar', 'mount', 'tripod', 'eyepiece',
                        'filter', 'finder', 'camera', 'battery', 'case', 'book', 'other')),
    instrument_id   BLOB UNIQUE REFERENCES instruments (id),
    days            INTEGER NOT NULL CHECK (days BETWEEN 1 AND 366),
    CHECK ((sort IS NULL) <> (instrument_id IS NULL))
) STRICT;

-- A loan made longer by its own borrower.
CREATE TABLE renewals (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    loan_id         BLOB NOT NULL REFERENCES loans (id),
    renewed_at      TEXT NOT NULL,
    due_before      TEXT NOT NULL,
    due_on          TEXT NOT NULL,
    CHECK (due_on > due_before)
) STRICT;
CREATE INDEX renewals_by_loan ON renewals (loan_id);

-- A part that is not in the kit: on the account of the loan it went missing on, or
-- on nobody's. An account is settled once; the part may come back, or a new one come
-- in its place, before that or after.
CREATE TABLE missing_kit (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    kit_part_id     BLOB NOT NULL REFERENCES kit_parts (id),
    loan_id         BLOB REFERENCES loans (id),
    missing_since   TEXT NOT NULL,
    problem_entry_id BLOB REFERENCES problems (entry_id), -- the report in its logbook
    settled_at      TEXT,
    settled_by      BLOB REFERENCES people (id),
    outcome         TEXT CHECK (outcome IN ('returned', 'paid', 'written-off')),
    note            TEXT NOT NULL DEFAULT '',
    back_at         TEXT,                                -- in the kit again, it or a new one
    CHECK ((settled_at IS NULL) = (outcome IS NULL) AND (settled_at IS NULL) = (settled_by IS NULL)),
    CHECK (outcome IS NOT 'returned' OR back_at IS NOT NULL)
) STRICT;
CREATE UNIQUE INDEX one_missing_part ON missing_kit (kit_part_id) WHERE back_at IS NULL;
CREATE INDEX missing_kit_by_part ON missing_kit (kit_part_id, missing_since);
CREATE INDEX open_missing_kit ON missing_kit (missing_since) WHERE settled_at IS NULL;
CREATE TRIGGER missing_kit_is_never_removed BEFORE DELETE ON missing_kit
BEGIN SELECT RAISE(ABORT, 'what was missing is never forgotten'); END;

-- Kept for somebody, or for an evening, from one day to another, both included.
CREATE TABLE reservations (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    from_on         TEXT NOT NULL,
    until_on        TEXT NOT NULL,
    person_id       BLOB REFERENCES people (id),
    event           TEXT NOT NULL DEFAULT '',
    reserved_at     TEXT NOT NULL,
    reserved_by     BLOB NOT NULL REFERENCES people (id),
    cancelled_at    TEXT,
    cancelled_by    BLOB REFERENCES people (id),
    CHECK (from_on <= until_on),
    CHECK (person_id IS NOT NULL OR event <> ''),
    CHECK ((cancelled_at IS NULL) = (cancelled_by IS NULL))
) STRICT;
CREATE INDEX reservations_by_instrument ON reservations (instrument_id, until_on) WHERE cancelled_at IS NULL;
CREATE TRIGGER reservations_do_not_overlap BEFORE INSERT ON reservations
WHEN EXISTS (SELECT 1 FROM reservations o WHERE o.instrument_id = NEW.instrument_id AND o.cancelled_at IS NULL
    AND o.from_on <= NEW.until_on AND o.until_on >= NEW.from_on)
BEGIN SELECT RAISE(ABORT, 'it is reserved on one of these days already'); END;
CREATE TRIGGER reservations_are_only_cancelled BEFORE UPDATE ON reservations
WHEN OLD.cancelled_at IS NOT NULL OR NEW.cancelled_at IS NULL OR OLD.instrument_id <> NEW.instrument_id
    OR OLD.from_on <> NEW.from_on OR OLD.until_on <> NEW.until_on OR OLD.event <> NEW.event
    OR OLD.person_id IS NOT NEW.person_id
BEGIN SELECT RAISE(ABORT, 'a reservation is only cancelled'); END;

-- Sets, and counting ------------------------------------------------------

-- What usually goes out together.
CREATE TABLE sets (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    name            TEXT NOT NULL COLLATE NOCASE UNIQUE CHECK (name <> ''),
    note            TEXT NOT NULL DEFAULT '',
    version         INTEGER NOT NULL DEFAULT 1           -- counts edits, to notice two at once
) STRICT;

CREATE TABLE set_members (
    set_id          BLOB NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    PRIMARY KEY (set_id, instrument_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX set_members_by_instrument ON set_members (instrument_id);

-- Everything counted, by its tag: one stock-taking at a time.
CREATE TABLE stock_takings (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    begun_at        TEXT NOT NULL,
    begun_by        BLOB NOT NULL REFERENCES people (id),
    ended_at        TEXT,
    ended_by        BLOB REFERENCES people (id),
    CHECK ((ended_at IS NULL) = (ended_by IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_stock_taking ON stock_takings (ended_at IS NULL) WHERE ended_at IS NULL;

-- What was seen; and, written when it ends, what was not, where that should have been
-- and on which loan it was.
CREATE TABLE stock_counts (
    stock_taking_id BLOB NOT NULL REFERENCES stock_takings (id),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    seen_at         TEXT,
    seen_by         BLOB REFERENCES people (id),
    place           TEXT NOT NULL DEFAULT '',
    loan_id         BLOB REFERENCES loans (id),
    PRIMARY KEY (stock_taking_id, instrument_id),
    CHECK ((seen_at IS NULL) = (seen_by IS NULL))
) STRICT, WITHOUT ROWID;
CREATE INDEX stock_counts_by_instrument ON stock_counts (instrument_id);
CREATE TRIGGER stock_counts_of_an_ended_one_stay BEFORE UPDATE ON stock_counts
WHEN (SELECT ended_at FROM stock_takings WHERE id = OLD.stock_taking_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'that stock-taking has ended'); END;
CREATE TRIGGER a_stock_taking_is_only_ended BEFORE UPDATE ON stock_takings
WHEN OLD.ended_at IS NOT NULL OR NEW.ended_at IS NULL
BEGIN SELECT RAISE(ABORT, 'that stock-taking has ended'); END;

-- The logbook ------------------------------------------------------------

CREATE TABLE entries (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    kind            TEXT NOT NULL CHECK (kind IN ('journey', 'star-test', 'barrel-check', 'problem', 'work',
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
-- What somebody wrote.
CREATE INDEX entries_by_person ON entries (recorded_by, recorded_at);
CREATE INDEX entries_by_instrument ON entries (instrument_id, happened_at);
-- One instrument's entries of one kind, found without reading the others.
CREATE INDEX entries_by_instrument_and_kind ON entries (instrument_id, kind, happened_at);
-- When it was last put where it can be fetched.
CREATE INDEX entries_that_put_back ON entries (instrument_id, recorded_at) WHERE kind IN ('return', 'status');

CREATE TRIGGER a_correction_is_of_the_same_kind_and_instrument BEFORE INSERT ON entries
WHEN NEW.supersedes IS NOT NULL AND NOT EXISTS (SELECT 1 FROM entries o
    WHERE o.id = NEW.supersedes AND o.kind = NEW.kind AND o.instrument_id = NEW.instrument_id AND o.struck = 0)
BEGIN SELECT RAISE(ABORT, 'a correction is of the same kind and instrument as what it corrects'); END;
CREATE TRIGGER an_entrys_loan_is_of_its_instrument BEFORE INSERT ON entries
WHEN NEW.loan_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM loans l
    WHERE l.id = NEW.loan_id AND l.instrument_id = NEW.instrument_id)
BEGIN SELECT RAISE(ABORT, 'the loan of an entry is one of its instrument'); END;
CREATE TRIGGER entries_are_never_changed BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER entries_are_never_removed BEFORE DELETE ON entries
WHEN NOT EXISTS (SELECT 1 FROM import_rows r JOIN imports i ON i.id = r.import_id
    WHERE r.row_id = OLD.id AND i.undoing = 1)
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
    work_entry_id    BLOB NOT NULL REFERENCES works (entry_id),
    problem_entry_id BLOB NOT NULL REFERENCES problems (entry_id),
    PRIMARY KEY (work_entry_id, problem_entry_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX work_settles_by_problem ON work_settles (problem_entry_id);
CREATE TRIGGER work_settles_what_was_found_at_its_instrument BEFORE INSERT ON work_settles
WHEN NOT EXISTS (SELECT 1 FROM entries w JOIN entries f ON f.instrument_id = w.instrument_id
    WHERE w.id = NEW.work_entry_id AND f.id = NEW.problem_entry_id)
BEGIN SELECT RAISE(ABORT, 'work settles what was found at its own instrument'); END;
CREATE TRIGGER work_settles_are_never_changed BEFORE UPDATE ON work_settles
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER work_settles_are_never_removed BEFORE DELETE ON work_settles
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;

-- The standing problems that no standing work has settled. A settlement follows the corrections
-- of the problem: what was settled stays settled when its wording is corrected.
CREATE VIEW unsettled_problems AS
    SELECT e.id AS entry_id
    FROM current_entries e JOIN problems f ON f.entry_id = e.id
    WHERE NOT EXISTS (
        WITH RECURSIVE told (id) AS (
            SELECT e.id
            UNION SELECT o.supersedes FROM told JOIN entries o ON o.id = told.id WHERE o.supersedes IS NOT NULL)
        SELECT 1 FROM told CROSS JOIN work_settles s ON s.problem_entry_id = told.id
             JOIN current_entries w ON w.id = s.work_entry_id);
-- The same, kept by the triggers below: of all the problems there ever were few are open.
CREATE TABLE open_problems (
    entry_id        BLOB PRIMARY KEY REFERENCES problems (entry_id)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER a_new_problem_is_open AFTER INSERT ON problems
BEGIN INSERT INTO open_problems SELECT entry_id FROM unsettled_problems WHERE entry_id = NEW.entry_id; END;
CREATE TRIGGER a_corrected_problem_is_open_no_more AFTER INSERT ON entries
WHEN NEW.kind = 'problem' AND NEW.supersedes IS NOT NULL
BEGIN DELETE FROM open_problems WHERE entry_id = NEW.supersedes; END;
CREATE TRIGGER a_settled_problem_is_open_no_more AFTER INSERT ON work_settles
WHEN EXISTS (SELECT 1 FROM current_entries WHERE id = NEW.work_entry_id)
BEGIN
    DELETE FROM open_problems WHERE entry_id IN (
        WITH RECURSIVE told (id) AS (
            SELECT NEW.problem_entry_id UNION SELECT c.id FROM told JOIN entries c ON c.supersedes = told.id)
        SELECT id FROM told);
END;
-- What work settled that is corrected or struck is open until its correction settles it again.
CREATE TRIGGER corrected_work_settles_no_more AFTER INSERT ON entries
WHEN NEW.kind = 'work' AND NEW.supersedes IS NOT NULL
BEGIN
    INSERT INTO open_problems
        SELECT entry_id FROM unsettled_problems WHERE entry_id IN (
            WITH RECURSIVE told (id) AS (
                SELECT problem_entry_id FROM work_settles WHERE work_entry_id = NEW.supersedes
                UNION SELECT c.id FROM told JOIN entries c ON c.supersedes = told.id)
            SELECT id FROM told)
        AND entry_id NOT IN (SELECT entry_id FROM open_problems);
END;

-- A second pair of eyes on work that was done: the detail of a note that says so, and goes
-- with its corrections.
CREATE TABLE second_looks (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id)
) STRICT;
CREATE TRIGGER second_looks_go_with_their_kind BEFORE INSERT ON second_looks
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'note'
BEGIN SELECT RAISE(ABORT, 'the entry of second_looks is of another kind'); END;
CREATE TRIGGER a_corrected_second_look_stays_one AFTER INSERT ON entries
WHEN NEW.struck = 0 AND EXISTS (SELECT 1 FROM second_looks WHERE entry_id = NEW.supersedes)
BEGIN INSERT INTO second_looks (entry_id) VALUES (NEW.id); END;
CREATE TRIGGER second_looks_are_never_changed BEFORE UPDATE ON second_looks
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER second_looks_are_never_removed BEFORE DELETE ON second_looks
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;

-- Who puts a problem right, and by when. A row beside the logbook, whose entries are never
-- changed: one for each who took it on. The one that has not ended holds; work that settles
-- the problem closes it.
CREATE TABLE jobs (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    problem_entry_id BLOB NOT NULL REFERENCES problems (entry_id),
    person_id       BLOB REFERENCES people (id),         -- NULL: no one yet
    due_on          TEXT,                                -- a day of the club's
    note            TEXT NOT NULL DEFAULT '',
    begun_at        TEXT NOT NULL,
    begun_by        BLOB NOT NULL REFERENCES people (id),
    ended_at        TEXT,                                -- given back, or given to another
    ended_by        BLOB REFERENCES people (id),
    CHECK ((ended_at IS NULL) = (ended_by IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_job ON jobs (problem_entry_id) WHERE ended_at IS NULL;
CREATE INDEX jobs_by_problem ON jobs (problem_entry_id, begun_at);
CREATE INDEX jobs_by_person ON jobs (person_id) WHERE person_id IS NOT NULL;
-- A problem that is corrected takes its jobs along.
CREATE TRIGGER jobs_go_with_a_correction AFTER INSERT ON problems
BEGIN
    UPDATE jobs SET problem_entry_id = NEW.entry_id
        WHERE problem_entry_id = (SELECT supersedes FROM entries WHERE id = NEW.entry_id);
END;
CREATE TRIGGER a_job_that_ended_stays
BEFORE UPDATE OF person_id, due_on, note, begun_at, begun_by, ended_at, ended_by ON jobs
WHEN OLD.ended_at IS NOT NULL OR OLD.person_id IS NOT NEW.person_id
BEGIN SELECT RAISE(ABORT, 'a job that has ended, or is given to another, is a row of its own'); END;
CREATE TRIGGER jobs_are_never_removed BEFORE DELETE ON jobs
BEGIN SELECT RAISE(ABORT, 'a job is never removed'); END;

-- Spare parts and consumables. Amounts are thousandths of the unit, so that they add up
-- exactly; what there is follows from the moves, and is never below nothing.
CREATE TABLE spares (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    name            TEXT NOT NULL COLLATE NOCASE CHECK (name <> ''),
    unit            TEXT NOT NULL CHECK (unit <> ''),    -- pieces, ml, m
    amount_thousandths INTEGER NOT NULL DEFAULT 0 CHECK (amount_thousandths >= 0),
    low_thousandths INTEGER CHECK (low_thousandths >= 0), -- so many or fewer are low; NULL: never
    place           TEXT NOT NULL DEFAULT '',
    value_cents     REAL CHECK (value_cents >= 0),       -- of one unit
    added_at        TEXT NOT NULL,
    added_by        BLOB NOT NULL REFERENCES people (id),
    removed_at      TEXT                                 -- no longer kept
) STRICT;
CREATE UNIQUE INDEX one_spare_of_a_name ON spares (name) WHERE removed_at IS NULL;

-- What was used in work, bought, or found when they were counted anew.
CREATE TABLE spare_moves (
    number          INTEGER PRIMARY KEY,                 -- grows with time
    spare_id        BLOB NOT NULL REFERENCES spares (id),
    at              TEXT NOT NULL,
    by              BLOB NOT NULL REFERENCES people (id),
    what            TEXT NOT NULL CHECK (what IN ('used', 'added', 'counted')),
    change_thousandths INTEGER NOT NULL,
    work_entry_id   BLOB REFERENCES works (entry_id),
    value_cents     REAL CHECK (value_cents >= 0),       -- of one unit, at that time
    words           TEXT NOT NULL DEFAULT '',
    CHECK ((what = 'used') = (work_entry_id IS NOT NULL)),
    CHECK (what <> 'used' OR change_thousandths < 0),
    CHECK (what <> 'added' OR change_thousandths > 0)
) STRICT;
CREATE INDEX spare_moves_by_spare ON spare_moves (spare_id, number);
CREATE INDEX spare_moves_by_work ON spare_moves (work_entry_id) WHERE work_entry_id IS NOT NULL;
CREATE TRIGGER what_there_is_follows_from_the_moves AFTER INSERT ON spare_moves
BEGIN UPDATE spares SET amount_thousandths = amount_thousandths + NEW.change_thousandths WHERE id = NEW.spare_id; END;
CREATE TRIGGER spare_moves_are_never_changed BEFORE UPDATE ON spare_moves
BEGIN SELECT RAISE(ABORT, 'what became of spare parts is never changed'); END;
CREATE TRIGGER spare_moves_are_never_removed BEFORE DELETE ON spare_moves
BEGIN SELECT RAISE(ABORT, 'what became of spare parts is never shortened'); END;

-- One try at measuring frames: kept whether it was measured or refused.
CREATE TABLE attempts (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    asked_by        BLOB NOT NULL REFERENCES people (id),
    asked_at        TEXT NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'measured', 'refused', 'cancelled', 'failed')),
    frames_done     INTEGER NOT NULL DEFAULT 0,
    frames_given    INTEGER NOT NULL DEFAULT 0,
    circumstances   TEXT NOT NULL,                       -- JSON: setup, side, seeing, diagonal ...
    report          TEXT,                                -- JSON: startest::report
    picture_png     BLOB,                                -- the stacked donut
    overlay_svg     TEXT,
    finished_at     TEXT,
    frames_until    TEXT                                 -- of a failed one: so long its frames are kept
) STRICT;
CREATE INDEX attempts_by_instrument ON attempts (instrument_id, asked_at);
-- What is to be measured, without passing over the pictures of all that was.
CREATE INDEX attempts_in_hand ON attempts (asked_at) WHERE state = 'waiting';
-- Whose frames are still wanted though they failed.
CREATE INDEX attempts_kept ON attempts (frames_until) WHERE frames_until IS NOT NULL;

-- What else a measured try can show: model, residual, the ring unrolled.
CREATE TABLE attempt_pictures (
    attempt_id      BLOB NOT NULL REFERENCES attempts (id),
    name            TEXT NOT NULL CHECK (name <> ''),
    caption         TEXT NOT NULL,
    png             BLOB NOT NULL,
    place           INTEGER NOT NULL,
    PRIMARY KEY (attempt_id, name)
) STRICT;

CREATE TABLE star_tests (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    method          TEXT NOT NULL CHECK (method IN ('by-eye', 'from-frames', 'by-phone')),
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

-- A look through both barrels of a binocular, and how far apart they pointed at one
-- opening of the hinge or at two. Angles are arc minutes at the eye (optics::barrels).
CREATE TABLE barrel_checks (
    entry_id        BLOB PRIMARY KEY REFERENCES entries (id),
    way             TEXT NOT NULL CHECK (way IN ('by-eye', 'by-pictures')),
    magnification   REAL NOT NULL CHECK (magnification > 1),
    hinged          INTEGER NOT NULL CHECK (hinged IN (0, 1)),
    distance_m      REAL CHECK (distance_m > 0),         -- NULL: a star
    judged          TEXT NOT NULL                        -- JSON: what the person told, as told
) STRICT;

CREATE TABLE barrel_openings (
    entry_id        BLOB NOT NULL REFERENCES barrel_checks (entry_id),
    place           INTEGER NOT NULL CHECK (place IN (1, 2)),
    convergence_arcmin REAL NOT NULL,                    -- below 0: divergence
    convergence_arcmin_sigma REAL NOT NULL CHECK (convergence_arcmin_sigma > 0),
    step_arcmin     REAL NOT NULL,                       -- above 0: the left picture is higher
    step_arcmin_sigma REAL NOT NULL CHECK (step_arcmin_sigma > 0),
    turn_arcmin     REAL,                                -- above 0: the left picture clockwise
    turn_arcmin_sigma REAL CHECK (turn_arcmin_sigma > 0),
    PRIMARY KEY (entry_id, place),
    CHECK ((turn_arcmin IS NULL) = (turn_arcmin_sigma IS NULL))
) STRICT, WITHOUT ROWID;

-- Set limits: the newest row for a design or an instrument holds; a NULL value
-- goes back to the level above (instrument -> design -> the default built in).
CREATE TABLE limits (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    design          TEXT CHECK (design IN ('newtonian', 'schmidt-cassegrain',
                        'aplanatic-schmidt-cassegrain', 'maksutov-cassegrain',
                        'classical-cassegrain', 'ritchey-chretien', 'achromat',
                        'apochromat', 'binocular', 'solar')),
    instrument_id   BLOB REFERENCES instruments (id),
    what            TEXT NOT NULL CHECK (what IN ('coma-note', 'coma-bench', 'barrels-note', 'barrels-bench', 'exposure', 'months', 'loans')),
    value           REAL CHECK (value >= 0),
    set_at          TEXT NOT NULL,
    set_by          BLOB NOT NULL REFERENCES people (id),
    reason          TEXT NOT NULL,
    CHECK ((design IS NULL) <> (instrument_id IS NULL))
) STRICT;
CREATE INDEX limits_by_day ON limits (set_at);
-- Who set which limit, when and why stays known: a change is a new row.
CREATE TRIGGER limits_are_never_changed BEFORE UPDATE ON limits
BEGIN SELECT RAISE(ABORT, 'the history of limits is never changed'); END;
CREATE TRIGGER limits_are_never_removed BEFORE DELETE ON limits
BEGIN SELECT RAISE(ABORT, 'the history of limits is never shortened'); END;

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

-- Manuals, receipts, drawings: files that belong to a thing. One that is removed stays, hidden.
CREATE TABLE papers (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    title           TEXT NOT NULL CHECK (title <> ''),
    file_name       TEXT NOT NULL CHECK (file_name <> ''), -- what it is saved as
    media_type      TEXT NOT NULL CHECK (media_type IN ('application/pdf', 'text/plain', 'image/jpeg')),
    bytes           BLOB NOT NULL CHECK (length(bytes) BETWEEN 1 AND 20971520),
    for_borrowers   INTEGER NOT NULL CHECK (for_borrowers IN (0, 1)), -- else volunteers alone
    added_at        TEXT NOT NULL,
    added_by        BLOB NOT NULL REFERENCES people (id),
    removed_at      TEXT
) STRICT;
CREATE INDEX papers_by_instrument ON papers (instrument_id, added_at) WHERE removed_at IS NULL;

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

-- Every detail stands with an entry of its kind, and is as lasting.
CREATE TRIGGER journeys_go_with_their_kind BEFORE INSERT ON journeys
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'journey'
BEGIN SELECT RAISE(ABORT, 'the entry of journeys is of another kind'); END;
CREATE TRIGGER journeys_are_never_changed BEFORE UPDATE ON journeys
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER journeys_are_never_removed BEFORE DELETE ON journeys
WHEN NOT EXISTS (SELECT 1 FROM import_rows r JOIN imports i ON i.id = r.import_id
    WHERE r.row_id = OLD.entry_id AND i.undoing = 1)
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER problems_go_with_their_kind BEFORE INSERT ON problems
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'problem'
BEGIN SELECT RAISE(ABORT, 'the entry of problems is of another kind'); END;
CREATE TRIGGER problems_are_never_changed BEFORE UPDATE ON problems
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER problems_are_never_removed BEFORE DELETE ON problems
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER works_go_with_their_kind BEFORE INSERT ON works
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'work'
BEGIN SELECT RAISE(ABORT, 'the entry of works is of another kind'); END;
CREATE TRIGGER works_are_never_changed BEFORE UPDATE ON works
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER works_are_never_removed BEFORE DELETE ON works
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER barrel_checks_go_with_their_kind BEFORE INSERT ON barrel_checks
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'barrel-check'
BEGIN SELECT RAISE(ABORT, 'the entry of barrel_checks is of another kind'); END;
CREATE TRIGGER barrel_checks_are_never_changed BEFORE UPDATE ON barrel_checks
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER barrel_checks_are_never_removed BEFORE DELETE ON barrel_checks
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER barrel_openings_are_never_changed BEFORE UPDATE ON barrel_openings
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER barrel_openings_are_never_removed BEFORE DELETE ON barrel_openings
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;
CREATE TRIGGER star_tests_go_with_their_kind BEFORE INSERT ON star_tests
WHEN (SELECT kind FROM entries WHERE id = NEW.entry_id) IS NOT 'star-test'
BEGIN SELECT RAISE(ABORT, 'the entry of star_tests is of another kind'); END;
CREATE TRIGGER star_tests_are_never_changed BEFORE UPDATE ON star_tests
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never changed'); END;
CREATE TRIGGER star_tests_are_never_removed BEFORE DELETE ON star_tests
WHEN NOT EXISTS (SELECT 1 FROM import_rows r JOIN imports i ON i.id = r.import_id
    WHERE r.row_id = OLD.entry_id AND i.undoing = 1)
BEGIN SELECT RAISE(ABORT, 'a logbook entry is never removed'); END;

CREATE TRIGGER a_photos_entry_is_of_its_instrument BEFORE INSERT ON photos
WHEN NEW.entry_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM entries e
    WHERE e.id = NEW.entry_id AND e.instrument_id = NEW.instrument_id)
BEGIN SELECT RAISE(ABORT, 'the entry of a photo is one of its instrument'); END;

-- At the bench ------------------------------------------------------------
--
-- A collimation session: one time at the bench with one instrument, from the first
-- star check to "stop here". Its steps are only ever added to; where it stands is
-- played through from them, so that anyone can take it up at any time.

CREATE TABLE collimations (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    started_at      TEXT NOT NULL,
    started_by      BLOB NOT NULL REFERENCES people (id),
    setup           TEXT NOT NULL,                       -- JSON: optics, screws, threshold as they were
    ended_at        TEXT,                                -- NULL while it runs
    ended_by        BLOB REFERENCES people (id),
    outcome         TEXT,                                -- JSON: why, before, after, adjustments
    work_entry_id   BLOB REFERENCES works (entry_id),    -- the work it left in the logbook
    CHECK ((ended_at IS NULL) = (ended_by IS NULL) AND (ended_at IS NULL) = (outcome IS NULL)),
    CHECK (work_entry_id IS NULL OR ended_at IS NOT NULL)
) STRICT;
CREATE INDEX collimations_by_instrument ON collimations (instrument_id, started_at);
CREATE UNIQUE INDEX one_open_collimation ON collimations (instrument_id) WHERE ended_at IS NULL;

CREATE TABLE collimation_steps (
    collimation_id  BLOB NOT NULL REFERENCES collimations (id),
    ordinal         INTEGER NOT NULL CHECK (ordinal >= 0),
    at              TEXT NOT NULL,
    by              BLOB NOT NULL REFERENCES people (id),
    record          TEXT NOT NULL,                       -- JSON: stage begun, shade, look, adjustment
    entry_id        BLOB REFERENCES entries (id),        -- the star test of a look
    PRIMARY KEY (collimation_id, ordinal)
) STRICT, WITHOUT ROWID;

-- What a collimation session taught of the screws; the newest for an element holds.
CREATE TABLE learnt_responses (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    collimation_id  BLOB NOT NULL REFERENCES collimations (id),
    element         TEXT NOT NULL,
    learnt_at       TEXT NOT NULL,
    screws          TEXT NOT NULL,                       -- JSON: it holds for these screws only
    response        TEXT NOT NULL                        -- JSON
) STRICT;
CREATE INDEX learnt_by_instrument ON learnt_responses (instrument_id, learnt_at);

-- It is ended once; nothing else of it ever changes.
CREATE TRIGGER collimations_are_only_ended BEFORE UPDATE ON collimations
WHEN OLD.ended_at IS NOT NULL OR NEW.ended_at IS NULL OR OLD.id <> NEW.id OR OLD.instrument_id <> NEW.instrument_id
    OR OLD.started_at <> NEW.started_at OR OLD.started_by <> NEW.started_by OR OLD.setup <> NEW.setup
BEGIN SELECT RAISE(ABORT, 'a collimation is never changed'); END;
CREATE TRIGGER collimations_are_never_removed BEFORE DELETE ON collimations
BEGIN SELECT RAISE(ABORT, 'a collimation is never removed'); END;
CREATE TRIGGER collimation_steps_are_added_while_it_runs BEFORE INSERT ON collimation_steps
WHEN (SELECT ended_at FROM collimations WHERE id = NEW.collimation_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'this collimation has ended'); END;
CREATE TRIGGER collimation_steps_are_never_changed BEFORE UPDATE ON collimation_steps
BEGIN SELECT RAISE(ABORT, 'a step of a collimation is never changed'); END;
CREATE TRIGGER collimation_steps_are_never_removed BEFORE DELETE ON collimation_steps
BEGIN SELECT RAISE(ABORT, 'a step of a collimation is never removed'); END;

-- Word to people ------------------------------------------------------------
--
-- What is to be said to somebody, by mail where there is one, and whether it was. Of
-- one kind and person each thing is said once: `about` names it. Ninety days from
-- `ended_at`.
CREATE TABLE messages (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16), -- the Message-ID is made of it
    kind            TEXT NOT NULL CHECK (kind IN ('due-soon', 'late', 'your-turn', 'reserved', 'settled', 'week',
                        'sign-in', 'account', 'trial')),
    person_id       BLOB NOT NULL REFERENCES people (id),
    about           TEXT NOT NULL,
    subject         TEXT NOT NULL CHECK (subject <> ''),
    body            TEXT NOT NULL,                       -- '' once a sign-in link has gone out
    to_address      TEXT,                                -- NULL: the person's own of the day
    made_at         TEXT NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'sent', 'refused', 'told', 'dropped')),
    tries           INTEGER NOT NULL DEFAULT 0,
    next_try_at     TEXT,
    said            TEXT NOT NULL DEFAULT '',            -- by the mail server, last
    ended_at        TEXT,
    UNIQUE (kind, person_id, about),
    CHECK ((ended_at IS NULL) = (state IN ('waiting', 'sending')))
) STRICT;
CREATE INDEX messages_by_person ON messages (person_id, ended_at);
CREATE INDEX messages_unsaid ON messages (made_at) WHERE state IN ('refused', 'waiting');
CREATE INDEX messages_in_hand ON messages (made_at) WHERE state IN ('waiting', 'sending');

-- What somebody chose to do without.
CREATE TABLE unwanted_messages (
    person_id       BLOB NOT NULL REFERENCES people (id),
    kind            TEXT NOT NULL,
    PRIMARY KEY (person_id, kind)
) STRICT, WITHOUT ROWID;

-- A person's calendar, read by a program of theirs at a secret address.
CREATE TABLE calendar_feeds (
    person_id       BLOB PRIMARY KEY REFERENCES people (id),
    token_hash      BLOB NOT NULL UNIQUE CHECK (length(token_hash) = 32),
    made_at         TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Who did what ------------------------------------------------------------
--
-- Who did what, when, from where: one row for each write that a person asked
-- for, in the same transaction as the write. Each row carries the hash of the
-- one before it, so that a row changed or taken out shows.
CREATE TABLE audit_log (
    number          INTEGER PRIMARY KEY,
    at              TEXT NOT NULL,
    person_id       BLOB REFERENCES people (id),
    address         TEXT NOT NULL,
    what            TEXT NOT NULL,
    words           TEXT NOT NULL,
    hash            BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;

CREATE INDEX audit_log_by_person ON audit_log (person_id, number);

CREATE TRIGGER the_audit_log_is_never_changed BEFORE UPDATE ON audit_log
BEGIN SELECT RAISE(ABORT, 'the audit log is never changed'); END;
CREATE TRIGGER the_audit_log_is_never_shortened BEFORE DELETE ON audit_log
BEGIN SELECT RAISE(ABORT, 'the audit log is never shortened'); END;

-- What pages are made from -------------------------------------------------
--
-- One counter that every write bumps which a condition, a forecast or the due list
-- rests on, whichever program writes: with the instrument whose logbook it was, or
-- x'' where it concerns all. Whoever keeps in mind what the logbooks say
-- (`upkeep::snapshot`) keeps the counter beside it: while the highest is the same,
-- so is everything. Only the last row of each instrument stays, and AUTOINCREMENT
-- uses no number twice. (Deleted and inserted rather than replaced: in a trigger the
-- conflict clause of the outer statement would hold.)
CREATE TABLE changes (
    counter         INTEGER PRIMARY KEY AUTOINCREMENT,
    instrument_id   BLOB NOT NULL UNIQUE
) STRICT;

-- Entries and their details are written together and never changed or removed.
CREATE TRIGGER an_entry_counts AFTER INSERT ON entries
BEGIN DELETE FROM changes WHERE instrument_id = NEW.instrument_id; INSERT INTO changes (instrument_id) VALUES (NEW.instrument_id); END;
CREATE TRIGGER a_loan_counts AFTER INSERT ON loans
BEGIN DELETE FROM changes WHERE instrument_id = NEW.instrument_id; INSERT INTO changes (instrument_id) VALUES (NEW.instrument_id); END;
CREATE TRIGGER a_changed_loan_counts AFTER UPDATE ON loans
BEGIN DELETE FROM changes WHERE instrument_id IN (OLD.instrument_id, NEW.instrument_id);
    INSERT INTO changes (instrument_id) SELECT OLD.instrument_id UNION SELECT NEW.instrument_id; END;
CREATE TRIGGER an_instrument_counts AFTER INSERT ON instruments
BEGIN DELETE FROM changes WHERE instrument_id = NEW.id; INSERT INTO changes (instrument_id) VALUES (NEW.id); END;
CREATE TRIGGER a_changed_instrument_counts AFTER UPDATE ON instruments
BEGIN DELETE FROM changes WHERE instrument_id = NEW.id; INSERT INTO changes (instrument_id) VALUES (NEW.id); END;
CREATE TRIGGER a_limit_counts AFTER INSERT ON limits
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
CREATE TRIGGER a_wait_counts AFTER INSERT ON waits
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
CREATE TRIGGER a_changed_wait_counts AFTER UPDATE ON waits
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
-- What is reserved is not kept for who waits.
CREATE TRIGGER a_reservation_counts AFTER INSERT ON reservations
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
CREATE TRIGGER a_changed_reservation_counts AFTER UPDATE ON reservations
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
-- Days are those of the club's zone.
CREATE TRIGGER a_new_club_counts AFTER INSERT ON club
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
CREATE TRIGGER a_changed_club_counts AFTER UPDATE ON club
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;
-- Lists of limits and of who waits name people.
CREATE TRIGGER a_changed_name_counts AFTER UPDATE OF name ON people
BEGIN DELETE FROM changes WHERE instrument_id = x''; INSERT INTO changes (instrument_id) VALUES (x''); END;

-- Moving in ----------------------------------------------------------------

-- Tags that an instrument had before: old labels still lead to it. A tag is either
-- some instrument's or a former one.
CREATE TABLE former_tags (
    tag             TEXT PRIMARY KEY COLLATE NOCASE CHECK (tag <> ''),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id)
) STRICT;
CREATE INDEX former_tags_by_instrument ON former_tags (instrument_id);
CREATE TRIGGER a_changed_tag_is_kept AFTER UPDATE OF tag ON instruments
WHEN NEW.tag <> OLD.tag COLLATE NOCASE
BEGIN
    DELETE FROM former_tags WHERE tag = NEW.tag AND instrument_id = NEW.id;
    INSERT INTO former_tags (tag, instrument_id) VALUES (OLD.tag, NEW.id);
END;
-- Whoever gives it to another instrument takes it from the first one before.
CREATE TRIGGER a_former_tag_is_not_given_unnoticed BEFORE INSERT ON instruments
WHEN EXISTS (SELECT 1 FROM former_tags WHERE tag = NEW.tag)
BEGIN SELECT RAISE(ABORT, 'this tag was another instrument''s'); END;
CREATE TRIGGER a_former_tag_is_not_taken_unnoticed BEFORE UPDATE OF tag ON instruments
WHEN EXISTS (SELECT 1 FROM former_tags WHERE tag = NEW.tag AND instrument_id <> NEW.id)
BEGIN SELECT RAISE(ABORT, 'this tag was another instrument''s'); END;

-- A club's own lists, read and not yet kept: the sheets, what was chosen of them.
-- Bound to who sent them, and removed two days after `at` or once they are kept.
CREATE TABLE held_uploads (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    person_id       BLOB NOT NULL REFERENCES people (id),
    at              TEXT NOT NULL,
    names           TEXT NOT NULL,                       -- of the files, in words
    sheets          TEXT NOT NULL,                       -- JSON: cells as read
    choices         TEXT NOT NULL                        -- JSON: kinds, columns, answers
) STRICT;
CREATE INDEX held_uploads_by_person ON held_uploads (person_id);

-- What was kept of such lists, each as one, so that it can be undone as one.
CREATE TABLE imports (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    at              TEXT NOT NULL,
    by              BLOB NOT NULL REFERENCES people (id),
    names           TEXT NOT NULL,                       -- of the files, in words
    added           TEXT NOT NULL,                       -- what it brought, in words
    undoing         INTEGER NOT NULL DEFAULT 0 CHECK (undoing IN (0, 1)), -- only within the transaction that undoes it
    undone_at       TEXT,
    undone_by       BLOB REFERENCES people (id),
    CHECK ((undone_at IS NULL) = (undone_by IS NULL))
) STRICT;

-- The rows it brought; none of an import that was undone.
CREATE TABLE import_rows (
    row_id          BLOB NOT NULL CHECK (length(row_id) = 16),
    place           TEXT NOT NULL CHECK (place IN ('people', 'instruments', 'adjusters', 'kit_parts', 'loans', 'entries')),
    import_id       BLOB NOT NULL REFERENCES imports (id),
    PRIMARY KEY (row_id, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX import_rows_by_import ON import_rows (import_id, place);

-- What is taken back counts as what was brought.
CREATE TRIGGER a_removed_entry_counts AFTER DELETE ON entries
BEGIN DELETE FROM changes WHERE instrument_id = OLD.instrument_id; INSERT INTO changes (instrument_id) VALUES (OLD.instrument_id); END;
CREATE TRIGGER a_removed_loan_counts AFTER DELETE ON loans
BEGIN DELETE FROM changes WHERE instrument_id = OLD.instrument_id; INSERT INTO changes (instrument_id) VALUES (OLD.instrument_id); END;
CREATE TRIGGER a_removed_instrument_counts AFTER DELETE ON instruments
BEGIN DELETE FROM changes WHERE instrument_id IN (OLD.id, x''); INSERT INTO changes (instrument_id) VALUES (x''); END;

-- Reports ------------------------------------------------------------------
--
-- What somebody told from an instrument's page, where its label leads. A borrower's and
-- a volunteer's own stand in the logbook at once; any other waits until a volunteer has
-- looked. Strangers see what became of theirs by a secret address, of which a hash is
-- kept. Ninety days from `decided_at`, or 180 from `reported_at` where nobody looked;
-- `network`, by which their number is limited, for a day.
CREATE TABLE reports (
    id              BLOB PRIMARY KEY CHECK (length(id) = 16),
    instrument_id   BLOB NOT NULL REFERENCES instruments (id),
    what            TEXT NOT NULL CHECK (what IN ('knock', 'journey', 'dew', 'squashed-rings', 'other')),
    words           TEXT NOT NULL CHECK (length(words) <= 1000),
    how_hard        INTEGER CHECK (how_hard BETWEEN 1 AND 3),
    distance_km     REAL CHECK (distance_km > 0 AND distance_km <= 40000),
    name            TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    person_id       BLOB REFERENCES people (id),         -- NULL: a stranger
    token_hash      BLOB UNIQUE CHECK (length(token_hash) = 32),
    network         TEXT,
    reported_at     TEXT NOT NULL,
    picture         BLOB,
    thumbnail       BLOB,
    width_px        INTEGER,
    height_px       INTEGER,
    state           TEXT NOT NULL CHECK (state IN ('waiting', 'accepted', 'set-aside', 'withdrawn')),
    decided_at      TEXT,
    decided_by      BLOB REFERENCES people (id),         -- NULL: it needed nobody
    answer          TEXT NOT NULL DEFAULT '',            -- to who reported it
    entry_id        BLOB REFERENCES entries (id),        -- what it became
    CHECK ((state = 'waiting') = (decided_at IS NULL)),
    CHECK ((state = 'accepted') = (entry_id IS NOT NULL)),
    CHECK (person_id IS NULL OR (token_hash IS NULL AND network IS NULL)),
    CHECK ((picture IS NULL) = (thumbnail IS NULL) AND (picture IS NULL) = (width_px IS NULL)
        AND (picture IS NULL) = (height_px IS NULL))
) STRICT;
CREATE INDEX reports_by_instrument ON reports (instrument_id, reported_at);
CREATE INDEX reports_by_network ON reports (network, reported_at) WHERE network IS NOT NULL;
CREATE INDEX reports_by_person ON reports (person_id, reported_at) WHERE person_id IS NOT NULL;
CREATE INDEX reports_to_look_at ON reports (reported_at) WHERE state = 'waiting';
CREATE TRIGGER reports_are_decided_once BEFORE UPDATE OF state, decided_at, decided_by, entry_id ON reports
WHEN OLD.state <> 'waiting'
BEGIN SELECT RAISE(ABORT, 'this report has been decided'); END;

-- Search ---------------------------------------------------------------------
--
-- What can be searched, in the words it is found by. Of the logbook what stands, of
-- people and kit who and what is there. Derived, all of it: `search_rows` keeps the
-- view by triggers, `search_index` is SQLite's full-text index (FTS5) over those rows.
CREATE VIEW searchable (kind, about, instrument_id, words) AS
    SELECT iif(i.kind = 'instrument', 'instrument', 'thing'), i.id, i.id, i.tag || ' ' || i.name || ' '
        || COALESCE(i.design || ' ' || CAST(round(i.aperture_mm) AS INTEGER) || ' mm', i.kind) || ' ' || i.place
        || COALESCE((SELECT ' ' || group_concat(f.tag, ' ') FROM former_tags f WHERE f.instrument_id = i.id), '')
        FROM instruments i
    UNION ALL SELECT 'notes', i.id, i.id, i.notes FROM instruments i WHERE i.notes <> ''
    UNION ALL SELECT 'kit', k.id, k.instrument_id, k.name FROM kit_parts k WHERE k.removed_at IS NULL
    UNION ALL SELECT 'problem', e.id, e.instrument_id, trim(f.words || ' ' || e.note)
        FROM current_entries e JOIN problems f ON f.entry_id = e.id
    UNION ALL SELECT 'entry', e.id, e.instrument_id, trim(e.note || ' ' || COALESCE(w.words, ''))
        FROM current_entries e LEFT JOIN works w ON w.entry_id = e.id
        WHERE e.kind <> 'problem' AND (e.note <> '' OR w.words <> '')
    UNION ALL SELECT 'paper', p.id, p.instrument_id, p.title || ' ' || p.file_name
        FROM papers p WHERE p.removed_at IS NULL
    UNION ALL SELECT 'job', j.id, e.instrument_id, j.note
        FROM jobs j JOIN entries e ON e.id = j.problem_entry_id WHERE j.ended_at IS NULL AND j.note <> ''
    UNION ALL SELECT 'spare', s.id, NULL, trim(s.name || ' ' || s.place) FROM spares s WHERE s.removed_at IS NULL
    UNION ALL SELECT 'person', p.id, NULL, p.name || ' ' || COALESCE(p.email, '')
        FROM people p WHERE p.left_at IS NULL;

CREATE TABLE search_rows (
    number          INTEGER PRIMARY KEY,                 -- grows with time
    about           BLOB NOT NULL,
    kind            TEXT NOT NULL,
    instrument_id   BLOB,
    words           TEXT NOT NULL,
    UNIQUE (about, kind)
) STRICT;
-- Each word is sought by its beginning: from the first letter on, so that a word that
-- thousands of rows hold need not be gathered from all of them once for every kind.
CREATE VIRTUAL TABLE search_index USING fts5 (kind, words, content = 'search_rows', content_rowid = 'number',
    tokenize = 'unicode61 remove_diacritics 2', prefix = '1 2 3 4 5 6');
-- What is removed leaves no word behind in the index (from SQLite 3.42 on; the tool
-- brings a newer one, the program that checks queries may be older).
INSERT INTO search_index (search_index, rank) SELECT 'secure-delete', 1 WHERE sqlite_version() >= '3.42';

CREATE TRIGGER a_search_row_is_indexed AFTER INSERT ON search_rows
BEGIN INSERT INTO search_index (rowid, kind, words) VALUES (NEW.number, NEW.kind, NEW.words); END;
CREATE TRIGGER a_removed_search_row_is_not AFTER DELETE ON search_rows
BEGIN INSERT INTO search_index (search_index, rowid, kind, words) VALUES ('delete', OLD.number, OLD.kind, OLD.words); END;
CREATE TRIGGER search_rows_are_written_anew BEFORE UPDATE ON search_rows
BEGIN SELECT RAISE(ABORT, 'a search row is removed and written anew'); END;

CREATE TRIGGER an_instrument_is_searched AFTER INSERT ON instruments
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_instrument_is_searched AFTER UPDATE OF tag, kind, name, design, aperture_mm, place, notes ON instruments
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_removed_instrument_is_not_searched AFTER DELETE ON instruments
BEGIN DELETE FROM search_rows WHERE about = OLD.id; END;
CREATE TRIGGER a_former_tag_is_searched AFTER INSERT ON former_tags
BEGIN DELETE FROM search_rows WHERE about = NEW.instrument_id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.instrument_id; END;
CREATE TRIGGER a_lost_tag_is_not_searched AFTER DELETE ON former_tags
BEGIN DELETE FROM search_rows WHERE about = OLD.instrument_id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = OLD.instrument_id; END;
CREATE TRIGGER a_kit_part_is_searched AFTER INSERT ON kit_parts
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_kit_part_is_searched AFTER UPDATE OF name, removed_at ON kit_parts
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_removed_kit_part_is_not_searched AFTER DELETE ON kit_parts
BEGIN DELETE FROM search_rows WHERE about = OLD.id; END;
CREATE TRIGGER a_paper_is_searched AFTER INSERT ON papers
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_paper_is_searched AFTER UPDATE OF title, file_name, removed_at ON papers
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_removed_paper_is_not_searched AFTER DELETE ON papers
BEGIN DELETE FROM search_rows WHERE about = OLD.id; END;
CREATE TRIGGER a_job_is_searched AFTER INSERT ON jobs
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_job_is_searched AFTER UPDATE OF note, ended_at ON jobs
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_spare_is_searched AFTER INSERT ON spares
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_spare_is_searched AFTER UPDATE OF name, place, removed_at ON spares
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_person_is_searched AFTER INSERT ON people
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_changed_person_is_searched AFTER UPDATE OF name, email, left_at ON people
BEGIN DELETE FROM search_rows WHERE about = NEW.id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_removed_person_is_not_searched AFTER DELETE ON people
BEGIN DELETE FROM search_rows WHERE about = OLD.id; END;
-- What an entry corrects or strikes out is found no more.
CREATE TRIGGER an_entry_is_searched AFTER INSERT ON entries WHEN NEW.note <> '' OR NEW.supersedes IS NOT NULL
BEGIN DELETE FROM search_rows WHERE about = NEW.supersedes;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.id; END;
CREATE TRIGGER a_problem_is_searched AFTER INSERT ON problems
BEGIN INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.entry_id; END;
CREATE TRIGGER work_is_searched AFTER INSERT ON works
BEGIN DELETE FROM search_rows WHERE about = NEW.entry_id;
    INSERT INTO search_rows (kind, about, instrument_id, words) SELECT * FROM searchable WHERE about = NEW.entry_id; END;
CREATE TRIGGER a_removed_entry_is_not_searched AFTER DELETE ON entries
BEGIN DELETE FROM search_rows WHERE about = OLD.id; END;
