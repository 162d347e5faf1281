-- Who did what, when, from where: one row for each write that a person asked
-- for, in the same transaction as the write. Each row carries the hash of the
-- one before it, so that a row changed or taken out shows.
CREATE TABLE trail (
    number          INTEGER PRIMARY KEY,
    at              TEXT NOT NULL,
    person_id       BLOB REFERENCES people (id),
    address         TEXT NOT NULL,
    what            TEXT NOT NULL,
    words           TEXT NOT NULL,
    hash            BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;

CREATE INDEX trail_by_person ON trail (person_id, number);

CREATE TRIGGER the_trail_is_never_changed BEFORE UPDATE ON trail
BEGIN SELECT RAISE(ABORT, 'the trail is never changed'); END;
CREATE TRIGGER the_trail_is_never_shortened BEFORE DELETE ON trail
BEGIN SELECT RAISE(ABORT, 'the trail is never shortened'); END;
