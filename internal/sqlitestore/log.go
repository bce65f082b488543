package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// Log is the log of one site with its checkpoints and snapshots. It implements
// record.Log, record.Checkpoints and record.LookupLister.
type Log struct {
	store *Store
	site  string
	id    atomic.Int64 // number of the site, 0 while it is not known
}

// siteID gives the number of the site, or record.ErrNotFound while the log is
// empty.
func (l *Log) siteID(ctx context.Context) (int64, error) {
	if id := l.id.Load(); id != 0 {
		return id, nil
	}
	var id int64
	err := l.store.read.QueryRowContext(ctx, `SELECT id FROM site WHERE name = ?`, l.site).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, fmt.Errorf("site %s: %w", l.site, record.ErrNotFound)
	}
	if err != nil {
		return 0, fmt.Errorf("site %s: %w", l.site, err)
	}
	l.id.Store(id)
	return id, nil
}

// keys gives the first key of the site and the first of the next one; both are
// 0 while the log is empty.
func (l *Log) keys(ctx context.Context) (from, to int64, err error) {
	id, err := l.siteID(ctx)
	if errors.Is(err, record.ErrNotFound) {
		return 0, 0, nil
	}
	return id << siteShift, (id + 1) << siteShift, err
}

// Head implements record.Log.
func (l *Log) Head(ctx context.Context) (record.Head, error) {
	from, to, err := l.keys(ctx)
	if err != nil {
		return record.Head{}, err
	}
	var h record.Head
	var root []byte
	err = l.store.read.QueryRowContext(ctx, `SELECT key, size, root FROM log_commit WHERE key >= ? AND key < ? ORDER BY key DESC LIMIT 1`, from, to).Scan(&h.Commit, &h.Size, &root)
	if errors.Is(err, sql.ErrNoRows) {
		return record.Head{Root: new(record.Tree).Root()}, nil
	}
	if err != nil {
		return record.Head{}, fmt.Errorf("head of site %s: %w", l.site, err)
	}
	h.Commit -= from
	h.Root, err = oneHash(root)
	return h, err
}

func oneHash(b []byte) (tlog.Hash, error) {
	if len(b) != tlog.HashSize {
		return tlog.Hash{}, fmt.Errorf("%w: a hash of %d bytes", record.ErrTampered, len(b))
	}
	return tlog.Hash(b), nil
}

// ReadCommit implements record.Log.
func (l *Log) ReadCommit(ctx context.Context, number int64) (record.Commit, error) {
	from, _, err := l.keys(ctx)
	if err != nil {
		return record.Commit{}, err
	}
	c := record.Commit{Number: number}
	var root, nodes []byte
	err = sql.ErrNoRows
	if from != 0 && number > 0 && number < 1<<siteShift {
		err = l.store.read.QueryRowContext(ctx, `SELECT c.first, c.size, c.root, coalesce(n.hashes, x'') FROM log_commit c LEFT JOIN node n ON n.key = ? + c.first WHERE c.key = ?`, from, from+number).Scan(&c.First, &c.Size, &root, &nodes)
	}
	if errors.Is(err, sql.ErrNoRows) {
		return record.Commit{}, fmt.Errorf("commit %d of site %s: %w", number, l.site, record.ErrNotFound)
	}
	if err != nil {
		return record.Commit{}, fmt.Errorf("commit %d of site %s: %w", number, l.site, err)
	}
	if c.Root, err = oneHash(root); err != nil {
		return record.Commit{}, err
	}
	for ; len(nodes) >= tlog.HashSize; nodes = nodes[tlog.HashSize:] {
		c.Nodes = append(c.Nodes, tlog.Hash(nodes[:tlog.HashSize]))
	}
	err = l.Scan(ctx, c.First, min(c.Size, c.First+record.MaxCommitRecords), func(_ int64, rec string) error {
		c.Records = append(c.Records, rec)
		return nil
	})
	return c, err
}

// scanChunk is the number of records that one statement of Scan reads, so that
// a slow reader does not keep the WAL from being written back.
const scanChunk = 2000

// Scan implements record.Log.
func (l *Log) Scan(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	base, end, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	next, last := base+max(from, 1), min(to, end-base-1)+base
	for next <= last {
		n, err := l.scanSome(ctx, base, next, min(last, next+scanChunk-1), fn)
		if err != nil || n == 0 {
			return err
		}
		next += scanChunk
	}
	return nil
}

func (l *Log) scanSome(ctx context.Context, base, from, to int64, fn func(seq int64, rec string) error) (int, error) {
	rows, err := l.store.read.QueryContext(ctx, `SELECT key, bytes FROM record WHERE key BETWEEN ? AND ? ORDER BY key`, from, to)
	if err != nil {
		return 0, fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	page, err := readRows(rows, base)
	if err != nil {
		return 0, fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	for _, r := range page {
		if err := fn(r.Seq, r.Bytes); err != nil {
			return 0, err
		}
	}
	return len(page), nil
}

// readRows reads (key, bytes) and closes the rows.
func readRows(rows *sql.Rows, base int64) ([]record.Stored, error) {
	defer rows.Close()
	var page []record.Stored
	for rows.Next() {
		var r record.Stored
		if err := rows.Scan(&r.Seq, &r.Bytes); err != nil {
			return nil, err
		}
		r.Seq -= base
		page = append(page, r)
	}
	return page, rows.Err()
}

// Hashes implements record.Log.
func (l *Log) Hashes(ctx context.Context, indexes []int64) ([]tlog.Hash, error) {
	base, _, err := l.keys(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		if out[i], err = l.hash(ctx, base, index); err != nil {
			return nil, fmt.Errorf("stored hash %d of site %s: %w", index, l.site, err)
		}
	}
	return out, nil
}

// hash finds the commit whose records completed the node.
func (l *Log) hash(ctx context.Context, base, index int64) (tlog.Hash, error) {
	if index < 0 || base == 0 {
		return tlog.Hash{}, record.ErrNotFound
	}
	level, n := tlog.SplitStoredHashIndex(index)
	seq := (n + 1) << level
	var key int64
	var b []byte
	err := l.store.read.QueryRowContext(ctx, `SELECT key, hashes FROM node WHERE key > ? AND key <= ? ORDER BY key DESC LIMIT 1`, base, base+seq).Scan(&key, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return tlog.Hash{}, record.ErrNotFound
	}
	if err != nil {
		return tlog.Hash{}, err
	}
	at := (index - tlog.StoredHashCount(key-base-1)) * tlog.HashSize
	if at < 0 || at+tlog.HashSize > int64(len(b)) {
		return tlog.Hash{}, record.ErrNotFound
	}
	return tlog.Hash(b[at : at+tlog.HashSize]), nil
}

// Commands implements record.Log.
func (l *Log) Commands(ctx context.Context, ids []record.UUID) (map[record.UUID][]record.Stored, error) {
	found := map[record.UUID][]record.Stored{}
	const text = `SELECT c.id, r.key, r.bytes FROM command c JOIN record r ON r.key BETWEEN (c.site << 40) + c.first AND (c.site << 40) + c.first + c.count - 1 WHERE c.site = ? AND c.id IN (`
	err := l.byID(ctx, text, `) ORDER BY c.id, r.key`, ids, func(id record.UUID, r record.Stored) {
		found[id] = append(found[id], r)
	})
	if err != nil {
		return nil, fmt.Errorf("commands of site %s: %w", l.site, err)
	}
	return found, nil
}

// ByID implements record.Log.
func (l *Log) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	found := map[record.UUID]record.Stored{}
	const text = `SELECT i.id, r.key, r.bytes FROM record_id i JOIN record r ON r.key = (i.site << 40) + i.seq WHERE i.site = ? AND i.id IN (`
	err := l.byID(ctx, text, `)`, ids, func(id record.UUID, r record.Stored) { found[id] = r })
	if err != nil {
		return nil, fmt.Errorf("records of site %s: %w", l.site, err)
	}
	return found, nil
}

// byID runs a statement over a list of ids, in parts of a few fixed lengths so
// that their number of prepared forms stays small.
func (l *Log) byID(ctx context.Context, head, tail string, ids []record.UUID, fn func(record.UUID, record.Stored)) error {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	for len(ids) > 0 {
		n := 1
		for n < len(ids) && n < 128 {
			n *= 2
		}
		part := ids[:min(n, len(ids))]
		ids = ids[len(part):]
		args := []any{base >> siteShift}
		for i := range n {
			id := part[min(i, len(part)-1)]
			args = append(args, id[:])
		}
		rows, err := l.store.read.QueryContext(ctx, head+strings.Repeat("?,", n-1)+"?"+tail, args...)
		if err != nil {
			return err
		}
		if err := eachID(rows, base, fn); err != nil {
			return err
		}
	}
	return nil
}

func eachID(rows *sql.Rows, base int64, fn func(record.UUID, record.Stored)) error {
	defer rows.Close()
	for rows.Next() {
		var id sql.RawBytes
		var r record.Stored
		if err := rows.Scan(&id, &r.Seq, &r.Bytes); err != nil {
			return err
		}
		if len(id) != 16 {
			return fmt.Errorf("%w: an id of %d bytes", record.ErrTampered, len(id))
		}
		r.Seq -= base
		fn(record.UUID(id), r)
	}
	return rows.Err()
}
