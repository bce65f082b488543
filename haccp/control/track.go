package control

import (
	"slices"
	"sort"
	"strings"
	"time"
)

// Mark says how a reading stood to one critical limit or action criterion that was evaluated.
type Mark struct {
	Limit   string `json:"limit"`
	Outside bool   `json:"outside,omitempty"`
	// Usable says that the reading may bound a span. One by another instrument than that of record, or
	// with a typed time not yet accepted, may open a span but not end one.
	Usable bool   `json:"usable,omitempty"`
	Value  string `json:"value,omitempty"` // as people read it
	// Tool is the instrument that the value came from; of a computed one, those of its entries with spaces between.
	Tool string `json:"tool,omitempty"`
	// Barred says that one of them was not in order then: the reading may open a span but not bound one (RULES 5.1).
	Barred bool `json:"barred,omitempty"`
	// Off is how far outside it lay, as a share of the bound; it picks the worst reading and decides nothing.
	Off float64 `json:"off,omitempty"`
	// Probe is the instrument, where the plan states a time outside before its readings count, and Wait that
	// time. Empty: the mark counts at once.
	Probe string        `json:"probe,omitempty"`
	Wait  time.Duration `json:"wait,omitempty"`
}

// Bounds reports whether the reading may bound a span of the limit.
func (m *Mark) Bounds() bool { return m.Usable && !m.Barred }

// Tools lists the instruments that the value came from.
func (m *Mark) Tools() []string { return strings.Fields(m.Tool) }

// Sample is a reading as one control point at one place sees it. It is never changed once made.
type Sample struct {
	ID       string    `json:"id"`
	Seq      int64     `json:"seq"`
	At       time.Time `json:"at"`
	Until    time.Time `json:"until,omitzero"` // of a probe's reading that covers a span: its end
	By       string    `json:"by,omitempty"`
	Filling  string    `json:"filling,omitempty"` // as named by the report
	Imported bool      `json:"imported,omitempty"`
	Lots     []string  `json:"lots,omitempty"`
	Marks    []Mark    `json:"marks"`
}

// last is the last moment that the sample speaks of.
func (s *Sample) last() time.Time {
	if s.Until.After(s.At) {
		return s.Until
	}
	return s.At
}

// Outside reports whether any mark is outside.
func (s *Sample) Outside() bool {
	for i := range s.Marks {
		if s.Marks[i].Outside {
			return true
		}
	}
	return false
}

// Proves reports whether the sample shows control by itself: taken live, with every mark inside and usable.
func (s *Sample) Proves() bool {
	for i := range s.Marks {
		if s.Marks[i].Outside || !s.Marks[i].Bounds() {
			return false
		}
	}
	return !s.Imported && len(s.Marks) > 0
}

// Before is the order of samples: at, then inside before outside, then id.
func (s *Sample) Before(t *Sample) bool { return compare(s, t) < 0 }

func compare(a, b *Sample) int {
	if c := a.At.Compare(b.At); c != 0 {
		return c
	}
	if ao, bo := a.Outside(), b.Outside(); ao != bo {
		if bo {
			return -1
		}
		return 1
	}
	return strings.Compare(a.ID, b.ID)
}

// Filling is one filling of a bath, from the moment it was filled to the moment it was drained.
type Filling struct {
	ID   string    `json:"id"`
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"` // zero: not drained
}

// Holds reports whether the filling was in the bath at a moment; both ends belong to it.
func (f Filling) Holds(at time.Time) bool {
	return !at.Before(f.From) && (f.To.IsZero() || !at.After(f.To))
}

// RuleFrom is the plan's condition for the return to control, in force from a moment on. The rule in
// force at the reading that may end a span is the one that counts; the first also holds before its From.
type RuleFrom struct {
	From        time.Time     `json:"from"`
	InsideInRow int           `json:"inside_in_row,omitempty"` // 0: after a fix and the mixing time
	Mixing      time.Duration `json:"mixing,omitempty"`
}

// Context is what besides its readings decides on the spans of one point at one place. It must hold
// everything that touches the window; a bath filled again without a recorded drain should get the
// start of the next filling as To.
type Context struct {
	Rules    []RuleFrom  // sorted by From
	Fixes    []time.Time // immediate fixes recorded for the point and place, sorted
	Fillings []Filling   // sorted by From; nil for a place without
	Starts   []time.Time // line starts, sorted
	// Limits are the point's critical limits and action criteria; Window.Extend wants each of them shown
	// inside. Limits seen in the samples count without being named here.
	Limits []string
	// Named is how long before a filling began, or after it was drained, a reading that names it still
	// belongs to it: clocks differ, and samples are read late. Beyond it the name counts for nothing.
	Named time.Duration
	// LiveFrom says that no sample before this moment was taken live: all were imported. Zero: not known.
	LiveFrom time.Time
	// Cover is the longest time that a reading of a probe may cover; zero: no plan version has a probe whose
	// readings count after a time only. Where there is one, Window.Extend wants each of them shown inside as well.
	Cover time.Duration
}

// MaxCover is the longest time that one reading of a probe may cover.
const MaxCover = 12 * time.Hour

// FillingOf returns the id of the filling that a sample belongs to: the one it names where that is
// known and was in the bath then or not long before or after (Named), else the latest begun and not drained before, else "".
func (c *Context) FillingOf(s *Sample) string { return known(c.key(s)) }

// key is FillingOf with a name for the water of a bath that no known filling accounts for: that
// between two known fillings is a filling of its own, named after the one before it.
func (c *Context) key(s *Sample) string {
	if len(c.Fillings) == 0 {
		return ""
	}
	if s.Filling != "" {
		if f := c.filling(s.Filling); f != nil && c.near(f, s.At) {
			return s.Filling
		}
	}
	return c.keyAt(s.At)
}

// near reports whether a reading of a moment may belong to a filling that it names.
func (c *Context) near(f *Filling, at time.Time) bool {
	return !at.Before(f.From.Add(-c.Named)) && (f.To.IsZero() || !at.After(f.To.Add(c.Named)))
}

func (c *Context) keyAt(at time.Time) string {
	n := c.begun(at)
	for i := n - 1; i >= 0; i-- {
		if c.Fillings[i].Holds(at) {
			return c.Fillings[i].ID
		}
	}
	if n == 0 {
		return ""
	}
	return unknownAfter + c.Fillings[n-1].ID
}

// unknownAfter begins the key of an unknown filling.
const unknownAfter = ">"

// known returns the filling's id as others see it.
func known(key string) string {
	if strings.HasPrefix(key, unknownAfter) {
		return ""
	}
	return key
}

// begun counts the fillings with From at or before a moment.
func (c *Context) begun(at time.Time) int {
	return sort.Search(len(c.Fillings), func(i int) bool { return c.Fillings[i].From.After(at) })
}

func (c *Context) filling(id string) *Filling {
	for i := len(c.Fillings) - 1; i >= 0; i-- {
		if c.Fillings[i].ID == id {
			return &c.Fillings[i]
		}
	}
	return nil
}

func (c *Context) rule(at time.Time) RuleFrom {
	if len(c.Rules) == 0 {
		return RuleFrom{}
	}
	n := sort.Search(len(c.Rules), func(i int) bool { return c.Rules[i].From.After(at) })
	return c.Rules[max(n-1, 0)]
}

// fixed reports whether a fix was recorded in [from, to].
func (c *Context) fixed(from, to time.Time) bool {
	i := sort.Search(len(c.Fixes), func(i int) bool { return !c.Fixes[i].Before(from) })
	return i < len(c.Fixes) && !c.Fixes[i].After(to)
}

// complete reports whether a usable inside reading ends a span: row is how many there were in a row,
// first the first outside reading of the span.
func (c *Context) complete(at time.Time, row int, first time.Time) bool {
	rule := c.rule(at)
	if rule.InsideInRow > 0 {
		return row >= rule.InsideInRow
	}
	return c.fixed(first, at.Add(-rule.Mixing))
}

// exposed is when the filling or the line was first exposed to product: the later of the filling's
// start and the latest line start, both at or before the reading; zero where neither is known.
func (c *Context) exposed(filling string, at time.Time) time.Time {
	var t time.Time
	if f := c.filling(filling); f != nil && !f.From.After(at) {
		t = f.From
	}
	n := sort.Search(len(c.Starts), func(i int) bool { return c.Starts[i].After(at) })
	if n > 0 && c.Starts[n-1].After(t) {
		t = c.Starts[n-1]
	}
	return t
}

// drained is the moment at which a filling ended: when it was drained; for an unknown filling, when the
// next known one began. Zero: not yet. gone says that the context does not know the filling at all.
func (c *Context) drained(key string) (at time.Time, gone bool) {
	i := 0
	if key != "" {
		id := strings.TrimPrefix(key, unknownAfter)
		for i = len(c.Fillings) - 1; i >= 0 && c.Fillings[i].ID != id; i-- {
		}
		if i < 0 {
			return time.Time{}, true
		}
		if id == key {
			return c.Fillings[i].To, false
		}
		i++
	}
	if i < len(c.Fillings) {
		return c.Fillings[i].From, false
	}
	return time.Time{}, false
}

// Ref points at a reading.
type Ref struct {
	ID    string    `json:"id"`
	Seq   int64     `json:"seq"`
	At    time.Time `json:"at"`
	By    string    `json:"by,omitempty"`
	Limit string    `json:"limit,omitempty"`
	Value string    `json:"value,omitempty"`
}

// IsZero reports whether it points at nothing.
func (r Ref) IsZero() bool { return r.ID == "" }

func refTo(s *Sample, m *Mark) Ref {
	return Ref{ID: s.ID, Seq: s.Seq, At: s.At, By: s.By, Limit: m.Limit, Value: m.Value}
}

// Moment is an inside reading that may bound a span; no id: there was none.
type Moment struct {
	ID string    `json:"id"`
	At time.Time `json:"at"`
}

// IsZero reports whether there was no such reading.
func (m Moment) IsZero() bool { return m.ID == "" }

// Span is one limit outside in one filling. Begin and end as people see them come from it and the
// Context, since a drain may be heard of late.
type Span struct {
	Limit   string `json:"limit"`
	Filling string `json:"filling,omitempty"` // ">" and the id of the filling before, where it is not known
	// Any is the last usable inside reading before First, Live the last one that was not imported.
	Any     Moment    `json:"any,omitzero"`
	Live    Moment    `json:"live,omitzero"`
	Exposed time.Time `json:"exposed,omitzero"` // begin where there is no such reading
	First   Ref       `json:"first"`
	Last    Ref       `json:"last"`
	Worst   Ref       `json:"worst"`
	Off     float64   `json:"off,omitempty"` // of Worst
	// N counts the outside readings; one outside several limits counts at the first of them.
	N        int       `json:"n,omitempty"`
	Imported bool      `json:"imported,omitempty"` // every outside reading was imported
	End      time.Time `json:"end,omitzero"`       // zero: not ended by a reading
	Retest   Ref       `json:"retest,omitzero"`
	Until    time.Time `json:"until,omitzero"`  // the last moment that an outside reading speaks of
	Probe    string    `json:"probe,omitempty"` // of a run that does not count yet
}

// begin returns where the span begins, by which reading, and whether that is known.
func (s *Span) begin() (at time.Time, id string, known bool) {
	m := s.Live
	if s.Imported {
		m = s.Any
	}
	switch {
	case !m.IsZero():
		return m.At, m.ID, true
	case !s.Exposed.IsZero():
		return s.Exposed, "", true
	}
	return s.First.At, "", false
}

// end returns where the span ends (zero: open) and the reading that ended it. A drained filling ends
// it, but never before its last outside reading.
func (s *Span) end(c *Context) (time.Time, Ref) {
	drained, _ := c.drained(s.Filling)
	if drained.IsZero() || !s.End.IsZero() && !s.End.After(drained) {
		return s.End, s.Retest
	}
	if drained.Before(s.Last.At) {
		return s.Last.At, Ref{}
	}
	return drained, Ref{}
}

// Track is the automaton of one limit in one filling. A stored track is never changed.
type Track struct {
	Limit   string `json:"limit"`
	Filling string `json:"filling,omitempty"`
	Any     Moment `json:"any,omitzero"`  // last usable inside reading
	Live    Moment `json:"live,omitzero"` // the last one that was not imported
	Row     int    `json:"row,omitempty"` // usable live inside readings in a row since the last outside one
	Open    *Span  `json:"open,omitempty"`
	// Waits are the runs of outside readings of probes, each since its last inside one. Once a run has lasted
	// as long as the plan says it opens a span from its first reading on. A stored run is never changed.
	Waits []*Span `json:"waits,omitempty"`
}

func (t *Track) equal(u *Track) bool {
	if t == u {
		return true
	}
	if t.Limit != u.Limit || t.Filling != u.Filling || t.Any != u.Any || t.Live != u.Live || t.Row != u.Row {
		return false
	}
	if !slices.EqualFunc(t.Waits, u.Waits, func(a, b *Span) bool { return *a == *b }) {
		return false
	}
	if t.Open == nil || u.Open == nil {
		return t.Open == u.Open
	}
	return *t.Open == *u.Open
}

// State is where all automata of a point at a place stand.
type State struct {
	Tracks []*Track `json:"tracks,omitempty"`
	Inside Ref      `json:"inside,omitzero"` // the last sample that shows control by itself
}

func (s State) equal(t State) bool {
	return s.Inside == t.Inside && slices.EqualFunc(s.Tracks, t.Tracks, (*Track).equal)
}

// A runner takes the automata through samples in order. It copies a track before its first change, so
// that states handed out stay as they are.
type runner struct {
	c      *Context
	tracks []*Track
	mine   []bool // tracks that no State handed out shares
	inside Ref
	closed []*Span
}

func newRunner(c *Context, s State) *runner {
	return &runner{c: c, tracks: slices.Clone(s.Tracks), mine: make([]bool, len(s.Tracks)), inside: s.Inside}
}

// state hands out where the runner stands.
func (r *runner) state() State {
	clear(r.mine)
	return State{Tracks: slices.Clone(r.tracks), Inside: r.inside}
}

// run takes samples in order; equal times never lie on both sides of its ends.
func (r *runner) run(ss []*Sample) {
	for len(ss) > 0 {
		n := 1
		for n < len(ss) && ss[n].At.Equal(ss[0].At) {
			n++
		}
		group := ss[:n]
		if n > 1 {
			group = slices.Clone(group)
			slices.SortFunc(group, func(a, b *Sample) int { return strings.Compare(a.ID, b.ID) })
		}
		r.group(group)
		ss = ss[n:]
	}
}

// group takes samples of one moment, sorted by id: for each limit the inside ones come first.
func (r *runner) group(ss []*Sample) {
	for _, s := range ss {
		filling := r.c.key(s)
		for i := range s.Marks {
			m := &s.Marks[i]
			if !m.Outside && m.Probe != "" {
				r.calm(m, filling)
			}
			if !m.Outside && m.Bounds() {
				r.inLimit(r.track(m.Limit, filling), s, m)
			}
		}
		if s.Proves() {
			r.inside = refTo(s, &s.Marks[0])
		}
	}
	for _, s := range ss {
		filling, n := r.c.key(s), 1
		for i := range s.Marks {
			if m := &s.Marks[i]; m.Outside {
				r.outLimit(r.track(m.Limit, filling), s, m, n)
				n = 0
			}
		}
	}
}

// track returns a track that may be changed.
func (r *runner) track(limit, filling string) *Track {
	for i := len(r.tracks) - 1; i >= 0; i-- {
		t := r.tracks[i]
		if t.Limit != limit || t.Filling != filling {
			continue
		}
		if !r.mine[i] {
			fresh := *t
			t, r.tracks[i], r.mine[i] = &fresh, &fresh, true
		}
		return t
	}
	t := &Track{Limit: limit, Filling: filling}
	r.tracks, r.mine = append(r.tracks, t), append(r.mine, true)
	return t
}

func (r *runner) inLimit(t *Track, s *Sample, m *Mark) {
	if t.Open != nil && r.ends(t, s) {
		done := *t.Open
		done.End, done.Retest = s.At, refTo(s, m)
		r.closed = append(r.closed, &done)
		t.Open, t.Row = nil, 0
	}
	t.Any = Moment{s.ID, s.At}
	if !s.Imported {
		t.Live = t.Any
	}
}

// ends counts a usable inside reading and says whether it ends the open span. One imported outside
// reading is cured by any inside one; a live one only by live ones, as the plan says.
func (r *runner) ends(t *Track, s *Sample) bool {
	switch {
	case s.At.Before(t.Open.Until):
		return false // a probe's reading says that it was outside for longer
	case t.Open.Imported:
		return true
	case s.Imported:
		return false
	}
	t.Row++
	return r.c.complete(s.At, t.Row, t.Open.First.At)
}

// calm ends the run of a probe that shows a limit inside.
func (r *runner) calm(m *Mark, filling string) {
	waits := func(t *Track) bool {
		return t.Limit == m.Limit && t.Filling == filling && slices.ContainsFunc(t.Waits, func(w *Span) bool { return w.Probe == m.Probe })
	}
	if !slices.ContainsFunc(r.tracks, waits) {
		return
	}
	t := r.track(m.Limit, filling)
	t.Waits = slices.DeleteFunc(slices.Clone(t.Waits), func(w *Span) bool { return w.Probe == m.Probe })
}

// wait adds an outside reading of a probe to its run and returns the run.
func (r *runner) wait(t *Track, s *Sample, m *Mark, n int) *Span {
	next := r.begun(t, s, m)
	next.Probe = m.Probe
	at := slices.IndexFunc(t.Waits, func(w *Span) bool { return w.Probe == m.Probe })
	if at >= 0 {
		next = *t.Waits[at]
	}
	next.add(s, m, n)
	t.Waits = slices.Clone(t.Waits)
	if at < 0 {
		t.Waits = append(t.Waits, &next)
	} else {
		t.Waits[at] = &next
	}
	return &next
}

// begun is a span that begins with an outside reading, which is yet to be added.
func (r *runner) begun(t *Track, s *Sample, m *Mark) Span {
	ref := refTo(s, m)
	return Span{Limit: t.Limit, Filling: t.Filling, Any: t.Any, Live: t.Live, Exposed: r.c.exposed(t.Filling, s.At),
		First: ref, Worst: ref, Off: m.Off, Imported: true}
}

// add adds an outside reading to a span.
func (s *Span) add(x *Sample, m *Mark, n int) {
	ref := refTo(x, m)
	if m.Off > s.Off {
		s.Worst, s.Off = ref, m.Off
	}
	s.Last = ref
	s.N += n
	s.Imported = s.Imported && x.Imported
	if x.Until.After(s.Until) {
		s.Until = x.Until
	}
}

// outLimit takes an outside reading. One of a probe opens a span only once the probe was outside for as long as
// the plan says; in a span that is open it counts at once.
func (r *runner) outLimit(t *Track, s *Sample, m *Mark, n int) {
	var run *Span
	if m.Probe != "" {
		run = r.wait(t, s, m, n)
	}
	var span Span
	switch {
	case t.Open != nil:
		span = *t.Open
		span.add(s, m, n)
	case run != nil && s.last().Sub(run.First.At) < m.Wait:
		return
	case run != nil:
		span = *run
		span.Probe = ""
	default:
		span = r.begun(t, s, m)
		span.add(s, m, n)
	}
	t.Open, t.Row = &span, 0
}
