-- A second factor for whoever wants one: a secret shared with the app on their
-- phone, and spare codes for the day the phone is gone.
ALTER TABLE people ADD COLUMN totp_secret BLOB;             -- NULL: no second factor
ALTER TABLE people ADD COLUMN totp_wanted BLOB;             -- shown, not yet confirmed by a code
ALTER TABLE people ADD COLUMN totp_last_step INTEGER NOT NULL DEFAULT 0;  -- no code works twice

CREATE TABLE spare_codes (
    code_hash       BLOB PRIMARY KEY,                    -- SHA-256 of person and code
    person_id       BLOB NOT NULL REFERENCES people (id),
    used_at         TEXT
) STRICT;
CREATE INDEX spare_codes_by_person ON spare_codes (person_id);

-- The password was right, the second factor is still asked for.
CREATE TABLE half_sign_ins (
    token_hash      BLOB PRIMARY KEY,
    person_id       BLOB NOT NULL REFERENCES people (id),
    begun_at        TEXT NOT NULL,
    tries           INTEGER NOT NULL DEFAULT 0
) STRICT;

-- Browsers that have signed in before: failures from elsewhere do not make
-- them wait.
CREATE TABLE known_browsers (
    token_hash      BLOB PRIMARY KEY,
    person_id       BLOB NOT NULL REFERENCES people (id),
    known_since     TEXT NOT NULL
) STRICT;
CREATE INDEX known_browsers_by_person ON known_browsers (person_id);

ALTER TABLE sign_in_attempts ADD COLUMN browser BLOB;       -- of a known browser, its token's hash
