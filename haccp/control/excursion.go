package control

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Excursion is a stretch of time in which a control point at a place was outside, in one filling: the
// spans of its limits that overlap in more than an end point (RULES 5.1). It is a closed interval.
type Excursion struct {
	// Filling is empty where it is not known; Water tells apart what lay between known fillings.
	Filling    string    `json:"filling,omitempty"`
	Water      string    `json:"water,omitempty"`
	Begin      time.Time `json:"begin"`
	End        time.Time `json:"end,omitzero"` // zero: open
	BeginKnown bool      `json:"begin_known"`  // false: nothing known before the first outside reading
	BeginID    string    `json:"begin_id,omitempty"`
	Limits     []string  `json:"limits"` // sorted
	// First, Last and Worst are outside readings. Of equally bad ones the worst is the earliest.
	First Ref     `json:"first"`
	Last  Ref     `json:"last"`
	Worst Ref     `json:"worst"`
	Off   float64 `json:"off,omitempty"` // of Worst: how far outside it lay, as a share of the bound
	// Retest is the reading that ended it; none where it is open or ended with the filling.
	Retest   Ref  `json:"retest,omitzero"`
	N        int  `json:"n"`                  // outside readings
	Imported bool `json:"imported,omitempty"` // all of them were imported
}

// Open reports whether the excursion has no end yet.
func (e *Excursion) Open() bool { return e.End.IsZero() }

// Touches reports whether the closed interval of the excursion meets [from, to]; a zero to is open.
func (e *Excursion) Touches(from, to time.Time) bool {
	return (e.End.IsZero() || !e.End.Before(from)) && (to.IsZero() || !e.Begin.After(to))
}

// Has reports whether a sample outside a limit lies in the excursion.
func (e *Excursion) Has(c *Context, s *Sample) bool {
	if c.FillingOf(s) != e.Filling || !e.Touches(s.At, s.At) {
		return false
	}
	for i := range s.Marks {
		if s.Marks[i].Outside && slices.Contains(e.Limits, s.Marks[i].Limit) {
			return true
		}
	}
	return false
}

// A stretch is a span with its ends worked out.
type stretch struct {
	*Span
	begin, end time.Time
	id         string
	known      bool
	retest     Ref
}

func stretchOf(c *Context, s *Span) stretch {
	x := stretch{Span: s}
	x.begin, x.id, x.known = s.begin()
	x.end, x.retest = s.end(c)
	return x
}

// Excursions returns every excursion of the window that is open or ends at or after From, ordered by begin, then filling, then first
// reading, then end.
func (w Window) Excursions(c Context) []Excursion { return w.Since(c, time.Time{}) }

// Known returns, in the order of Excursions, also those of before From that are kept: one still to come may
// overlap them, and when that goes again they stand by themselves again.
func (w Window) Known(c Context) []Excursion { return excursionsOf(w.stretches(&c, w.From)) }

// Since returns the excursions that are open or end at or after a moment, in the order of Excursions.
// It looks no further back than it must.
func (w Window) Since(c Context, at time.Time) []Excursion {
	if at.Before(w.From) {
		at = w.From
	}
	return slices.DeleteFunc(excursionsOf(w.stretches(&c, at)), func(e Excursion) bool { return !e.End.IsZero() && e.End.Before(at) })
}

// excursionsOf gathers stretches into excursions, in order.
func excursionsOf(xs []stretch) []Excursion {
	clusters := cluster(xs)
	out := make([]Excursion, 0, len(clusters))
	for _, cl := range clusters {
		out = append(out, excursionOf(cl))
	}
	slices.SortFunc(out, func(a, b Excursion) int {
		return cmp.Or(a.Begin.Compare(b.Begin), strings.Compare(a.Filling, b.Filling), compareRef(a.First, b.First), compareEnd(a.End, b.End))
	})
	return out
}

// stretches gathers the spans that may belong to an excursion that ends at or after a moment. A span
// ended in a chunk ends no later than the chunk does.
func (w *Window) stretches(c *Context, at time.Time) []stretch {
	var out []stretch
	low, all := at, !at.After(w.From)
	take := func(s *Span) {
		x := stretchOf(c, s)
		if x.begin.Before(low) {
			low = x.begin
		}
		out = append(out, x)
	}
	for _, t := range w.State.Tracks {
		if t.Open != nil {
			take(t.Open)
		}
	}
	for i := len(w.Chunks); i >= 0; i-- {
		ch := w.chunk(i)
		if !all && len(ch.Samples) > 0 && ch.last().Before(low) {
			break
		}
		for _, s := range ch.Closed {
			take(s)
		}
	}
	for _, s := range w.Kept {
		out = append(out, stretchOf(c, s))
	}
	return out
}

// cluster groups the stretches that overlap in more than an end point, each filling by itself.
func cluster(xs []stretch) [][]stretch {
	slices.SortFunc(xs, func(a, b stretch) int {
		return cmp.Or(strings.Compare(a.Filling, b.Filling), a.begin.Compare(b.begin), compareEnd(a.end, b.end),
			compareRef(a.First, b.First))
	})
	var out [][]stretch
	start, end := 0, time.Time{}
	for i, x := range xs {
		if i > 0 && x.Filling == xs[i-1].Filling && joins(x, xs[i-1], end) {
			if compareEnd(x.end, end) > 0 {
				end = x.end
			}
			continue
		}
		if i > 0 {
			out = append(out, xs[start:i])
		}
		start, end = i, x.end
	}
	if len(xs) > 0 {
		out = append(out, xs[start:])
	}
	return out
}

// joins reports whether a stretch overlaps the cluster that ends at end; last is the one sorted before
// it. Two stretches that are one and the same point belong together.
func joins(x, last stretch, end time.Time) bool {
	if end.IsZero() || x.begin.Before(end) {
		return true
	}
	return last.begin.Equal(last.end) && x.begin.Equal(last.begin) && x.end.Equal(last.end)
}

// compareEnd orders ends; a zero end is open and comes last.
func compareEnd(a, b time.Time) int {
	if a.IsZero() || b.IsZero() {
		return cmp.Compare(b2i(a.IsZero()), b2i(b.IsZero()))
	}
	return a.Compare(b)
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func compareRef(a, b Ref) int {
	return cmp.Or(a.At.Compare(b.At), strings.Compare(a.ID, b.ID), strings.Compare(a.Limit, b.Limit))
}

// excursionOf joins the stretches of one cluster, which come in the order of their begin.
func excursionOf(xs []stretch) Excursion {
	x := xs[0]
	e := Excursion{Filling: known(x.Filling), Water: x.Filling, Begin: x.begin, End: x.end, BeginKnown: x.known, BeginID: x.id,
		First: x.First, Last: x.Last, Worst: x.Worst, Retest: x.retest, Imported: true}
	worst := x.Off
	for _, x := range xs {
		if x.begin.Equal(e.Begin) {
			e.BeginKnown = e.BeginKnown || x.known
			e.BeginID = min(cmp.Or(e.BeginID, x.id), cmp.Or(x.id, e.BeginID))
		}
		c := compareEnd(x.end, e.End)
		if c > 0 || c == 0 && e.Retest.IsZero() || c == 0 && !x.retest.IsZero() && compareRef(x.retest, e.Retest) < 0 {
			e.End, e.Retest = x.end, x.retest
		}
		if compareRef(x.First, e.First) < 0 {
			e.First = x.First
		}
		if compareRef(x.Last, e.Last) > 0 {
			e.Last = x.Last
		}
		if x.Off > worst || x.Off == worst && compareRef(x.Worst, e.Worst) < 0 {
			e.Worst, worst = x.Worst, x.Off
		}
		e.N += x.N
		e.Imported = e.Imported && x.Imported
		e.Limits = append(e.Limits, x.Limit)
	}
	e.Off = worst
	slices.Sort(e.Limits)
	e.Limits = slices.Compact(e.Limits)
	e.N = max(e.N, 1)
	return e
}
