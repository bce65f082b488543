package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

const cacheTables = `CREATE TABLE IF NOT EXISTS snapshot (
  site TEXT NOT NULL, name TEXT NOT NULL, seq INTEGER NOT NULL, root BLOB NOT NULL, data BLOB NOT NULL,
  PRIMARY KEY (site, name)) STRICT`

// openCache opens the file of snapshots. Losing it loses no fact.
func openCache(ctx context.Context, path string) (*sql.DB, error) {
	if err := createPrivate(path); err != nil {
		return nil, err
	}
	db, err := openFile(path, "mode=rw", "journal_mode(wal)", "synchronous(normal)", "cache_size(-2000)", "journal_size_limit(0)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, cacheTables); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", path, err), db.Close())
	}
	return db, nil
}

// SaveSnapshot keeps the state at a seq under a name, in place of the one
// before. It is a cache: whoever loads it must compare seq and root.
func (l *Log) SaveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error {
	if l.store.cache == nil {
		return ErrReadOnly
	}
	_, err := l.store.cache.ExecContext(ctx, `INSERT OR REPLACE INTO snapshot (site, name, seq, root, data) VALUES (?, ?, ?, ?, ?)`, l.site, name, seq, root[:], data)
	if err != nil {
		return fmt.Errorf("save snapshot %s of site %s: %w", name, l.site, err)
	}
	return nil
}

// LoadSnapshot gives what SaveSnapshot kept; seq is 0 where there is none, or
// where the folder is open for reading only.
func (l *Log) LoadSnapshot(ctx context.Context, name string) (seq int64, root [32]byte, data []byte, err error) {
	if l.store.cache == nil {
		return 0, root, nil, nil
	}
	var r []byte
	err = l.store.cache.QueryRowContext(ctx, `SELECT seq, root, data FROM snapshot WHERE site = ? AND name = ?`, l.site, name).Scan(&seq, &r, &data)
	if errors.Is(err, sql.ErrNoRows) || err == nil && len(r) != len(root) {
		return 0, root, nil, nil
	}
	if err != nil {
		return 0, root, nil, fmt.Errorf("load snapshot %s of site %s: %w", name, l.site, err)
	}
	copy(root[:], r)
	return seq, root, data, nil
}
