// Package runs packs what the records of a log are found by into few documents. A run is a number of records that is
// fixed by its own number; its documents follow from the records alone, so that whoever writes them writes the same.
// Beside it stands the filter by which new ids are known from old ones.
package runs

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"

	"linewarden/internal/record"
)

// DefaultSize is how many records share their entries for searches. A start reads as many again at most.
const DefaultSize = 4096

// MaxSize is the largest run: the place of a record in its run takes two bytes.
const MaxSize = math.MaxUint16

// Moment is a place in the order of a search; at is in milliseconds since 1970.
type Moment struct{ At, Seq int64 }

// Compare orders moments.
func (m Moment) Compare(o Moment) int {
	return cmp.Or(cmp.Compare(m.At, o.At), cmp.Compare(m.Seq, o.Seq))
}

// Entry is a record found: its Moment, and the first record of the commit that holds it.
type Entry struct {
	Moment
	First int64
}

// KindKey is the key of a search by kind.
func KindKey(kind string) string { return "kind/" + kind }

// AboutKey is the key of a search by something that records are about.
func AboutKey(about string) string { return "about/" + about }

// Run is what some records are found by.
type Run struct {
	Number   int64 // from 0
	Foreign  bool  // another instance made the commit that ends it, and writes it
	from     int64 // the record before its first one
	kinds    []string
	firsts   []int64 // of each record the first one of its commit
	order    []record.UUID
	ids      map[record.UUID]int64
	commands map[record.UUID]int64 // the first record of the commit with the command
	entries  map[string][]Moment   // by key, in order
}

// New gives a run without records.
func New(number, size int64) *Run {
	return &Run{Number: number, from: number * size, ids: map[record.UUID]int64{}, commands: map[record.UUID]int64{}, entries: map[string][]Moment{}}
}

// Put takes the next record, of a commit that begins with first.
func (r *Run) Put(k *record.Lookup, first int64) {
	r.kinds, r.firsts = append(r.kinds, k.Kind), append(r.firsts, first)
	r.ids[k.ID] = k.Seq
	if _, known := r.commands[k.Command]; !known && !k.Command.IsZero() {
		r.commands[k.Command] = first
		r.order = append(r.order, k.Command)
	}
	m := Moment{k.At.UnixMilli(), k.Seq}
	r.enter(KindKey(k.Kind), m)
	for _, about := range k.About {
		r.enter(AboutKey(about), m)
	}
}

// Len is the number of its records so far.
func (r *Run) Len() int64 { return int64(len(r.kinds)) }

// First gives the first record of the commit that holds a record, or 0 where the run does not have it.
func (r *Run) First(seq int64) int64 {
	if at := seq - r.from - 1; at >= 0 && at < int64(len(r.firsts)) {
		return r.firsts[at]
	}
	return 0
}

// Record gives the first record of the commit that holds the record with an id, or 0.
func (r *Run) Record(id record.UUID) int64 { return r.First(r.ids[id]) }

// Command gives the first record of the commit that holds a command, or 0.
func (r *Run) Command(id record.UUID) int64 { return r.commands[id] }

// Moments gives those under a key, in order.
func (r *Run) Moments(key string) []Moment { return r.entries[key] }

// Entry gives what stands at a moment, and its kind.
func (r *Run) Entry(m Moment) (Entry, string) {
	at := m.Seq - r.from - 1
	return Entry{m, r.firsts[at]}, r.kinds[at]
}

// Each calls fn with every moment under every key.
func (r *Run) Each(fn func(key string, m Moment) error) error {
	for key, list := range r.entries {
		for _, m := range list {
			if err := fn(key, m); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *Run) enter(key string, m Moment) {
	list := r.entries[key]
	if n := len(list); n == 0 || list[n-1].Compare(m) < 0 {
		r.entries[key] = append(list, m)
		return
	}
	i, found := slices.BinarySearchFunc(list, m, Moment.Compare)
	if !found {
		r.entries[key] = slices.Insert(list, i, m)
	}
}

// Doc is what the records of one run are found by under one key.
type Doc struct {
	ID    string   `bson:"_id"`
	Site  string   `bson:"site"`
	Key   string   `bson:"key"`
	Run   int64    `bson:"run"`
	First int64    `bson:"first"` // least and greatest at
	Last  int64    `bson:"last"`
	Kinds []string `bson:"kinds,omitempty"` // of the records of a key that is no kind
	Pairs []byte   `bson:"pairs"`           // as pack writes them
}

// End says that all entries of a run are written, and of all runs before it. It is written last.
type End struct {
	ID       string `bson:"_id"`
	Site     string `bson:"site"`
	Key      string `bson:"key"` // empty
	Run      int64  `bson:"run"`
	First    int64  `bson:"first"` // the run again, to be found as the last one
	Last     int64  `bson:"last"`
	Commands []byte `bson:"commands"` // ids of 16 bytes
}

// docKey gives the _id of the documents of a run, to which a key is added.
func docKey(site string, number int64) string { return fmt.Sprintf("%s/%010d", site, number) }

// Docs gives the documents of a whole run.
func (r *Run) Docs(site string) ([]Doc, End) {
	keys := slices.Sorted(maps.Keys(r.entries))
	docs := make([]Doc, len(keys))
	for i, key := range keys {
		docs[i] = r.doc(site, key)
	}
	end := End{ID: docKey(site, r.Number), Site: site, Run: r.Number, First: r.Number, Last: r.Number, Commands: make([]byte, 0, 16*len(r.order))}
	for _, id := range r.order {
		end.Commands = append(end.Commands, id[:]...)
	}
	return docs, end
}

// pairBytes is the length of one pair: at (8 bytes), the record's place in the run, how far its commit begins
// before it, and the place of its kind in the document's list, of 2 bytes each, all of them big-endian.
const pairBytes = 14

func (r *Run) doc(site, key string) Doc {
	list := r.entries[key]
	d := Doc{ID: docKey(site, r.Number) + "/" + key, Site: site, Key: key, Run: r.Number,
		First: list[0].At, Last: list[len(list)-1].At, Pairs: make([]byte, 0, pairBytes*len(list))}
	for _, m := range list {
		at := m.Seq - r.from - 1
		kind := 0
		if KindKey(r.kinds[at]) != key {
			if kind = slices.Index(d.Kinds, r.kinds[at]); kind < 0 {
				kind, d.Kinds = len(d.Kinds), append(d.Kinds, r.kinds[at])
			}
		}
		d.Pairs = binary.BigEndian.AppendUint64(d.Pairs, uint64(m.At)) //nolint:gosec // read back the same way
		for _, n := range [...]int64{at, m.Seq - r.firsts[at], int64(kind)} {
			d.Pairs = binary.BigEndian.AppendUint16(d.Pairs, uint16(n)) //nolint:gosec // below MaxSize
		}
	}
	return d
}

// At gives one pair of a document of a run that begins after from, and its kind where the key is none.
func (d *Doc) At(i int, from int64) (Entry, string, error) {
	p := d.Pairs[i*pairBytes:]
	seq := from + 1 + int64(binary.BigEndian.Uint16(p[8:]))
	e := Entry{Moment{int64(binary.BigEndian.Uint64(p)), seq}, seq - int64(binary.BigEndian.Uint16(p[10:]))} //nolint:gosec // as it was written
	if len(d.Kinds) == 0 {
		return e, "", nil
	}
	kind := int(binary.BigEndian.Uint16(p[12:]))
	if kind >= len(d.Kinds) {
		return e, "", fmt.Errorf("%w: look-up entries %s name a kind that is not there", record.ErrTampered, d.ID)
	}
	return e, d.Kinds[kind], nil
}

// Len gives how many there are.
func (d *Doc) Len() (int, error) {
	if len(d.Pairs)%pairBytes != 0 {
		return 0, fmt.Errorf("%w: look-up entries %s have %d bytes", record.ErrTampered, d.ID, len(d.Pairs))
	}
	return len(d.Pairs) / pairBytes, nil
}
