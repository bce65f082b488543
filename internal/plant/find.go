package plant

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"time"

	"linewarden/haccp"
)

// Finder finds records; *Site is one.
type Finder interface {
	// Find gives a page of records.
	Find(ctx context.Context, q Query) ([]*haccp.Event, Cursor, error)
}

// Each gives every event of a query, page after page, up to the first error.
func Each(ctx context.Context, f Finder, q Query) iter.Seq2[*haccp.Event, error] {
	return func(yield func(*haccp.Event, error) bool) {
		for {
			events, next, err := f.Find(ctx, q)
			if err != nil {
				yield(nil, err)
				return
			}
			for _, e := range events {
				if !yield(e, nil) {
					return
				}
			}
			if q.After = next; next == "" {
				return
			}
		}
	}
}

// All gives the events of a query at once.
func All(ctx context.Context, f Finder, q Query) ([]*haccp.Event, error) {
	var out []*haccp.Event
	for e, err := range Each(ctx, f, q) {
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

// OfKinds gives the events of some kinds, from <= at < to, in the order of the log.
func OfKinds(ctx context.Context, f Finder, from, to time.Time, kinds ...string) ([]*haccp.Event, error) {
	var out []*haccp.Event
	for _, k := range kinds {
		events, err := All(ctx, f, Query{Kind: k, From: from, To: to})
		if err != nil {
			return nil, err
		}
		out = append(out, events...)
	}
	return BySeq(out), nil
}

// BySeq sorts events into the order of the log, and gives them.
func BySeq(events []*haccp.Event) []*haccp.Event {
	slices.SortFunc(events, func(a, b *haccp.Event) int { return cmp.Compare(a.Seq, b.Seq) })
	return events
}
