package mongostore

import (
	"context"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/mongostore/runs"
	"linewarden/internal/record"
)

// LookupEntries implements record.LookupLister.
func (l *Log) LookupEntries(ctx context.Context, fn func(record.LookupEntry) error) error {
	if err := l.index.ensure(ctx); err != nil {
		return err
	}
	written, err := l.index.entries(fn)
	if err != nil {
		return err
	}
	if err := l.idEntries(ctx, fn); err != nil {
		return err
	}
	found, err := l.store.lookups().Find(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "key", Value: bson.D{{Key: "$gt", Value: ""}}},
		{Key: "run", Value: bson.D{{Key: "$lt", Value: written}}}}, options.Find().SetBatchSize(100))
	if err != nil {
		return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d runs.Doc
		if err := found.Decode(&d); err != nil {
			return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
		}
		n, err := d.Len()
		if err != nil {
			return err
		}
		for i := range n {
			e, _, err := d.At(i, d.Run*l.index.size)
			if err == nil {
				err = fn(named(d.Key, e.Moment))
			}
			if err != nil {
				return err
			}
		}
	}
	return found.Err()
}

// named gives an entry of a search by its key.
func named(key string, m runs.Moment) record.LookupEntry {
	e := record.LookupEntry{Table: record.LookupByKind, AtMS: m.At, Seq: m.Seq}
	if len(key) > len(runs.KindKey("")) && key[:len(runs.KindKey(""))] == runs.KindKey("") {
		e.Key = key[len(runs.KindKey("")):]
		return e
	}
	e.Table, e.Key = record.LookupByAbout, key[min(len(key), len(runs.AboutKey(""))):]
	return e
}

// entries gives the entries of searches that are in memory, and how many runs are written.
func (x *index) entries(fn func(record.LookupEntry) error) (written int64, err error) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	for _, r := range x.runs {
		if err := r.Each(func(key string, m runs.Moment) error { return fn(named(key, m)) }); err != nil {
			return 0, err
		}
	}
	return x.written, nil
}

// idEntries gives the ids and commands that the commits name.
func (l *Log) idEntries(ctx context.Context, fn func(record.LookupEntry) error) error {
	found, err := l.store.commits().Find(ctx, bson.D{{Key: "site", Value: l.site}},
		options.Find().SetProjection(bson.D{{Key: "first", Value: 1}, {Key: "names", Value: 1}, {Key: "records", Value: 1}}))
	if err != nil {
		return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d commitDoc
		if err := found.Decode(&d); err != nil {
			return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
		}
		if err := d.named(fn); err != nil {
			return err
		}
	}
	return found.Err()
}

// named calls fn with what the commit names: the ids of its records and their commands, and what is no such id as
// one of the first record.
func (d *commitDoc) named(fn func(record.LookupEntry) error) error {
	lookups, err := lookupsOf(d)
	if err != nil {
		return err
	}
	names := map[record.UUID]bool{} // and whether a record has it
	for _, b := range d.Names {
		id, err := uuidOf(b)
		if err != nil {
			return err
		}
		names[id] = false
	}
	for i := range lookups {
		k := &lookups[i]
		for _, e := range [...]struct {
			id    record.UUID
			table record.LookupTable
		}{{k.ID, record.LookupByID}, {k.Command, record.LookupByCommand}} {
			if _, is := names[e.id]; !is || e.id.IsZero() {
				continue
			}
			names[e.id] = true
			if err := fn(record.LookupEntry{Table: e.table, Key: e.id.String(), Seq: k.Seq}); err != nil {
				return err
			}
		}
	}
	for id, known := range names {
		if known {
			continue
		}
		if err := fn(record.LookupEntry{Table: record.LookupByID, Key: id.String(), Seq: d.First}); err != nil {
			return err
		}
	}
	return nil
}
