-- Phones and other browsers that may open the book's page; the forms that they
-- sent, so that none is recorded twice; and who entered, corrected or voided what.

CREATE TABLE phones (
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL CHECK (name <> ''),
    may TEXT NOT NULL CHECK (may = 'record' OR may = 'keep'),
    code BLOB UNIQUE CHECK (length(code) = 32), -- the SHA-256 of its pairing code, until that is used
    until TEXT CHECK (until GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'), -- the code serves
    cookie BLOB UNIQUE CHECK (length(cookie) = 32), -- the SHA-256 of the cookie that it shows
    added TEXT NOT NULL CHECK (added GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    paired TEXT CHECK (paired GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    removed TEXT CHECK (removed GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    CHECK ((code IS NULL) = (until IS NULL))
) STRICT;
CREATE UNIQUE INDEX phones_name ON phones (lower(name)) WHERE removed IS NULL;

-- Wrong guesses at a code, since the last was made.
CREATE TABLE guesses (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    wrong INTEGER NOT NULL CHECK (wrong >= 0)
) STRICT;
INSERT INTO guesses (one, wrong) VALUES (1, 0);

CREATE TABLE forms (
    form TEXT PRIMARY KEY CHECK (form <> ''), -- its own ref
    content BLOB NOT NULL CHECK (length(content) = 32), -- the SHA-256 of what was sent
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    record INTEGER CHECK (record >= 1),
    answer TEXT -- what it was answered
) STRICT, WITHOUT ROWID;
CREATE INDEX forms_at ON forms (at);

-- Version 0 of a record is what was entered; version n came of its nth correction.
-- A record that nobody is named for came in at the command line, or from a sheet.
CREATE TABLE entered_by (
    record INTEGER NOT NULL CHECK (record >= 1),
    version INTEGER NOT NULL CHECK (version >= 0),
    phone INTEGER NOT NULL REFERENCES phones (number),
    sum INTEGER,
    PRIMARY KEY (record, version)
) STRICT, WITHOUT ROWID;
