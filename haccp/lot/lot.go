// Package lot follows lots of product through the steps of a plan: where each was and when, what was made of
// what, since when its oldest gel waits, which lots an excursion touched, and where the mass went.
//
// A Lot holds what is recorded about one lot; what is kept of it does not depend on the order in which it was
// heard of. A Book answers questions that span lots. Everything is computed from the facts given: the package
// does no input or output and reads no clock.
package lot

import (
	"cmp"
	"slices"
	"time"
)

// Lot is what is recorded about one lot.
type Lot struct {
	Code     string    `json:"code"`
	Received []Receipt `json:"received,omitempty"` // by at, then id; none: it was made here
	Acts     []Act     `json:"acts,omitempty"`     // by at, then id
	Fed      []Feed    `json:"fed,omitempty"`      // every feed it gave to or took from, by at, then id
	Removed  []Removal `json:"removed,omitempty"`  // by at, then id
	// Ended is when nothing was left of it for another reason than a feed: destroyed, diverted, shipped.
	Ended time.Time `json:"ended,omitzero"`

	stays []Stay
	end   time.Time
}

// Receipt is how a lot, or a part of it, came in from outside.
type Receipt struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Step  string    `json:"step,omitempty"`
	Place string    `json:"place,omitempty"`
	Mass  *Mass     `json:"mass,omitempty"` // nil: not weighed
}

// Act says that a lot came to a step or left it, from its first part to its last.
type Act struct {
	ID      string    `json:"id"`
	At      time.Time `json:"at"`             // of the first part
	Until   time.Time `json:"until,omitzero"` // of the last part; zero: all at once
	In      bool      `json:"in,omitempty"`   // it came; else it left
	Step    string    `json:"step"`
	Place   string    `json:"place"`
	Filling string    `json:"filling,omitempty"` // of a bath, where it was named
	Boxes   []Boxes   `json:"boxes,omitempty"`
}

// Boxes is a run of numbered boxes, both ends included.
type Boxes struct {
	Prefix string `json:"prefix,omitempty"`
	From   int64  `json:"from"`
	To     int64  `json:"to"`
}

// End is when the last part came or left.
func (a *Act) End() time.Time { return later(a.At, a.Until) }

// N returns how many boxes the run has.
func (b Boxes) N() int64 { return b.To - b.From + 1 }

// Has reports whether the run holds a box.
func (b Boxes) Has(prefix string, n int64) bool {
	return prefix == b.Prefix && n >= b.From && n <= b.To
}

// Feed is product that went from lots into lots: a split, a merge, a top-up, rework. One of the sides has
// exactly one lot, so that it is known how much each gave to each.
type Feed struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"` // when the last of it had gone over; zero: not said
	How   string    `json:"how,omitempty"`  // as recorded; it changes nothing here
	Step  string    `json:"step,omitempty"`
	Place string    `json:"place,omitempty"`
	From  []Part    `json:"from"`
	To    []Part    `json:"to"`
}

// Part is the share of one lot in a feed.
type Part struct {
	Lot  string `json:"lot"`
	Mass *Mass  `json:"mass,omitempty"` // nil: not weighed
	All  bool   `json:"all,omitempty"`  // nothing is left of the lot that gave it
}

// Removal is mass that left a lot without becoming part of another.
type Removal struct {
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
	What string    `json:"what"` // trim, waste, sample, stock, shipped, destroyed, diverted
	Mass *Mass     `json:"mass,omitempty"`
}

// Stock is a Removal that removes nothing: mass counted as still there.
const Stock = "stock"

// Clone returns a lot that may be changed without changing l.
func (l *Lot) Clone() *Lot {
	n := *l
	n.Received, n.Acts = slices.Clip(l.Received), slices.Clip(l.Acts)
	n.Fed, n.Removed = slices.Clip(l.Fed), slices.Clip(l.Removed)
	return &n
}

// AddReceipt adds a receipt. Settle must follow.
func (l *Lot) AddReceipt(r Receipt) {
	l.Received = put(l.Received, r, func(a, b *Receipt) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) },
		func(r *Receipt) string { return r.ID })
}

// AddAct adds an act; one with the same id takes its place. Settle must follow.
func (l *Lot) AddAct(a Act) { l.Acts = put(l.Acts, a, orderAct, func(a *Act) string { return a.ID }) }

// AddFeed adds a feed. Settle must follow.
func (l *Lot) AddFeed(f Feed) {
	l.Fed = put(l.Fed, f, func(a, b *Feed) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) },
		func(f *Feed) string { return f.ID })
}

// AddRemoval adds mass that left. Settle must follow.
func (l *Lot) AddRemoval(r Removal) {
	l.Removed = put(l.Removed, r, func(a, b *Removal) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) },
		func(r *Removal) string { return r.ID })
}

// Drop takes out what the record with this id said, because it was voided. Settle must follow.
func (l *Lot) Drop(id string) {
	l.Acts = slices.DeleteFunc(slices.Clone(l.Acts), func(a Act) bool { return a.ID == id })
	l.Fed = slices.DeleteFunc(slices.Clone(l.Fed), func(f Feed) bool { return f.ID == id })
	l.Removed = slices.DeleteFunc(slices.Clone(l.Removed), func(r Removal) bool { return r.ID == id })
	l.Received = slices.DeleteFunc(slices.Clone(l.Received), func(r Receipt) bool { return r.ID == id })
}

func orderAct(a, b *Act) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) }

// put returns a new list with v in its place; one with the same id is replaced.
func put[T any](list []T, v T, order func(a, b *T) int, id func(*T) string) []T {
	out := make([]T, 0, len(list)+1)
	for i := range list {
		if id(&list[i]) != id(&v) {
			out = append(out, list[i])
		}
	}
	i := len(out)
	for i > 0 && order(&out[i-1], &v) > 0 {
		i--
	}
	return slices.Insert(out, i, v)
}

// gives returns the part that a lot gave to a feed.
func (f *Feed) gives(code string) (Part, bool) { return partOf(f.From, code) }

// takes returns the part that a lot took from a feed.
func (f *Feed) takes(code string) (Part, bool) { return partOf(f.To, code) }

func partOf(parts []Part, code string) (Part, bool) {
	for _, p := range parts {
		if p.Lot == code {
			return p, true
		}
	}
	return Part{}, false
}

// Born is the first moment at which the lot is known to have existed: its receipt, the first feed it took
// from, else its first act. It is zero for a lot of which nothing is known.
func (l *Lot) Born() time.Time {
	var born time.Time
	first := func(t time.Time) {
		if born.IsZero() || t.Before(born) {
			born = t
		}
	}
	for i := range l.Received {
		first(l.Received[i].At)
	}
	for i := range l.Fed {
		if _, ok := l.Fed[i].takes(l.Code); ok {
			first(l.Fed[i].At)
		}
	}
	if born.IsZero() && len(l.Acts) > 0 {
		born = l.Acts[0].At
	}
	return born
}

// Gone is when nothing was left of the lot: zero where something may be.
func (l *Lot) Gone() time.Time { return l.end }

// Boxes returns the boxes filled from the lot.
func (l *Lot) Boxes() []Boxes {
	var out []Boxes
	for i := range l.Acts {
		out = append(out, l.Acts[i].Boxes...)
	}
	return out
}

// Last returns the latest moment recorded about the lot.
func (l *Lot) Last() time.Time {
	last := l.Ended
	see := func(t time.Time) {
		if t.After(last) {
			last = t
		}
	}
	for i := range l.Received {
		see(l.Received[i].At)
	}
	for i := range l.Acts {
		see(l.Acts[i].End())
	}
	for i := range l.Fed {
		see(l.Fed[i].At)
		see(l.Fed[i].Until)
	}
	for i := range l.Removed {
		see(l.Removed[i].At)
	}
	return last
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
