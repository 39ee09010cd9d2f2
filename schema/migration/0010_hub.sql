-- A hub brings what one depot recorded to the others. A book that has none, or that
-- never joined a company, has no row in these tables.

CREATE TABLE hub (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    addresses TEXT NOT NULL CHECK (addresses <> ''), -- of its servers, with commas
    authority TEXT NOT NULL CHECK (authority <> ''), -- who signs their certificates, in PEM
    seed TEXT NOT NULL CHECK (seed <> ''), -- this depot's key to it
    seal BLOB NOT NULL CHECK (length(seal) = 32), -- the company's key, by which bundles are sealed
    directory TEXT NOT NULL, -- at the office: where the servers' files were written; '' elsewhere
    made INTEGER NOT NULL, -- when its log was made, in nanoseconds since 1970; 0 before it was seen
    place INTEGER NOT NULL CHECK (place >= 0), -- how far this book has read it
    stood BLOB NOT NULL, -- SHA-256 of what stood there
    exchanged INTEGER NOT NULL, -- when all was read and sent, in seconds since 1970; 0 before it was
    refused TEXT NOT NULL -- what was passed over last, since it is no bundle of its depot; '' for nothing
) STRICT;
-- The hub has it.
ALTER TABLE bundles ADD COLUMN hub INTEGER NOT NULL DEFAULT 0 CHECK (hub IN (0, 1));
CREATE INDEX bundles_unsent ON bundles (book, first) WHERE hub = 0;

-- What other depots said of themselves.
CREATE TABLE heard (
    mark TEXT PRIMARY KEY CHECK (mark <> ''),
    at INTEGER NOT NULL, -- the hub's clock, in seconds since 1970
    ahead INTEGER NOT NULL, -- by how many seconds the depot's clock was ahead of it
    book TEXT NOT NULL, -- that it wrote then
    seq INTEGER NOT NULL, -- the entries of that, those that wait included
    version INTEGER NOT NULL -- the newest entries that its program reads
) STRICT, WITHOUT ROWID;

-- At the office: the depots that may come to the hub, by the public half of their key.
CREATE TABLE accounts (
    mark TEXT PRIMARY KEY CHECK (mark <> ''),
    name TEXT NOT NULL CHECK (name <> ''),
    public TEXT NOT NULL UNIQUE CHECK (public <> ''),
    until INTEGER NOT NULL, -- when the ticket runs out, in seconds since 1970; 0 for never
    closed TEXT NOT NULL -- why it may come no more; '' while it may
) STRICT, WITHOUT ROWID;
