package lot

import (
	"iter"
	"maps"
	"slices"
	"time"
)

// Facts are what is known beside the lots themselves.
type Facts struct {
	Emptied  []Emptied // hoppers recorded empty
	Breaks   []Break   // clean breaks
	Fillings []Filling // of baths
	Past     Archive   // what else is known of empty places
}

// Emptied says that a place that carries product over was recorded empty.
type Emptied struct {
	Place string    `json:"place"`
	At    time.Time `json:"at"`
}

// Break is a clean break: a line with these places was cleaned, sanitised and inspected. Without places it is
// the whole line.
type Break struct {
	Line   string    `json:"line"`
	Places []string  `json:"places,omitempty"`
	At     time.Time `json:"at"`
}

// Filling is the water of a bath for a time; zero To: still in it.
type Filling struct {
	ID    string
	Place string
	From  time.Time
	To    time.Time
}

// Lots gives the lots that a book is about. They must be settled.
type Lots interface {
	Get(code string) *Lot    // nil for none
	Codes() iter.Seq[string] // in their order
}

// Book answers questions about lots, each at a cost that goes with the lots it comes upon. It is for one goroutine
// and for one question, or a few: it keeps what it worked out.
type Book struct {
	way   *Way
	facts Facts
	lots  Lots
	at    Index
	ins   map[string][]edge // found so far, by lot
	outs  map[string][]edge
	empty map[string][]time.Time // found so far, by place
}

// Open opens a book of lots whose stays stand in an index. What a lot fed or was fed by and is not among them is left
// out.
func Open(w *Way, lots Lots, at Index, f Facts) *Book {
	return &Book{way: w, facts: f, lots: lots, at: at, ins: map[string][]edge{}, outs: map[string][]edge{}, empty: map[string][]time.Time{}}
}

// NewBook opens a book of lots that no index holds yet.
func NewBook(w *Way, lots []*Lot, f Facts) *Book {
	var at Index
	all := make(byCode, len(lots))
	for _, l := range lots {
		all[l.Code] = l
		at.Put(nil, l)
	}
	return Open(w, all, at, f)
}

type byCode map[string]*Lot

// Get implements Lots.
func (m byCode) Get(code string) *Lot { return m[code] }

// Codes implements Lots.
func (m byCode) Codes() iter.Seq[string] { return slices.Values(slices.Sorted(maps.Keys(m))) }

// Lot returns a lot of the book, nil where it has none of that code.
func (b *Book) Lot(code string) *Lot { return b.lots.Get(code) }

// Codes returns the codes of the lots, sorted.
func (b *Book) Codes() []string { return slices.Collect(b.lots.Codes()) }

// Any reports whether the book has a lot.
func (b *Book) Any() bool {
	for range b.lots.Codes() {
		return true
	}
	return false
}
