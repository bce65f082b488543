package mongostore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/mongostore/runs"
	"linewarden/internal/record"
)

const (
	foreignDelay = 2 * time.Second // in which the instance that ended a run writes it itself
	writeTimeout = 30 * time.Second
	writeDocs    = 1000 // documents in one insert
	mostRuns     = 16   // runs that may wait to be written; beyond them they are read from the commits again
)

// index knows what the records of one site are found by. A commit names the ids of its records and commands itself. What
// searches need is kept in memory for the newest records, and written once they fill a run: one document for each
// key and run, so that a record costs a few bytes and not a document. What is in memory is derived: what a
// process leaves unwritten the next one reads from the commits, and so are the commits of other instances read
// before a query is answered.
type index struct {
	log  *Log
	size int64 // records in a run

	work sync.Mutex // one at a time reads commits, or writes runs

	mu      sync.RWMutex
	known   int64       // newest record known of
	taken   int64       // newest record that is in memory, or in a run that is written
	written int64       // runs that are written
	runs    []*runs.Run // those after them; all but the last are whole
	timer   *time.Timer
	stopped bool

	ids     runs.Filter
	loading bool
}

func newIndex(l *Log) *index { return &index{log: l, size: l.store.run} }

// begin reads the head, and how many runs are written.
func (x *index) begin(ctx context.Context) error {
	head, err := x.log.Head(ctx)
	if err != nil {
		return err
	}
	end, err := x.ended(ctx)
	if err != nil {
		return err
	}
	x.written = min(end, head.Size/x.size)
	x.taken = x.written * x.size
	if x.written == 0 {
		x.ids.SetComplete()
	}
	return nil
}

// ended gives the number of runs that are written.
func (x *index) ended(ctx context.Context) (int64, error) {
	var end runs.End
	err := x.log.store.lookups().FindOne(ctx, bson.D{{Key: "site", Value: x.log.site}, {Key: "key", Value: ""}},
		options.FindOne().SetSort(bson.D{{Key: "last", Value: -1}}).SetProjection(bson.D{{Key: "run", Value: 1}})).Decode(&end)
	if isMissing(err) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("look-up entries of site %s: %w", x.log.site, err)
	}
	return end.Run + 1, nil
}

// know notes that there is a record of this seq.
func (x *index) know(seq int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.known = max(x.known, seq)
}

// firstOf gives the first record of the commit that holds a record, or 0 where memory does not say.
func (x *index) firstOf(seq int64) int64 {
	x.mu.RLock()
	defer x.mu.RUnlock()
	for _, r := range x.runs {
		if first := r.First(seq); first > 0 {
			return first
		}
	}
	return 0
}

// add takes the entries of a commit that was made here.
func (x *index) add(c *record.Commit, lookups []record.Lookup) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if c.First == x.taken+1 { // else somebody read it from the log before, or will
		x.put(c.First, lookups, false)
	}
	x.bound()
}

// read takes the entries of a commit that was read, where it is the next one: who follows a log has read each commit
// before it writes its own, and is not to read it twice.
func (x *index) read(lookups []record.Lookup) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if len(lookups) > 0 && lookups[0].Seq == x.taken+1 {
		x.put(lookups[0].Seq, lookups, true)
	}
	x.bound()
}

// bound forgets what waits in memory where it is too much. The caller holds mu.
func (x *index) bound() {
	if len(x.runs) > mostRuns {
		x.runs, x.taken = nil, x.written*x.size
	}
}

// put takes the entries of the next commit. The caller holds mu.
func (x *index) put(first int64, lookups []record.Lookup, foreign bool) {
	for i := range lookups {
		k := &lookups[i]
		number := (k.Seq - 1) / x.size
		if n := len(x.runs); n == 0 || x.runs[n-1].Number != number {
			x.runs = append(x.runs, runs.New(number, x.size))
		}
		r := x.runs[len(x.runs)-1]
		r.Put(k, first)
		if !k.Command.IsZero() && (i == 0 || lookups[i-1].Command != k.Command) {
			x.ids.Add(k.Command)
		}
		x.taken = k.Seq
		if r.Foreign = foreign; x.whole(r) {
			after := time.Duration(0)
			if foreign {
				after = foreignDelay
			}
			x.schedule(after)
		}
	}
}

func (x *index) whole(r *runs.Run) bool { return r.Len() == x.size }

// schedule has whole runs written after a while. The caller holds mu.
func (x *index) schedule(after time.Duration) {
	if x.timer != nil || x.stopped || x.log.store.readOnly {
		return
	}
	x.timer = time.AfterFunc(after, func() {
		ctx, cancel := context.WithTimeout(context.Background(), writeTimeout)
		defer cancel()
		x.mu.Lock()
		x.timer = nil
		x.mu.Unlock()
		if err := x.write(ctx); err != nil { // what waits is found in memory; who reads on tries again and says what is wrong
			x.mu.Lock()
			x.schedule(foreignDelay)
			x.mu.Unlock()
		}
	})
}

// stop ends the writing behind; what waits is tried once more.
func (x *index) stop(ctx context.Context) {
	x.mu.Lock()
	x.stopped = true
	if x.timer != nil {
		x.timer.Stop()
	}
	x.mu.Unlock()
	_ = x.write(ctx) // what it cannot write is read from the commits by whoever opens the log next
}

// ensure has every record known of in memory or written.
func (x *index) ensure(ctx context.Context) error {
	x.mu.RLock()
	known := x.known
	x.mu.RUnlock()
	return x.cover(ctx, known)
}

// cover takes the entries of the commits up to a record that were not made here.
func (x *index) cover(ctx context.Context, to int64) error {
	for {
		x.mu.RLock()
		taken := x.taken
		x.mu.RUnlock()
		if taken >= to {
			return nil
		}
		if err := x.coverSome(ctx, to); err != nil {
			return fmt.Errorf("look-up entries of site %s: %w", x.log.site, err)
		}
	}
}

// coverCommits is the number of commits that are read at once.
const coverCommits = 100

func (x *index) coverSome(ctx context.Context, to int64) error {
	x.work.Lock()
	defer x.work.Unlock()
	x.mu.RLock()
	taken := x.taken
	x.mu.RUnlock()
	if taken >= to {
		return nil
	}
	// A run may begin inside a commit: the first one read is the one that holds the record.
	start, err := x.log.holding(ctx, taken+1, bson.D{{Key: "_id", Value: 1}})
	if errors.Is(err, record.ErrNotFound) {
		return fmt.Errorf("%w: no commit holds record %d", record.ErrTampered, taken+1)
	}
	if err != nil {
		return err
	}
	found, err := x.log.store.commits().Find(ctx, bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: start.ID}, {Key: "$lte", Value: key(x.log.site, to)}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}).SetLimit(coverCommits).
			SetProjection(bson.D{{Key: "first", Value: 1}, {Key: "records", Value: 1}}))
	if err != nil {
		return err
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d commitDoc
		if err := found.Decode(&d); err != nil {
			return err
		}
		lookups, err := lookupsOf(&d)
		if err != nil {
			return err
		}
		x.mu.Lock()
		if skip := x.taken + 1 - d.First; skip >= 0 && skip < int64(len(lookups)) {
			x.put(d.First, lookups[skip:], true)
		}
		x.mu.Unlock()
	}
	if err := found.Err(); err != nil {
		return err
	}
	x.mu.RLock()
	more, waiting := x.taken > taken, len(x.runs)
	x.mu.RUnlock()
	switch {
	case !more:
		return fmt.Errorf("%w: no commit begins with record %d", record.ErrTampered, taken+1)
	case waiting > mostRuns/2:
		return x.writeWhole(ctx)
	}
	return nil
}

func lookupsOf(d *commitDoc) ([]record.Lookup, error) {
	out := make([]record.Lookup, len(d.Records))
	for i, rec := range d.Records {
		e, err := record.DecodeString(rec)
		if err == nil && e.Seq != d.First+int64(i) {
			err = fmt.Errorf("it says that it is record %d", e.Seq)
		}
		if err != nil {
			return nil, fmt.Errorf("%w: record %d: %w", record.ErrTampered, d.First+int64(i), err)
		}
		out[i] = record.LookupOf(&e)
	}
	return out, nil
}

// write writes the runs that are whole.
func (x *index) write(ctx context.Context) error {
	x.work.Lock()
	defer x.work.Unlock()
	return x.writeWhole(ctx)
}

// writeWhole is write for who holds work.
func (x *index) writeWhole(ctx context.Context) error {
	if x.log.store.readOnly {
		return nil
	}
	for {
		x.mu.RLock()
		var r *runs.Run
		if len(x.runs) > 0 && x.whole(x.runs[0]) {
			r = x.runs[0]
		}
		x.mu.RUnlock()
		if r == nil {
			return nil
		}
		if err := x.writeRun(ctx, r); err != nil {
			return fmt.Errorf("write look-up entries of site %s: %w", x.log.site, err)
		}
		x.mu.Lock()
		if len(x.runs) > 0 && x.runs[0] == r {
			x.runs, x.written = slices.Clone(x.runs[1:]), r.Number+1
		}
		x.mu.Unlock()
	}
}

// writeRun writes the entries of a run and then its end, unless another instance did.
func (x *index) writeRun(ctx context.Context, r *runs.Run) error {
	if r.Foreign {
		if n, err := x.ended(ctx); err != nil || n > r.Number {
			return err
		}
	}
	docs, end := r.Docs(x.log.site)
	for part := range slices.Chunk(docs, writeDocs) {
		_, err := x.log.store.lookups().InsertMany(ctx, part, options.InsertMany().SetOrdered(false))
		if err != nil && !onlyDuplicates(err) {
			return err
		}
	}
	_, err := x.log.store.lookups().InsertOne(ctx, &end)
	if mongo.IsDuplicateKeyError(err) && !doubtful(err) {
		return nil
	}
	return err
}

// onlyDuplicates reports that every document that was not written was there already.
func onlyDuplicates(err error) bool {
	all, is := errors.AsType[mongo.BulkWriteException](err)
	if !is || all.WriteConcernError != nil {
		return false
	}
	for _, e := range all.WriteErrors {
		if !mongo.IsDuplicateKeyError(mongo.WriteException{WriteErrors: mongo.WriteErrors{e.WriteError}}) {
			return false
		}
	}
	return len(all.WriteErrors) > 0
}
