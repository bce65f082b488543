package mongostore

import (
	"context"
	"fmt"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/mongostore/runs"
	"linewarden/internal/record"
)

// uuidSubtype is the BSON subtype of a UUID.
const uuidSubtype = bson.TypeBinaryUUID

func binaryID(id record.UUID) bson.Binary { return bson.Binary{Subtype: uuidSubtype, Data: id[:]} }

// uuidOf reads an id of a document.
func uuidOf(b bson.Binary) (record.UUID, error) {
	if len(b.Data) != len(record.UUID{}) {
		return record.UUID{}, fmt.Errorf("%w: an id of %d bytes", record.ErrTampered, len(b.Data))
	}
	return record.UUID(b.Data), nil
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
			if r.Record(k.ID) > 0 {
				return nil, fmt.Errorf("%w: record id %s", record.ErrDuplicateID, k.ID)
			}
			if first && r.Command(k.Command) > 0 {
				return nil, fmt.Errorf("%w: command id %s", record.ErrDuplicateID, k.Command)
			}
		}
		if x.written == 0 {
			continue
		}
		if k.Command.IsZero() || k.ID != record.RecordID(k.Command, ordinal) {
			ids = append(ids, binaryID(k.ID))
		}
		if first && !x.ids.News(k.Command) {
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
	if x.ids.Complete() || x.loading || x.stopped || x.taken > runs.FilterMost {
		return
	}
	x.loading = true
	written := x.written // what follows is added as it comes
	go func() {
		err := x.loadAll(context.Background(), written)
		x.mu.Lock()
		x.loading = false
		x.mu.Unlock()
		if err == nil { // else the next append asks the server and tries again
			x.ids.SetComplete()
		}
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
		var end runs.End
		if err := found.Decode(&end); err != nil {
			return err
		}
		if end.Run < written {
			there++
		}
		for b := end.Commands; len(b) >= len(record.UUID{}); b = b[len(record.UUID{}):] {
			x.ids.Add(record.UUID(b[:len(record.UUID{})]))
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
			if first := r.Command(id); first > 0 {
				firsts[first], known = nil, true
			}
			if first := r.Record(id); first > 0 {
				firsts[first], known = nil, true
			}
		}
		if !known && x.written > 0 {
			rest = append(rest, binaryID(id))
		}
	}
	return firsts, rest
}
