package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"linewarden/internal/record"
)

// Append implements record.Log in one transaction.
func (l *Log) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	w := l.store.write
	if w == nil {
		return ErrReadOnly
	}
	if len(lookups) != len(c.Records) {
		return fmt.Errorf("%w: %d records with %d look-up entries", record.ErrInvalid, len(c.Records), len(lookups))
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	var site int64
	err := w.transaction(ctx, func(ctx context.Context) error {
		at, err := w.endOf(ctx, l.site)
		if err != nil {
			return err
		}
		site = at.site
		if at.head.Commit != expected {
			return fmt.Errorf("%w: the log is at commit %d, not %d", record.ErrConflict, at.head.Commit, expected)
		}
		if err := c.Check(at.head); err != nil {
			return err
		}
		if err := w.insertLookups(ctx, site, lookups); err != nil {
			return err
		}
		return w.insertLog(ctx, site, c)
	})
	if err != nil {
		delete(w.last, l.site) // whatever it was, look again
		return fmt.Errorf("append commit %d of site %s: %w", c.Number, l.site, err)
	}
	w.last[l.site] = end{site, record.Head{Commit: c.Number, Size: c.Size}}
	return nil
}

// endOf gives the end of a site's log, as it was left by the last commit, or as it stands in the file.
func (w *writer) endOf(ctx context.Context, name string) (end, error) {
	if at, ok := w.last[name]; ok {
		return at, nil
	}
	site, err := w.site(ctx, name)
	if err != nil {
		return end{}, err
	}
	head, err := w.headOf(ctx, site)
	return end{site, head}, err
}

// headOf gives number and size of the last commit; the root is left out.
func (w *writer) headOf(ctx context.Context, site int64) (record.Head, error) {
	var h record.Head
	err := w.head.QueryRowContext(ctx, site<<siteShift, (site+1)<<siteShift).Scan(&h.Commit, &h.Size)
	if errors.Is(err, sql.ErrNoRows) {
		return record.Head{}, nil
	}
	h.Commit -= site << siteShift
	return h, err
}

func (w *writer) insertLog(ctx context.Context, site int64, c record.Commit) error {
	base := site << siteShift
	args := w.args[:0]
	for i, r := range c.Records {
		args = append(args, base+c.First+int64(i), r)
	}
	w.args = args
	if err := w.records.insert(ctx, args); err != nil {
		return err
	}
	nodes := make([]byte, 0, len(c.Nodes)*32)
	for i := range c.Nodes {
		nodes = append(nodes, c.Nodes[i][:]...)
	}
	if _, err := w.insertNode.ExecContext(ctx, base+c.First, nodes); err != nil {
		return err
	}
	_, err := w.insertCommit.ExecContext(ctx, base+c.Number, c.First, c.Size, c.Root[:])
	return err
}

func (w *writer) insertLookups(ctx context.Context, site int64, lookups []record.Lookup) error {
	args := w.args[:0]
	for i := range lookups {
		args = append(args, site, lookups[i].ID[:], lookups[i].Seq)
	}
	if err := w.ids.insert(ctx, args); err != nil {
		return duplicate(err, "record")
	}
	args = args[:0]
	for i := 0; i < len(lookups); {
		n := 1
		for i+n < len(lookups) && lookups[i+n].Command == lookups[i].Command {
			n++
		}
		if !lookups[i].Command.IsZero() {
			args = append(args, site, lookups[i].Command[:], lookups[i].Seq, int64(n))
		}
		i += n
	}
	if err := w.commands.insert(ctx, args); err != nil {
		return duplicate(err, "command")
	}
	w.args = args
	return w.insertEntries(ctx, site, lookups)
}

type entry struct{ word, at, seq int64 }

// insertEntries writes the entries in the order of their table, which is
// several times faster than in the order of the records.
func (w *writer) insertEntries(ctx context.Context, site int64, lookups []record.Lookup) error {
	rows := make([]entry, 0, 5*len(lookups))
	for i := range lookups {
		k := &lookups[i]
		at := k.At.UnixMilli()
		id, err := w.word(ctx, word{site, classKind, k.Kind})
		if err != nil {
			return err
		}
		rows = append(rows, entry{id, at, k.Seq})
		for _, text := range k.About {
			if id, err = w.word(ctx, word{site, classAbout, text}); err != nil {
				return err
			}
			rows = append(rows, entry{id, at, k.Seq})
		}
	}
	slices.SortFunc(rows, func(a, b entry) int {
		if a.word != b.word {
			return int(a.word - b.word)
		}
		if a.at != b.at {
			return int(a.at - b.at)
		}
		return int(a.seq - b.seq)
	})
	args := w.args[:0]
	for _, r := range rows {
		args = append(args, r.word, r.at, r.seq)
	}
	w.args = args
	return w.entries.insert(ctx, args)
}

// duplicate turns a broken primary key into record.ErrDuplicateID.
func duplicate(err error, what string) error {
	var e *sqlite.Error
	if errors.As(err, &e) && (e.Code() == sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY || e.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE) {
		return fmt.Errorf("%w: %s id: %w", record.ErrDuplicateID, what, err)
	}
	return err
}

// AddCheckpoint implements record.Checkpoints.
func (l *Log) AddCheckpoint(ctx context.Context, size int64, note string) error {
	w := l.store.write
	if w == nil {
		return ErrReadOnly
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.transaction(ctx, func(ctx context.Context) error {
		site, err := w.site(ctx, l.site)
		if err != nil {
			return err
		}
		_, err = w.insertCheckpoint.ExecContext(ctx, site, size, note)
		return err
	})
}
