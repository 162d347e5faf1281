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
