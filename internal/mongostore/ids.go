package mongostore

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"sync"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/record"
)

// A filter knows of the ids of commands for certain that they are new, so that an append need not ask the server: a Bloom
// filter, which may take a new id for an old one (about twice in ten thousand) and never the reverse.
type filter struct {
	mu       sync.Mutex
	parts    []filterPart // each twice as large as the one before
	complete bool         // every command of the log is in it
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
	ids, err := x.unsure(lookups)
	if err != nil || len(ids) == 0 {
		return err
	}
	x.load()
	var known commitDoc
	err = x.log.store.commits().FindOne(ctx, bson.D{{Key: "site", Value: x.log.site}, {Key: "names", Value: bson.D{{Key: "$in", Value: ids}}}},
		options.FindOne().SetProjection(bson.D{{Key: "commit", Value: 1}})).Decode(&known)
	switch {
	case err == nil:
		return fmt.Errorf("%w: commit %d has it", record.ErrDuplicateID, known.Commit)
	case isMissing(err):
		return nil
	}
	return fmt.Errorf("look for ids: %w", err)
}

// unsure refuses ids that memory knows, and gives those of which the server must be asked. A record id that
// follows from its command's is new where the command is.
func (x *index) unsure(lookups []record.Lookup) (ids bson.A, err error) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	ordinal := 0
	for i := range lookups {
		k := &lookups[i]
		ordinal++
		if i == 0 || k.Command.IsZero() || lookups[i-1].Command != k.Command {
			ordinal = 0
		}
		first := ordinal == 0 && !k.Command.IsZero()
		for _, r := range x.runs {
			if _, known := r.ids[k.ID]; known {
				return nil, fmt.Errorf("%w: record id %s", record.ErrDuplicateID, k.ID)
			}
			if _, known := r.commands[k.Command]; known && first {
				return nil, fmt.Errorf("%w: command id %s", record.ErrDuplicateID, k.Command)
			}
		}
		if x.written == 0 {
			continue
		}
		if k.Command.IsZero() || k.ID != record.RecordID(k.Command, ordinal) {
			ids = append(ids, binaryID(k.ID))
		}
		if first && !x.ids.news(k.Command) {
			ids = append(ids, binaryID(k.Command))
		}
	}
	return ids, nil
}

// load fills the filter with the commands of the runs that are written, in a goroutine of its own, unless that is
// too much or under way.
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
	written := x.written // what follows is added as it comes
	go func() {
		err := x.loadAll(context.Background(), written)
		x.mu.Lock()
		x.loading = false
		x.mu.Unlock()
		x.ids.mu.Lock()
		x.ids.complete = x.ids.complete || err == nil // else the next append asks the server and tries again
		x.ids.mu.Unlock()
	}()
}

func (x *index) loadAll(ctx context.Context, written int64) error {
	found, err := x.log.store.lookups().Find(ctx, bson.D{{Key: "site", Value: x.log.site}, {Key: "key", Value: ""}},
		options.Find().SetProjection(bson.D{{Key: "run", Value: 1}, {Key: "commands", Value: 1}}))
	if err != nil {
		return err
	}
	defer found.Close(ctx)
	there := int64(0)
	for found.Next(ctx) {
		var end endDoc
		if err := found.Decode(&end); err != nil {
			return err
		}
		if end.Run < written {
			there++
		}
		for b := end.Commands; len(b) >= len(record.UUID{}); b = b[len(record.UUID{}):] {
			x.ids.add(record.UUID(b[:len(record.UUID{})]))
		}
	}
	if err := found.Err(); err != nil {
		return err
	}
	if there != written {
		return fmt.Errorf("%w: %d of %d runs of look-up entries have an end", record.ErrTampered, there, written)
	}
	return nil
}

// idsAtOnce is the number of ids that one query asks for.
const idsAtOnce = 500

// Commands implements record.Log.
func (l *Log) Commands(ctx context.Context, ids []record.UUID) (map[record.UUID][]record.Stored, error) {
	found := map[record.UUID][]record.Stored{}
	err := l.byNames(ctx, ids, func(k *record.Lookup, s record.Stored, wanted map[record.UUID]bool) {
		if wanted[k.Command] {
			found[k.Command] = append(found[k.Command], s)
		}
	})
	if err != nil {
		return nil, fmt.Errorf("commands of site %s: %w", l.site, err)
	}
	return found, nil
}

// ByID implements record.Log.
func (l *Log) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	found := map[record.UUID]record.Stored{}
	err := l.byNames(ctx, ids, func(k *record.Lookup, s record.Stored, wanted map[record.UUID]bool) {
		if wanted[k.ID] {
			found[k.ID] = s
		}
	})
	if err != nil {
		return nil, fmt.Errorf("records of site %s: %w", l.site, err)
	}
	return found, nil
}

// byNames calls fn once with each record of the commits that name one of some ids, those of a commit in order of seq.
// The newest records are found in memory, the others by what their commits name.
func (l *Log) byNames(ctx context.Context, ids []record.UUID, fn func(k *record.Lookup, s record.Stored, wanted map[record.UUID]bool)) error {
	if err := l.index.ensure(ctx); err != nil {
		return err
	}
	wanted := map[record.UUID]bool{}
	for _, id := range ids {
		wanted[id] = !id.IsZero()
	}
	seen := map[int64]bool{}
	take := func(d *commitDoc, _ []int) error {
		if seen[d.First] {
			return nil
		}
		seen[d.First] = true
		lookups, err := lookupsOf(d)
		if err != nil {
			return err
		}
		for i := range lookups {
			fn(&lookups[i], record.Stored{Seq: lookups[i].Seq, Bytes: d.Records[i]}, wanted)
		}
		return nil
	}
	firsts, rest := l.index.inMemory(wanted)
	if err := l.eachCommit(ctx, firsts, take); err != nil {
		return err
	}
	for part := range slices.Chunk(rest, idsAtOnce) {
		found, err := l.store.commits().Find(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "names", Value: bson.D{{Key: "$in", Value: part}}}},
			options.Find().SetProjection(bson.D{{Key: "first", Value: 1}, {Key: "records", Value: 1}}))
		if err != nil {
			return err
		}
		var docs []commitDoc
		if err := found.All(ctx, &docs); err != nil {
			return err
		}
		for i := range docs {
			if err := take(&docs[i], nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// inMemory gives the first records of the commits that name ids, and the ids that older commits may name.
func (x *index) inMemory(wanted map[record.UUID]bool) (firsts map[int64][]int, rest bson.A) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	firsts = map[int64][]int{}
	for id := range wanted {
		known := false
		for _, r := range x.runs {
			if first, is := r.commands[id]; is {
				firsts[first], known = nil, true
			}
			if seq, is := r.ids[id]; is {
				firsts[r.firsts[seq-r.from-1]], known = nil, true
			}
		}
		if !known && x.written > 0 {
			rest = append(rest, binaryID(id))
		}
	}
	return firsts, rest
}
