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

-- What happens in the shed: machines that are out with somebody, and come back.

-- Outings.

CREATE TABLE outings (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    out TEXT NOT NULL CHECK (out GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    driver INTEGER NOT NULL REFERENCES drivers (number),
    meter_out_h REAL CHECK (meter_out_h BETWEEN 0 AND 1000000),
    level_out_ml REAL CHECK (level_out_ml BETWEEN -20000 AND 100000),
    engine_out INTEGER CHECK (engine_out BETWEEN 8000 AND 8001),
    accepted INTEGER CHECK (accepted BETWEEN 14000 AND 14001),
    back TEXT CHECK (back GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_back_h REAL CHECK (meter_back_h BETWEEN 0 AND 1000000),
    hours REAL CHECK (hours BETWEEN 0.01 AND 1000),
    level_back_ml REAL CHECK (level_back_ml BETWEEN -20000 AND 100000),
    engine_back INTEGER CHECK (engine_back BETWEEN 8000 AND 8001),
    lamp INTEGER CHECK (lamp BETWEEN 14000 AND 14001),
    mud INTEGER CHECK (mud BETWEEN 14000 AND 14001),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER,
    CHECK (back >= out),
    CHECK (meter_back_h >= meter_out_h - 1e-9),
    CHECK (back IS NOT NULL OR coalesce(meter_back_h, hours, level_back_ml, engine_back, lamp, mud) IS NULL)
) STRICT;
CREATE INDEX outings_life ON outings (machine, out);
CREATE UNIQUE INDEX outings_ref ON outings (ref) WHERE ref IS NOT NULL;

CREATE TRIGGER outings_added BEFORE INSERT ON outings BEGIN
    INSERT INTO touched SELECT machine, 'outings', number FROM outings WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'outings', NEW.number);
END;
CREATE TRIGGER outings_changed BEFORE UPDATE ON outings BEGIN
    INSERT INTO touched SELECT machine, 'outings', number FROM outings WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'outings', NEW.number);
END;
CREATE TRIGGER outings_gone BEFORE DELETE ON outings BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'outings', OLD.number);
END;
