package control

import (
	"iter"
	"slices"
	"time"
)

// chunkSize is how many samples a chunk holds. The tail grows to half as many again before its older part
// becomes a chunk, so that a sample that comes a little late still falls into the tail. One that comes later
// costs the chunks from its own on, and no more than the one where the automata agree again.
const chunkSize = 32

// longTail is how many samples the tail takes.
const longTail = chunkSize * 3 / 2

// Chunk is a run of samples in order, with the automata as they stood before it and the spans that
// readings of the chunk ended. Samples of one moment lie in one chunk.
type Chunk struct {
	Base    State     `json:"base"`
	Samples []*Sample `json:"samples,omitempty"`
	Closed  []*Span   `json:"closed,omitempty"`
}

func (ch *Chunk) first() time.Time { return ch.Samples[0].At }
func (ch *Chunk) last() time.Time  { return ch.Samples[len(ch.Samples)-1].At }

// Window is the readings of the horizon of one point at one place, with the excursions that follow
// from them. It is a value: every method that changes something returns a new Window and leaves the
// old one, and all that it shares with it, as it was. The zero Window is empty and complete.
//
// What it promises: all samples at or after From are in it, and every excursion that ends after From
// (or is open) is exact, whatever the order in which samples came, as long as what the Context says of
// the time before From stands. Where it changes, or a sample from before, extend the window first.
type Window struct {
	From   time.Time `json:"from,omitzero"`    // zero: everything there ever was
	Kept   []*Span   `json:"kept,omitempty"`   // ended before From, of excursions that go on or may be overlapped
	Chunks []*Chunk  `json:"chunks,omitempty"` // full ones, in order; never empty
	Tail   Chunk     `json:"tail"`
	State  State     `json:"state"` // after the tail
	// Moves counts the changes that may have changed an excursion; while it stands still, none has.
	Moves int64 `json:"moves,omitempty"`
}

// Covers reports whether a sample of that moment can be inserted.
func (w Window) Covers(at time.Time) bool { return !at.Before(w.From) }

// Reaches reports whether the window holds a sample from before a moment.
func (w Window) Reaches(at time.Time) bool { return !w.empty() && w.oldest().Before(at) }

// Len returns the number of samples.
func (w Window) Len() int {
	n := len(w.Tail.Samples)
	for _, ch := range w.Chunks {
		n += len(ch.Samples)
	}
	return n
}

// All yields the samples in order.
func (w Window) All() iter.Seq[*Sample] {
	return func(yield func(*Sample) bool) {
		for i := range w.chunks() {
			for _, s := range w.chunk(i).Samples {
				if !yield(s) {
					return
				}
			}
		}
	}
}

// chunks counts the chunks with the tail.
func (w *Window) chunks() int { return len(w.Chunks) + 1 }

// chunk gives a chunk by its number; the last is the tail.
func (w *Window) chunk(i int) *Chunk {
	if i == len(w.Chunks) {
		return &w.Tail
	}
	return w.Chunks[i]
}

// Backward yields the samples from the newest to the oldest.
func (w Window) Backward() iter.Seq[*Sample] {
	return func(yield func(*Sample) bool) {
		for i := len(w.Chunks); i >= 0; i-- {
			for _, s := range slices.Backward(w.chunk(i).Samples) {
				if !yield(s) {
					return
				}
			}
		}
	}
}

// Find returns the sample with an id, or nil.
func (w Window) Find(id string) *Sample {
	for s := range w.Backward() {
		if s.ID == id {
			return s
		}
	}
	return nil
}

// list returns the chunks with the tail last; the tail only if it has samples.
func (w *Window) list() []*Chunk {
	if len(w.Tail.Samples) == 0 {
		return w.Chunks
	}
	tail := w.Tail // its own copy: redo keeps chunks of the list while it makes a new tail
	return append(slices.Clip(w.Chunks), &tail)
}

// Insert adds samples in any order. A sample that newer ones follow makes the spans be computed again
// from its place on. A sample that is in the window already (same time and id) is replaced. Samples
// without a mark, and samples before From, are passed over: ask Covers and Extend first.
func (w Window) Insert(c Context, ss ...Sample) Window {
	add := make([]*Sample, 0, len(ss))
	for _, s := range ss { // each its own copy: the caller's slice stays the caller's
		if len(s.Marks) > 0 && w.Covers(s.At) {
			add = append(add, &s)
		}
	}
	slices.SortStableFunc(add, compare)
	if len(add) > 0 && (w.empty() || add[0].At.After(w.newest())) {
		for len(add) > 0 {
			n := 1
			for n < len(add) && add[n].At.Equal(add[0].At) {
				n++
			}
			w = w.push(&c, unique(slices.Clip(add[:n])))
			add = add[n:]
		}
		return w
	}
	return w.merge(&c, add)
}

func (w *Window) empty() bool { return len(w.Tail.Samples) == 0 && len(w.Chunks) == 0 }

// oldest returns the time of the first sample; there is one.
func (w *Window) oldest() time.Time {
	if len(w.Chunks) > 0 {
		return w.Chunks[0].first()
	}
	return w.Tail.first()
}

// newest returns the time of the last sample; there is one.
func (w *Window) newest() time.Time {
	if len(w.Tail.Samples) == 0 {
		return w.Chunks[len(w.Chunks)-1].last()
	}
	return w.Tail.last()
}

// push adds samples of one moment after the newest.
func (w Window) push(c *Context, group []*Sample) Window {
	quiet := w.State.calm()
	for _, s := range group {
		quiet = quiet && !s.Outside()
	}
	if !quiet {
		w.Moves++
	}
	r := newRunner(c, w.State)
	r.run(group)
	w.Tail.Samples = slices.Concat(w.Tail.Samples, group)
	if len(r.closed) > 0 {
		w.Tail.Closed = slices.Concat(w.Tail.Closed, r.closed)
	}
	w.State = r.state()
	return w.shorten(c)
}

// shorten makes the older part of a tail that is full a chunk.
func (w Window) shorten(c *Context) Window {
	if len(w.Tail.Samples) < longTail {
		return w
	}
	r := newRunner(c, w.Tail.Base)
	var made []*Chunk
	for piece := range pieces(w.Tail.Samples) {
		ch := &Chunk{Base: r.state(), Samples: piece}
		r.run(piece)
		ch.Closed, r.closed = r.closed, nil
		made = append(made, ch)
	}
	n := len(made) - 1
	w.Chunks, w.Tail = slices.Concat(w.Chunks, made[:n]), *made[n]
	return w
}

// merge adds sorted samples at their places.
func (w Window) merge(c *Context, add []*Sample) Window {
	if len(add) == 0 {
		return w
	}
	if n := len(w.Tail.Samples); n > 0 && n+len(add) <= longTail && !add[0].At.Before(w.Tail.first()) {
		return w.mergeTail(c, add)
	}
	return w.redo(c, w.chunkOf(add[0].At), add, "", false)
}

// mergeTail is redo for samples that belong into the tail, where nearly all that come late belong.
func (w Window) mergeTail(c *Context, add []*Sample) Window {
	if s := add[0]; len(add) == 1 && !s.Outside() && w.settled(s.At) {
		if compare(w.Tail.Samples[len(w.Tail.Samples)-1], s) < 0 { // of the newest moment, and the last of it
			return w.push(c, add)
		}
		if !w.surpassed(c, s) {
			return w.rerun(c, add)
		}
		if i, found := slices.BinarySearchFunc(w.Tail.Samples, add[0], compare); !found {
			w.Tail.Samples = slices.Concat(w.Tail.Samples[:i], add, w.Tail.Samples[i:])
			return w.shorten(c)
		}
	}
	return w.rerun(c, add)
}

// rerun takes the automata through the tail again, with samples added.
func (w Window) rerun(c *Context, add []*Sample) Window {
	r := newRunner(c, w.Tail.Base)
	ch := Chunk{Base: w.Tail.Base, Samples: mergeSamples(w.Tail.Samples, add, "")}
	r.run(ch.Samples)
	ch.Closed = r.closed
	state := r.state()
	if !w.Tail.quiet(&w.State) || !ch.quiet(&state) {
		w.Moves++
	}
	w.Tail, w.State = ch, state
	return w.shorten(c)
}

// settled reports whether from a moment in the tail on no span was open, and at its end no probe's run waits, so
// that an inside sample of that moment can neither end a span nor bound one.
func (w *Window) settled(at time.Time) bool {
	if !w.State.calm() {
		return false
	}
	for _, span := range w.Tail.Closed {
		if !span.End.Before(at) {
			return false
		}
	}
	return true
}

// surpassed reports whether the newest sample, which comes after s, says inside of all that an inside s says inside
// of, so that s leaves the automata of a settled tail where they stand.
func (w *Window) surpassed(c *Context, s *Sample) bool {
	last := w.Tail.Samples[len(w.Tail.Samples)-1]
	if last.Imported || s.Proves() && !last.Proves() || c.key(last) != c.key(s) {
		return false
	}
	for i := range s.Marks {
		if m := &s.Marks[i]; m.Bounds() && !slices.ContainsFunc(last.Marks, func(l Mark) bool { return l.Limit == m.Limit && l.Bounds() && !l.Outside }) {
			return false
		}
	}
	return true
}

// quiet reports whether no excursion touches the chunk; after is the state of the automata behind it.
func (ch *Chunk) quiet(after *State) bool {
	return len(ch.Closed) == 0 && ch.Base.calm() && after.calm()
}

// calm reports whether no span is open and no probe's run waits to become one.
func (s *State) calm() bool {
	return !slices.ContainsFunc(s.Tracks, func(t *Track) bool { return t.Open != nil || len(t.Waits) > 0 })
}

// chunkOf returns the index in list of the chunk where a moment belongs.
func (w *Window) chunkOf(at time.Time) int {
	list := w.list()
	n, found := slices.BinarySearchFunc(list, at, func(ch *Chunk, t time.Time) int { return ch.first().Compare(t) })
	if !found {
		n--
	}
	return max(n, 0)
}

// redo computes the chunks from number k on again, with samples added and one taken out. Unless force
// is set it stops where nothing is left to add and the automata stand as they stood before.
func (w Window) redo(c *Context, k int, add []*Sample, without string, force bool) Window {
	list := w.list()
	state := w.Tail.Base
	if k < len(list) {
		state = list[k].Base
	}
	out := slices.Clone(list[:k])
	quiet := !force
	for i := k; i < len(list) || i == k; i++ {
		var old []*Sample
		next, until := State{}, time.Time{}
		if i < len(list) {
			old, next = list[i].Samples, w.State
			quiet = quiet && len(list[i].Closed) == 0
		}
		if i+1 < len(list) {
			next, until = list[i+1].Base, list[i+1].first()
		}
		mine := add
		if !until.IsZero() {
			n := 0
			for n < len(add) && add[n].At.Before(until) {
				n++
			}
			mine = add[:n]
		}
		add = add[len(mine):]
		if i > k && len(mine) == 0 && !force && state.equal(list[i].Base) {
			out, state = append(out, list[i]), next
			continue
		}
		quiet = quiet && state.calm() && (i >= len(list) || list[i].Base.calm() && next.calm())
		r := newRunner(c, state)
		for piece := range pieces(mergeSamples(old, mine, without)) {
			ch := &Chunk{Base: r.state(), Samples: piece}
			r.run(piece)
			ch.Closed, r.closed = r.closed, nil
			quiet = quiet && len(ch.Closed) == 0
			out = append(out, ch)
		}
		state = r.state()
		quiet = quiet && state.calm()
	}
	w.Chunks, w.Tail, w.State = nil, Chunk{Base: state}, state
	if n := len(out); n > 0 {
		w.Chunks, w.Tail = slices.Clip(out[:n-1]), *out[n-1]
	}
	if !quiet {
		w.Moves++
	}
	return w
}

// mergeSamples merges two sorted runs; of samples with one time and id the last of the second run stands.
func mergeSamples(old, add []*Sample, without string) []*Sample {
	add = unique(add)
	again := func(s *Sample) bool {
		i, _ := slices.BinarySearchFunc(add, s.At, func(t *Sample, at time.Time) int { return t.At.Compare(at) })
		for ; i < len(add) && add[i].At.Equal(s.At); i++ {
			if add[i].ID == s.ID {
				return true
			}
		}
		return false
	}
	out, next := make([]*Sample, 0, len(old)+len(add)), 0
	for _, s := range old {
		if without != "" && s.ID == without || again(s) {
			continue
		}
		for next < len(add) && compare(add[next], s) < 0 {
			out, next = append(out, add[next]), next+1
		}
		out = append(out, s)
	}
	return append(out, add[next:]...)
}

// unique drops all but the last of samples with the same time and id; the slice is its own.
func unique(ss []*Sample) []*Sample {
	out := ss[:0:0]
	for i, s := range ss {
		if !slices.ContainsFunc(ss[i+1:min(len(ss), i+1+sameMoment(ss[i:]))], func(t *Sample) bool { return t.ID == s.ID }) {
			out = append(out, s)
		}
	}
	return out
}

// sameMoment counts the samples that share the time of the first.
func sameMoment(ss []*Sample) int {
	n := 1
	for n < len(ss) && ss[n].At.Equal(ss[0].At) {
		n++
	}
	return n
}

// pieces cuts samples into chunks without cutting a moment in two.
func pieces(ss []*Sample) iter.Seq[[]*Sample] {
	return func(yield func([]*Sample) bool) {
		for len(ss) > 0 {
			n := min(chunkSize, len(ss))
			if len(ss) < longTail {
				n = len(ss)
			}
			for n < len(ss) && ss[n].At.Equal(ss[n-1].At) {
				n++
			}
			if !yield(slices.Clip(ss[:n])) {
				return
			}
			ss = ss[n:]
		}
	}
}

// Replace puts an amended sample in place of the one with the id, or takes it out (nil: void). Where
// the id is not in the window, the amended sample is inserted and a void does nothing.
func (w Window) Replace(c Context, id string, s *Sample) Window {
	if old := w.Find(id); old != nil {
		w = w.redo(&c, w.chunkOf(old.At), nil, id, false)
	}
	if s != nil {
		w = w.Insert(c, *s)
	}
	return w
}

// Rebuild computes everything in the window again, after a change of the context: a fix, filling,
// drain, line start or plan version heard of that lies before the newest sample.
func (w Window) Rebuild(c Context) Window { return w.redo(&c, 0, nil, "", true) }

// RebuildSince is Rebuild for a change that touches nothing before a moment: a fix, a line start, a
// drain or a plan version of that time (for a filling: of the earlier of its start and the first
// sample that names it). It does nothing where no sample is that new.
func (w Window) RebuildSince(c Context, at time.Time) Window {
	if w.empty() || w.newest().Before(at) {
		return w
	}
	return w.redo(&c, w.chunkOf(at), nil, "", true)
}

// LastInside returns the newest sample at or before a moment that shows control by itself: live, with
// every mark inside and usable. Before From only the newest such sample is known. Limit and Value of
// the reference are those of its first mark.
func (w Window) LastInside(at time.Time) (Ref, bool) {
	for s := range w.Backward() {
		if !s.At.After(at) && s.Proves() {
			return refTo(s, &s.Marks[0]), true
		}
	}
	base := w.base().Inside
	return base, !base.IsZero() && !base.At.After(at)
}

// NextInside returns the oldest sample after a moment that shows control by itself.
func (w Window) NextInside(at time.Time) (Ref, bool) {
	list := w.list()
	for _, ch := range list[min(w.chunkOf(at), len(list)):] {
		for _, s := range ch.Samples {
			if s.At.After(at) && s.Proves() {
				return refTo(s, &s.Marks[0]), true
			}
		}
	}
	return Ref{}, false
}

// base returns the state at From.
func (w *Window) base() State {
	if len(w.Chunks) > 0 {
		return w.Chunks[0].Base
	}
	return w.Tail.Base
}
