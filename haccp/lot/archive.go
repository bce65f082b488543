package lot

import (
	"cmp"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"sync"
	"sync/atomic"
	"time"
	"unique"

	"github.com/tidwall/btree"
)

// Archive keeps of lots that are done with and forgotten what it takes to find them again: where each was and when, and
// the boxes filled from it. What else there is to know of a lot stands in its records. A fork costs the same whatever it
// holds. The zero Archive is empty.
type Archive struct {
	t     *archive
	whole runs // the whole time of each lot, in one group
	boxes runs // by prefix
	empty runs // moments at which places that carry product over were empty; lot is the id of the record
}

type archive struct {
	m      *btree.BTreeG[*kept]
	mu     sync.Mutex
	forked atomic.Bool
}

// kept is what stands in the archive of a lot. It is not changed once it is there.
type kept struct {
	code     string
	from, to int64 // ms
	places   []keptAt
	boxes    []Boxes
}

// keptAt is the time of a lot at a place, from its first stay there to its last, in seconds after the lot began, rounded
// outwards.
type keptAt struct {
	place    unique.Handle[string]
	from, to uint32
}

// written is how a lot of the archive is written down.
type written struct {
	Lot   string               `json:"lot"`
	From  int64                `json:"from"`
	To    int64                `json:"to"`
	At    map[string][2]uint32 `json:"at,omitempty"`
	Boxes []Boxes              `json:"boxes,omitempty"`
}

type writtenEmpty struct {
	Place string `json:"place"`
	ID    string `json:"id"`
	At    int64  `json:"at"`
}

type writtenArchive struct {
	Lots  []written      `json:"lots,omitempty"`
	Empty []writtenEmpty `json:"empty,omitempty"`
}

// Fork returns an archive that may be changed without changing a. Several goroutines may fork one archive at once, as
// long as none changes it.
func (a Archive) Fork() Archive {
	if a.t != nil {
		a.t.forked.Store(true)
	}
	return Archive{a.t, a.whole.fork(), a.boxes.fork(), a.empty.fork()}
}

func (a *Archive) own() *archive {
	switch {
	case a.t == nil:
		m := btree.NewBTreeGOptions(func(x, y *kept) bool { return x.code < y.code }, btree.Options{NoLocks: true})
		a.t = &archive{m: m}
	case a.t.forked.Load():
		a.t.mu.Lock()
		m := a.t.m.IsoCopy()
		a.t.mu.Unlock()
		a.t = &archive{m: m}
	}
	return a.t
}

// Keep puts a settled lot into the archive, in the place of what it has of it.
func (a *Archive) Keep(l *Lot) {
	a.Drop(l.Code)
	k := &kept{code: l.Code, boxes: joined(l.Boxes())}
	first, last := l.Born(), later(l.Last(), l.end)
	for i := range l.stays {
		s := &l.stays[i]
		if s.From.Before(first) || first.IsZero() {
			first = s.From
		}
		last = later(last, s.To)
	}
	k.from, k.to = first.UnixMilli(), endOf(last)
	for i := range l.stays {
		k.at(&l.stays[i])
	}
	a.put(k)
}

func (k *kept) at(s *Stay) {
	from, to := uint32((s.From.UnixMilli()-k.from)/1000), uint32((min(endOf(s.To), k.to)-k.from+999)/1000) //nolint:gosec // within the lot's time
	place := unique.Make(s.Place)
	i := slices.IndexFunc(k.places, func(x keptAt) bool { return x.place == place })
	if i < 0 {
		k.places = append(k.places, keptAt{place, from, to})
		return
	}
	k.places[i].from, k.places[i].to = min(k.places[i].from, from), max(k.places[i].to, to)
}

// joined gives runs of boxes in order, those that follow on one another as one.
func joined(boxes []Boxes) []Boxes {
	slices.SortFunc(boxes, func(x, y Boxes) int {
		return cmp.Or(cmp.Compare(x.Prefix, y.Prefix), cmp.Compare(x.From, y.From), cmp.Compare(x.To, y.To))
	})
	var out []Boxes
	for _, x := range boxes {
		if n := len(out) - 1; n >= 0 && out[n].Prefix == x.Prefix && x.From <= out[n].To+1 {
			out[n].To = max(out[n].To, x.To)
		} else {
			out = append(out, x)
		}
	}
	return slices.Clip(out)
}

func (a *Archive) put(k *kept) {
	t := a.own()
	k.places = slices.Clip(k.places)
	t.m.Set(k)
	a.whole.put(k.whole())
	for _, b := range k.boxes {
		a.boxes.put(k.run(b))
	}
}

func (k *kept) whole() *run      { return &run{lot: k.code, from: k.from, to: k.to} }
func (k *kept) run(b Boxes) *run { return &run{group: b.Prefix, lot: k.code, from: b.From, to: b.To} }

// Drop takes a lot out.
func (a *Archive) Drop(code string) {
	k := a.get(code)
	if k == nil {
		return
	}
	a.own().m.Delete(k)
	a.whole.remove(k.whole())
	for _, b := range k.boxes {
		a.boxes.remove(k.run(b))
	}
}

func (a *Archive) get(code string) *kept {
	if a.t == nil {
		return nil
	}
	k, _ := a.t.m.Get(&kept{code: code})
	return k
}

// Empty keeps a moment at which a place was empty; id is that of the record. Unempty takes it out.
func (a *Archive) Empty(place, id string, at time.Time) {
	a.empty.put(&run{group: place, lot: id, from: at.UnixMilli(), to: at.UnixMilli()})
}

// Unempty takes a moment out.
func (a *Archive) Unempty(place, id string, at time.Time) {
	a.empty.remove(&run{group: place, lot: id, from: at.UnixMilli(), to: at.UnixMilli()})
}

// EmptiedBy returns the first moment from after on at which a place was empty; by where there is none before that.
func (a *Archive) EmptiedBy(place string, after, by time.Time) time.Time {
	for x := range a.empty.meeting(place, after.UnixMilli(), by.UnixMilli()) { // in their order: all are of one length
		if t := time.UnixMilli(x.from).UTC(); !t.Before(after) && t.Before(by) {
			return t
		}
	}
	return by
}

// Len returns how many lots the archive holds, and Has whether it holds one.
func (a *Archive) Len() int {
	if a.t == nil {
		return 0
	}
	return a.t.m.Len()
}

// Has reports whether the archive holds a lot.
func (a *Archive) Has(code string) bool { return a.get(code) != nil }

// Meeting lists the lots that may have been at a place in [from, to], sorted; a zero to is open, an empty place is any.
// It may name one that was there before and after, never leave one out.
func (a *Archive) Meeting(place string, from, to time.Time) []string {
	var out []string
	f, e := from.UnixMilli(), endOf(to)
	h := unique.Make(place)
	for x := range a.whole.meeting("", f, e) {
		k := a.get(x.lot)
		if place == "" || slices.ContainsFunc(k.places, func(p keptAt) bool {
			return p.place == h && k.from+1000*int64(p.to) >= f && k.from+1000*int64(p.from) <= e
		}) {
			out = append(out, x.lot)
		}
	}
	slices.Sort(out)
	return out
}

// At returns the time of a lot at a place as the archive has it; false where it was not there.
func (a *Archive) At(code, place string) (from, to time.Time, ok bool) {
	k := a.get(code)
	if k == nil {
		return from, to, false
	}
	for _, p := range k.places {
		if p.place.Value() == place {
			return time.UnixMilli(k.from + 1000*int64(p.from)).UTC(), time.UnixMilli(k.from + 1000*int64(p.to)).UTC(), true
		}
	}
	return from, to, false
}

// OfBox lists the lots that a box was filled from, sorted.
func (a *Archive) OfBox(prefix string, n int64) []string {
	var out []string
	for x := range a.boxes.meeting(prefix, n, n) {
		out = append(out, x.lot)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Codes yields the codes of the lots, sorted.
func (a *Archive) Codes() iter.Seq[string] {
	return func(yield func(string) bool) {
		if a.t != nil {
			a.t.m.Scan(func(k *kept) bool { return yield(k.code) })
		}
	}
}

// MarshalJSON writes the lots in the order of their codes.
func (a Archive) MarshalJSON() ([]byte, error) {
	all := make([]written, 0, a.Len())
	if a.t != nil {
		a.t.m.Scan(func(k *kept) bool {
			w := written{k.code, k.from, k.to, make(map[string][2]uint32, len(k.places)), k.boxes}
			for _, p := range k.places {
				w.At[p.place.Value()] = [2]uint32{p.from, p.to}
			}
			all = append(all, w)
			return true
		})
	}
	w := writtenArchive{Lots: all}
	if a.empty.t != nil {
		a.empty.t.m.Scan(func(x *run) bool {
			w.Empty = append(w.Empty, writtenEmpty{x.group, x.lot, x.from})
			return true
		})
	}
	return json.Marshal(w)
}

// UnmarshalJSON replaces what the archive holds.
func (a *Archive) UnmarshalJSON(b []byte) error {
	var all writtenArchive
	if err := json.Unmarshal(b, &all); err != nil {
		return fmt.Errorf("read archive of lots: %w", err)
	}
	*a = Archive{}
	for _, e := range all.Empty {
		a.Empty(e.Place, e.ID, time.UnixMilli(e.At))
	}
	for _, w := range all.Lots {
		k := &kept{w.Lot, w.From, w.To, make([]keptAt, 0, len(w.At)), w.Boxes}
		for place, at := range w.At {
			k.places = append(k.places, keptAt{unique.Make(place), at[0], at[1]})
		}
		a.put(k)
	}
	return nil
}
