-- Leave to deliver reports of one person from one device. Rows are never deleted.

CREATE TABLE delivery_grant (
	hash    TEXT    NOT NULL PRIMARY KEY,
	session TEXT    NOT NULL,
	person  TEXT    NOT NULL,
	device  TEXT    NOT NULL,
	known   TEXT    NOT NULL,
	begins  INTEGER NOT NULL,
	ends    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX delivery_grant_device ON delivery_grant (device, begins, person);
CREATE INDEX delivery_grant_person ON delivery_grant (person);
CREATE INDEX delivery_grant_session ON delivery_grant (session);
