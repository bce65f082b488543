package lot

import (
	"cmp"
	"slices"
	"time"
)

// Span is a stretch of time in which a control point was outside at a place, or nothing shows that it was not.
type Span struct {
	Cause   string // id of the deviation
	Place   string
	Filling string    // of a bath, where it is known; empty: any
	Begin   time.Time // both ends belong to it
	End     time.Time // zero: still open
}

// Result is a confirmed or presumptive finding of a pathogen in a sample of a lot, not evaluated yet.
type Result struct {
	Cause string // id of the deviation it opened
	Lot   string
}

// Own is a fault of one lot that goes where the lot goes: its clock ran past the limit, or it was not in
// contact long enough.
type Own struct {
	Cause string // id of the deviation
	Lot   string
	From  time.Time // since when
}

// Causes are what lots may be affected by.
type Causes struct {
	Spans   []Span
	Results []Result
	Own     []Own
}

// How a lot was touched.
const (
	OwnFault = "its own time" // its clock or contact time was outside

	Exposed       = "exposed"                  // it was recorded at the place inside the span
	Unknown       = "unknown exposure"         // a time is missing, so that it may have been
	MadeFrom      = "made from"                // something in it was touched
	Heel          = "heel"                     // a touched lot was left in the hopper
	BeforeBirth   = "before it came to be"     // what it was made of was touched under its code
	Sampled       = "sampled"                  // the result is its own
	WithinBreaks  = "between clean breaks"     // it ran on the line between the clean breaks around
	SameFilling   = "same filling"             // it lay in the same water
	SourceOfCause = "source of what was found" // the sampled lot was made from it
)

// Touch says that a lot is affected, by what and how.
type Touch struct {
	Lot   string    `json:"lot"`
	Cause string    `json:"cause"`
	How   string    `json:"how"`
	Place string    `json:"place,omitempty"`
	Via   string    `json:"via,omitempty"` // the lot it came from
	From  time.Time `json:"from"`          // since when the lot counts as touched
	To    time.Time `json:"to,omitzero"`   // end of the time at the place inside the span; zero: open, or not at a place
}

// Affected computes the lots that causes touch, from the facts alone (RULES 5.3, 5.5): those whose
// time at the place meets the span, and what became of them since. What was recorded of a lot before it came
// to be touched what it was made of. One Touch is given for each lot and cause, the most direct; they are
// ordered by lot, then cause.
func (b *Book) Affected(c Causes) []Touch {
	found := map[[2]string]Touch{}
	for i := range c.Spans {
		b.spread(b.direct(&c.Spans[i]), found)
	}
	for _, r := range c.Results {
		b.spread(b.suspect(r), found)
	}
	for _, o := range c.Own {
		b.spread([]Touch{{Lot: o.Lot, Cause: o.Cause, How: OwnFault, From: o.From}}, found)
	}
	out := make([]Touch, 0, len(found))
	for _, t := range found {
		out = append(out, t)
	}
	slices.SortFunc(out, func(x, y Touch) int { return cmp.Or(cmp.Compare(x.Lot, y.Lot), cmp.Compare(x.Cause, y.Cause)) })
	return out
}

// Bearing leaves out of causes those that cannot reach the lots named, nor what was made of them: no lot that any of
// these was made of lay in their span.
func (b *Book) Bearing(codes []string, c Causes) Causes {
	kin := b.closure(b.closure(codes, b.outOf, func(e *edge) string { return e.to }), b.into, func(e *edge) string { return e.from })
	of := map[string]bool{}
	for _, code := range kin {
		of[code] = true
	}
	out := Causes{Results: c.Results}
	for i := range c.Spans {
		for h := range b.at.meeting(c.Spans[i].Place, c.Spans[i].Begin, c.Spans[i].End) {
			if of[h.lot] {
				out.Spans = append(out.Spans, c.Spans[i])
				break
			}
		}
	}
	for _, o := range c.Own {
		if of[o.Lot] {
			out.Own = append(out.Own, o)
		}
	}
	return out
}

// closure lists lots and all that edges lead to from them.
func (b *Book) closure(codes []string, edges func(string) []edge, next func(*edge) string) []string {
	seen := map[string]bool{}
	var out []string
	for todo := slices.Clone(codes); len(todo) > 0; todo = todo[1:] {
		if seen[todo[0]] {
			continue
		}
		seen[todo[0]] = true
		out = append(out, todo[0])
		for _, e := range edges(todo[0]) {
			todo = append(todo, next(&e))
		}
	}
	return out
}

// direct lists the lots at the place of a span inside it.
func (b *Book) direct(s *Span) []Touch {
	var out []Touch
	for h := range b.at.meeting(s.Place, s.Begin, s.End) {
		if b.otherWater(s, h.stay) {
			continue
		}
		t := Touch{Lot: h.lot, Cause: s.Cause, How: Exposed, Place: s.Place, From: later(h.stay.From, s.Begin), To: earliest(h.stay.To, s.End)}
		if h.stay.NoFrom || h.stay.NoTo {
			t.How = Unknown
			if !h.stay.Unseen && (!h.stay.NoFrom && within(h.stay.From, s) || !h.stay.NoTo && within(h.stay.To, s)) {
				t.How = Exposed
			}
		}
		out = append(out, t)
		out = append(out, b.beforeBirth(&t)...)
	}
	return out
}

func within(at time.Time, s *Span) bool {
	return !at.Before(s.Begin) && (s.End.IsZero() || !at.After(s.End))
}

// otherWater reports whether a stay is recorded in another filling than that of the span.
func (b *Book) otherWater(s *Span, x *Stay) bool {
	return s.Filling != "" && x.Filling != "" && x.Filling != s.Filling
}

// beforeBirth passes a touch from before a lot came to be back to what it was made of: what was at the place
// under its code was that.
func (b *Book) beforeBirth(t *Touch) []Touch {
	var out []Touch
	seen := map[string]bool{t.Lot: true}
	for todo := []string{t.Lot}; len(todo) > 0; todo = todo[1:] {
		l := b.Lot(todo[0])
		if l == nil || !t.From.Before(l.Born()) {
			continue
		}
		for _, e := range b.into(l.Code) {
			if e.feed == nil || seen[e.from] {
				continue
			}
			seen[e.from] = true
			todo = append(todo, e.from)
			out = append(out, Touch{Lot: e.from, Cause: t.Cause, How: BeforeBirth, Place: t.Place, Via: l.Code, From: t.From, To: t.To})
		}
	}
	return out
}

// suspect lists the lots that a pathogen result puts in doubt: the sampled one, what it was made of, every lot
// that ran on the line between the clean breaks around one of these, and every lot in the same water.
func (b *Book) suspect(r Result) []Touch {
	var out []Touch
	b.upstream(r.Lot, func(l *Lot, _ time.Time) {
		how, via := SourceOfCause, r.Lot
		if l.Code == r.Lot {
			how, via = Sampled, ""
		}
		out = append(out, Touch{Lot: l.Code, Cause: r.Cause, How: how, Via: via, From: l.Born()})
		for i := range l.stays {
			s := &l.stays[i]
			out = append(out, b.alongside(r.Cause, l.Code, s)...)
		}
	})
	return out
}

// alongside lists the lots that shared the line with a stay between the clean breaks around it, or its water.
func (b *Book) alongside(cause, code string, s *Stay) []Touch {
	var out []Touch
	if line := b.way.Line(s.Place); line != "" {
		from, to := b.breaksAround(line, s)
		for _, place := range b.way.passed[line] {
			for h := range b.at.meeting(place, from, to) {
				if h.lot != code && !b.endsAt(h.stay, from, to) {
					out = append(out, Touch{Lot: h.lot, Cause: cause, How: WithinBreaks, Place: place, Via: code, From: later(h.stay.From, from), To: earliest(h.stay.To, to)})
				}
			}
		}
	}
	for _, f := range b.waters(s) {
		for h := range b.at.meeting(s.Place, f.From, f.To) {
			if h.lot != code && (h.stay.Filling == "" || f.ID == "" || h.stay.Filling == f.ID) {
				out = append(out, Touch{Lot: h.lot, Cause: cause, How: SameFilling, Place: s.Place, Via: code, From: later(h.stay.From, f.From), To: earliest(h.stay.To, f.To)})
			}
		}
	}
	return out
}

// endsAt reports whether a stay only meets the time between two breaks at the moment of one of them: it is
// recorded to have left by the first or to have come after the second.
func (b *Book) endsAt(s *Stay, from, to time.Time) bool {
	return !s.To.IsZero() && s.To.Equal(from) && !s.NoTo && s.From.Before(from) ||
		!to.IsZero() && s.From.Equal(to) && !s.NoFrom
}

// breaksAround returns the last clean break of a whole line before a stay and the first after it; zero where
// there is none.
func (b *Book) breaksAround(line string, s *Stay) (from, to time.Time) {
	for i := range b.facts.Breaks {
		x := &b.facts.Breaks[i]
		if x.Line != line || !b.wholeLine(x) {
			continue
		}
		if !x.At.After(s.From) && x.At.After(from) {
			from = x.At
		}
		if !s.To.IsZero() && !x.At.Before(s.To) && (to.IsZero() || x.At.Before(to)) {
			to = x.At
		}
	}
	return from, to
}

// wholeLine reports whether a clean break took in every place of the line that lots pass.
func (b *Book) wholeLine(x *Break) bool {
	if len(x.Places) == 0 {
		return true
	}
	for _, place := range b.way.passed[x.Line] {
		if !slices.Contains(x.Places, place) {
			return false
		}
	}
	return true
}

// waters lists the fillings of a bath that a stay lay in.
func (b *Book) waters(s *Stay) []Filling {
	var out []Filling
	for _, f := range b.facts.Fillings {
		if f.Place != s.Place {
			continue
		}
		if s.Filling == f.ID || s.Filling == "" && s.Meets(f.From, f.To) {
			out = append(out, f)
		}
	}
	return out
}

// directness orders how a lot was touched, the most direct first.
var directness = []string{OwnFault, Sampled, Exposed, Unknown, SameFilling, WithinBreaks, BeforeBirth, SourceOfCause, MadeFrom, Heel}

// spread adds touches and all that became of the lots since to found.
func (b *Book) spread(todo []Touch, found map[[2]string]Touch) {
	since := map[[2]string]time.Time{} // lot and cause -> from when it was followed
	for len(todo) > 0 {
		t := todo[0]
		todo = todo[1:]
		k := [2]string{t.Lot, t.Cause}
		if b.Lot(t.Lot) == nil {
			continue
		}
		if old, ok := found[k]; !ok || moreDirect(&t, &old) {
			found[k] = t
		}
		if t.How == SourceOfCause { // what else came of the source is found by its own time on the line
			continue
		}
		if at, ok := since[k]; ok && !t.From.Before(at) {
			continue
		}
		since[k] = t.From
		for _, e := range b.outOf(t.Lot) {
			if !e.end.IsZero() && e.end.Before(t.From) {
				continue
			}
			how := MadeFrom
			if e.feed == nil {
				how = Heel
			}
			todo = append(todo, Touch{Lot: e.to, Cause: t.Cause, How: how, Via: t.Lot, From: later(e.at, t.From)})
		}
	}
}

// moreDirect orders touches of one lot by one cause.
func moreDirect(a, b *Touch) bool {
	return cmp.Or(slices.Index(directness, a.How)-slices.Index(directness, b.How), a.From.Compare(b.From),
		cmp.Compare(a.Place, b.Place), cmp.Compare(a.Via, b.Via)) < 0
}
