package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
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
	site := base >> siteShift
	class, text := int64(classAbout), q.About
	if q.About == "" {
		class, text = classKind, q.Kind
	}
	key, err := l.word(ctx, site, class, text)
	if err != nil || key == 0 {
		return nil, nil, err
	}
	statement := `SELECT e.at, r.key, r.bytes FROM entry e CROSS JOIN record r ON r.key = ? + e.seq
		WHERE e.word = ? AND (e.at, e.seq) > (?, ?) AND (e.at, e.seq) < (?, ?)`
	args := append([]any{base, key}, bounds(q)...)
	if q.About != "" && q.Kind != "" {
		kind, err := l.word(ctx, site, classKind, q.Kind)
		if err != nil || kind == 0 {
			return nil, nil, err
		}
		statement += ` AND EXISTS (SELECT 1 FROM entry k WHERE k.word = ? AND k.at = e.at AND k.seq = e.seq)`
		args = append(args, kind)
	}
	if q.Descending {
		statement += ` ORDER BY e.at DESC, e.seq DESC LIMIT ?`
	} else {
		statement += ` ORDER BY e.at, e.seq LIMIT ?`
	}
	rows, err := l.store.read.QueryContext(ctx, statement, append(args, limit)...)
	if err != nil {
		return nil, nil, err
	}
	return readPage(rows, base)
}

// bounds gives the open bounds of (at, seq); seq is never 0.
func bounds(q record.Query) []any {
	low, high := [2]int64{math.MinInt64, 0}, [2]int64{math.MaxInt64, 0}
	if !q.From.IsZero() {
		low[0] = ceilMilli(q.From)
	}
	if !q.To.IsZero() {
		high[0] = ceilMilli(q.To)
	}
	if !q.After.IsZero() {
		after := [2]int64{q.After.At.UnixMilli(), q.After.Seq}
		if q.Descending && (after[0] < high[0] || after[0] == high[0] && after[1] < high[1]) {
			high = after
		}
		if !q.Descending && (after[0] > low[0] || after[0] == low[0] && after[1] > low[1]) {
			low = after
		}
	}
	return []any{low[0], low[1], high[0], high[1]}
}

func readPage(rows *sql.Rows, base int64) ([]record.Stored, []int64, error) {
	defer rows.Close()
	var page []record.Stored
	var times []int64
	for rows.Next() {
		var at int64
		var r record.Stored
		if err := rows.Scan(&at, &r.Seq, &r.Bytes); err != nil {
			return nil, nil, err
		}
		r.Seq -= base
		page, times = append(page, r), append(times, at)
	}
	return page, times, rows.Err()
}

// word gives the number of a kind or key, 0 where no record has it.
func (l *Log) word(ctx context.Context, site, class int64, text string) (int64, error) {
	var id int64
	err := l.store.read.QueryRowContext(ctx, `SELECT id FROM word WHERE site = ? AND class = ? AND text = ?`, site, class, text).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return id, err
}

// LookupEntries implements record.LookupLister.
func (l *Log) LookupEntries(ctx context.Context, fn func(record.LookupEntry) error) error {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return err
	}
	site := base >> siteShift
	for _, part := range []struct {
		table record.LookupTable
		text  string
	}{
		{record.LookupByID, `SELECT id, 0, seq, 1 FROM record_id WHERE site = ?`},
		{record.LookupByCommand, `SELECT id, 0, first, count FROM command WHERE site = ?`},
		{record.LookupByKind, `SELECT w.text, e.at, e.seq, 1 FROM word w CROSS JOIN entry e ON e.word = w.id WHERE w.site = ? AND w.class = 0`},
		{record.LookupByAbout, `SELECT w.text, e.at, e.seq, 1 FROM word w CROSS JOIN entry e ON e.word = w.id WHERE w.site = ? AND w.class = 1`},
	} {
		if err := l.listTable(ctx, part.table, part.text, site, fn); err != nil {
			return fmt.Errorf("look-up table %s of site %s: %w", part.table, l.site, err)
		}
	}
	return nil
}

func (l *Log) listTable(ctx context.Context, table record.LookupTable, text string, site int64, fn func(record.LookupEntry) error) error {
	rows, err := l.store.read.QueryContext(ctx, text, site)
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
	rows, err := l.store.read.QueryContext(ctx, `SELECT size, note FROM checkpoint WHERE site = ? AND size > ? ORDER BY size, note`, base>>siteShift, after)
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
	err = l.store.read.QueryRowContext(ctx, `SELECT note FROM checkpoint WHERE site = ? ORDER BY size DESC LIMIT 1`, base>>siteShift).Scan(&note)
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
