package mongostore

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/internal/record"
)

// defaultRun is how many records share their entries for searches. A start reads as many again at most.
const defaultRun = 4096

// mostRun is the largest run: the place of a record in its run takes two bytes.
const mostRun = math.MaxUint16

// moment is a place in the order of a search; at is in milliseconds since 1970.
type moment struct{ at, seq int64 }

func (m moment) compare(o moment) int {
	return cmp.Or(cmp.Compare(m.at, o.at), cmp.Compare(m.seq, o.seq))
}

// entry is a record found: its moment, and the first record of the commit that holds it.
type entry struct {
	moment
	first int64
}

// The keys of searches: a kind, or something that records are about.
func kindKey(kind string) string   { return "kind/" + kind }
func aboutKey(about string) string { return "about/" + about }

// run is what some records are found by. Which records those are follows from its number alone, and its documents
// from the records alone: whoever writes them writes the same.
type run struct {
	number   int64 // from 0
	from     int64 // the record before its first one
	foreign  bool  // another instance made the commit that ends it, and writes it
	kinds    []string
	firsts   []int64 // of each record the first one of its commit
	order    []record.UUID
	ids      map[record.UUID]int64
	commands map[record.UUID]int64 // the first record of the commit with the command
	entries  map[string][]moment   // by key, in order
}

func newRun(number, size int64) *run {
	return &run{number: number, from: number * size, ids: map[record.UUID]int64{}, commands: map[record.UUID]int64{}, entries: map[string][]moment{}}
}

// put takes the next record, of a commit that begins with first.
func (r *run) put(k *record.Lookup, first int64) {
	r.kinds, r.firsts = append(r.kinds, k.Kind), append(r.firsts, first)
	r.ids[k.ID] = k.Seq
	if _, known := r.commands[k.Command]; !known && !k.Command.IsZero() {
		r.commands[k.Command] = first
		r.order = append(r.order, k.Command)
	}
	m := moment{k.At.UnixMilli(), k.Seq}
	r.enter(kindKey(k.Kind), m)
	for _, about := range k.About {
		r.enter(aboutKey(about), m)
	}
}

func (r *run) enter(key string, m moment) {
	list := r.entries[key]
	if n := len(list); n == 0 || list[n-1].compare(m) < 0 {
		r.entries[key] = append(list, m)
		return
	}
	i, found := slices.BinarySearchFunc(list, m, moment.compare)
	if !found {
		r.entries[key] = slices.Insert(list, i, m)
	}
}

// entriesDoc is what the records of one run are found by under one key.
type entriesDoc struct {
	ID    string   `bson:"_id"`
	Site  string   `bson:"site"`
	Key   string   `bson:"key"`
	Run   int64    `bson:"run"`
	First int64    `bson:"first"` // least and greatest at
	Last  int64    `bson:"last"`
	Kinds []string `bson:"kinds,omitempty"` // of the records of a key that is no kind
	Pairs []byte   `bson:"pairs"`           // as pack writes them
}

// endDoc says that all entries of a run are written, and of all runs before it. It is written last.
type endDoc struct {
	ID       string `bson:"_id"`
	Site     string `bson:"site"`
	Key      string `bson:"key"` // empty
	Run      int64  `bson:"run"`
	First    int64  `bson:"first"` // the run again, to be found as the last one
	Last     int64  `bson:"last"`
	Commands []byte `bson:"commands"` // ids of 16 bytes
}

// runKey gives the _id of the documents of a run, to which a key is added.
func runKey(site string, number int64) string { return fmt.Sprintf("%s/%010d", site, number) }

// docs gives the documents of a whole run.
func (r *run) docs(site string) ([]entriesDoc, endDoc) {
	keys := slices.Sorted(maps.Keys(r.entries))
	docs := make([]entriesDoc, len(keys))
	for i, key := range keys {
		docs[i] = r.doc(site, key)
	}
	end := endDoc{ID: runKey(site, r.number), Site: site, Run: r.number, First: r.number, Last: r.number, Commands: make([]byte, 0, 16*len(r.order))}
	for _, id := range r.order {
		end.Commands = append(end.Commands, id[:]...)
	}
	return docs, end
}

// pairBytes is the length of one pair: at (8 bytes), the record's place in the run, how far its commit begins
// before it, and the place of its kind in the document's list, of 2 bytes each, all of them big-endian.
const pairBytes = 14

func (r *run) doc(site, key string) entriesDoc {
	list := r.entries[key]
	d := entriesDoc{ID: runKey(site, r.number) + "/" + key, Site: site, Key: key, Run: r.number,
		First: list[0].at, Last: list[len(list)-1].at, Pairs: make([]byte, 0, pairBytes*len(list))}
	for _, m := range list {
		at := m.seq - r.from - 1
		kind := 0
		if kindKey(r.kinds[at]) != key {
			if kind = slices.Index(d.Kinds, r.kinds[at]); kind < 0 {
				kind, d.Kinds = len(d.Kinds), append(d.Kinds, r.kinds[at])
			}
		}
		d.Pairs = binary.BigEndian.AppendUint64(d.Pairs, uint64(m.at)) //nolint:gosec // read back the same way
		for _, n := range [...]int64{at, m.seq - r.firsts[at], int64(kind)} {
			d.Pairs = binary.BigEndian.AppendUint16(d.Pairs, uint16(n)) //nolint:gosec // below mostRun
		}
	}
	return d
}

// at gives one pair of a document of a run that begins after from, and its kind where the key is none.
func (d *entriesDoc) at(i int, from int64) (entry, string, error) {
	p := d.Pairs[i*pairBytes:]
	seq := from + 1 + int64(binary.BigEndian.Uint16(p[8:]))
	e := entry{moment{int64(binary.BigEndian.Uint64(p)), seq}, seq - int64(binary.BigEndian.Uint16(p[10:]))} //nolint:gosec // as it was written
	if len(d.Kinds) == 0 {
		return e, "", nil
	}
	kind := int(binary.BigEndian.Uint16(p[12:]))
	if kind >= len(d.Kinds) {
		return e, "", fmt.Errorf("%w: look-up entries %s name a kind that is not there", record.ErrTampered, d.ID)
	}
	return e, d.Kinds[kind], nil
}

// pairs gives how many there are.
func (d *entriesDoc) pairs() (int, error) {
	if len(d.Pairs)%pairBytes != 0 {
		return 0, fmt.Errorf("%w: look-up entries %s have %d bytes", record.ErrTampered, d.ID, len(d.Pairs))
	}
	return len(d.Pairs) / pairBytes, nil
}

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
