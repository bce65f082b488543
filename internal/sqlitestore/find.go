package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"linewarden/internal/record"
)

// Find implements record.Log.
func (l *Log) Find(ctx context.Context, q record.Query) ([]record.Stored, record.Cursor, error) {
	limit, err := q.PageSize()
	if err != nil {
		return nil, record.Cursor{}, err
	}
	page, at, err := l.find(ctx, q, limit+1)
	if err != nil {
		return nil, record.Cursor{}, fmt.Errorf("find in site %s: %w", l.site, err)
	}
	if len(page) <= limit {
		return page, record.Cursor{}, nil
	}
	return page[:limit], record.CursorOf(at[limit-1], page[limit-1].Seq), nil
}

func (l *Log) find(ctx context.Context, q record.Query, limit int) ([]record.Stored, []int64, error) {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return nil, nil, err
	}
	key, kind := term{classAbout, q.About}, q.Kind
	if q.About == "" {
		key, kind = term{classKind, q.Kind}, ""
	}
	t, err := l.newest(ctx)
	if err != nil {
		return nil, nil, err
	}
	low, high := bounds(q)
	found := t.between(key, kind, low, high, q.Descending, limit)
	older, err := l.listed(ctx, base>>siteShift, key, kind, low, high, q.Descending, limit)
	if err != nil {
		return nil, nil, err
	}
	found = append(found, older...)
	slices.SortFunc(found, func(a, b moment) int {
		if q.Descending {
			a, b = b, a
		}
		return a.compare(b)
	})
	found = slices.Compact(found) // what was written meanwhile stands in both
	found = found[:min(limit, len(found))]
	seqs, times := make([]int64, len(found)), make([]int64, len(found))
	for i, m := range found {
		seqs[i], times[i] = m.seq, m.at
	}
	page, err := l.records(ctx, base, seqs)
	if err == nil && len(page) != len(seqs) {
		err = fmt.Errorf("%w: a look-up entry of a record that is not there", record.ErrTampered)
	}
	return page, times, err
}

// listed gives what the table holds of a key, and of a kind if one is named, between two bounds that are
// left out.
func (l *Log) listed(ctx context.Context, site int64, key term, kind string, low, high moment, descending bool, limit int) ([]moment, error) {
	number, err := l.word(ctx, site, key)
	if err != nil || number == 0 {
		return nil, err
	}
	statement := `SELECT e.at, e.seq FROM entry e WHERE e.word = ? AND (e.at, e.seq) > (?, ?) AND (e.at, e.seq) < (?, ?)`
	args := []any{number, low.at, low.seq, high.at, high.seq}
	if kind != "" {
		of, err := l.word(ctx, site, term{classKind, kind})
		if err != nil || of == 0 {
			return nil, err
		}
		statement += ` AND EXISTS (SELECT 1 FROM entry k WHERE k.word = ? AND k.at = e.at AND k.seq = e.seq)`
		args = append(args, of)
	}
	if descending {
		statement += ` ORDER BY e.at DESC, e.seq DESC LIMIT ?`
	} else {
		statement += ` ORDER BY e.at, e.seq LIMIT ?`
	}
	rows, err := l.store.read.query(ctx, statement, append(args, limit)...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []moment
	for rows.Next() {
		var m moment
		if err := rows.Scan(&m.at, &m.seq); err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, rows.Err()
}

// bounds gives the open bounds of (at, seq); seq is never 0.
func bounds(q record.Query) (low, high moment) {
	low, high = moment{math.MinInt64, 0}, moment{math.MaxInt64, 0}
	if !q.From.IsZero() {
		low.at = ceilMilli(q.From)
	}
	if !q.To.IsZero() {
		high.at = ceilMilli(q.To)
	}
	if q.After.IsZero() {
		return low, high
	}
	after := moment{q.After.At.UnixMilli(), q.After.Seq}
	if q.Descending && after.compare(high) < 0 {
		high = after
	}
	if !q.Descending && after.compare(low) > 0 {
		low = after
	}
	return low, high
}

// word gives the number of a kind or key, 0 where no record has it.
func (l *Log) word(ctx context.Context, site int64, key term) (int64, error) {
	var id int64
	err := l.store.read.row(ctx, `SELECT id FROM word WHERE site = ? AND class = ? AND text = ?`, site, key.class, key.text).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return id, err
}

// LookupEntries implements record.LookupLister: first what the tail stands for, then what the tables
// hold beside it.
func (l *Log) LookupEntries(ctx context.Context, fn func(record.LookupEntry) error) error {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	site := base >> siteShift
	t, err := l.newest(ctx)
	if err != nil {
		return err
	}
	newest := t.list()
	for e := range newest {
		if err := fn(e); err != nil {
			return err
		}
	}
	beside := func(e record.LookupEntry) error {
		if newest[e] {
			return nil // written after the tail was looked at
		}
		return fn(e)
	}
	for _, part := range []struct {
		table record.LookupTable
		text  string
	}{
		{record.LookupByID, `SELECT id, 0, seq, 1 FROM record_id WHERE site = ?`},
		{record.LookupByCommand, `SELECT id, 0, first, count FROM command WHERE site = ?`},
		{record.LookupByKind, `SELECT w.text, e.at, e.seq, 1 FROM word w CROSS JOIN entry e ON e.word = w.id WHERE w.site = ? AND w.class = 0`},
		{record.LookupByAbout, `SELECT w.text, e.at, e.seq, 1 FROM word w CROSS JOIN entry e ON e.word = w.id WHERE w.site = ? AND w.class = 1`},
	} {
		if err := l.listTable(ctx, part.table, part.text, site, beside); err != nil {
			return fmt.Errorf("look-up table %s of site %s: %w", part.table, l.site, err)
		}
	}
	return nil
}

// list gives the entries that the tail stands for.
func (t *tail) list() map[record.LookupEntry]bool {
	t.mu.RLock()
	defer t.mu.RUnlock()
	all := map[record.LookupEntry]bool{}
	for id, seq := range t.ids {
		all[record.LookupEntry{Table: record.LookupByID, Key: id.String(), Seq: seq}] = true
	}
	for id, r := range t.commands {
		for n := range r.count {
			all[record.LookupEntry{Table: record.LookupByCommand, Key: id.String(), Seq: r.first + n}] = true
		}
	}
	for key, list := range t.entries {
		table := record.LookupByAbout
		if key.class == classKind {
			table = record.LookupByKind
		}
		for _, m := range list {
			all[record.LookupEntry{Table: table, Key: key.text, AtMS: m.at, Seq: m.seq}] = true
		}
	}
	return all
}

func (l *Log) listTable(ctx context.Context, table record.LookupTable, text string, site int64, fn func(record.LookupEntry) error) error {
	rows, err := l.store.read.query(ctx, text, site)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var key sql.RawBytes
		var count int64
		e := record.LookupEntry{Table: table}
		if err := rows.Scan(&key, &e.AtMS, &e.Seq, &count); err != nil {
			return err
		}
		if table == record.LookupByID || table == record.LookupByCommand {
			if len(key) != 16 {
				return fmt.Errorf("%w: an id of %d bytes", record.ErrTampered, len(key))
			}
			e.Key = record.UUID(key).String()
		} else {
			e.Key = string(key)
		}
		for range min(count, record.MaxCommitRecords+1) {
			if err := fn(e); err != nil {
				return err
			}
			e.Seq++
		}
	}
	return rows.Err()
}

// EachCheckpoint implements record.Checkpoints.
func (l *Log) EachCheckpoint(ctx context.Context, after int64, fn func(size int64, note string) error) error {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	rows, err := l.store.read.query(ctx, `SELECT size, note FROM checkpoint WHERE site = ? AND size > ? ORDER BY size, note`, base>>siteShift, after)
	if err != nil {
		return fmt.Errorf("checkpoints of site %s: %w", l.site, err)
	}
	defer rows.Close()
	for rows.Next() {
		var size int64
		var note string
		if err := rows.Scan(&size, &note); err != nil {
			return fmt.Errorf("checkpoints of site %s: %w", l.site, err)
		}
		if err := fn(size, note); err != nil {
			return err
		}
	}
	return rows.Err()
}

// LastCheckpoint implements record.Checkpoints.
func (l *Log) LastCheckpoint(ctx context.Context) (string, error) {
	base, _, err := l.keys(ctx)
	if err != nil {
		return "", err
	}
	var note string
	err = l.store.read.row(ctx, `SELECT note FROM checkpoint WHERE site = ? ORDER BY size DESC LIMIT 1`, base>>siteShift).Scan(&note)
	if errors.Is(err, sql.ErrNoRows) {
		return "", fmt.Errorf("checkpoint of site %s: %w", l.site, record.ErrNotFound)
	}
	return note, err
}

// ceilMilli is the first whole millisecond that is not before t.
func ceilMilli(t time.Time) int64 {
	ms := t.UnixMilli()
	if t.Nanosecond()%1e6 != 0 {
		ms++
	}
	return ms
}
