-- The record log. Keys begin with the site: a key is site * 2^40 + number.

CREATE TABLE site (
  id   INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;

-- One row a record: key holds seq.
CREATE TABLE record (
  key   INTEGER PRIMARY KEY,
  bytes TEXT NOT NULL
) STRICT;

-- One row a commit: key holds the commit number.
CREATE TABLE log_commit (
  key   INTEGER PRIMARY KEY,
  first INTEGER NOT NULL,
  size  INTEGER NOT NULL,
  root  BLOB NOT NULL CHECK (length(root) = 32)
) STRICT;

-- The tree nodes of a commit, 32 bytes each: key holds the commit's first seq.
CREATE TABLE node (
  key    INTEGER PRIMARY KEY,
  hashes BLOB NOT NULL CHECK (length(hashes) % 32 = 0)
) STRICT;

CREATE TABLE checkpoint (
  site INTEGER NOT NULL,
  size INTEGER NOT NULL,
  note TEXT NOT NULL,
  PRIMARY KEY (site, size, note)
) STRICT, WITHOUT ROWID;

-- Look-up tables, derived from the records.
CREATE TABLE record_id (
  site INTEGER NOT NULL,
  id   BLOB NOT NULL,
  seq  INTEGER NOT NULL,
  PRIMARY KEY (site, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE command (
  site  INTEGER NOT NULL,
  id    BLOB NOT NULL,
  first INTEGER NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (site, id)
) STRICT, WITHOUT ROWID;

-- A kind (class 0) or a key of about (class 1), written once.
CREATE TABLE word (
  id    INTEGER PRIMARY KEY,
  site  INTEGER NOT NULL,
  class INTEGER NOT NULL,
  text  TEXT NOT NULL,
  UNIQUE (site, class, text)
) STRICT;

-- at is in milliseconds since 1970.
CREATE TABLE entry (
  word INTEGER NOT NULL,
  at   INTEGER NOT NULL,
  seq  INTEGER NOT NULL,
  PRIMARY KEY (word, at, seq)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER record_next BEFORE INSERT ON record
WHEN NEW.key <> 1 + (SELECT coalesce(max(key), NEW.key >> 40 << 40) FROM record
                     WHERE key >= NEW.key >> 40 << 40 AND key < ((NEW.key >> 40) + 1) << 40)
BEGIN SELECT RAISE(ABORT, 'record: seq is not the next one'); END;
CREATE TRIGGER record_update BEFORE UPDATE ON record BEGIN SELECT RAISE(ABORT, 'record: rows are never changed'); END;
CREATE TRIGGER record_delete BEFORE DELETE ON record BEGIN SELECT RAISE(ABORT, 'record: rows are never deleted'); END;

CREATE TRIGGER log_commit_next BEFORE INSERT ON log_commit
WHEN NEW.key <> 1 + (SELECT coalesce(max(key), NEW.key >> 40 << 40) FROM log_commit
                     WHERE key >= NEW.key >> 40 << 40 AND key < ((NEW.key >> 40) + 1) << 40)
BEGIN SELECT RAISE(ABORT, 'log_commit: the number is not the next one'); END;
CREATE TRIGGER log_commit_update BEFORE UPDATE ON log_commit BEGIN SELECT RAISE(ABORT, 'log_commit: rows are never changed'); END;
CREATE TRIGGER log_commit_delete BEFORE DELETE ON log_commit BEGIN SELECT RAISE(ABORT, 'log_commit: rows are never deleted'); END;

CREATE TRIGGER node_next BEFORE INSERT ON node
WHEN NEW.key <= (SELECT max(key) FROM node WHERE key >= NEW.key >> 40 << 40 AND key < ((NEW.key >> 40) + 1) << 40)
BEGIN SELECT RAISE(ABORT, 'node: first is not the next one'); END;
CREATE TRIGGER node_update BEFORE UPDATE ON node BEGIN SELECT RAISE(ABORT, 'node: rows are never changed'); END;
CREATE TRIGGER node_delete BEFORE DELETE ON node BEGIN SELECT RAISE(ABORT, 'node: rows are never deleted'); END;

CREATE TRIGGER checkpoint_update BEFORE UPDATE ON checkpoint BEGIN SELECT RAISE(ABORT, 'checkpoint: rows are never changed'); END;
CREATE TRIGGER checkpoint_delete BEFORE DELETE ON checkpoint BEGIN SELECT RAISE(ABORT, 'checkpoint: rows are never deleted'); END;

CREATE TRIGGER site_update BEFORE UPDATE ON site BEGIN SELECT RAISE(ABORT, 'site: rows are never changed'); END;
CREATE TRIGGER site_delete BEFORE DELETE ON site BEGIN SELECT RAISE(ABORT, 'site: rows are never deleted'); END;
