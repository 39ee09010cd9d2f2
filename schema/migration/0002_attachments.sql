-- Photographs and papers that go with records. A file is kept once, however
-- many records it goes with, under the SHA-256 digest of what it holds; its
-- content comes last in its row, so that nothing but its own reading touches
-- it. A detached file's row stays, with when and why. That there
-- is a record of that number is the program's to hold: it may be of any kind.

CREATE TABLE files (
    number INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64 AND sha256 NOT GLOB '*[^0-9a-f]*'),
    format TEXT NOT NULL CHECK (format = 'jpeg' OR format = 'png' OR format = 'pdf'),
    bytes INTEGER NOT NULL CHECK (bytes BETWEEN 1 AND 20971520),
    content BLOB NOT NULL,
    CHECK (length(content) = bytes)
) STRICT;

CREATE TABLE attachments (
    record INTEGER NOT NULL CHECK (record >= 1),
    nth INTEGER NOT NULL CHECK (nth >= 1),
    file INTEGER NOT NULL REFERENCES files (number),
    name TEXT NOT NULL CHECK (name <> ''),
    what TEXT CHECK (what <> ''),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    detached TEXT CHECK (detached GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    why TEXT CHECK (why <> ''),
    PRIMARY KEY (record, nth),
    CHECK ((detached IS NULL) = (why IS NULL))
) STRICT, WITHOUT ROWID;
CREATE INDEX attachments_file ON attachments (file);
CREATE UNIQUE INDEX attachments_once ON attachments (record, file) WHERE detached IS NULL;
