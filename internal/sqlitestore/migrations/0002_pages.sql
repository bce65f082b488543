-- A commit is one row: the tree nodes it completes, 32 bytes each, and its records, one a line
-- (canonical JSON holds no line feed). key holds the commit's first seq.
CREATE TABLE page (
  key     INTEGER PRIMARY KEY,
  hashes  BLOB NOT NULL CHECK (length(hashes) % 32 = 0),
  records TEXT NOT NULL
) STRICT;

INSERT INTO page (key, hashes, records)
SELECT (c.key >> 40 << 40) + c.first,
       (SELECT hashes FROM node WHERE key = (c.key >> 40 << 40) + c.first),
       (SELECT group_concat(r.bytes, char(10)) FROM (SELECT bytes FROM record
          WHERE key BETWEEN (c.key >> 40 << 40) + c.first AND (c.key >> 40 << 40) + c.size ORDER BY key) r)
FROM log_commit c ORDER BY 1;

DROP TABLE record;
DROP TABLE node;

CREATE TRIGGER page_next BEFORE INSERT ON page
WHEN NEW.key <= (SELECT max(key) FROM page WHERE key >= NEW.key >> 40 << 40 AND key < ((NEW.key >> 40) + 1) << 40)
BEGIN SELECT RAISE(ABORT, 'page: first is not the next one'); END;
CREATE TRIGGER page_update BEFORE UPDATE ON page BEGIN SELECT RAISE(ABORT, 'page: rows are never changed'); END;
CREATE TRIGGER page_delete BEFORE DELETE ON page BEGIN SELECT RAISE(ABORT, 'page: rows are never deleted'); END;

-- The look-up tables hold what belongs to the records up to seq. For the newest records it is read
-- from the records themselves, and written in sorted runs.
CREATE TABLE indexed (
  site INTEGER PRIMARY KEY,
  seq  INTEGER NOT NULL
) STRICT;

INSERT INTO indexed (site, seq)
SELECT c.key >> 40, max(c.size) FROM log_commit c GROUP BY c.key >> 40;
