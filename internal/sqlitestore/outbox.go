package sqlitestore

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"path/filepath"
	"time"
)

// outboxFile is the name of the file in the data folder.
const outboxFile = "outbox.db"

//go:embed outbox/*.sql
var outboxSteps embed.FS

// Outbox keeps messages to be sent in outbox.db, a file of its own beside the record log, with a sync at every
// change. Package alerts declares what it does.
type Outbox struct{ db *sql.DB }

// OpenOutbox opens outbox.db in the data folder dir, and makes it, readable by its owner alone, where it is missing.
func OpenOutbox(dir string) (*Outbox, error) {
	path, err := filepath.Abs(filepath.Join(dir, outboxFile))
	if err != nil {
		return nil, fmt.Errorf("open outbox: %w", err)
	}
	if err := ownerOnly(path); err != nil {
		return nil, fmt.Errorf("open outbox: %w", err)
	}
	db, err := sql.Open("sqlite", accountsDSN(path))
	if err != nil {
		return nil, fmt.Errorf("open outbox: %w", err)
	}
	db.SetMaxOpenConns(2)
	if err := migrateSide(db, outboxSteps, "outbox"); err != nil {
		return nil, errors.Join(fmt.Errorf("open outbox in %s: %w", path, err), db.Close())
	}
	return &Outbox{db: db}, nil
}

// Close closes the file.
func (o *Outbox) Close() error { return o.db.Close() }

func (o *Outbox) run(ctx context.Context, what, query string, args ...any) (int64, error) {
	res, err := o.db.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, fmt.Errorf("outbox: %s: %w", what, err)
	}
	return res.RowsAffected()
}

// Put keeps a message; false where the site has one with that id.
func (o *Outbox) Put(ctx context.Context, site, id, channel string, queued time.Time, body []byte) (bool, error) {
	n, err := o.run(ctx, "put", `INSERT INTO message (site, id, channel, queued, next, body) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		site, id, channel, accountsMillis(queued), accountsMillis(queued), body)
	return n == 1, err
}

// Each calls fn for every message that is not done and for those queued at or after since, the oldest first.
func (o *Outbox) Each(ctx context.Context, site string, since time.Time,
	fn func(id, channel string, queued time.Time, attempts int, sent time.Time, gaveUp, done bool, body []byte) error,
) error {
	rows, err := o.db.QueryContext(ctx, `SELECT id, channel, queued, attempts, sent, gave_up, done, body FROM message
		WHERE site = ? AND (done = 0 OR queued >= ?) ORDER BY queued, id`, site, accountsMillis(since))
	if err != nil {
		return fmt.Errorf("outbox: read: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id, channel string
		var queued, sent int64
		var attempts int
		var gaveUp, done bool
		var body []byte
		if err := rows.Scan(&id, &channel, &queued, &attempts, &sent, &gaveUp, &done, &body); err != nil {
			return fmt.Errorf("outbox: read: %w", err)
		}
		if err := fn(id, channel, accountsTime(queued), attempts, accountsTime(sent), gaveUp, done, body); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Next gives the message of a channel to send next, and when.
func (o *Outbox) Next(ctx context.Context, site, channel string) (id string, due, queued time.Time, attempts int, body []byte, err error) {
	var next, put int64
	err = o.db.QueryRowContext(ctx, `SELECT id, next, queued, attempts, body FROM message
		WHERE site = ? AND channel = ? AND sent = 0 ORDER BY next, queued, id LIMIT 1`, site, channel).Scan(&id, &next, &put, &attempts, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return "", due, queued, 0, nil, nil
	}
	if err != nil {
		return "", due, queued, 0, nil, fmt.Errorf("outbox: next: %w", err)
	}
	return id, accountsTime(next), accountsTime(put), attempts, body, nil
}

// Failed notes an attempt that failed and when the next is due.
func (o *Outbox) Failed(ctx context.Context, site, id string, next time.Time, failure string) error {
	_, err := o.run(ctx, "note a failure", `UPDATE message SET attempts = attempts + 1, next = ?, failure = ? WHERE site = ? AND id = ? AND sent = 0`,
		accountsMillis(next), failure, site, id)
	return err
}

// Sent notes that the last attempt was taken, or that no more are made.
func (o *Outbox) Sent(ctx context.Context, site, id string, at time.Time, gaveUp bool) error {
	_, err := o.run(ctx, "note what was sent", `UPDATE message SET attempts = attempts + (1 - ?), sent = ?, gave_up = ? WHERE site = ? AND id = ? AND sent = 0`,
		gaveUp, accountsMillis(at), gaveUp, site, id)
	return err
}

// Done notes that the outcome stands in the log where it belongs there.
func (o *Outbox) Done(ctx context.Context, site, id string) error {
	_, err := o.run(ctx, "note what is done", `UPDATE message SET done = 1 WHERE site = ? AND id = ?`, site, id)
	return err
}

// Channels calls fn for every channel that has a message.
func (o *Outbox) Channels(ctx context.Context, site string,
	fn func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error,
) error {
	rows, err := o.db.QueryContext(ctx, `SELECT channel, max(CASE WHEN gave_up = 0 THEN sent ELSE 0 END), sum(sent = 0),
		coalesce(min(CASE WHEN sent = 0 THEN queued END), 0),
		coalesce((SELECT failure FROM message f WHERE f.site = m.site AND f.channel = m.channel AND f.sent = 0 AND f.failure <> '' ORDER BY next DESC LIMIT 1), '')
		FROM message m WHERE site = ? GROUP BY channel ORDER BY channel`, site)
	if err != nil {
		return fmt.Errorf("outbox: channels: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var channel, failure string
		var delivered, since int64
		var waiting int
		if err := rows.Scan(&channel, &delivered, &waiting, &since, &failure); err != nil {
			return fmt.Errorf("outbox: channels: %w", err)
		}
		if err := fn(channel, accountsTime(delivered), waiting, accountsTime(since), failure); err != nil {
			return err
		}
	}
	return rows.Err()
}

// Forget drops what was done before a moment, but never the last message that a channel took.
func (o *Outbox) Forget(ctx context.Context, site string, before time.Time) error {
	_, err := o.run(ctx, "forget", `DELETE FROM message AS m WHERE site = ? AND done = 1 AND queued < ?
		AND NOT (gave_up = 0 AND sent = (SELECT max(sent) FROM message x WHERE x.site = m.site AND x.channel = m.channel AND x.gave_up = 0))`,
		site, accountsMillis(before))
	return err
}
