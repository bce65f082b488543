package control

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The functions below say RULES 5.1 a second time, straight from its text and with no thought of speed
// or of order of arrival. The window must agree with them.

var t0 = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func min0(n int) time.Time { return t0.Add(time.Duration(n) * time.Minute) }

type specSpan struct {
	key, limit string
	begin, end time.Time
	known      bool
	beginID    string
	outs       []*Sample
	retest     Ref
}

// specFilling: the named one if known and near in time, else the one in the bath; the water between two fillings is one
// of its own ("?n").
func specFilling(c Context, s *Sample) string {
	for _, f := range c.Fillings {
		early, late := f.From.Sub(s.At), s.At.Sub(f.To)
		if s.Filling == f.ID && early <= c.Named && (f.To.IsZero() || late <= c.Named) {
			return f.ID
		}
	}
	best := ""
	n := 0
	for _, f := range c.Fillings { // sorted by From: the last that fits is the latest
		if f.From.After(s.At) {
			continue
		}
		n++
		if f.To.IsZero() || !f.To.Before(s.At) {
			best = f.ID
		}
	}
	if best == "" && n > 0 {
		return fmt.Sprintf("?%d", n)
	}
	return best
}

func specDrain(c Context, key string) time.Time {
	for i, f := range c.Fillings {
		if f.ID == key {
			return f.To
		}
		if key == "" && i == 0 || key == fmt.Sprintf("?%d", i) {
			return f.From
		}
	}
	return time.Time{}
}

func markOf(s *Sample, limit string) *Mark {
	for i := range s.Marks {
		if s.Marks[i].Limit == limit {
			return &s.Marks[i]
		}
	}
	return nil
}

func specSpans(c Context, all []*Sample, key, limit string) []specSpan {
	var rs []*Sample
	for _, s := range all {
		if specFilling(c, s) == key && markOf(s, limit) != nil {
			rs = append(rs, s)
		}
	}
	sort.SliceStable(rs, func(i, j int) bool {
		a, b := rs[i], rs[j]
		if !a.At.Equal(b.At) {
			return a.At.Before(b.At)
		}
		if ao, bo := markOf(a, limit).Outside, markOf(b, limit).Outside; ao != bo {
			return bo
		}
		return a.ID < b.ID
	})
	isOut := func(i int) bool { return markOf(rs[i], limit).Outside }
	isIn := func(i int) bool { return !isOut(i) && markOf(rs[i], limit).Usable }
	var spans []specSpan
	for o := 0; o < len(rs); o++ {
		if !isOut(o) {
			continue
		}
		s := specSpan{key: key, limit: limit}
		first, counts := specRun(rs, o, limit)
		if !counts {
			continue
		}
		for i := first; i < o; i++ {
			if isOut(i) && markOf(rs[i], limit).Probe == markOf(rs[o], limit).Probe {
				s.outs = append(s.outs, rs[i])
			}
		}
		j := o
		imported := !slices.ContainsFunc(s.outs, func(x *Sample) bool { return !x.Imported })
		for ; j < len(rs); j++ {
			if isOut(j) {
				s.outs = append(s.outs, rs[j])
				imported = imported && rs[j].Imported
			} else if isIn(j) && specEnds(c, rs, first, o, j, specUntil(s.outs), isOut, isIn, imported) {
				s.end = rs[j].At
				s.retest = refTo(rs[j], markOf(rs[j], limit))
				break
			}
		}
		s.begin = rs[first].At
		for i := first - 1; i >= 0 && !s.known; i-- {
			if isIn(i) && (imported || !rs[i].Imported) {
				s.begin, s.beginID, s.known = rs[i].At, rs[i].ID, true
			}
		}
		if !s.known {
			specExposed(c, &s, key, rs[first].At)
		}
		last := s.outs[len(s.outs)-1].At
		if drain := specDrain(c, key); !drain.IsZero() && (s.end.IsZero() || s.end.After(drain)) {
			s.end, s.retest = drain, Ref{}
			if last.After(drain) {
				s.end = last
			}
		}
		spans = append(spans, s)
		o = j
	}
	return spans
}

// specRun: a reading outside by hand counts at once; one of a probe once the probe was outside for the plan's
// time, with none inside between (RULES 2.5). It gives the first reading of the run.
func specRun(rs []*Sample, o int, limit string) (first int, counts bool) {
	m := markOf(rs[o], limit)
	if m.Probe == "" {
		return o, true
	}
	first = o
	for i := o - 1; i >= 0; i-- {
		if x := markOf(rs[i], limit); x.Probe == m.Probe && !x.Outside {
			break
		} else if x.Probe == m.Probe {
			first = i
		}
	}
	last := rs[o].At
	if rs[o].Until.After(last) {
		last = rs[o].Until
	}
	return first, last.Sub(rs[first].At) >= m.Wait
}

// specUntil is the last moment that outside readings speak of.
func specUntil(outs []*Sample) time.Time {
	var until time.Time
	for _, s := range outs {
		if s.Until.After(until) {
			until = s.Until
		}
	}
	return until
}

func specEnds(c Context, rs []*Sample, first, o, j int, until time.Time, isOut, isIn func(int) bool, imported bool) bool {
	if rs[j].At.Before(until) {
		return false
	}
	if imported {
		return true
	}
	if rs[j].Imported {
		return false
	}
	rule := c.Rules[0]
	for _, r := range c.Rules {
		if !r.From.After(rs[j].At) {
			rule = r
		}
	}
	if rule.InsideInRow > 0 {
		n := 0
		for i := j; i > o && !isOut(i); i-- {
			if isIn(i) && !rs[i].Imported && !rs[i].At.Before(until) {
				n++
			}
		}
		return n >= rule.InsideInRow
	}
	for _, f := range c.Fixes {
		if !f.Before(rs[first].At) && !rs[j].At.Before(f.Add(rule.Mixing)) {
			return true
		}
	}
	return false
}

func specExposed(c Context, s *specSpan, key string, at time.Time) {
	for _, f := range c.Fillings {
		if f.ID == key && !f.From.After(at) {
			s.begin, s.known = f.From, true
		}
	}
	for _, st := range c.Starts {
		if !st.After(at) && (!s.known || st.After(s.begin)) {
			s.begin, s.known = st, true
		}
	}
}

func specOverlap(a, b specSpan) bool {
	if a.key != b.key {
		return false
	}
	far := t0.AddDate(100, 0, 0)
	ae, be := a.end, b.end
	if ae.IsZero() {
		ae = far
	}
	if be.IsZero() {
		be = far
	}
	lo, hi := a.begin, ae
	if b.begin.After(lo) {
		lo = b.begin
	}
	if be.Before(hi) {
		hi = be
	}
	inner := func(begin, end time.Time) bool { return begin.Before(lo) && lo.Before(end) }
	same := a.begin.Equal(b.begin) && ae.Equal(be)
	return lo.Before(hi) || lo.Equal(hi) && (same || inner(a.begin, ae) || inner(b.begin, be))
}

// spec computes every excursion of the samples.
func spec(c Context, all []*Sample) []Excursion {
	keys, limits := map[string]bool{}, map[string]bool{}
	for _, s := range all {
		keys[specFilling(c, s)] = true
		for _, m := range s.Marks {
			limits[m.Limit] = true
		}
	}
	var spans []specSpan
	for k := range keys {
		for l := range limits {
			spans = append(spans, specSpans(c, all, k, l)...)
		}
	}
	group := make([]int, len(spans))
	for i := range group {
		group[i] = i
	}
	for changed := true; changed; {
		changed = false
		for i := range spans {
			for j := range spans {
				if group[i] > group[j] && specOverlap(spans[i], spans[j]) {
					group[i], changed = group[j], true
				}
			}
		}
	}
	byGroup := map[int][]specSpan{}
	for i, s := range spans {
		byGroup[group[i]] = append(byGroup[group[i]], s)
	}
	var out []Excursion
	for _, g := range byGroup {
		out = append(out, specExcursion(g))
	}
	sortExcursions(out)
	return out
}

func specExcursion(g []specSpan) Excursion {
	e := Excursion{Filling: g[0].key, Imported: true, Begin: g[0].begin}
	if strings.HasPrefix(e.Filling, "?") {
		e.Filling = ""
	}
	open := false
	seen := map[string]bool{}
	limits := map[string]bool{}
	worst := -1.0
	for _, s := range g {
		limits[s.limit] = true
		if s.begin.Before(e.Begin) {
			e.Begin = s.begin
		}
		open = open || s.end.IsZero()
		if s.end.After(e.End) {
			e.End = s.end
		}
		for _, r := range s.outs {
			m := markOf(r, s.limit)
			ref := refTo(r, m)
			if len(seen) == 0 || compareRef(ref, e.First) < 0 {
				e.First = ref
			}
			if len(seen) == 0 || compareRef(ref, e.Last) > 0 {
				e.Last = ref
			}
			if m.Off > worst || m.Off == worst && compareRef(ref, e.Worst) < 0 {
				e.Worst, worst = ref, m.Off
			}
			e.Imported = e.Imported && r.Imported
			seen[r.ID] = true
			if i := slices.IndexFunc(r.Marks, func(m Mark) bool { return m.Outside }); r.Marks[i].Limit == s.limit {
				e.N++
			}
		}
	}
	e.Off = worst
	if open {
		e.End = time.Time{}
	}
	for _, s := range g {
		if s.begin.Equal(e.Begin) && s.known {
			e.BeginKnown = true
			if s.beginID != "" && (e.BeginID == "" || s.beginID < e.BeginID) {
				e.BeginID = s.beginID
			}
		}
		if !open && s.end.Equal(e.End) && !s.retest.IsZero() && (e.Retest.IsZero() || compareRef(s.retest, e.Retest) < 0) {
			e.Retest = s.retest
		}
	}
	for l := range limits {
		e.Limits = append(e.Limits, l)
	}
	slices.Sort(e.Limits)
	e.N = max(e.N, 1)
	return e
}

func sortExcursions(es []Excursion) {
	slices.SortFunc(es, func(a, b Excursion) int {
		if c := a.Begin.Compare(b.Begin); c != 0 {
			return c
		}
		if c := strings.Compare(a.Filling, b.Filling); c != 0 {
			return c
		}
		if c := compareRef(a.First, b.First); c != 0 || a.End.Equal(b.End) {
			return c
		}
		if a.End.IsZero() || !b.End.IsZero() && a.End.After(b.End) { // the open one comes last
			return 1
		}
		return -1
	})
}

// drawContext draws a place of 240 minutes: rules, fixes, starts, and for a bath some fillings.
func drawContext(t *rapid.T) Context {
	c := Context{Rules: []RuleFrom{{InsideInRow: rapid.IntRange(0, 3).Draw(t, "row"),
		Mixing: time.Duration(rapid.IntRange(0, 20).Draw(t, "mixing")) * time.Minute}}}
	if rapid.Bool().Draw(t, "second rule") {
		c.Rules = append(c.Rules, RuleFrom{From: min0(rapid.IntRange(1, 240).Draw(t, "from")),
			InsideInRow: rapid.IntRange(0, 2).Draw(t, "row")})
	}
	c.Cover = longest
	c.Named = time.Duration(rapid.SampledFrom([]int{0, 15, 60, 1000}).Draw(t, "named")) * time.Minute
	minutes := rapid.SliceOfN(rapid.IntRange(0, 240), 0, 4)
	c.Fixes, c.Starts = drawTimes(t, minutes, "fixes"), drawTimes(t, minutes, "starts")
	from := rapid.IntRange(-30, 60).Draw(t, "first filling")
	for i := range rapid.IntRange(0, 3).Draw(t, "fillings") {
		f := Filling{ID: fmt.Sprintf("f%d", i), From: min0(from)}
		if rapid.IntRange(0, 3).Draw(t, "drained") > 0 {
			from += rapid.IntRange(1, 80).Draw(t, "for")
			f.To = min0(from)
		}
		from += rapid.IntRange(0, 20).Draw(t, "pause")
		c.Fillings = append(c.Fillings, f)
	}
	return c
}

func drawTimes(t *rapid.T, g *rapid.Generator[[]int], name string) []time.Time {
	var out []time.Time
	for _, n := range g.Draw(t, name) {
		out = append(out, min0(n))
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

type sampleKind struct {
	named    bool // may name a filling, rightly or wrongly
	imported bool // some are imported
	probes   bool // some are of probes that count after a time
}

// longest is the longest time that a reading drawn covers.
const longest = 25 * time.Minute

func drawSample(t *rapid.T, i int, k sampleKind) Sample {
	s := Sample{ID: fmt.Sprintf("s%03d", (i*37)%1000), Seq: int64(i), At: min0(rapid.IntRange(0, 240).Draw(t, "at")), By: "p"}
	if k.named && rapid.IntRange(0, 3).Draw(t, "names") == 0 {
		s.Filling = fmt.Sprintf("f%d", rapid.IntRange(0, 4).Draw(t, "named"))
	}
	if k.imported {
		s.Imported = rapid.IntRange(0, 2).Draw(t, "imported") == 0
	}
	for _, l := range []string{"a", "b"} {
		switch rapid.IntRange(0, 5).Draw(t, l) {
		case 0:
			s.Marks = append(s.Marks, Mark{Limit: l, Outside: true, Usable: rapid.Bool().Draw(t, "usable"),
				Off: float64(rapid.IntRange(1, 3).Draw(t, "off")), Value: "1"})
		case 1:
			s.Marks = append(s.Marks, Mark{Limit: l, Value: "2"})
		case 2, 3, 4:
			s.Marks = append(s.Marks, Mark{Limit: l, Usable: true, Value: "3"})
		}
	}
	if k.probes && rapid.IntRange(0, 2).Draw(t, "of a probe") > 0 {
		s.ofProbe(t)
	}
	return s
}

// ofProbe makes a sample one of a probe.
func (s *Sample) ofProbe(t *rapid.T) {
	probe := rapid.SampledFrom([]string{"p", "q"}).Draw(t, "probe")
	for i := range s.Marks {
		s.Marks[i].Probe = probe
		s.Marks[i].Wait = time.Duration(rapid.SampledFrom([]int{0, 15, 60}).Draw(t, "wait")) * time.Minute
	}
	if rapid.Bool().Draw(t, "covers") {
		s.Until = s.At.Add(time.Duration(rapid.IntRange(0, int(longest/time.Minute)).Draw(t, "for")) * time.Minute)
	}
}

func drawSamples(t *rapid.T, n int, k sampleKind) []Sample {
	out := make([]Sample, rapid.IntRange(0, n).Draw(t, "samples"))
	for i := range out {
		out[i] = drawSample(t, i, k)
	}
	return out
}

func pointers(ss []Sample) []*Sample {
	var out []*Sample
	for i := range ss {
		if len(ss[i].Marks) > 0 {
			out = append(out, &ss[i])
		}
	}
	return out
}

func sameExcursions(t interface{ Fatalf(string, ...any) }, want, got []Excursion) {
	if len(want) != len(got) {
		t.Fatalf("want %d excursions, got %d\nwant %s\ngot  %s", len(want), len(got), show(want), show(got))
	}
	for i := range want {
		a, b := want[i], got[i]
		a.Water, b.Water = "", "" // named otherwise here
		if fmt.Sprint(a) != fmt.Sprint(b) {
			t.Fatalf("excursion %d\nwant %s\ngot  %s", i, show(want[i:i+1]), show(got[i:i+1]))
		}
	}
}

func show(es []Excursion) string {
	var b strings.Builder
	for _, e := range es {
		fmt.Fprintf(&b, "\n  %+v", e)
	}
	return b.String()
}

// insertAll puts samples into a window in random groups.
func insertAll(t *rapid.T, w Window, c Context, ss []Sample) Window {
	for len(ss) > 0 {
		n := rapid.IntRange(1, len(ss)).Draw(t, "group")
		w = w.Insert(c, ss[:n]...)
		ss = ss[n:]
	}
	return w
}

func TestWindowIsTheRuleInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		ss := drawSamples(t, 40, sampleKind{named: true, imported: true, probes: true})
		want := spec(c, pointers(ss))
		order := rapid.Permutation(ss).Draw(t, "order")
		w := insertAll(t, Window{}, c, order)
		sameExcursions(t, want, w.Excursions(c))
		if w.Len() != len(pointers(ss)) {
			t.Fatalf("%d samples went in, %d are there", len(pointers(ss)), w.Len())
		}
		sameExcursions(t, want, w.Rebuild(c).Excursions(c))
		sameExcursions(t, want, w.Insert(c, order...).Excursions(c)) // twice is once
		for _, s := range pointers(ss) {
			in := slices.ContainsFunc(want, func(e Excursion) bool { return e.Has(&c, s) })
			if in != s.Outside() && (in || !slices.ContainsFunc(s.Marks, func(m Mark) bool { return m.Probe != "" })) {
				t.Fatalf("outside sample %+v lies in no excursion", *s)
			}
		}
	})
}
