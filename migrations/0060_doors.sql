-- Where people are signed in, as they are shown it.
ALTER TABLE sessions ADD COLUMN device TEXT NOT NULL DEFAULT '';  -- its kind in words, never the browser's own long name
-- When the password was last typed in this session; what is grave asks for it again.
ALTER TABLE sessions ADD COLUMN confirmed_at TEXT;                -- NULL: ask
