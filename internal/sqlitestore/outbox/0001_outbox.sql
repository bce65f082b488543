-- Messages to be sent, and what became of them. Times are milliseconds since 1970, 0 for none.
CREATE TABLE message (
  site     TEXT    NOT NULL,
  id       TEXT    NOT NULL,
  channel  TEXT    NOT NULL,
  queued   INTEGER NOT NULL,
  next     INTEGER NOT NULL,
  attempts INTEGER NOT NULL DEFAULT 0,
  failure  TEXT    NOT NULL DEFAULT '',
  sent     INTEGER NOT NULL DEFAULT 0,
  gave_up  INTEGER NOT NULL DEFAULT 0,
  done     INTEGER NOT NULL DEFAULT 0,
  body     BLOB    NOT NULL,
  PRIMARY KEY (site, id)
) STRICT, WITHOUT ROWID;

CREATE INDEX message_waiting ON message (site, channel, next) WHERE sent = 0;
CREATE INDEX message_channel ON message (site, channel, gave_up, sent);
CREATE INDEX message_queued ON message (site, queued);
