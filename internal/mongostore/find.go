package mongostore

import (
	"context"
	"fmt"
	"slices"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/record"
)

// Find implements record.Log.
func (l *Log) Find(ctx context.Context, q record.Query) ([]record.Stored, record.Cursor, error) {
	limit, err := q.PageSize()
	if err != nil {
		return nil, record.Cursor{}, err
	}
	order := 1
	if q.Descending {
		order = -1
	}
	entries, err := l.entries(ctx, criteria(q), options.Find().SetLimit(int64(limit)+1).
		SetSort(bson.D{{Key: "at", Value: order}, {Key: "seq", Value: order}}))
	if err != nil {
		return nil, record.Cursor{}, fmt.Errorf("find in site %s: %w", l.site, err)
	}
	var next record.Cursor
	if len(entries) > limit {
		entries = entries[:limit]
		next = record.CursorOf(entries[limit-1].At, entries[limit-1].Seq)
	}
	page, err := l.fetch(ctx, entries)
	if err != nil {
		return nil, record.Cursor{}, fmt.Errorf("find in site %s: %w", l.site, err)
	}
	return page, next, nil
}

// criteria turns a query, the site aside, into the server's form.
func criteria(q record.Query) bson.D {
	var c, at bson.D
	if q.About != "" {
		c = append(c, bson.E{Key: "about", Value: q.About})
	}
	if q.Kind != "" {
		c = append(c, bson.E{Key: "kind", Value: q.Kind})
	}
	low, high := "$gte", "$lt"
	if !q.From.IsZero() {
		at = append(at, bson.E{Key: low, Value: ceilMilli(q.From)})
	}
	if !q.To.IsZero() {
		at = append(at, bson.E{Key: high, Value: ceilMilli(q.To)})
	}
	if len(at) > 0 {
		c = append(c, bson.E{Key: "at", Value: at})
	}
	if q.After.IsZero() {
		return c
	}
	beyond := "$gt"
	if q.Descending {
		beyond = "$lt"
	}
	ms := q.After.At.UnixMilli()
	return append(c, bson.E{Key: "$or", Value: bson.A{
		bson.D{{Key: "at", Value: bson.D{{Key: beyond, Value: ms}}}},
		bson.D{{Key: "at", Value: ms}, {Key: "seq", Value: bson.D{{Key: beyond, Value: q.After.Seq}}}},
	}})
}

// ceilMilli is the first whole millisecond that is not before t.
func ceilMilli(t time.Time) int64 {
	ms := t.UnixMilli()
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		ms++
	}
	return ms
}

// entries gives look-up entries of the site, after catching up.
func (l *Log) entries(ctx context.Context, filter bson.D, o *options.FindOptionsBuilder) ([]lookupDoc, error) {
	if err := l.index.ensure(ctx); err != nil {
		return nil, err
	}
	found, err := l.store.lookups().Find(ctx, append(bson.D{{Key: "site", Value: l.site}}, filter...), o)
	if err != nil {
		return nil, err
	}
	var docs []lookupDoc
	return docs, found.All(ctx, &docs)
}

// fetchCommits is the number of commits that are read at once for the records of a page.
const fetchCommits = 200

// fetch reads the records of entries, in their order.
func (l *Log) fetch(ctx context.Context, entries []lookupDoc) ([]record.Stored, error) {
	where := map[int64][]int{} // commit to places in the page
	var commits []int64
	for i, e := range entries {
		if where[e.Commit] == nil {
			commits = append(commits, e.Commit)
		}
		where[e.Commit] = append(where[e.Commit], i)
	}
	page := make([]record.Stored, len(entries))
	for part := range slices.Chunk(commits, fetchCommits) {
		found, err := l.store.commits().Find(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "commit", Value: bson.D{{Key: "$in", Value: part}}}},
			options.Find().SetProjection(bson.D{{Key: "commit", Value: 1}, {Key: "first", Value: 1}, {Key: "records", Value: 1}}))
		if err != nil {
			return nil, err
		}
		var docs []commitDoc
		if err := found.All(ctx, &docs); err != nil {
			return nil, err
		}
		for _, d := range docs {
			for _, i := range where[d.Commit] {
				at := entries[i].Seq - d.First
				if at < 0 || at >= int64(len(d.Records)) {
					return nil, fmt.Errorf("%w: record %d is not in commit %d, as its look-up entry says", record.ErrTampered, entries[i].Seq, d.Commit)
				}
				page[i] = record.Stored{Seq: entries[i].Seq, Bytes: d.Records[at]}
			}
		}
	}
	for i := range page {
		if page[i].Seq == 0 {
			return nil, fmt.Errorf("%w: there is a look-up entry of record %d, and no commit %d", record.ErrTampered, entries[i].Seq, entries[i].Commit)
		}
	}
	return page, nil
}

// idsAtOnce is the number of ids that one query asks for.
const idsAtOnce = 500

// byIDs gives the entries with one of the ids in a member, in order of seq, and their records.
func (l *Log) byIDs(ctx context.Context, member string, ids []record.UUID, fn func(e *lookupDoc, s record.Stored)) error {
	for part := range slices.Chunk(ids, idsAtOnce) {
		wanted := make(bson.A, len(part))
		for i, id := range part {
			wanted[i] = binaryID(id)
		}
		entries, err := l.entries(ctx, bson.D{{Key: member, Value: bson.D{{Key: "$in", Value: wanted}}}}, options.Find())
		if err != nil {
			return err
		}
		slices.SortFunc(entries, func(a, b lookupDoc) int { return int(a.Seq - b.Seq) })
		records, err := l.fetch(ctx, entries)
		if err != nil {
			return err
		}
		for i := range entries {
			fn(&entries[i], records[i])
		}
	}
	return nil
}

// uuidOf reads an id of an entry.
func uuidOf(b bson.Binary) (record.UUID, error) {
	if len(b.Data) != len(record.UUID{}) {
		return record.UUID{}, fmt.Errorf("%w: an id of %d bytes", record.ErrTampered, len(b.Data))
	}
	return record.UUID(b.Data), nil
}

// Commands implements record.Log.
func (l *Log) Commands(ctx context.Context, ids []record.UUID) (map[record.UUID][]record.Stored, error) {
	found := map[record.UUID][]record.Stored{}
	once := slices.Clone(ids)
	slices.SortFunc(once, func(a, b record.UUID) int { return slices.Compare(a[:], b[:]) })
	var bad error
	err := l.byIDs(ctx, "command", slices.Compact(once), func(e *lookupDoc, s record.Stored) {
		id, err := uuidOf(e.Command)
		if err != nil {
			bad = err
		}
		found[id] = append(found[id], s)
	})
	if err == nil {
		err = bad
	}
	if err != nil {
		return nil, fmt.Errorf("commands of site %s: %w", l.site, err)
	}
	return found, nil
}

// ByID implements record.Log.
func (l *Log) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	found := map[record.UUID]record.Stored{}
	var bad error
	err := l.byIDs(ctx, "id", ids, func(e *lookupDoc, s record.Stored) {
		id, err := uuidOf(e.ID)
		if err != nil {
			bad = err
		}
		found[id] = s
	})
	if err == nil {
		err = bad
	}
	if err != nil {
		return nil, fmt.Errorf("records of site %s: %w", l.site, err)
	}
	return found, nil
}

// LookupEntries implements record.LookupLister.
func (l *Log) LookupEntries(ctx context.Context, fn func(record.LookupEntry) error) error {
	if err := l.index.ensure(ctx); err != nil {
		return err
	}
	found, err := l.store.lookups().Find(ctx, bson.D{{Key: "site", Value: l.site},
		{Key: "_id", Value: bson.D{{Key: "$gte", Value: l.site + "/"}, {Key: "$lt", Value: l.site + "/:"}}}}) // the colon follows the digits
	if err != nil {
		return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d lookupDoc
		if err := found.Decode(&d); err != nil {
			return fmt.Errorf("look-up entries of site %s: %w", l.site, err)
		}
		if err := d.each(fn); err != nil {
			return err
		}
	}
	return found.Err()
}

// each calls fn with what one record is found by.
func (d *lookupDoc) each(fn func(record.LookupEntry) error) error {
	id, err := uuidOf(d.ID)
	if err != nil {
		return err
	}
	all := []record.LookupEntry{{Table: record.LookupByID, Key: id.String(), Seq: d.Seq}, {Table: record.LookupByKind, Key: d.Kind, AtMS: d.At, Seq: d.Seq}}
	if len(d.Command.Data) > 0 {
		command, err := uuidOf(d.Command)
		if err != nil {
			return err
		}
		all = append(all, record.LookupEntry{Table: record.LookupByCommand, Key: command.String(), Seq: d.Seq})
	}
	for _, about := range d.About {
		all = append(all, record.LookupEntry{Table: record.LookupByAbout, Key: about, AtMS: d.At, Seq: d.Seq})
	}
	for _, e := range all {
		if err := fn(e); err != nil {
			return err
		}
	}
	return nil
}
