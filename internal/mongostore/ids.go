package mongostore

import (
	"context"
	"encoding/binary"
	"fmt"
	"sync"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/record"
)

// A filter knows of ids for certain that they are new, so that an append need not ask the server: a Bloom
// filter, which may take a new id for an old one (about twice in ten thousand) and never the reverse.
type filter struct {
	mu       sync.Mutex
	parts    []filterPart // each twice as large as the one before
	complete bool         // every id of the log is in it
}

type filterPart struct {
	bits []uint64
	room int // ids that may still be added
}

const (
	filterFirst  = 1 << 16   // ids in the first part
	filterBits   = 20        // for each id
	filterProbes = 7         // of these set
	filterMost   = 4_000_000 // records of a log that are read into a filter, 25 MB; beyond, the server is asked
)

func (f *filter) add(id record.UUID) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := len(f.parts)
	if n == 0 || f.parts[n-1].room == 0 {
		room := filterFirst << n
		f.parts = append(f.parts, filterPart{make([]uint64, room*filterBits/64), room})
		n++
	}
	p := &f.parts[n-1]
	p.room--
	p.each(id, func(word *uint64, bit uint64) bool { *word |= bit; return true })
}

// news reports that the id was never added. While the filter is not complete it says so of none.
func (f *filter) news(id record.UUID) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.complete {
		return false
	}
	for i := range f.parts {
		all := true
		f.parts[i].each(id, func(word *uint64, bit uint64) bool { all = *word&bit != 0; return all })
		if all {
			return false
		}
	}
	return true
}

func (p *filterPart) each(id record.UUID, fn func(word *uint64, bit uint64) bool) {
	a, b := mix(binary.BigEndian.Uint64(id[:8])), mix(binary.BigEndian.Uint64(id[8:]))
	a, b = a^(b<<1), (a+b)|1
	for range filterProbes {
		n := a % uint64(64*len(p.bits))
		if !fn(&p.bits[n/64], 1<<(n%64)) {
			return
		}
		a += b
	}
}

// mix spreads the bits of a number: ids made in one second differ in few of them.
func mix(x uint64) uint64 {
	x ^= x >> 33
	x *= 0xff51afd7ed558ccd
	x ^= x >> 33
	x *= 0xc4ceb9fe1a85ec53
	return x ^ x>>33
}

// refuseKnown finds ids that the log holds up to a record.
func (x *index) refuseKnown(ctx context.Context, size int64, lookups []record.Lookup) error {
	if err := x.cover(ctx, size); err != nil {
		return err
	}
	ids, commands := bson.A{}, bson.A{}
	var last record.UUID
	for i := range lookups {
		if !x.ids.news(lookups[i].ID) {
			ids = append(ids, binaryID(lookups[i].ID))
		}
		if c := lookups[i].Command; !c.IsZero() && c != last && !x.ids.news(c) {
			commands = append(commands, binaryID(c))
		}
		last = lookups[i].Command
	}
	if len(ids)+len(commands) == 0 || size == 0 {
		return nil
	}
	x.load()
	if err := x.flush(ctx); err != nil {
		return err
	}
	for _, q := range []struct {
		what, member string
		ids          bson.A
	}{{"record", "id", ids}, {"command", "command", commands}} {
		if len(q.ids) == 0 {
			continue
		}
		err := x.log.store.lookups().FindOne(ctx, bson.D{{Key: "site", Value: x.log.site},
			{Key: q.member, Value: bson.D{{Key: "$in", Value: q.ids}}}}, options.FindOne().SetProjection(bson.D{{Key: "_id", Value: 1}})).Err()
		if err == nil {
			return fmt.Errorf("%w: %s id", record.ErrDuplicateID, q.what)
		}
		if !isMissing(err) {
			return fmt.Errorf("look for ids: %w", err)
		}
	}
	return nil
}

// load fills the filter with what the log holds already, in a goroutine of its own, unless that is too much or
// under way.
func (x *index) load() {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.ids.mu.Lock()
	complete := x.ids.complete
	x.ids.mu.Unlock()
	if complete || x.loading || x.stopped || x.taken > filterMost {
		return
	}
	x.loading = true
	go func() {
		err := x.loadAll(context.Background())
		x.mu.Lock()
		x.loading = false
		x.mu.Unlock()
		x.ids.mu.Lock()
		x.ids.complete = x.ids.complete || err == nil // else the next append asks the server and tries again
		x.ids.mu.Unlock()
	}()
}

func (x *index) loadAll(ctx context.Context) error {
	if err := x.flush(ctx); err != nil {
		return err
	}
	found, err := x.log.store.lookups().Find(ctx, bson.D{{Key: "site", Value: x.log.site}},
		options.Find().SetProjection(bson.D{{Key: "id", Value: 1}, {Key: "command", Value: 1}}))
	if err != nil {
		return err
	}
	defer found.Close(ctx)
	for found.Next(ctx) {
		for _, member := range []string{"id", "command"} {
			if _, b, ok := found.Current.Lookup(member).BinaryOK(); ok && len(b) == len(record.UUID{}) {
				x.ids.add(record.UUID(b))
			}
		}
	}
	return found.Err()
}
