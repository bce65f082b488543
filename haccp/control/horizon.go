package control

import (
	"slices"
	"time"
)

// Trim drops the samples older than the horizon before the newest one, once there are some more than
// slack older still. Of spans that go on, the first, last and worst readings stay; excursions that
// ended before the new From are dropped. Automata of fillings drained before it are dropped too, so a
// sample that comes after the drain of its own filling by more than the horizon begins anew.
func (w Window) Trim(c Context, horizon, slack time.Duration) Window {
	if w.empty() {
		return w
	}
	cut := w.newest().Add(-horizon)
	if !w.oldest().Before(cut.Add(-slack)) {
		return w
	}
	return w.cut(&c, cut)
}

// Cut makes the window begin no earlier than a moment, whatever the age of its newest sample. It drops what
// Trim drops.
func (w Window) Cut(c Context, from time.Time) Window {
	if !w.From.Before(from) {
		return w
	}
	return w.cut(&c, from)
}

// cut makes a moment the From of the window.
func (w Window) cut(c *Context, from time.Time) Window {
	list := w.list()
	if len(list) == 0 {
		w.From, w.State = from, prune(c, w.State, from)
		w.Tail.Base = w.State
		return w
	}
	kept := w.keep(c, from)
	k := w.chunkOf(from)
	head := *list[k]
	n := 0
	for n < len(head.Samples) && head.Samples[n].At.Before(from) {
		n++
	}
	if n > 0 {
		r := newRunner(c, head.Base)
		r.run(head.Samples[:n])
		r.closed = nil
		head.Base = r.state()
		head.Samples = slices.Clone(head.Samples[n:])
		r.run(head.Samples)
		head.Closed = r.closed
	}
	rest := slices.Clone(list[k+1:])
	if len(head.Samples) > 0 {
		rest = append([]*Chunk{&head}, rest...)
	}
	for i, ch := range rest {
		fresh := *ch
		fresh.Base = prune(c, fresh.Base, from)
		rest[i] = &fresh
	}
	w.From, w.Kept, w.State = from, kept, prune(c, w.State, from)
	w.Chunks, w.Tail = nil, Chunk{Base: w.State}
	if n := len(rest); n > 0 {
		w.Chunks, w.Tail = rest[:n-1:n-1], *rest[n-1]
	}
	return w
}

// keep returns the ended spans that go out of the window with their readings but belong to an
// excursion that does not: one for each limit of each such excursion.
func (w *Window) keep(c *Context, from time.Time) []*Span {
	var kept []*Span
	for _, cl := range cluster(w.stretches(c, time.Time{})) {
		if e := excursionOf(cl); !e.End.IsZero() && e.End.Before(from) {
			continue
		}
		at := len(kept)
		for _, x := range cl {
			if x.Span.End.IsZero() || !x.Span.End.Before(from) {
				continue
			}
			i := slices.IndexFunc(kept[at:], func(s *Span) bool { return s.Limit == x.Limit })
			if i < 0 {
				kept = append(kept, x.Span)
				continue
			}
			kept[at+i] = join(kept[at+i], x.Span)
		}
	}
	return kept
}

// join makes one span of two of one limit and excursion.
func join(a, b *Span) *Span {
	s := *a
	if at, _, _ := b.begin(); at.Before(first(a.begin())) {
		s.Any, s.Live, s.Exposed = b.Any, b.Live, b.Exposed
		if b.Imported { // keep the begin that holds for b alone
			s.Live = b.Any
		}
	} else if a.Imported {
		s.Live = a.Any
	}
	if compareRef(b.First, s.First) < 0 {
		s.First = b.First
	}
	if compareRef(b.Last, s.Last) > 0 {
		s.Last = b.Last
	}
	if b.Off > s.Off || b.Off == s.Off && compareRef(b.Worst, s.Worst) < 0 {
		s.Worst, s.Off = b.Worst, b.Off
	}
	if b.End.After(s.End) {
		s.End, s.Retest = b.End, b.Retest
	}
	s.N += b.N
	s.Imported = a.Imported && b.Imported
	if s.Imported {
		s.Any = s.Live
	}
	return &s
}

func first(at time.Time, _ string, _ bool) time.Time { return at }

// prune drops the tracks of fillings that ended before a moment.
func prune(c *Context, s State, from time.Time) State {
	gone := func(t *Track) bool {
		end, unknown := c.drained(t.Filling)
		if t.Open != nil && !unknown { // a reading may name a filling drained before
			end, _ = t.Open.end(c)
		}
		return unknown || !end.IsZero() && end.Before(from)
	}
	if slices.ContainsFunc(s.Tracks, gone) {
		s.Tracks = slices.DeleteFunc(slices.Clone(s.Tracks), gone)
	}
	return s
}

// Extend takes the window further back. older holds every sample in [from, w.From), in any order;
// complete says that there is none before from. It looks for an anchor, the first moment at which the
// automata are known without anything older, and returns the window that is complete and exact from
// there on; false where older does not reach back far enough: fetch more and try again.
//
// The anchor is from itself where complete is set. Otherwise every filling that may have been outside
// at from must be settled by it, in one of two ways, and the anchor is the last moment of settling:
//
//   - it was drained (for a place without a known filling: the next filling began), or
//   - before any reading outside, each limit of the point showed usable live inside readings that would
//     have ended a span open at from (as many in a row as the plan wants, or one after a fix and the
//     mixing time), and once the last limit had done so each had a usable live inside reading at that
//     moment or after it. Before Context.LiveFrom one inside reading settles a limit, imported or not.
//
// A filling begun at or after from needs no settling.
func (w Window) Extend(c Context, from time.Time, older []Sample, complete bool) (Window, bool) {
	if w.From.IsZero() {
		return w, true
	}
	all := make([]*Sample, 0, w.Len()+len(older))
	for _, s := range older { // each its own copy
		if len(s.Marks) > 0 && (complete || !s.At.Before(from)) && s.At.Before(w.From) {
			all = append(all, &s)
		}
	}
	all = mergeSamples(nil, all, "")
	all = slices.AppendSeq(all, w.All())
	at := time.Time{}
	if complete {
		from = time.Time{}
	} else {
		var ok bool
		if at, ok = anchor(&c, from, all); !ok || at.After(w.From) {
			return w, false
		}
	}
	out := Window{From: from, Moves: w.Moves}.redo(&c, 0, all, "", true)
	if at.After(from) {
		out = out.cut(&c, at)
	}
	return out, true
}

// Anchored reports whether samples from a moment on settle every automaton, as Extend wants it.
func Anchored(c Context, from time.Time, older []Sample, complete bool) bool {
	if complete {
		return true
	}
	all := make([]*Sample, 0, len(older))
	for i := range older {
		if len(older[i].Marks) > 0 && !older[i].At.Before(from) {
			all = append(all, &older[i])
		}
	}
	_, ok := anchor(&c, from, mergeSamples(nil, all, ""))
	return ok
}

// anchor finds the moment from which sorted samples determine every excursion.
func anchor(c *Context, from time.Time, all []*Sample) (time.Time, bool) {
	limits := slices.Clone(c.Limits)
	fillings := []string{}
	held := false
	for _, f := range c.Fillings {
		held = held || f.Holds(from)
		if f.From.Before(from) && (f.To.IsZero() || !f.To.Before(from)) {
			fillings = append(fillings, f.ID)
		}
	}
	if !held {
		fillings = append(fillings, c.keyAt(from))
	}
	for _, s := range all {
		for i := range s.Marks {
			if !slices.Contains(limits, s.Marks[i].Limit) {
				limits = append(limits, s.Marks[i].Limit)
			}
		}
		id := c.key(s)
		if f := c.filling(id); f != nil && f.From.Before(from) && !slices.Contains(fillings, id) {
			fillings = append(fillings, id)
		}
	}
	at := from
	for _, id := range fillings {
		t, ok := settled(c, from, id, limits, all)
		if !ok {
			return time.Time{}, false
		}
		if t.After(at) {
			at = t
		}
	}
	return at, true
}

// settled finds the moment at which whatever was open in a filling at from had ended.
func settled(c *Context, from time.Time, filling string, limits []string, all []*Sample) (time.Time, bool) {
	end, _ := c.drained(filling)
	at, ok := shown(c, from, filling, limits, all)
	switch {
	case ok && (end.IsZero() || at.Before(end)):
		return at, true
	case !end.IsZero():
		return end, true
	}
	return time.Time{}, false
}

// A proof is what the readings of one limit have shown since from.
type proof struct {
	row    int
	closed time.Time // when a span open at from would have ended
	inside time.Time // last usable inside reading that may bound any span
}

// shown finds the moment at which readings had shown every limit inside again.
func shown(c *Context, from time.Time, filling string, limits []string, all []*Sample) (time.Time, bool) {
	old := !c.LiveFrom.IsZero() && !from.After(c.LiveFrom)
	proofs := make([]proof, len(limits))
	for _, s := range all {
		if c.key(s) != filling {
			continue
		}
		if s.Outside() {
			return time.Time{}, false
		}
		for i := range s.Marks {
			imported := old && !s.At.After(c.LiveFrom)
			if m := &s.Marks[i]; m.Usable && (!s.Imported || imported) {
				p := &proofs[slices.Index(limits, m.Limit)]
				p.row++
				p.inside = s.At
				if p.closed.IsZero() && (imported || c.complete(s.At, p.row, from)) {
					p.closed = s.At
				}
			}
		}
		if at, ok := agreed(proofs); ok && !at.After(s.At) {
			return at, true
		}
	}
	return time.Time{}, false
}

// agreed returns the moment when the last limit was settled, if each was shown inside since.
func agreed(proofs []proof) (time.Time, bool) {
	var at time.Time
	for _, p := range proofs {
		if p.closed.IsZero() {
			return at, false
		}
		if p.closed.After(at) {
			at = p.closed
		}
	}
	for _, p := range proofs {
		if p.inside.Before(at) {
			return at, false
		}
	}
	return at, true
}
