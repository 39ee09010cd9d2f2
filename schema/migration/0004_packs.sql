-- What a large fleet's reports read instead of a million rows: a machine's
-- records of one kind, written small and together (see store/pack.go). All of it
-- is told by the rows, and can be made again from them.
--
-- A pack holds records whose numbers are at most packed.upto of its kind; those
-- beyond are read from their table. A machine one of whose packed records was
-- amended or voided has one empty pack, and is read from the table too.

CREATE TABLE packed (
    kind TEXT PRIMARY KEY CHECK (kind <> ''),
    upto INTEGER NOT NULL CHECK (upto >= 0)
) STRICT, WITHOUT ROWID;

CREATE TABLE packs (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind <> ''),
    machine INTEGER NOT NULL,
    content BLOB NOT NULL
) STRICT;
CREATE INDEX packs_machine ON packs (machine, kind);

CREATE TRIGGER machines_voided AFTER DELETE ON machines
BEGIN
    DELETE FROM packs WHERE machine = OLD.number;
END;

CREATE TRIGGER meters_amended AFTER UPDATE ON meters
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'meters')
BEGIN
    DELETE FROM packs WHERE kind = 'meters' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'meters', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER meters_voided AFTER DELETE ON meters
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'meters')
BEGIN
    DELETE FROM packs WHERE kind = 'meters' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'meters', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TRIGGER runs_amended AFTER UPDATE ON runs
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'runs')
BEGIN
    DELETE FROM packs WHERE kind = 'runs' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'runs', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER runs_voided AFTER DELETE ON runs
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'runs')
BEGIN
    DELETE FROM packs WHERE kind = 'runs' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'runs', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TRIGGER topups_amended AFTER UPDATE ON topups
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'topups')
BEGIN
    DELETE FROM packs WHERE kind = 'topups' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'topups', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER topups_voided AFTER DELETE ON topups
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'topups')
BEGIN
    DELETE FROM packs WHERE kind = 'topups' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'topups', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TRIGGER refills_amended AFTER UPDATE ON refills
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'refills')
BEGIN
    DELETE FROM packs WHERE kind = 'refills' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'refills', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER refills_voided AFTER DELETE ON refills
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'refills')
BEGIN
    DELETE FROM packs WHERE kind = 'refills' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'refills', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TRIGGER bleeds_amended AFTER UPDATE ON bleeds
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'bleeds')
BEGIN
    DELETE FROM packs WHERE kind = 'bleeds' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'bleeds', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER bleeds_voided AFTER DELETE ON bleeds
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'bleeds')
BEGIN
    DELETE FROM packs WHERE kind = 'bleeds' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'bleeds', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

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

CREATE TRIGGER cleanings_amended AFTER UPDATE ON cleanings
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'cleanings')
BEGIN
    DELETE FROM packs WHERE kind = 'cleanings' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'cleanings', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER cleanings_voided AFTER DELETE ON cleanings
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'cleanings')
BEGIN
    DELETE FROM packs WHERE kind = 'cleanings' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'cleanings', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

CREATE TRIGGER overheats_amended AFTER UPDATE ON overheats
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'overheats')
BEGIN
    DELETE FROM packs WHERE kind = 'overheats' AND machine IN (OLD.machine, NEW.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'overheats', number, x'' FROM machines WHERE number IN (OLD.machine, NEW.machine);
END;

CREATE TRIGGER overheats_voided AFTER DELETE ON overheats
WHEN OLD.number <= (SELECT upto FROM packed WHERE kind = 'overheats')
BEGIN
    DELETE FROM packs WHERE kind = 'overheats' AND machine IN (OLD.machine);
    INSERT INTO packs (kind, machine, content) SELECT 'overheats', number, x'' FROM machines WHERE number IN (OLD.machine);
END;

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
