package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
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
	mu    sync.Mutex   // guards the making of tail
	tail  *tail        // nil until it is asked for, and in a folder that is only read
}

// siteID gives the number of the site, or record.ErrNotFound while the log is
// empty.
func (l *Log) siteID(ctx context.Context) (int64, error) {
	if id := l.id.Load(); id != 0 {
		return id, nil
	}
	var id int64
	err := l.store.read.row(ctx, `SELECT id FROM site WHERE name = ?`, l.site).Scan(&id)
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
	err = l.store.read.row(ctx, `SELECT key, size, root FROM log_commit WHERE key >= ? AND key < ? ORDER BY key DESC LIMIT 1`, from, to).Scan(&h.Commit, &h.Size, &root)
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
	var records sql.NullString
	err = sql.ErrNoRows
	if from != 0 && number > 0 && number < 1<<siteShift {
		err = l.store.read.row(ctx, `SELECT c.first, c.size, c.root, coalesce(p.hashes, x''), p.records
			FROM log_commit c LEFT JOIN page p ON p.key = ? + c.first WHERE c.key = ?`, from, from+number).Scan(&c.First, &c.Size, &root, &nodes, &records)
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
	if records.Valid {
		c.Records = strings.Split(records.String, "\n")
	}
	return c, nil
}

// page is the records of a commit, by the seq of the first.
type page struct {
	first   int64
	records []string
}

// holds tells whether the record is in the page.
func (p *page) holds(seq int64) bool { return seq >= p.first && seq-p.first < int64(len(p.records)) }

// Pages are read a few at a time, so that a slow reader does not keep the WAL from being written back.
const (
	scanPages = 256
	scanBytes = 1 << 20
)

// Scan implements record.Log.
func (l *Log) Scan(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	base, end, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	from, to = max(from, 1), min(to, end-base-1)
	next, err := l.pageOf(ctx, base, from)
	for err == nil && next <= to {
		var pages []page
		if pages, err = l.readPages(ctx, base, next, to); len(pages) == 0 {
			break
		}
		for i := range pages {
			if err := pages[i].each(from, to, fn); err != nil {
				return err
			}
		}
		next = pages[len(pages)-1].first + 1
	}
	if err != nil {
		return fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	return nil
}

// each calls fn with the records from..to of the page.
func (p *page) each(from, to int64, fn func(seq int64, rec string) error) error {
	for i, rec := range p.records {
		if seq := p.first + int64(i); seq >= from && seq <= to {
			if err := fn(seq, rec); err != nil {
				return err
			}
		}
	}
	return nil
}

// pageOf gives the first seq of the page that a record is in, or would be in.
func (l *Log) pageOf(ctx context.Context, base, seq int64) (int64, error) {
	var key int64
	err := l.store.read.row(ctx, `SELECT coalesce(max(key), ?1) FROM page WHERE key > ?1 AND key <= ?1 + ?2`, base, seq).Scan(&key)
	return key - base, err
}

// readPages reads pages with a first seq of from..to, as many as go at a time.
func (l *Log) readPages(ctx context.Context, base, from, to int64) ([]page, error) {
	rows, err := l.store.read.query(ctx, `SELECT key, records FROM page WHERE key BETWEEN ? AND ? ORDER BY key LIMIT ?`, base+from, base+to, scanPages)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var pages []page
	for size := 0; size < scanBytes && rows.Next(); {
		var p page
		var records string
		if err := rows.Scan(&p.first, &records); err != nil {
			return nil, err
		}
		p.first -= base
		p.records = strings.Split(records, "\n")
		pages, size = append(pages, p), size+len(records)
	}
	return pages, rows.Err()
}

// records reads records by their seqs, in the order of the list; those that are not there are left out.
func (l *Log) records(ctx context.Context, base int64, seqs []int64) ([]record.Stored, error) {
	out := make([]record.Stored, 0, len(seqs))
	var p page
	for _, seq := range seqs {
		if rec, ok := l.store.held.get(base + seq); ok {
			out = append(out, record.Stored{Seq: seq, Bytes: rec})
			continue
		}
		if !p.holds(seq) {
			var records string
			err := l.store.read.row(ctx, `SELECT key - ?1, records FROM page WHERE key > ?1 AND key <= ?1 + ?2 ORDER BY key DESC LIMIT 1`, base, seq).Scan(&p.first, &records)
			if errors.Is(err, sql.ErrNoRows) {
				continue
			}
			if err != nil {
				return nil, err
			}
			p.records = strings.Split(records, "\n")
		}
		if p.holds(seq) {
			l.store.held.put(base+seq, p.records[seq-p.first])
			out = append(out, record.Stored{Seq: seq, Bytes: p.records[seq-p.first]})
		}
	}
	return out, nil
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
	err := l.store.read.row(ctx, `SELECT key, hashes FROM page WHERE key > ? AND key <= ? ORDER BY key DESC LIMIT 1`, base, base+seq).Scan(&key, &b)
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
	out := map[record.UUID][]record.Stored{}
	found, err := l.runs(ctx, ids)
	if err != nil {
		return nil, fmt.Errorf("commands of site %s: %w", l.site, err)
	}
	for id, r := range found {
		err := l.Scan(ctx, r.first, r.first+r.count-1, func(seq int64, rec string) error {
			out[id] = append(out[id], record.Stored{Seq: seq, Bytes: rec})
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (l *Log) runs(ctx context.Context, ids []record.UUID) (map[record.UUID]run, error) {
	t, err := l.newest(ctx)
	if err != nil {
		return nil, err
	}
	found := map[record.UUID]run{}
	var rest []record.UUID
	t.mu.RLock()
	for _, id := range ids {
		if r, ok := t.commands[id]; ok {
			found[id] = r
		} else {
			rest = append(rest, id)
		}
	}
	t.mu.RUnlock()
	err = l.byID(ctx, `SELECT id, first, count FROM command WHERE site = ? AND id IN (`, rest, func(id record.UUID, r run) { found[id] = r })
	return found, err
}

// ByID implements record.Log.
func (l *Log) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	found, err := l.byIDs(ctx, ids)
	if err != nil {
		return nil, fmt.Errorf("records of site %s: %w", l.site, err)
	}
	return found, nil
}

func (l *Log) byIDs(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	t, err := l.newest(ctx)
	if err != nil {
		return nil, err
	}
	at := map[int64]record.UUID{}
	var rest []record.UUID
	t.mu.RLock()
	for _, id := range ids {
		if seq, ok := t.ids[id]; ok {
			at[seq] = id
		} else {
			rest = append(rest, id)
		}
	}
	t.mu.RUnlock()
	err = l.byID(ctx, `SELECT id, seq, 1 FROM record_id WHERE site = ? AND id IN (`, rest, func(id record.UUID, r run) { at[r.first] = id })
	if err != nil {
		return nil, err
	}
	base, _, err := l.keys(ctx)
	if err != nil {
		return nil, err
	}
	stored, err := l.records(ctx, base, slices.Sorted(maps.Keys(at)))
	if err != nil {
		return nil, err
	}
	found := make(map[record.UUID]record.Stored, len(stored))
	for _, r := range stored {
		found[at[r.Seq]] = r
	}
	return found, nil
}

// byID runs a statement over a list of ids, in parts of a few fixed lengths so that their number of
// prepared forms stays small.
func (l *Log) byID(ctx context.Context, head string, ids []record.UUID, fn func(record.UUID, run)) error {
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
		rows, err := l.store.read.query(ctx, head+marks(n)+")", args...)
		if err != nil {
			return err
		}
		if err := eachID(rows, fn); err != nil {
			return err
		}
	}
	return nil
}

func eachID(rows *sql.Rows, fn func(record.UUID, run)) error {
	defer rows.Close()
	for rows.Next() {
		var id sql.RawBytes
		var r run
		if err := rows.Scan(&id, &r.first, &r.count); err != nil {
			return err
		}
		if len(id) != 16 {
			return fmt.Errorf("%w: an id of %d bytes", record.ErrTampered, len(id))
		}
		r.count = min(r.count, record.MaxCommitRecords)
		fn(record.UUID(id), r)
	}
	return rows.Err()
}
