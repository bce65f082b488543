-- What access keeps outside the record log. Times are milliseconds since
-- 1970 UTC; 0 stands for none. Secrets are hashes, never what was typed.

CREATE TABLE credential (
	kind   TEXT    NOT NULL,
	owner  TEXT    NOT NULL,
	secret TEXT    NOT NULL,
	at     INTEGER NOT NULL,
	PRIMARY KEY (kind, owner)
) STRICT, WITHOUT ROWID;

CREATE TABLE session (
	hash   TEXT    NOT NULL PRIMARY KEY,
	person TEXT    NOT NULL,
	device TEXT    NOT NULL,
	known  TEXT    NOT NULL,
	began  INTEGER NOT NULL,
	used   INTEGER NOT NULL,
	ends   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX session_person ON session (person);
CREATE INDEX session_device ON session (device);

CREATE TABLE counter (
	subject  TEXT    NOT NULL,
	place    TEXT    NOT NULL,
	recent   INTEGER NOT NULL,
	total    INTEGER NOT NULL,
	first_at INTEGER NOT NULL,
	last_at  INTEGER NOT NULL,
	until_at INTEGER NOT NULL,
	PRIMARY KEY (subject, place)
) STRICT, WITHOUT ROWID;
