package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/tlog"

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
	records := c.Text()
	if strings.Count(records, "\n") != max(0, len(c.Records)-1) {
		return fmt.Errorf("%w: a record with a line feed", record.ErrInvalid)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	t, err := l.newest(ctx)
	if err != nil {
		return fmt.Errorf("append commit %d of site %s: %w", c.Number, l.site, err)
	}
	var at end
	full := len(t.kinds) >= l.store.run
	err = w.transaction(ctx, func(ctx context.Context) error {
		if at, err = w.endOf(ctx, l.site); err != nil {
			return err
		}
		if at.head.Commit != expected {
			return fmt.Errorf("%w: the log is at commit %d, not %d", record.ErrConflict, at.head.Commit, expected)
		}
		if err := c.Check(at.head); err != nil {
			return err
		}
		if err := w.claim(ctx, at.site, t, lookups); err != nil {
			return err
		}
		if full {
			if err := w.write(ctx, at.site, t); err != nil {
				return err
			}
		}
		return w.insertCommit(ctx, at.site, &c, records)
	})
	if err != nil {
		delete(w.last, l.site) // whatever it was, look again
		l.forgetTail()
		return fmt.Errorf("append commit %d of site %s: %w", c.Number, l.site, err)
	}
	t.add(lookups, full)
	w.last[l.site] = end{at.site, record.Head{Commit: c.Number, Size: c.Size}}
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

func (w *writer) insertCommit(ctx context.Context, site int64, c *record.Commit, records string) error {
	nodes := make([]byte, 0, len(c.Nodes)*tlog.HashSize)
	for i := range c.Nodes {
		nodes = append(nodes, c.Nodes[i][:]...)
	}
	base := site << siteShift
	if _, err := w.insertPage.ExecContext(ctx, base+c.First, nodes, records); err != nil {
		return err
	}
	_, err := w.insertRoot.ExecContext(ctx, base+c.Number, c.First, c.Size, c.Root[:])
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
