package sqlitestore

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	_ "modernc.org/sqlite" // the database/sql driver named sqlite
)

// accountsFile is the name of the file in the data folder.
const accountsFile = "access.db"

//go:embed accounts/*.sql
var accountsSteps embed.FS

// Accounts keeps credentials, sessions and counters in access.db, a file of its
// own beside the record log. Package access declares what it does.
type Accounts struct {
	db *sql.DB
}

// OpenAccounts opens access.db in the data folder dir, and makes it, readable by
// its owner alone, where it is missing.
func OpenAccounts(dir string) (*Accounts, error) {
	path, err := filepath.Abs(filepath.Join(dir, accountsFile))
	if err != nil {
		return nil, fmt.Errorf("open accounts: %w", err)
	}
	if err := ownerOnly(path); err != nil {
		return nil, fmt.Errorf("open accounts: %w", err)
	}
	db, err := sql.Open("sqlite", accountsDSN(path))
	if err != nil {
		return nil, fmt.Errorf("open accounts: %w", err)
	}
	db.SetMaxOpenConns(4)
	if err := migrateSide(db, accountsSteps, "accounts"); err != nil {
		return nil, errors.Join(fmt.Errorf("open accounts in %s: %w", path, err), db.Close())
	}
	return &Accounts{db: db}, nil
}

// ReadAccounts opens access.db for reading, whoever writes to it meanwhile. Where there is none
// the error is fs.ErrNotExist.
func ReadAccounts(dir string) (*Accounts, error) {
	path, err := filepath.Abs(filepath.Join(dir, accountsFile))
	if err != nil {
		return nil, fmt.Errorf("read accounts: %w", err)
	}
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("read accounts: %w", err)
	}
	db, err := openFile(path, "mode=ro", "query_only(1)")
	if err != nil {
		return nil, fmt.Errorf("read accounts: %w", err)
	}
	db.SetMaxOpenConns(4)
	return &Accounts{db: db}, nil
}

// EachCredential calls fn with every credential, in any order; an error of fn ends it and is returned.
func (s *Accounts) EachCredential(ctx context.Context, fn func(kind, owner, secret string, at time.Time) error) error {
	rows, err := s.db.QueryContext(ctx, "SELECT kind, owner, secret, at FROM credential")
	if err != nil {
		return fmt.Errorf("read credentials: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var kind, owner, secret string
		var at int64
		if err := rows.Scan(&kind, &owner, &secret, &at); err != nil {
			return fmt.Errorf("read credentials: %w", err)
		}
		if err := fn(kind, owner, secret, accountsTime(at)); err != nil {
			return err
		}
	}
	return rows.Err()
}

// ownerOnly makes the file before SQLite does, so that it is never readable by
// others, not for a moment; SQLite gives its side files the same mode.
func ownerOnly(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	switch {
	case err == nil:
		return f.Close()
	case errors.Is(err, fs.ErrExist):
		return os.Chmod(path, 0o600)
	}
	return err
}

// accountsDSN asks for a sync at every commit, and for secrets that are dropped
// to be overwritten.
func accountsDSN(path string) string {
	q := url.Values{"_txlock": {"immediate"}, "_pragma": {
		"busy_timeout(5000)", "journal_mode(wal)", "synchronous(full)", "foreign_keys(on)", "secure_delete(on)",
	}}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(path), RawQuery: q.Encode()}
	return u.String()
}

// migrateSide takes the steps of a folder that the file has not taken; user_version
// says how many it has.
func migrateSide(db *sql.DB, steps embed.FS, folder string) error {
	names, err := fs.Glob(steps, folder+"/*.sql")
	if err != nil {
		return err
	}
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback() //nolint:errcheck // after Commit it does nothing
	var done int
	if err := tx.QueryRow("PRAGMA user_version").Scan(&done); err != nil {
		return err
	}
	if done > len(names) {
		return fmt.Errorf("file is of version %d, this program knows %d: use the newer program", done, len(names))
	}
	for _, name := range names[done:] {
		step, err := steps.ReadFile(name)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(string(step)); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	if _, err := tx.Exec(fmt.Sprintf("PRAGMA user_version = %d", len(names))); err != nil {
		return err
	}
	return tx.Commit()
}

// Close closes the file.
func (s *Accounts) Close() error { return s.db.Close() }

func accountsMillis(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func accountsTime(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// exec runs a statement and says how many rows it changed.
func (s *Accounts) exec(ctx context.Context, what, query string, args ...any) (int, error) {
	r, err := s.db.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", what, err)
	}
	n, err := r.RowsAffected()
	if err != nil {
		return 0, fmt.Errorf("%s: %w", what, err)
	}
	return int(n), nil
}

// Credential finds a secret.
func (s *Accounts) Credential(ctx context.Context, kind, owner string) (string, time.Time, bool, error) {
	var secret string
	var at int64
	err := s.db.QueryRowContext(ctx, "SELECT secret, at FROM credential WHERE kind = ? AND owner = ?", kind, owner).Scan(&secret, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return "", time.Time{}, false, nil
	}
	if err != nil {
		return "", time.Time{}, false, fmt.Errorf("read credential: %w", err)
	}
	return secret, accountsTime(at), true, nil
}

// SetCredential sets a secret.
func (s *Accounts) SetCredential(ctx context.Context, kind, owner, secret string, at time.Time) error {
	_, err := s.exec(ctx, "set credential", `INSERT INTO credential (kind, owner, secret, at) VALUES (?, ?, ?, ?)
		ON CONFLICT (kind, owner) DO UPDATE SET secret = excluded.secret, at = excluded.at`, kind, owner, secret, accountsMillis(at))
	return err
}

// ReplaceCredential sets a secret where the present one is was.
func (s *Accounts) ReplaceCredential(ctx context.Context, kind, owner, was, secret string, at time.Time) (bool, error) {
	n, err := s.exec(ctx, "replace credential", "UPDATE credential SET secret = ?, at = ? WHERE kind = ? AND owner = ? AND secret = ?",
		secret, accountsMillis(at), kind, owner, was)
	return n > 0, err
}

// DropCredential forgets a secret where it is was, or any where was is empty.
func (s *Accounts) DropCredential(ctx context.Context, kind, owner, was string) (bool, error) {
	n, err := s.exec(ctx, "drop credential", "DELETE FROM credential WHERE kind = ?1 AND owner = ?2 AND (?3 = '' OR secret = ?3)",
		kind, owner, was)
	return n > 0, err
}

// AddSession keeps a new session.
func (s *Accounts) AddSession(ctx context.Context, hash, person, device, known string, began, ends time.Time) error {
	_, err := s.exec(ctx, "add session", "INSERT INTO session (hash, person, device, known, began, used, ends) VALUES (?1, ?2, ?3, ?4, ?5, ?5, ?6)",
		hash, person, device, known, accountsMillis(began), accountsMillis(ends))
	return err
}

// Session finds a session.
func (s *Accounts) Session(ctx context.Context, hash string) (person, device, known string, began, used, ends time.Time, found bool, err error) {
	var b, u, e int64
	err = s.db.QueryRowContext(ctx, "SELECT person, device, known, began, used, ends FROM session WHERE hash = ?", hash).
		Scan(&person, &device, &known, &b, &u, &e)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read session: %w", err)
		return
	}
	return person, device, known, accountsTime(b), accountsTime(u), accountsTime(e), true, nil
}

// TouchSession moves the time of last use forward.
func (s *Accounts) TouchSession(ctx context.Context, hash string, used time.Time) (bool, error) {
	n, err := s.exec(ctx, "touch session", "UPDATE session SET used = max(used, ?) WHERE hash = ?", accountsMillis(used), hash)
	return n > 0, err
}

// EndSession forgets a session.
func (s *Accounts) EndSession(ctx context.Context, hash string) error {
	_, err := s.exec(ctx, "end session", "DELETE FROM session WHERE hash = ?", hash)
	return err
}

// EndSessions forgets the sessions of a person, a device, or both together.
func (s *Accounts) EndSessions(ctx context.Context, person, device string) (int, error) {
	if person == "" && device == "" {
		return 0, errors.New("end sessions: neither person nor device given")
	}
	return s.exec(ctx, "end sessions", "DELETE FROM session WHERE (?1 = '' OR person = ?1) AND (?2 = '' OR device = ?2)", person, device)
}

// SweepSessions forgets the sessions that are past their end.
func (s *Accounts) SweepSessions(ctx context.Context, at time.Time) (int, error) {
	return s.exec(ctx, "sweep sessions", "DELETE FROM session WHERE ends <= ?", accountsMillis(at))
}

// Counter gives the counts of a subject from a place.
func (s *Accounts) Counter(ctx context.Context, subject, place string) (recent, total int, first, last, until time.Time, err error) {
	var f, l, u int64
	err = s.db.QueryRowContext(ctx, "SELECT recent, total, first_at, last_at, until_at FROM counter WHERE subject = ? AND place = ?", subject, place).
		Scan(&recent, &total, &f, &l, &u)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read counter: %w", err)
		return
	}
	return recent, total, accountsTime(f), accountsTime(l), accountsTime(u), nil
}

// SetCounter keeps the counts of a subject from a place.
func (s *Accounts) SetCounter(ctx context.Context, subject, place string, recent, total int, first, last, until time.Time) error {
	_, err := s.exec(ctx, "set counter", `INSERT OR REPLACE INTO counter (subject, place, recent, total, first_at, last_at, until_at)
		VALUES (?, ?, ?, ?, ?, ?, ?)`, subject, place, recent, total, accountsMillis(first), accountsMillis(last), accountsMillis(until))
	return err
}

// DropCounters forgets the counts of a subject.
func (s *Accounts) DropCounters(ctx context.Context, subject string) error {
	_, err := s.exec(ctx, "drop counters", "DELETE FROM counter WHERE subject = ?", subject)
	return err
}

// SweepCounters forgets the counts that are long past.
func (s *Accounts) SweepCounters(ctx context.Context, before time.Time) error {
	_, err := s.exec(ctx, "sweep counters", "DELETE FROM counter WHERE last_at < ?1 AND until_at < ?1", accountsMillis(before))
	return err
}
