-- Every change of the book is numbered, whichever program makes it. The ledger
-- has the last change of each machine, and in row 0 that of what is no machine's.
-- A change draws a number at random, its token: a copy of the book that goes on on
-- its own counts on from the same change, and yet no two changes have one token.
-- What was seen of a machine holds as long as its token stands.
--
-- A pack holds records whose numbers are at most packed.upto of its kind. Where
-- one of those is changed, the machine's records of that kind are unpacked: read
-- from their table, until the next long sheet packs them again.

DROP TRIGGER machines_voided;
DROP TRIGGER meters_amended;
DROP TRIGGER meters_voided;
DROP TRIGGER runs_amended;
DROP TRIGGER runs_voided;
DROP TRIGGER topups_amended;
DROP TRIGGER topups_voided;
DROP TRIGGER refills_amended;
DROP TRIGGER refills_voided;
DROP TRIGGER bleeds_amended;
DROP TRIGGER bleeds_voided;
DROP TRIGGER levels_amended;
DROP TRIGGER levels_voided;
DROP TRIGGER cleanings_amended;
DROP TRIGGER cleanings_voided;
DROP TRIGGER overheats_amended;
DROP TRIGGER overheats_voided;
DROP TRIGGER checks_amended;
DROP TRIGGER checks_voided;
DROP TRIGGER services_amended;
DROP TRIGGER services_voided;
DROP TRIGGER releases_amended;
DROP TRIGGER releases_voided;

CREATE TABLE unpacked (
    kind TEXT NOT NULL,
    machine INTEGER NOT NULL,
    PRIMARY KEY (kind, machine)
) STRICT, WITHOUT ROWID;
INSERT INTO unpacked SELECT DISTINCT kind, machine FROM packs WHERE length(content) = 0;
DELETE FROM packs WHERE length(content) = 0;

CREATE TABLE ledger (
    machine INTEGER PRIMARY KEY CHECK (machine >= 0),
    change INTEGER NOT NULL UNIQUE CHECK (change >= 0),
    token INTEGER NOT NULL
) STRICT;
INSERT INTO ledger VALUES (0, 0, random());
INSERT INTO ledger SELECT number, row_number() OVER (ORDER BY number), random() FROM machines;

-- To write into touched is to write into the ledger. An upsert goes its own way
-- whatever the statement outside says of conflicts (OR IGNORE).
CREATE VIEW touched AS SELECT 0 AS machine, '' AS kind, 0 AS number;
CREATE TRIGGER touch INSTEAD OF INSERT ON touched BEGIN
    INSERT INTO ledger (machine, change, token) SELECT coalesce(NEW.machine, 0), max(change) + 1, random() FROM ledger WHERE true
        ON CONFLICT (machine) DO UPDATE SET change = excluded.change, token = excluded.token;
    INSERT INTO unpacked (kind, machine) SELECT kind, NEW.machine FROM packed WHERE kind = NEW.kind AND NEW.number BETWEEN 1 AND upto
        ON CONFLICT DO NOTHING;
END;

-- REPLACE takes out a row of the same number or ref and calls no trigger for it,
-- so that row is looked for before.

CREATE TRIGGER meters_added BEFORE INSERT ON meters BEGIN
    INSERT INTO touched SELECT machine, 'meters', number FROM meters WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'meters', NEW.number);
END;
CREATE TRIGGER meters_changed BEFORE UPDATE ON meters BEGIN
    INSERT INTO touched SELECT machine, 'meters', number FROM meters WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'meters', NEW.number);
END;
CREATE TRIGGER meters_gone BEFORE DELETE ON meters BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'meters', OLD.number);
END;

CREATE TRIGGER runs_added BEFORE INSERT ON runs BEGIN
    INSERT INTO touched SELECT machine, 'runs', number FROM runs WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'runs', NEW.number);
END;
CREATE TRIGGER runs_changed BEFORE UPDATE ON runs BEGIN
    INSERT INTO touched SELECT machine, 'runs', number FROM runs WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'runs', NEW.number);
END;
CREATE TRIGGER runs_gone BEFORE DELETE ON runs BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'runs', OLD.number);
END;

CREATE TRIGGER topups_added BEFORE INSERT ON topups BEGIN
    INSERT INTO touched SELECT machine, 'topups', number FROM topups WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'topups', NEW.number);
END;
CREATE TRIGGER topups_changed BEFORE UPDATE ON topups BEGIN
    INSERT INTO touched SELECT machine, 'topups', number FROM topups WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'topups', NEW.number);
END;
CREATE TRIGGER topups_gone BEFORE DELETE ON topups BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'topups', OLD.number);
END;

CREATE TRIGGER refills_added BEFORE INSERT ON refills BEGIN
    INSERT INTO touched SELECT machine, 'refills', number FROM refills WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'refills', NEW.number);
END;
CREATE TRIGGER refills_changed BEFORE UPDATE ON refills BEGIN
    INSERT INTO touched SELECT machine, 'refills', number FROM refills WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'refills', NEW.number);
END;
CREATE TRIGGER refills_gone BEFORE DELETE ON refills BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'refills', OLD.number);
END;

CREATE TRIGGER bleeds_added BEFORE INSERT ON bleeds BEGIN
    INSERT INTO touched SELECT machine, 'bleeds', number FROM bleeds WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'bleeds', NEW.number);
END;
CREATE TRIGGER bleeds_changed BEFORE UPDATE ON bleeds BEGIN
    INSERT INTO touched SELECT machine, 'bleeds', number FROM bleeds WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'bleeds', NEW.number);
END;
CREATE TRIGGER bleeds_gone BEFORE DELETE ON bleeds BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'bleeds', OLD.number);
END;

CREATE TRIGGER levels_added BEFORE INSERT ON levels BEGIN
    INSERT INTO touched SELECT machine, 'levels', number FROM levels WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'levels', NEW.number);
END;
CREATE TRIGGER levels_changed BEFORE UPDATE ON levels BEGIN
    INSERT INTO touched SELECT machine, 'levels', number FROM levels WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'levels', NEW.number);
END;
CREATE TRIGGER levels_gone BEFORE DELETE ON levels BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'levels', OLD.number);
END;

CREATE TRIGGER cleanings_added BEFORE INSERT ON cleanings BEGIN
    INSERT INTO touched SELECT machine, 'cleanings', number FROM cleanings WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'cleanings', NEW.number);
END;
CREATE TRIGGER cleanings_changed BEFORE UPDATE ON cleanings BEGIN
    INSERT INTO touched SELECT machine, 'cleanings', number FROM cleanings WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'cleanings', NEW.number);
END;
CREATE TRIGGER cleanings_gone BEFORE DELETE ON cleanings BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'cleanings', OLD.number);
END;

CREATE TRIGGER overheats_added BEFORE INSERT ON overheats BEGIN
    INSERT INTO touched SELECT machine, 'overheats', number FROM overheats WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'overheats', NEW.number);
END;
CREATE TRIGGER overheats_changed BEFORE UPDATE ON overheats BEGIN
    INSERT INTO touched SELECT machine, 'overheats', number FROM overheats WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'overheats', NEW.number);
END;
CREATE TRIGGER overheats_gone BEFORE DELETE ON overheats BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'overheats', OLD.number);
END;

CREATE TRIGGER checks_added BEFORE INSERT ON checks BEGIN
    INSERT INTO touched SELECT machine, 'checks', number FROM checks WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'checks', NEW.number);
END;
CREATE TRIGGER checks_changed BEFORE UPDATE ON checks BEGIN
    INSERT INTO touched SELECT machine, 'checks', number FROM checks WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'checks', NEW.number);
END;
CREATE TRIGGER checks_gone BEFORE DELETE ON checks BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'checks', OLD.number);
END;

CREATE TRIGGER services_added BEFORE INSERT ON services BEGIN
    INSERT INTO touched SELECT machine, 'services', number FROM services WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'services', NEW.number);
END;
CREATE TRIGGER services_changed BEFORE UPDATE ON services BEGIN
    INSERT INTO touched SELECT machine, 'services', number FROM services WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'services', NEW.number);
END;
CREATE TRIGGER services_gone BEFORE DELETE ON services BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'services', OLD.number);
END;

CREATE TRIGGER releases_added BEFORE INSERT ON releases BEGIN
    INSERT INTO touched SELECT machine, 'releases', number FROM releases WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'releases', NEW.number);
END;
CREATE TRIGGER releases_changed BEFORE UPDATE ON releases BEGIN
    INSERT INTO touched SELECT machine, 'releases', number FROM releases WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'releases', NEW.number);
END;
CREATE TRIGGER releases_gone BEFORE DELETE ON releases BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'releases', OLD.number);
END;

CREATE TRIGGER answers_added BEFORE INSERT ON answers BEGIN
    INSERT INTO touched SELECT machine, 'answers', number FROM answers WHERE number = NEW.number OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'answers', NEW.number);
END;
CREATE TRIGGER answers_changed BEFORE UPDATE ON answers BEGIN
    INSERT INTO touched SELECT machine, 'answers', number FROM answers WHERE number IN (OLD.number, NEW.number) OR ref = NEW.ref;
    INSERT INTO touched VALUES (NEW.machine, 'answers', NEW.number);
END;
CREATE TRIGGER answers_gone BEFORE DELETE ON answers BEGIN
    INSERT INTO touched VALUES (OLD.machine, 'answers', OLD.number);
END;

CREATE TRIGGER machines_added AFTER INSERT ON machines BEGIN
    INSERT INTO touched VALUES (NEW.number, NULL, NULL);
END;
CREATE TRIGGER machines_changed AFTER UPDATE ON machines BEGIN
    INSERT INTO touched VALUES (OLD.number, NULL, NULL), (NEW.number, NULL, NULL);
END;
CREATE TRIGGER machines_gone AFTER DELETE ON machines BEGIN
    INSERT INTO touched VALUES (OLD.number, NULL, NULL);
    DELETE FROM packs WHERE machine = OLD.number;
    DELETE FROM unpacked WHERE machine = OLD.number;
END;

CREATE TRIGGER specs_added AFTER INSERT ON specs BEGIN INSERT INTO touched VALUES (NEW.machine, NULL, NULL); END;
CREATE TRIGGER specs_changed AFTER UPDATE ON specs BEGIN
    INSERT INTO touched VALUES (OLD.machine, NULL, NULL), (NEW.machine, NULL, NULL);
END;
CREATE TRIGGER specs_gone AFTER DELETE ON specs BEGIN INSERT INTO touched VALUES (OLD.machine, NULL, NULL); END;

CREATE TRIGGER plans_added AFTER INSERT ON plans BEGIN INSERT INTO touched VALUES (NEW.machine, NULL, NULL); END;
CREATE TRIGGER plans_changed AFTER UPDATE ON plans BEGIN
    INSERT INTO touched VALUES (OLD.machine, NULL, NULL), (NEW.machine, NULL, NULL);
END;
CREATE TRIGGER plans_gone AFTER DELETE ON plans BEGIN INSERT INTO touched VALUES (OLD.machine, NULL, NULL); END;

-- What is no machine's, or can't be told to be.

CREATE TRIGGER drivers_added AFTER INSERT ON drivers BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER drivers_changed AFTER UPDATE ON drivers BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER drivers_gone AFTER DELETE ON drivers BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;

CREATE TRIGGER settings_added AFTER INSERT ON settings BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER settings_changed AFTER UPDATE ON settings BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER settings_gone AFTER DELETE ON settings BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;

CREATE TRIGGER words_added AFTER INSERT ON words BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER words_changed AFTER UPDATE ON words BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER words_gone AFTER DELETE ON words BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;

CREATE TRIGGER past_added AFTER INSERT ON past BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER past_changed AFTER UPDATE ON past BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER past_gone AFTER DELETE ON past BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;

CREATE TRIGGER attachments_added AFTER INSERT ON attachments BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER attachments_changed AFTER UPDATE ON attachments BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
CREATE TRIGGER attachments_gone AFTER DELETE ON attachments BEGIN INSERT INTO touched VALUES (0, NULL, NULL); END;
