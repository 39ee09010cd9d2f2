-- The first book. Every kind of record is one table, named after its sheet;
-- its columns are those of package schema, in the same order (a test holds the
-- two together). Words are numbers: vocabulary n of the schema owns n*1000 to
-- n*1000+999; lists of words are bits. Times are UTC text in one format, so
-- that they sort. A record's number is its own in the whole book.

-- application_id and user_version are set by the program beside this file.

CREATE TABLE counter (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    next INTEGER NOT NULL CHECK (next >= 1)
) STRICT;
INSERT INTO counter (one, next) VALUES (1, 1);

CREATE TABLE settings (
    setting TEXT PRIMARY KEY CHECK (setting <> ''),
    value TEXT NOT NULL CHECK (value <> '')
) STRICT, WITHOUT ROWID;

-- Only words that a table refers to stand here: today those of terrain, since
-- only terrain takes new ones. The others are fixed, and checked as numbers.
CREATE TABLE words (
    number INTEGER PRIMARY KEY CHECK (number BETWEEN 1000 AND 1999),
    word TEXT NOT NULL UNIQUE CHECK (word <> '')
) STRICT;
INSERT INTO words (number, word) VALUES
    (1000, 'mud'), (1001, 'water'), (1002, 'dust'), (1003, 'sand'), (1004, 'gravel'),
    (1005, 'rock'), (1006, 'grass'), (1007, 'forest'), (1008, 'snow'), (1009, 'road');

CREATE TABLE drivers (
    number INTEGER PRIMARY KEY,
    driver TEXT NOT NULL UNIQUE CHECK (driver <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;

CREATE TABLE machines (
    number INTEGER PRIMARY KEY,
    machine TEXT NOT NULL UNIQUE CHECK (machine <> ''),
    make TEXT CHECK (make <> ''),
    model TEXT CHECK (model <> ''),
    year REAL CHECK (year BETWEEN 1950 AND 2100),
    serial TEXT CHECK (serial <> ''),
    coolant_l REAL CHECK (coolant_l BETWEEN 0.1 AND 200),
    reservoir_ml REAL CHECK (reservoir_ml BETWEEN 0 AND 20000),
    cap_kpa REAL CHECK (cap_kpa BETWEEN 0 AND 300),
    thermostat_c REAL CHECK (thermostat_c BETWEEN 40 AND 120),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    acquired TEXT CHECK (acquired GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    note TEXT CHECK (note <> ''),
    retired TEXT CHECK (retired GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    sold_to TEXT CHECK (sold_to <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK (sold_to IS NULL OR retired IS NOT NULL),
    CHECK (retired IS NULL OR acquired IS NULL OR retired >= acquired)
) STRICT;

CREATE TABLE specs (
    number INTEGER PRIMARY KEY,
    machine INTEGER REFERENCES machines (number),
    model TEXT CHECK (model <> ''),
    figure TEXT NOT NULL CHECK (figure <> ''),
    value TEXT NOT NULL CHECK (value <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK ((machine IS NULL) <> (model IS NULL))
) STRICT;
CREATE UNIQUE INDEX specs_figure ON specs (coalesce(machine, 0), coalesce(model, ''), figure);

CREATE TABLE meters (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    was_h REAL NOT NULL CHECK (was_h BETWEEN 0 AND 1000000),
    now_h REAL NOT NULL CHECK (now_h BETWEEN 0 AND 1000000),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX meters_life ON meters (machine, at);
CREATE UNIQUE INDEX meters_ref ON meters (ref) WHERE ref IS NOT NULL;

CREATE TABLE runs (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    start TEXT NOT NULL CHECK (start GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    driver INTEGER REFERENCES drivers (number),
    hours REAL CHECK (hours BETWEEN 0 AND 1000000),
    meter_out_h REAL CHECK (meter_out_h BETWEEN 0 AND 1000000),
    meter_in_h REAL CHECK (meter_in_h BETWEEN 0 AND 1000000),
    terrain INTEGER REFERENCES words (number) CHECK (terrain BETWEEN 1000 AND 1999),
    speed INTEGER CHECK (speed BETWEEN 2000 AND 2002),
    "range" INTEGER CHECK ("range" BETWEEN 3000 AND 3001),
    load INTEGER CHECK (load BETWEEN 4000 AND 4002),
    ambient_c REAL CHECK (ambient_c BETWEEN -60 AND 60),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK (hours IS NOT NULL OR meter_out_h IS NOT NULL AND meter_in_h IS NOT NULL),
    CHECK (meter_in_h IS NULL OR meter_out_h IS NULL OR meter_in_h >= meter_out_h - 1e-9)
) STRICT;
CREATE INDEX runs_life ON runs (machine, start);
CREATE UNIQUE INDEX runs_ref ON runs (ref) WHERE ref IS NOT NULL;

CREATE TABLE topups (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    volume_ml REAL NOT NULL CHECK (volume_ml BETWEEN 1 AND 100000),
    fluid INTEGER CHECK (fluid BETWEEN 5000 AND 5002),
    "into" INTEGER CHECK ("into" BETWEEN 6000 AND 6001),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX topups_life ON topups (machine, at);
CREATE UNIQUE INDEX topups_ref ON topups (ref) WHERE ref IS NOT NULL;

CREATE TABLE refills (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    volume_ml REAL NOT NULL CHECK (volume_ml BETWEEN 1 AND 200000),
    concentrate_pct REAL CHECK (concentrate_pct BETWEEN 0 AND 100),
    reason TEXT CHECK (reason <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX refills_life ON refills (machine, at);
CREATE UNIQUE INDEX refills_ref ON refills (ref) WHERE ref IS NOT NULL;

CREATE TABLE bleeds (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    points INTEGER CHECK (points BETWEEN 1 AND 7),
    nose_up INTEGER CHECK (nose_up BETWEEN 14000 AND 14001),
    heat_cycles REAL CHECK (heat_cycles BETWEEN 0 AND 100),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX bleeds_life ON bleeds (machine, at);
CREATE UNIQUE INDEX bleeds_ref ON bleeds (ref) WHERE ref IS NOT NULL;

CREATE TABLE levels (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    below_mark_ml REAL NOT NULL CHECK (below_mark_ml BETWEEN -20000 AND 100000),
    engine INTEGER CHECK (engine BETWEEN 8000 AND 8001),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX levels_life ON levels (machine, at);
CREATE UNIQUE INDEX levels_ref ON levels (ref) WHERE ref IS NOT NULL;

CREATE TABLE cleanings (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    method INTEGER NOT NULL CHECK (method BETWEEN 9000 AND 9003),
    radiator_out INTEGER CHECK (radiator_out BETWEEN 14000 AND 14001),
    sides INTEGER CHECK (sides BETWEEN 10000 AND 10002),
    blocked_front_pct REAL CHECK (blocked_front_pct BETWEEN 0 AND 100),
    blocked_back_pct REAL CHECK (blocked_back_pct BETWEEN 0 AND 100),
    blocked_after_pct REAL CHECK (blocked_after_pct BETWEEN 0 AND 100),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX cleanings_life ON cleanings (machine, at);
CREATE UNIQUE INDEX cleanings_ref ON cleanings (ref) WHERE ref IS NOT NULL;

CREATE TABLE overheats (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    driver INTEGER REFERENCES drivers (number),
    terrain INTEGER REFERENCES words (number) CHECK (terrain BETWEEN 1000 AND 1999),
    speed INTEGER CHECK (speed BETWEEN 2000 AND 2002),
    "range" INTEGER CHECK ("range" BETWEEN 3000 AND 3001),
    load INTEGER CHECK (load BETWEEN 4000 AND 4002),
    ambient_c REAL CHECK (ambient_c BETWEEN -60 AND 60),
    sign INTEGER CHECK (sign BETWEEN 11000 AND 11004),
    minutes_in REAL CHECK (minutes_in BETWEEN 0 AND 100000),
    lost_ml REAL CHECK (lost_ml BETWEEN 0 AND 100000),
    fan INTEGER CHECK (fan BETWEEN 12000 AND 12002),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX overheats_life ON overheats (machine, at);
CREATE UNIQUE INDEX overheats_ref ON overheats (ref) WHERE ref IS NOT NULL;

CREATE TABLE checks (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    "check" INTEGER NOT NULL CHECK ("check" BETWEEN 16000 AND 16022),
    result INTEGER CHECK (result BETWEEN 13000 AND 13002),
    value REAL CHECK (value BETWEEN -1000000000 AND 1000000000),
    unit TEXT CHECK (unit <> ''),
    note TEXT CHECK (note <> ''),
    figures TEXT CHECK (figures <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK (result IS NOT NULL OR value IS NOT NULL OR figures IS NOT NULL)
) STRICT;
CREATE INDEX checks_life ON checks (machine, at);
CREATE UNIQUE INDEX checks_ref ON checks (ref) WHERE ref IS NOT NULL;

CREATE TABLE services (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    work TEXT NOT NULL CHECK (work <> ''),
    cause INTEGER CHECK (cause BETWEEN 15000 AND 15018),
    parts TEXT CHECK (parts <> ''),
    cost REAL CHECK (cost BETWEEN -100000000 AND 100000000),
    "by" TEXT CHECK ("by" <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
CREATE INDEX services_life ON services (machine, at);
CREATE UNIQUE INDEX services_ref ON services (ref) WHERE ref IS NOT NULL;

CREATE TABLE plans (
    number INTEGER PRIMARY KEY,
    machine INTEGER REFERENCES machines (number),
    model TEXT CHECK (model <> ''),
    work TEXT NOT NULL CHECK (work <> ''),
    every_h REAL CHECK (every_h BETWEEN 0.1 AND 1000000),
    every_mud_h REAL CHECK (every_mud_h BETWEEN 0.1 AND 1000000),
    every_days REAL CHECK (every_days BETWEEN 1 AND 36500),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK ((machine IS NULL) <> (model IS NULL)),
    CHECK (every_h IS NOT NULL OR every_mud_h IS NOT NULL OR every_days IS NOT NULL)
) STRICT;

CREATE TABLE answers (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER REFERENCES machines (number),
    driver INTEGER REFERENCES drivers (number),
    factor TEXT CHECK (factor <> ''),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    flag INTEGER NOT NULL CHECK (flag BETWEEN 17000 AND 17013),
    found TEXT CHECK (found <> ''),
    cause INTEGER CHECK (cause BETWEEN 15000 AND 15018),
    service REAL CHECK (service BETWEEN 1 AND 9e+12),
    nothing_found INTEGER CHECK (nothing_found BETWEEN 14000 AND 14001),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0),
    CHECK ((machine IS NOT NULL) + (driver IS NOT NULL) + (factor IS NOT NULL) = 1),
    CHECK (found IS NOT NULL OR cause IS NOT NULL OR nothing_found = 14001)
) STRICT;
CREATE UNIQUE INDEX answers_ref ON answers (ref) WHERE ref IS NOT NULL;

-- What a record was before it was amended or voided. content is the record as
-- the program prints it in JSON; a voided record stands only here.
CREATE TABLE past (
    number INTEGER NOT NULL,
    version INTEGER NOT NULL CHECK (version >= 1),
    kind TEXT NOT NULL CHECK (kind <> ''),
    ref TEXT CHECK (ref <> ''),
    what TEXT NOT NULL CHECK (what = 'amended' OR what = 'voided'),
    replaced TEXT NOT NULL CHECK (replaced GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    why TEXT,
    content TEXT NOT NULL CHECK (json_valid(content)),
    PRIMARY KEY (number, version)
) STRICT, WITHOUT ROWID;
CREATE INDEX past_ref ON past (kind, ref) WHERE ref IS NOT NULL;
