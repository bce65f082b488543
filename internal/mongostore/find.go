package mongostore

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/mongostore/runs"
	"linewarden/internal/record"
)

// Find implements record.Log.
func (l *Log) Find(ctx context.Context, q record.Query) ([]record.Stored, record.Cursor, error) {
	limit, err := q.PageSize()
	if err != nil {
		return nil, record.Cursor{}, err
	}
	entries, err := l.search(ctx, newSearch(q, limit+1))
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

// search is what a query asks of the entries: the first ones under a key, and of a kind if one is named, between two
// moments of which the second is left out.
type search struct {
	key, kind  string
	low, high  runs.Moment
	descending bool
	limit      int
	found      []runs.Entry // in order, no more than limit
}

func newSearch(q record.Query, limit int) *search {
	s := &search{key: runs.KindKey(q.Kind), low: runs.Moment{At: math.MinInt64}, high: runs.Moment{At: math.MaxInt64}, descending: q.Descending, limit: limit}
	if q.About != "" {
		s.key, s.kind = runs.AboutKey(q.About), q.Kind
	}
	if !q.From.IsZero() {
		s.low = runs.Moment{At: ceilMilli(q.From)}
	}
	if !q.To.IsZero() {
		s.high = runs.Moment{At: ceilMilli(q.To)}
	}
	if q.After.IsZero() {
		return s
	}
	after := runs.Moment{At: q.After.At.UnixMilli(), Seq: q.After.Seq}
	if q.Descending {
		if after.Compare(s.high) < 0 {
			s.high = after
		}
	} else if after.Seq++; after.Compare(s.low) > 0 {
		s.low = after
	}
	return s
}

// ceilMilli is the first whole millisecond that is not before t.
func ceilMilli(t time.Time) int64 {
	ms := t.UnixMilli()
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		ms++
	}
	return ms
}

// compare orders moments as the search wants them.
func (s *search) compare(a, b runs.Entry) int {
	if s.descending {
		a, b = b, a
	}
	return a.Moment.Compare(b.Moment)
}

// take adds up to limit of n entries that are in order of their moments.
func (s *search) take(n int, at func(i int) (runs.Entry, string, error)) error {
	var bad error
	place := func(m runs.Moment) int {
		return sort.Search(n, func(i int) bool {
			e, _, err := at(i)
			bad = cmp.Or(bad, err)
			return e.Compare(m) >= 0
		})
	}
	from, to := place(s.low), place(s.high)
	taken := 0
	for n := range max(0, to-from) {
		i := from + n
		if s.descending {
			i = to - 1 - n
		}
		e, kind, err := at(i)
		if bad = cmp.Or(bad, err); bad != nil {
			return bad
		}
		if s.kind != "" && kind != s.kind {
			continue
		}
		s.found = append(s.found, e)
		if taken++; taken == s.limit {
			break
		}
	}
	slices.SortFunc(s.found, s.compare)
	s.found = s.found[:min(len(s.found), s.limit)]
	return bad
}

// enough reports that nothing in a document can come before what is found.
func (s *search) enough(d *runs.Doc) bool {
	if len(s.found) < s.limit {
		return false
	}
	last := s.found[len(s.found)-1].At
	return s.descending && d.Last < last || !s.descending && d.First > last
}

// searchDocs is the number of documents of entries that the server sends at once.
const searchDocs = 8

// search gives the entries found, after catching up: first those in memory, then those of the runs written, in the
// order of their first or last moment, as long as one may hold something that comes before what is found.
func (l *Log) search(ctx context.Context, s *search) ([]runs.Entry, error) {
	written, err := l.index.search(ctx, s)
	if err != nil || written == 0 {
		return s.found, err
	}
	order := bson.D{{Key: "first", Value: 1}}
	if s.descending {
		order = bson.D{{Key: "last", Value: -1}}
	}
	found, err := l.store.lookups().Find(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "key", Value: s.key},
		{Key: "last", Value: bson.D{{Key: "$gte", Value: s.low.At}}}, {Key: "first", Value: bson.D{{Key: "$lte", Value: s.high.At}}},
		{Key: "run", Value: bson.D{{Key: "$lt", Value: written}}}}, options.Find().SetSort(order).SetBatchSize(searchDocs))
	if err != nil {
		return nil, err
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d runs.Doc
		if err := found.Decode(&d); err != nil {
			return nil, err
		}
		if s.enough(&d) {
			break
		}
		n, err := d.Len()
		if err == nil {
			err = s.take(n, func(i int) (runs.Entry, string, error) { return d.At(i, d.Run*l.index.size) })
		}
		if err != nil {
			return nil, err
		}
	}
	return s.found, found.Err()
}

// search looks at what is in memory and gives the number of runs that are written, at the same moment.
func (x *index) search(ctx context.Context, s *search) (written int64, err error) {
	if err := x.ensure(ctx); err != nil {
		return 0, err
	}
	x.mu.RLock()
	defer x.mu.RUnlock()
	for _, r := range x.runs {
		list := r.Moments(s.key)
		err := s.take(len(list), func(i int) (runs.Entry, string, error) {
			e, kind := r.Entry(list[i])
			return e, kind, nil
		})
		if err != nil {
			return 0, err
		}
	}
	return x.written, nil
}

// fetchCommits is the number of commits that are read at once for the records of a page.
const fetchCommits = 200

// fetch reads the records of entries, in their order.
func (l *Log) fetch(ctx context.Context, entries []runs.Entry) ([]record.Stored, error) {
	where := map[int64][]int{} // first record of a commit to places in the page
	for i, e := range entries {
		where[e.First] = append(where[e.First], i)
	}
	page := make([]record.Stored, len(entries))
	err := l.eachCommit(ctx, where, func(d *commitDoc, places []int) error {
		for _, i := range places {
			at := entries[i].Seq - d.First
			if at < 0 || at >= int64(len(d.Records)) {
				return fmt.Errorf("%w: record %d is not in commit %d, as its look-up entry says", record.ErrTampered, entries[i].Seq, d.Commit)
			}
			page[i] = record.Stored{Seq: entries[i].Seq, Bytes: d.Records[at]}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i := range page {
		if page[i].Seq == 0 {
			return nil, fmt.Errorf("%w: there is a look-up entry of record %d, and no commit that begins with record %d", record.ErrTampered, entries[i].Seq, entries[i].First)
		}
	}
	return page, nil
}

// eachCommit reads the commits that begin with some records.
func (l *Log) eachCommit(ctx context.Context, firsts map[int64][]int, fn func(d *commitDoc, places []int) error) error {
	ids := make([]string, 0, len(firsts))
	for first := range firsts {
		ids = append(ids, key(l.site, first))
	}
	slices.Sort(ids)
	for part := range slices.Chunk(ids, fetchCommits) {
		var wanted any = part[0]
		if len(part) > 1 {
			wanted = bson.D{{Key: "$in", Value: part}}
		}
		found, err := l.store.commits().Find(ctx, bson.D{{Key: "_id", Value: wanted}},
			options.Find().SetProjection(bson.D{{Key: "commit", Value: 1}, {Key: "first", Value: 1}, {Key: "records", Value: 1}}))
		if err != nil {
			return err
		}
		var docs []commitDoc
		if err := found.All(ctx, &docs); err != nil {
			return err
		}
		for i := range docs {
			if err := fn(&docs[i], firsts[docs[i].First]); err != nil {
				return err
			}
		}
	}
	return nil
}
