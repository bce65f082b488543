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

	"linewarden/internal/record"
)

const (
	ownDelay     = 250 * time.Millisecond // after which the entries of own commits are written
	foreignDelay = 2 * time.Second        // in which the instance that made a commit writes its entries itself
	flushTimeout = 30 * time.Second
	flushDocs    = 1000   // entries in one insert
	queueFull    = 50_000 // entries that may wait; beyond them they are read from the commits again
	coverStep    = 5000   // entries between two writes while catching up
	markEvery    = 1000   // entries between two marks
)

// lookupDoc is what one record is found by. It says nothing that its record does not say.
type lookupDoc struct {
	Key     string      `bson:"_id"`
	Site    string      `bson:"site"`
	Seq     int64       `bson:"seq"`
	Commit  int64       `bson:"commit"`
	At      int64       `bson:"at"` // milliseconds since 1970
	ID      bson.Binary `bson:"id"`
	Command bson.Binary `bson:"command,omitempty"`
	Kind    string      `bson:"kind"`
	About   []string    `bson:"about,omitempty"`

	foreign bool // of a commit that another instance made, or an earlier run of this one
}

// uuidSubtype is the BSON subtype of a UUID.
const uuidSubtype = bson.TypeBinaryUUID

func binaryID(id record.UUID) bson.Binary { return bson.Binary{Subtype: uuidSubtype, Data: id[:]} }

// index writes the look-up entries of one site behind its commits. Entries of its own commits wait in memory
// for a moment and are written together; those of other instances' commits are read from the commits. No query
// is answered before everything known here is written.
//
// A mark in the collection says up to which record all entries are there, so that an opening reads only the
// commits after it. Whoever drops the collection drops the mark with it, and all entries are made again.
type index struct {
	log *Log

	work sync.Mutex // one at a time reads commits for entries, or writes entries

	mu      sync.Mutex
	known   int64 // newest record known of
	taken   int64 // entries up to this record are written or wait
	done    int64 // entries up to this record are written
	marked  int64
	queue   []lookupDoc
	timer   *time.Timer
	stopped bool

	ids     filter
	loading bool
}

func newIndex(l *Log) *index { return &index{log: l} }

// begin reads the head and the mark.
func (x *index) begin(ctx context.Context) error {
	head, err := x.log.Head(ctx)
	if err != nil {
		return err
	}
	if head.Size == 0 {
		x.ids.complete = true
		return nil
	}
	var mark struct {
		Through int64 `bson:"through"`
	}
	err = x.log.store.lookups().FindOne(ctx, x.markFilter()).Decode(&mark)
	if err != nil && !isMissing(err) {
		return fmt.Errorf("look-up entries of site %s: %w", x.log.site, err)
	}
	x.marked = min(mark.Through, head.Size)
	x.taken, x.done = x.marked, x.marked
	return nil
}

func (x *index) markFilter() bson.D {
	return bson.D{{Key: "_id", Value: x.log.site + "/mark"}, {Key: "site", Value: x.log.site}}
}

// know notes that there is a record of this seq.
func (x *index) know(seq int64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.known = max(x.known, seq)
}

// add takes the entries of a commit that was made here.
func (x *index) add(c *record.Commit, lookups []record.Lookup) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if c.First != x.taken+1 {
		return // somebody read it from the log before, or will
	}
	x.enqueue(c.Number, lookups, false)
	if len(x.queue) > queueFull {
		x.queue, x.taken = nil, x.done
	}
	x.schedule(ownDelay)
}

func (x *index) enqueue(commit int64, lookups []record.Lookup, foreign bool) {
	for i := range lookups {
		k := &lookups[i]
		d := lookupDoc{Key: key(x.log.site, k.Seq), Site: x.log.site, Seq: k.Seq, Commit: commit, At: k.At.UnixMilli(),
			ID: binaryID(k.ID), Kind: k.Kind, About: k.About, foreign: foreign}
		x.ids.add(k.ID)
		if !k.Command.IsZero() {
			d.Command = binaryID(k.Command)
			x.ids.add(k.Command)
		}
		x.queue = append(x.queue, d)
		x.taken = k.Seq
	}
}

// schedule has the queue written after a while. The caller holds mu.
func (x *index) schedule(after time.Duration) {
	if x.timer != nil || x.stopped {
		return
	}
	x.timer = time.AfterFunc(after, func() {
		ctx, cancel := context.WithTimeout(context.Background(), flushTimeout)
		defer cancel()
		x.mu.Lock()
		x.timer = nil
		x.mu.Unlock()
		if err := x.flush(ctx); err != nil { // the next query tries again and says what is wrong
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
	if x.flush(ctx) == nil {
		_ = x.mark(ctx, 1) // the next opening reads a few commits more without it
	}
}

// ensure has the entries of every record known of written.
func (x *index) ensure(ctx context.Context) error {
	x.mu.Lock()
	known, done := x.known, x.done
	x.mu.Unlock()
	if done >= known {
		return nil
	}
	if err := x.cover(ctx, known); err != nil {
		return err
	}
	return x.flush(ctx)
}

// cover takes the entries of the commits up to a record that were not made here.
func (x *index) cover(ctx context.Context, to int64) error {
	for {
		more, err := x.coverSome(ctx, to)
		if err != nil {
			return fmt.Errorf("look-up entries of site %s: %w", x.log.site, err)
		}
		if !more {
			return nil
		}
		if err := x.flush(ctx); err != nil {
			return err
		}
	}
}

func (x *index) coverSome(ctx context.Context, to int64) (more bool, err error) {
	x.work.Lock()
	defer x.work.Unlock()
	x.mu.Lock()
	from := x.taken + 1
	x.mu.Unlock()
	if from > to {
		return false, nil
	}
	found, err := x.log.store.commits().Find(ctx, bson.D{{Key: "site", Value: x.log.site},
		{Key: "_id", Value: bson.D{{Key: "$gte", Value: key(x.log.site, from)}, {Key: "$lte", Value: key(x.log.site, to)}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}).SetLimit(scanCommits))
	if err != nil {
		return false, err
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d commitDoc
		if err := found.Decode(&d); err != nil {
			return false, err
		}
		lookups, err := lookupsOf(&d)
		if err != nil {
			return false, err
		}
		x.mu.Lock()
		if d.First == x.taken+1 {
			x.enqueue(d.Commit, lookups, true)
			x.schedule(foreignDelay)
		}
		waiting := len(x.queue)
		more = x.taken < to
		x.mu.Unlock()
		if waiting >= coverStep {
			return more, nil
		}
	}
	if err := found.Err(); err != nil {
		return false, err
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.taken < from {
		return false, fmt.Errorf("%w: no commit begins with record %d", record.ErrTampered, from)
	}
	return x.taken < to, nil
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

// flush writes what waits.
func (x *index) flush(ctx context.Context) error {
	x.work.Lock()
	defer x.work.Unlock()
	x.mu.Lock()
	docs := slices.Clone(x.queue)
	x.mu.Unlock()
	if len(docs) == 0 {
		return nil
	}
	last := docs[len(docs)-1].Seq
	if err := x.write(ctx, docs); err != nil {
		return fmt.Errorf("write look-up entries of site %s: %w", x.log.site, err)
	}
	x.mu.Lock()
	for len(x.queue) > 0 && x.queue[0].Seq <= last {
		x.queue = x.queue[1:]
	}
	if len(x.queue) == 0 {
		x.queue = nil
	} else {
		x.schedule(ownDelay)
	}
	x.done = max(x.done, last)
	x.mu.Unlock()
	return x.mark(ctx, markEvery)
}

func (x *index) write(ctx context.Context, docs []lookupDoc) error {
	docs, err := x.missing(ctx, docs)
	if err != nil {
		return err
	}
	for part := range slices.Chunk(docs, flushDocs) {
		_, err := x.log.store.lookups().InsertMany(ctx, part, options.InsertMany().SetOrdered(false))
		if err != nil && !onlyDuplicates(err) {
			return err
		}
	}
	return nil
}

// missing leaves out the entries of others' commits that are there already.
func (x *index) missing(ctx context.Context, docs []lookupDoc) ([]lookupDoc, error) {
	first := slices.IndexFunc(docs, func(d lookupDoc) bool { return d.foreign })
	if first < 0 {
		return docs, nil
	}
	found, err := x.log.store.lookups().Find(ctx, bson.D{{Key: "site", Value: x.log.site},
		{Key: "_id", Value: bson.D{{Key: "$gte", Value: docs[first].Key}, {Key: "$lte", Value: docs[len(docs)-1].Key}}}},
		options.Find().SetProjection(bson.D{{Key: "_id", Value: 1}}))
	if err != nil {
		return nil, err
	}
	defer found.Close(context.WithoutCancel(ctx))
	there := map[string]bool{}
	for found.Next(ctx) {
		there[found.Current.Lookup("_id").StringValue()] = true
	}
	if err := found.Err(); err != nil {
		return nil, err
	}
	return slices.DeleteFunc(docs, func(d lookupDoc) bool { return there[d.Key] }), nil
}

// onlyDuplicates reports that every entry that was not written was there already.
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

// mark says in the collection how far the entries go, where that has grown enough. Two instances may overwrite
// each other's mark: each of them is true.
func (x *index) mark(ctx context.Context, enough int64) error {
	x.mu.Lock()
	done, marked := x.done, x.marked
	x.mu.Unlock()
	if x.log.store.readOnly || done-marked < enough {
		return nil
	}
	_, err := x.log.store.lookups().UpdateOne(ctx, x.markFilter(),
		bson.D{{Key: "$set", Value: bson.D{{Key: "through", Value: done}}}}, options.UpdateOne().SetUpsert(true))
	if err != nil {
		return fmt.Errorf("mark of the look-up entries of site %s: %w", x.log.site, err)
	}
	x.mu.Lock()
	x.marked = done
	x.mu.Unlock()
	return nil
}
