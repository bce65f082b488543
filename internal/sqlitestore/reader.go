package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"sync"
)

// reader asks the log file. It keeps the statements it was asked for: to parse one takes longer than most
// answers. Their number is bounded by the texts in this package.
type reader struct {
	db    *sql.DB
	mu    sync.Mutex
	stmts map[string]*sql.Stmt
}

func newReader(db *sql.DB) *reader { return &reader{db: db, stmts: map[string]*sql.Stmt{}} }

// prepared gives the statement of a text.
func (r *reader) prepared(ctx context.Context, text string) (*sql.Stmt, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if s := r.stmts[text]; s != nil {
		return s, nil
	}
	s, err := r.db.PrepareContext(ctx, text) //nolint:sqlclosecheck // closed with the reader
	if err == nil {
		r.stmts[text] = s
	}
	return s, err
}

func (r *reader) query(ctx context.Context, text string, args ...any) (*sql.Rows, error) {
	s, err := r.prepared(ctx, text) //nolint:sqlclosecheck // kept by the reader
	if err != nil {
		return nil, err
	}
	return s.QueryContext(ctx, args...)
}

// row is query for one row; an error of preparing is found again, and given, by the row.
func (r *reader) row(ctx context.Context, text string, args ...any) *sql.Row {
	s, err := r.prepared(ctx, text) //nolint:sqlclosecheck // kept by the reader
	if err != nil {
		return r.db.QueryRowContext(ctx, text, args...)
	}
	return s.QueryRowContext(ctx, args...)
}

func (r *reader) close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var errs []error
	for _, s := range r.stmts {
		errs = append(errs, s.Close())
	}
	return errors.Join(append(errs, r.db.Close())...)
}
