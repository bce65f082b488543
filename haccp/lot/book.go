package lot

import (
	"cmp"
	"slices"
	"time"
)

// Facts are what is known beside the lots themselves.
type Facts struct {
	Emptied  []Emptied // hoppers recorded empty
	Breaks   []Break   // clean breaks
	Fillings []Filling // of baths
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

// Book holds the lots that a question is about. The lots must be settled.
type Book struct {
	way   *Way
	facts Facts
	lots  map[string]*Lot
	codes []string // sorted
	into  map[string][]edge
	outOf map[string][]edge
	at    map[string][]here // place -> stays, by From
}

// An edge is product that went from one lot into another.
type edge struct {
	from, to string
	at, end  time.Time // first and last of it; zero end: may still go on
	feed     *Feed     // nil: a heel
	mass     *Mass
}

type here struct {
	lot  string
	stay *Stay
}

// NewBook opens a book of lots. What a lot fed or was fed by and is not among them is left out.
func NewBook(w *Way, lots []*Lot, f Facts) *Book {
	b := &Book{way: w, facts: f, lots: make(map[string]*Lot, len(lots)), into: map[string][]edge{}, outOf: map[string][]edge{},
		at: map[string][]here{}}
	for _, l := range lots {
		b.lots[l.Code] = l
	}
	for code, l := range b.lots {
		b.codes = append(b.codes, code)
		for i := range l.stays {
			b.at[l.stays[i].Place] = append(b.at[l.stays[i].Place], here{code, &l.stays[i]})
		}
	}
	slices.Sort(b.codes)
	empty := emptyTimes(w, f)
	for place, list := range b.at {
		slices.SortFunc(list, func(x, y here) int { return cmp.Or(x.stay.From.Compare(y.stay.From), cmp.Compare(x.lot, y.lot)) })
		if w.Carries(place) {
			b.heels(list, empty[place])
		}
	}
	for _, code := range b.codes {
		b.feeds(b.lots[code])
	}
	return b
}

// Lot returns a lot of the book, nil where it has none of that code.
func (b *Book) Lot(code string) *Lot { return b.lots[code] }

// Codes returns the codes of the lots, sorted.
func (b *Book) Codes() []string { return b.codes }

func (b *Book) link(e edge) {
	b.outOf[e.from] = append(b.outOf[e.from], e)
	b.into[e.to] = append(b.into[e.to], e)
}

// feeds links a lot with those it took from.
func (b *Book) feeds(l *Lot) {
	for i := range l.Fed {
		f := &l.Fed[i]
		took, ok := f.takes(l.Code)
		if !ok {
			continue
		}
		for _, gave := range f.From {
			if gave.Lot == l.Code {
				continue
			}
			e := edge{from: gave.Lot, to: l.Code, at: f.At, end: b.feedEnd(f, gave.Lot), feed: f, mass: took.Mass}
			if len(f.From) > 1 {
				e.mass = gave.Mass
			} else if e.mass == nil && len(f.To) == 1 {
				e.mass = gave.Mass
			}
			b.link(e)
		}
	}
}

// feedEnd returns when the last of a feed had gone over: as recorded, else when the lot that gave it had left
// the place or step of the feed; zero where it may still go on.
func (b *Book) feedEnd(f *Feed, from string) time.Time {
	if !f.Until.IsZero() {
		return f.Until
	}
	end := f.At
	l := b.lots[from]
	if l == nil {
		return end
	}
	for i := range l.stays {
		s := &l.stays[i]
		if s.Unseen || s.Step != f.Step || f.Place != "" && s.Place != f.Place || !s.Meets(f.At, f.At) {
			continue
		}
		if s.To.IsZero() {
			return time.Time{}
		}
		end = later(end, s.To)
	}
	return end
}

// heels links lots that followed one another through a place that carries product over, unless it was
// recorded empty between them or lay inside a clean break (RULES 6.1).
func (b *Book) heels(list []here, empty []time.Time) {
	var before []here
	for _, h := range list {
		if h.stay.Limbo {
			continue // nothing shows that it came here at all
		}
		var still []here
		for _, p := range before {
			if p.lot != h.lot && emptied(empty, p.stay, h.stay.From) {
				continue
			}
			still = append(still, p)
			if p.lot == h.lot {
				continue
			}
			b.link(edge{from: p.lot, to: h.lot, at: h.stay.From, end: h.stay.To})
			if p.stay.To.IsZero() || p.stay.To.After(h.stay.From) { // both at once
				b.link(edge{from: h.lot, to: p.lot, at: h.stay.From, end: p.stay.To})
			}
		}
		// What the lots before left has gone into this one: it alone hands it on, but for those still there.
		before = slices.DeleteFunc(still, func(p here) bool {
			return p.lot == h.lot || !p.stay.To.IsZero() && !p.stay.To.After(h.stay.From)
		})
		before = append(before, h)
	}
}

// emptyTimes gives the moments at which each place was empty, sorted: recorded so, or inside a clean break.
func emptyTimes(w *Way, f Facts) map[string][]time.Time {
	out := map[string][]time.Time{}
	for _, e := range f.Emptied {
		out[e.Place] = append(out[e.Place], e.At)
	}
	for i := range f.Breaks {
		x := &f.Breaks[i]
		places := x.Places
		if len(places) == 0 {
			places = w.passed[x.Line]
		}
		for _, place := range places {
			out[place] = append(out[place], x.At)
		}
	}
	for _, times := range out {
		slices.SortFunc(times, time.Time.Compare)
	}
	return out
}

// emptied reports whether a place was empty after a stay and no later than a moment.
func emptied(times []time.Time, s *Stay, by time.Time) bool {
	after := s.To
	switch {
	case s.NoTo: // when it left is not recorded, but the place was found empty
		after = s.From
	case after.After(by): // recorded to have been there until later
		return false
	}
	i, _ := slices.BinarySearchFunc(times, after, time.Time.Compare)
	return i < len(times) && !times[i].After(by)
}
