-- A refill's volume may be not recorded: the system was opened and filled
-- again, whether or not anybody measured what went in. SQLite can't take a
-- NOT NULL away, so the table is made anew.

CREATE TABLE refills_anew (
    number INTEGER PRIMARY KEY,
    ref TEXT CHECK (ref <> ''),
    machine INTEGER NOT NULL REFERENCES machines (number),
    at TEXT NOT NULL CHECK (at GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    meter_h REAL CHECK (meter_h BETWEEN 0 AND 1000000),
    volume_ml REAL CHECK (volume_ml BETWEEN 1 AND 200000),
    concentrate_pct REAL CHECK (concentrate_pct BETWEEN 0 AND 100),
    reason TEXT CHECK (reason <> ''),
    note TEXT CHECK (note <> ''),
    typed TEXT CHECK (typed IS NULL OR json_valid(typed)),
    entered TEXT NOT NULL CHECK (entered GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z'),
    versions INTEGER NOT NULL DEFAULT 0 CHECK (versions >= 0)
) STRICT;
INSERT INTO refills_anew SELECT * FROM refills;
DROP TABLE refills;
ALTER TABLE refills_anew RENAME TO refills;
CREATE INDEX refills_life ON refills (machine, at);
CREATE UNIQUE INDEX refills_ref ON refills (ref) WHERE ref IS NOT NULL;
