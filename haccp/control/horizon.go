package control

import (
	"slices"
	"time"
)

// Trim drops the samples older than the horizon before the newest one, once there are some more than
// slack older still. Of spans that go on, the first, last and worst readings stay. Excursions that
// ended before the new From are dropped, but for those that one still to come may overlap: it begins
// at the last inside reading of its limit, or at the last exposure, and that may lie before From.
// Automata of fillings that no reading at or after From can belong to are dropped too.
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
		kept := w.keep(c, from, w.State)
		w.From, w.Kept, w.State = from, kept, prune(c, w.State, from)
		w.Tail.Base = w.State
		return w
	}
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
	base := head.Base
	if len(head.Samples) == 0 {
		base = w.State
		if k+1 < len(list) {
			base = list[k+1].Base
		}
	}
	kept := w.keep(c, from, base)
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
// excursion that does not end before it, or that may be touched by one to come: one for each limit of
// each such excursion. base is where the automata stand at the new From. What readings of the window opened
// joins none of them to another: those readings may yet be voided.
func (w *Window) keep(c *Context, from time.Time, base State) []*Span {
	var old []stretch
	for _, x := range w.stretches(c, time.Time{}) {
		if !x.Span.End.IsZero() && x.Span.End.Before(from) {
			old = append(old, x)
		}
	}
	for _, t := range base.Tracks {
		if t.Open != nil {
			old = append(old, stretchOf(c, t.Open))
		}
	}
	var kept []*Span
	for _, cl := range cluster(old) {
		e := excursionOf(cl)
		if !e.End.IsZero() && e.End.Before(from) {
			if low := lowest(c, base, cl[0].Filling, from); low.IsZero() || !e.End.After(low) && !pointAt(cl, low) {
				continue
			}
		}
		at := len(kept)
		for _, x := range cl {
			if x.Span.End.IsZero() {
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
	if len(kept) > maxKept {
		slices.SortStableFunc(kept, func(a, b *Span) int { return a.Last.At.Compare(b.Last.At) })
		kept = slices.Clone(kept[len(kept)-maxKept:])
	}
	return kept
}

// pointAt reports whether one of the stretches is the point of a moment: another one of that moment joins it.
func pointAt(xs []stretch, at time.Time) bool {
	return slices.ContainsFunc(xs, func(x stretch) bool { return x.begin.Equal(at) && x.end.Equal(at) })
}

// maxKept bounds the spans kept of what ended before a window. A filling in which hundreds of excursions
// follow one another while one of its limits is never seen inside, and the line never starts, has more.
const maxKept = 200

// lowest returns the earliest moment before from at which a span of a filling may yet begin; zero where
// none can begin before from.
func lowest(c *Context, base State, filling string, from time.Time) time.Time {
	if c.ended(filling, from) {
		return time.Time{}
	}
	var low time.Time
	take := func(at time.Time) {
		if !at.IsZero() && (low.IsZero() || at.Before(low)) {
			low = at
		}
	}
	take(c.exposed(filling, from))
	for _, t := range base.Tracks {
		if t.Filling != filling {
			continue
		}
		live, others := t.Live, t.Any
		if t.Open != nil { // it may go on, also after the drain, and it may yet turn out not to be imported only
			live, others = t.Open.Live, t.Open.Any
			at, _, _ := t.Open.begin()
			take(at)
			take(t.Open.Exposed)
		}
		for _, run := range t.Waits {
			at, _, _ := run.begin()
			take(at)
			take(run.Exposed)
			take(run.Live.At)
			take(run.Any.At)
		}
		take(live.At)
		take(others.At)
	}
	return low
}

// join makes one span of two of one limit and excursion.
func join(a, b *Span) *Span {
	s := *a
	if earlier(b, a) {
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

// earlier reports whether span a begins before b, or by a reading that comes first at the same moment.
func earlier(a, b *Span) bool {
	at, id, _ := a.begin()
	than, other, _ := b.begin()
	return at.Before(than) || at.Equal(than) && id != "" && (other == "" || id < other)
}

// prune drops the tracks of fillings that no reading at or after a moment can belong to.
func prune(c *Context, s State, from time.Time) State {
	gone := func(t *Track) bool {
		end, _ := c.drained(t.Filling)
		return c.ended(t.Filling, from) && !end.Equal(from) // an excursion that ends at from is one of the window
	}
	if slices.ContainsFunc(s.Tracks, gone) {
		s.Tracks = slices.DeleteFunc(slices.Clone(s.Tracks), gone)
	}
	return s
}

// ended reports whether no reading at or after a moment can belong to a filling. Only a known one can be
// named after it was drained.
func (c *Context) ended(filling string, from time.Time) bool {
	end, gone := c.drained(filling)
	switch {
	case gone || end.IsZero():
		return gone
	case known(filling) == "":
		return end.Before(from)
	}
	return end.Add(c.Named).Before(from)
}

// Low returns the earliest moment that an excursion of the window may begin or overlap at: From, or the
// begin of what is known from before it, whether ended by readings or with its filling.
func (w Window) Low(c Context) time.Time {
	low := w.From
	take := func(x stretch) {
		if x.begin.Before(low) {
			low = x.begin
		}
	}
	for _, s := range w.Kept {
		take(stretchOf(&c, s))
	}
	for _, t := range w.base().Tracks {
		if t.Open == nil {
			continue
		}
		if x := stretchOf(&c, t.Open); !x.end.IsZero() && x.end.Before(w.From) {
			take(x)
		}
	}
	return low
}

// Extend takes the window further back. older holds every sample in [from, w.From), in any order;
// complete says that there is none before from. It looks for an anchor, the first moment at which the
// automata are known without anything older, and returns the window that is complete and exact from
// there on; false where older does not reach back far enough: fetch more and try again.
//
// The anchor is from itself where complete is set. Otherwise every filling that may have been outside
// at from must be settled, in one of two ways, and the anchor is the moment after the last settling:
//
//   - it was drained, and readings that name it can come no more (for a place without a known filling:
//     the next filling began), or
//   - before any reading outside, each limit of the point showed usable live inside readings that would
//     have ended a span open at from (as many in a row as the plan wants, or one after a fix and the
//     mixing time), and once the last limit had done so each had a usable live inside reading at that
//     moment or after it. Before Context.LiveFrom one inside reading settles a limit, imported or not,
//     where nothing is known to have been exposed before it.
//
// Where the context has probes (Context.Cover), each probe with a reading in the window or among older must have
// shown its limits inside as well, and so must each whose run the window knows to have gone on since from: a reading of
// it may be left out of older because it is about to change. The run of a probe that measured nothing since stands
// where the window has it.
//
// Before the anchor there must also be a sample that shows control by itself, so that LastInside knows the
// last one; before Context.LiveFrom there is none. What settles lies before the anchor, so that a change of it comes before the window and has it
// extended again. A filling begun so late that no reading before from can belong to it needs no settling.
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
	slices.SortStableFunc(all, compare)
	all = unique(all)
	all = slices.AppendSeq(all, w.All())
	at, know := time.Time{}, knowledge{}
	if complete {
		from = time.Time{}
	} else {
		var ok bool
		know = w.before(from)
		if at, ok = anchor(&c, from, all, know.unsure); !ok || know.torn || at.After(w.From) {
			return w, false
		}
	}
	out := Window{From: from, Kept: know.kept, Tail: Chunk{Base: State{Tracks: know.runs}}, Moves: w.Moves}
	out = out.redo(&c, 0, all, "", true)
	if at.After(from) {
		out = out.cut(&c, at)
	}
	return out, true
}

// knowledge is what a window knows of a time that it does not cover: it goes with it where it is taken further back.
type knowledge struct {
	runs   []*Track // of probes that have measured nothing since
	kept   []*Span  // of their fillings, which may yet be touched by a span that such a run opens
	unsure []*Span  // runs of the others
	torn   bool     // what is kept reaches past the moment
}

// before gives what the window knows of the time before a moment that lies before its From.
func (w *Window) before(from time.Time) (k knowledge) {
	for _, t := range w.base().Tracks {
		var silent []*Span
		for _, run := range t.Waits {
			if run.Last.At.Before(from) {
				silent = append(silent, run)
			} else {
				k.unsure = append(k.unsure, run)
			}
		}
		if len(silent) == 0 {
			continue
		}
		if !slices.ContainsFunc(k.runs, func(u *Track) bool { return u.Filling == t.Filling }) {
			for _, s := range w.Kept {
				switch {
				case s.Filling != t.Filling:
				case s.End.Before(from):
					k.kept = append(k.kept, s)
				case s.First.At.Before(from):
					k.torn = true
				}
			}
		}
		k.runs = append(k.runs, &Track{Limit: t.Limit, Filling: t.Filling, Waits: silent})
	}
	return k
}

// anchor finds the moment from which sorted samples determine every excursion. unsure are runs of probes that may have
// begun before.
func anchor(c *Context, from time.Time, all []*Sample, unsure []*Span) (time.Time, bool) {
	limits := slices.Clone(c.Limits)
	fillings := []string{}
	held := false
	for _, f := range c.Fillings {
		held = held || f.Holds(from)
		if f.From.Add(-c.Named).Before(from) && !c.ended(f.ID, from) {
			fillings = append(fillings, f.ID)
		}
	}
	if key := c.keyAt(from); !held && !slices.Contains(fillings, key) {
		fillings = append(fillings, key)
	}
	for _, s := range all {
		for i := range s.Marks {
			if !slices.Contains(limits, s.Marks[i].Limit) {
				limits = append(limits, s.Marks[i].Limit)
			}
		}
	}
	at := from.Add(tick)
	for _, id := range fillings {
		t, ok := settled(c, from, id, limits, all, unsure)
		if !ok {
			return time.Time{}, false
		}
		if t.After(at) {
			at = t
		}
	}
	return at, proven(c, at, all)
}

// proven reports whether the last sample that shows control by itself before a moment is among sorted samples,
// or there is none.
func proven(c *Context, at time.Time, all []*Sample) bool {
	return !c.LiveFrom.IsZero() && !at.After(c.LiveFrom) ||
		slices.ContainsFunc(all, func(s *Sample) bool { return s.At.Before(at) && s.Proves() })
}

// settled finds the moment from which nothing hangs on what was open in a filling at from.
func settled(c *Context, from time.Time, filling string, limits []string, all []*Sample, unsure []*Span) (time.Time, bool) {
	end, _ := c.drained(filling)
	if !end.IsZero() && known(filling) != "" {
		end = end.Add(c.Named)
	}
	at, ok := shown(c, from, filling, limits, all, unsure)
	if !ok || !end.IsZero() && !at.Before(end) {
		at, ok = end, !end.IsZero()
	}
	return at.Add(tick), ok
}

// tick is the least step of recorded times.
const tick = time.Millisecond

// A proof is what the readings of one limit have shown since from.
type proof struct {
	row    int
	closed time.Time // when a span open at from would have ended
	inside time.Time // last usable inside reading that may bound any span
}

// shown finds the moment at which readings had shown every limit inside again.
func shown(c *Context, from time.Time, filling string, limits []string, all []*Sample, unsure []*Span) (time.Time, bool) {
	proofs := make([]proof, len(limits))
	restless, settles := map[[2]string]bool{}, from
	if c.Cover > 0 {
		restless, settles = probesOf(c, filling, all), from.Add(c.Cover)
		for _, run := range unsure {
			if run.Filling == filling {
				restless[[2]string{run.Limit, run.Probe}] = true
			}
		}
	}
	for _, s := range all {
		if c.key(s) != filling {
			continue
		}
		if s.Outside() {
			return time.Time{}, false
		}
		for i := range s.Marks {
			imported := !s.At.After(c.LiveFrom) && c.exposed(filling, s.At).IsZero()
			delete(restless, [2]string{s.Marks[i].Limit, s.Marks[i].Probe})
			if m := &s.Marks[i]; m.Bounds() && (!s.Imported || imported) {
				p := &proofs[slices.Index(limits, m.Limit)]
				p.inside = s.At
				if s.At.Before(settles) {
					continue
				}
				p.row++
				if p.closed.IsZero() && (imported || c.complete(s.At, p.row, from)) {
					p.closed = s.At
				}
			}
		}
		if len(restless) == 0 && agreed(proofs) {
			return s.At, true
		}
	}
	return time.Time{}, false
}

// probesOf lists the limits and probes whose runs readings of a filling may belong to.
func probesOf(c *Context, filling string, all []*Sample) map[[2]string]bool {
	out := map[[2]string]bool{}
	for _, s := range all {
		for i := range s.Marks {
			if m := &s.Marks[i]; m.Probe != "" && c.key(s) == filling {
				out[[2]string{m.Limit, m.Probe}] = true
			}
		}
	}
	return out
}

// agreed reports whether each limit was shown inside since from, and again when the last one was or after.
func agreed(proofs []proof) bool {
	var at time.Time
	for _, p := range proofs {
		if p.closed.IsZero() {
			return false
		}
		if p.closed.After(at) {
			at = p.closed
		}
	}
	return !slices.ContainsFunc(proofs, func(p proof) bool { return p.inside.Before(at) })
}
