-- Several depots, one log: each keeps a book of its own, and what one enters
-- travels to the others as entries. A book that never joined a company has no row
-- in any of these tables.

-- This book within its company.
CREATE TABLE joined (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    company TEXT NOT NULL CHECK (company <> ''),
    me INTEGER NOT NULL, -- in books: the life that this book is in
    clock INTEGER NOT NULL, -- the highest seen or given
    copy INTEGER NOT NULL CHECK (copy IN (0, 1)), -- this file is a backup: who writes to it begins a new life
    told INTEGER NOT NULL, -- records below this number were entered, or came in
    words INTEGER NOT NULL -- and so were words up to this number
) STRICT;

-- Books by the id that they have in this company, this one's own lives included,
-- and how far the entries of each are here.
CREATE TABLE books (
    idx INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE CHECK (id <> ''),
    mark TEXT NOT NULL CHECK (mark <> ''), -- of its depot
    name TEXT NOT NULL,
    born INTEGER NOT NULL, -- the clock of its first entry
    own_from INTEGER, -- of a life of this book: its records are those from this number on
    seq INTEGER NOT NULL CHECK (seq >= 0), -- its last entry that is here
    hash BLOB NOT NULL CHECK (length(hash) = 32), -- of all entries up to that one
    last INTEGER NOT NULL -- when that one was entered, in seconds since 1970; 0 before any is
) STRICT;

-- Entries of this book that are in no bundle yet, and bundles as they travel.
CREATE TABLE waiting (
    book INTEGER NOT NULL REFERENCES books (idx),
    seq INTEGER NOT NULL CHECK (seq >= 1),
    entry TEXT NOT NULL CHECK (json_valid(entry)),
    hash BLOB NOT NULL CHECK (length(hash) = 32), -- of all entries up to this one
    PRIMARY KEY (book, seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE bundles (
    book INTEGER NOT NULL REFERENCES books (idx),
    first INTEGER NOT NULL CHECK (first >= 1),
    count INTEGER NOT NULL CHECK (count >= 1),
    last BLOB NOT NULL CHECK (length(last) = 32), -- the hash of all entries up to its last
    sent INTEGER NOT NULL CHECK (sent IN (0, 1)), -- another book may have it
    content BLOB NOT NULL,
    PRIMARY KEY (book, first)
) STRICT;
-- Bundles that can't be taken in yet, and why.
CREATE TABLE held (
    book TEXT NOT NULL, -- its id: it may be known by nothing else
    first INTEGER NOT NULL,
    last TEXT NOT NULL,
    mark TEXT NOT NULL,
    why TEXT NOT NULL CHECK (why <> ''),
    content BLOB NOT NULL,
    PRIMARY KEY (book, first, last)
) STRICT;

-- Records of other books: so many on end, with their first number here, and there.
CREATE TABLE foreigns (
    number INTEGER PRIMARY KEY,
    count INTEGER NOT NULL CHECK (count >= 1),
    book INTEGER NOT NULL REFERENCES books (idx),
    theirs INTEGER NOT NULL CHECK (theirs >= 1),
    UNIQUE (book, theirs)
) STRICT;
-- A name or a ref that stands for another in this book, since another has it here.
CREATE TABLE given (
    number INTEGER PRIMARY KEY, -- of the record
    shown TEXT NOT NULL CHECK (shown <> ''),
    given TEXT NOT NULL CHECK (given <> '')
) STRICT;
-- All that was done to records that were amended or voided, or repeat others. What
-- a record says, and said, is told by these in the order of clock, book and seq.
CREATE TABLE acts (
    number INTEGER NOT NULL,
    clock INTEGER NOT NULL, -- 0 of the record itself, which comes before all that is done to it
    book INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind <> ''),
    what TEXT NOT NULL CHECK (what IN ('record', 'amend', 'void')),
    entry TEXT NOT NULL CHECK (json_valid(entry)),
    phone INTEGER, -- that did it here
    PRIMARY KEY (number, clock, book, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX acts_void ON acts (number) WHERE what = 'void' AND (kind = 'machine' OR kind = 'driver');
-- Records that say what another one says, which counts in their place.
CREATE TABLE aside (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind <> ''),
    of INTEGER NOT NULL,
    says TEXT NOT NULL -- what they have in common
) STRICT;
CREATE INDEX aside_says ON aside (says);
-- Who set a setting last, of those that go for the whole company.
CREATE TABLE settled (
    setting TEXT PRIMARY KEY CHECK (setting <> ''),
    value TEXT NOT NULL, -- '' is the default
    clock INTEGER NOT NULL,
    book INTEGER NOT NULL,
    seq INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
