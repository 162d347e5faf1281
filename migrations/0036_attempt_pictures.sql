-- What else a measured try can show: model, residual, the ring unrolled.
CREATE TABLE attempt_pictures (
    attempt_id      BLOB NOT NULL REFERENCES attempts (id),
    name            TEXT NOT NULL CHECK (name <> ''),
    caption         TEXT NOT NULL,
    png             BLOB NOT NULL,
    place           INTEGER NOT NULL,
    PRIMARY KEY (attempt_id, name)
) STRICT;
