package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// AddGrant keeps a new grant.
func (s *Accounts) AddGrant(ctx context.Context, hash, session, person, device, known string, from, to time.Time) error {
	_, err := s.exec(ctx, "add grant", "INSERT INTO delivery_grant (hash, session, person, device, known, begins, ends) VALUES (?, ?, ?, ?, ?, ?, ?)",
		hash, session, person, device, known, accountsMillis(from), accountsMillis(to))
	return err
}

// Grant finds a grant.
func (s *Accounts) Grant(ctx context.Context, hash string) (person, device, known string, from, to time.Time, found bool, err error) {
	var b, e int64
	err = s.db.QueryRowContext(ctx, "SELECT person, device, known, begins, ends FROM delivery_grant WHERE hash = ?", hash).
		Scan(&person, &device, &known, &b, &e)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read grant: %w", err)
		return
	}
	return person, device, known, accountsTime(b), accountsTime(e), true, nil
}

// LastGrant finds whose grant on a device began last.
func (s *Accounts) LastGrant(ctx context.Context, device string, at time.Time) (string, bool, error) {
	var person string
	err := s.db.QueryRowContext(ctx, "SELECT person FROM delivery_grant WHERE device = ? AND begins <= ? ORDER BY begins DESC, person DESC LIMIT 1",
		device, accountsMillis(at)).Scan(&person)
	if errors.Is(err, sql.ErrNoRows) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("read grant: %w", err)
	}
	return person, true, nil
}

// EndGrants moves the end of grants back.
func (s *Accounts) EndGrants(ctx context.Context, session, person, device string, to time.Time) (int, error) {
	if session+person+device == "" {
		return 0, errors.New("end grants: neither session nor person nor device given")
	}
	return s.exec(ctx, "end grants", `UPDATE delivery_grant SET ends = max(begins, ?4)
		WHERE (?1 = '' OR session = ?1) AND (?2 = '' OR person = ?2) AND (?3 = '' OR device = ?3) AND ends > ?4`,
		session, person, device, accountsMillis(to))
}
