-- A machine is let go by name and with a reason (releases); levels say where they
-- were looked at; and there are more causes and checks. SQLite can't change a
-- CHECK, so the tables that hold them are made anew.

CREATE TABLE releases (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    "by" TEXT NOT NULL CHECK ("by" <> ''),
    why TEXT NOT NULL CHECK (why <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER
) STRICT;
CREATE INDEX releases_life ON releases (machine, at);
CREATE UNIQUE INDEX releases_ref ON releases (ref) WHERE ref IS NOT NULL;

CREATE TRIGGER releases_amended AFTER UPDATE ON releases
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'releases')
BEGIN
    DELETE FROM packs WHERE kind = 'releases' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'releases', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER releases_voided AFTER DELETE ON releases
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'releases')
BEGIN
    DELETE FROM packs WHERE kind = 'releases' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'releases', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TABLE levels_anew (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    below_mark_ml REAL NOT NULL CHECK (below_mark_ml BETWEEN -20000 AND 100000),
    engine INTEGER CHECK (engine BETWEEN 8000 AND 8001),
    note TEXT CHECK (note <> ''),
    seen_in INTEGER CHECK (seen_in BETWEEN 6000 AND 6001),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER
) STRICT;
INSERT INTO levels_anew (number, ref, machine, at, meter_h, below_mark_ml, engine, note, typed, entered, versions) SELECT number, ref, machine, at, meter_h, below_mark_ml, engine, note, typed, entered, versions FROM levels; -- the program gives them their sums
DROP TABLE levels;
ALTER TABLE levels_anew RENAME TO levels;
CREATE INDEX levels_life ON levels (machine, at);
CREATE UNIQUE INDEX levels_ref ON levels (ref) WHERE ref IS NOT NULL;

CREATE TRIGGER levels_amended AFTER UPDATE ON levels
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'levels')
BEGIN
    DELETE FROM packs WHERE kind = 'levels' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'levels', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER levels_voided AFTER DELETE ON levels
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'levels')
BEGIN
    DELETE FROM packs WHERE kind = 'levels' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'levels', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TABLE checks_anew (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    "check" INTEGER NOT NULL CHECK ("check" BETWEEN 16000 AND 16031),
    result INTEGER CHECK (result BETWEEN 13000 AND 13002),
    value REAL CHECK (value BETWEEN -1000000000 AND 1000000000),
    unit TEXT CHECK (unit <> ''),
    note TEXT CHECK (note <> ''),
    figures TEXT CHECK (figures <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER,
    CHECK (result IS NOT NULL OR value IS NOT NULL OR figures IS NOT NULL)
) STRICT;
INSERT INTO checks_anew SELECT * FROM checks;
DROP TABLE checks;
ALTER TABLE checks_anew RENAME TO checks;
CREATE INDEX checks_life ON checks (machine, at);
CREATE UNIQUE INDEX checks_ref ON checks (ref) WHERE ref IS NOT NULL;

CREATE TRIGGER checks_amended AFTER UPDATE ON checks
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'checks')
BEGIN
    DELETE FROM packs WHERE kind = 'checks' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'checks', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER checks_voided AFTER DELETE ON checks
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'checks')
BEGIN
    DELETE FROM packs WHERE kind = 'checks' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'checks', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TABLE services_anew (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    work TEXT NOT NULL CHECK (work <> ''),
    cause INTEGER CHECK (cause BETWEEN 15000 AND 15023),
    parts TEXT CHECK (parts <> ''),
    cost REAL CHECK (cost BETWEEN -100000000 AND 100000000),
    "by" TEXT CHECK ("by" <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER
) STRICT;
INSERT INTO services_anew SELECT * FROM services;
DROP TABLE services;
ALTER TABLE services_anew RENAME TO services;
CREATE INDEX services_life ON services (machine, at);
CREATE UNIQUE INDEX services_ref ON services (ref) WHERE ref IS NOT NULL;

CREATE TRIGGER services_amended AFTER UPDATE ON services
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'services')
BEGIN
    DELETE FROM packs WHERE kind = 'services' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'services', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER services_voided AFTER DELETE ON services
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'services')
BEGIN
    DELETE FROM packs WHERE kind = 'services' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'services', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TABLE answers_anew (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER REFERENCES machines (number),
    driver INTEGER REFERENCES drivers (number),
    factor TEXT CHECK (factor <> ''),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    flag INTEGER NOT NULL CHECK (flag BETWEEN 17000 AND 17013),
    found TEXT CHECK (found <> ''),
    cause INTEGER CHECK (cause BETWEEN 15000 AND 15023),
    service REAL CHECK (service BETWEEN 1 AND 9e+12),
    nothing_found INTEGER CHECK (nothing_found BETWEEN 14000 AND 14001),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    sum INTEGER,
    CHECK ((machine IS NOT NULL) + (driver IS NOT NULL) + (factor IS NOT NULL) = 1),
    CHECK (found IS NOT NULL OR cause IS NOT NULL OR nothing_found = 14001)
) STRICT;
INSERT INTO answers_anew SELECT * FROM answers;
DROP TABLE answers;
ALTER TABLE answers_anew RENAME TO answers;
CREATE UNIQUE INDEX answers_ref ON answers (ref) WHERE ref IS NOT NULL;

-- What a record was refers to machines and drivers by their numbers, as the
-- records themselves do: a name may be another's by now. A version was written
-- with the names of the moment at which it was replaced. A name that nobody had
-- then stays a name.

CREATE TEMP TABLE called AS
    SELECT kind, json_extract(content, '$.' || kind) AS name, number, replaced AS until FROM past WHERE kind IN ('machine', 'driver')
    UNION ALL SELECT 'machine', machine, number, '9999' FROM machines
    UNION ALL SELECT 'driver', driver, number, '9999' FROM drivers;
CREATE INDEX temp.called_name ON called (kind, name, until);
UPDATE past SET sum = NULL, content = json_set(content, '$.machine', coalesce((SELECT number FROM called
    WHERE called.kind = 'machine' AND name = json_extract(past.content, '$.machine') AND until >= past.replaced ORDER BY until LIMIT 1),
    json_extract(content, '$.machine'))) WHERE kind <> 'machine' AND json_type(content, '$.machine') = 'text';
UPDATE past SET sum = NULL, content = json_set(content, '$.driver', coalesce((SELECT number FROM called
    WHERE called.kind = 'driver' AND name = json_extract(past.content, '$.driver') AND until >= past.replaced ORDER BY until LIMIT 1),
    json_extract(content, '$.driver'))) WHERE kind <> 'driver' AND json_type(content, '$.driver') = 'text';
DROP TABLE temp.called;
