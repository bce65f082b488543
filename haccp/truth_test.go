package haccp_test

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
)

// A truth is what all events at once say of one series, without horizon, needs or snapshots: a window that
// holds everything, with a context made from everything. (What a window makes of its samples is held against
// a reading of the rules by itself in package control.)
type truth struct {
	window     control.Window
	excursions []control.Excursion
	due        map[string]time.Time // the begin of the window of each miss, by its id
}

func truthOf(w *world, k string) truth {
	point, place, _ := strings.Cut(k, "@")
	c := w.state.BareContext(k)
	out := truth{due: map[string]time.Time{}}
	gone, accepted, bodies := map[string]bool{}, map[string]bool{}, map[string]*haccp.Reading{}
	for _, e := range w.events {
		switch b := e.Body.(type) {
		case *haccp.Voided:
			gone[b.Target] = true
		case *haccp.TimeAccepted:
			accepted[b.Target] = true
		case *haccp.Amended:
			bodies[b.Target], _ = b.New.(*haccp.Reading)
		case *haccp.Missed:
			out.due[e.ID] = b.From
		}
	}
	var samples []control.Sample
	events := slices.Clone(w.events)
	slices.SortStableFunc(events, inOrder)
	for _, e := range events {
		if gone[e.ID] {
			continue
		}
		switch b := e.Body.(type) {
		case *haccp.Reading:
			if n := bodies[e.ID]; n != nil {
				b = n
			}
			if x, ok := w.state.SampleOf(e, b, point, accepted[e.ID]); ok && b.Place == place {
				samples = append(samples, x)
			}
		case *haccp.Bath:
			if b.Place != place {
				continue
			}
			n := len(c.Fillings) - 1
			if open := n >= 0 && c.Fillings[n].To.IsZero(); open && (e.Kind == haccp.KindFilled || e.Kind == haccp.KindDrained) {
				c.Fillings[n].To = e.At
			}
			if e.Kind == haccp.KindFilled {
				c.Fillings = append(c.Fillings, control.Filling{ID: e.ID, From: e.At})
			}
		case *haccp.LineStarted:
			c.Starts = append(c.Starts, e.At)
		case *haccp.FixDone:
			if b.Point == point && b.Place == place {
				c.Fixes = append(c.Fixes, e.At)
			}
		}
	}
	out.window = control.Window{}.Insert(c, samples...)
	out.excursions = out.window.Excursions(c)
	return out
}

// inOrder is the order of facts: by at, a drain before the filling that follows it, then by id.
func inOrder(a, b *haccp.Event) int {
	rank := map[string]int{haccp.KindDrained: -2, haccp.KindFilled: -1}
	return cmp.Or(a.At.Compare(b.At), rank[a.Kind]-rank[b.Kind], strings.Compare(a.ID, b.ID))
}

// unproved is the span of a case that rests on a missing proof (RULES 4.3): a miss lasts from the last reading
// that shows control before it, a start without proof from itself; both last until the next one.
func (t *truth) unproved(d *haccp.Deviation) haccp.Span {
	span := haccp.Span{Begin: d.At}
	if d.Ground == haccp.GroundMiss {
		span.Begin = t.due[d.OpenedBy]
		if last, ok := t.window.LastInside(d.At); ok {
			span.Begin = last.At
		}
	}
	if next, ok := t.window.NextInside(d.At); ok {
		span.End = next.At
	}
	return span
}

var bathSeries = []string{"wash-chlorine@bath-1", "bath-water@bath-1"}

func show(xs []control.Excursion) string {
	var b strings.Builder
	for _, x := range xs {
		fmt.Fprintf(&b, "  %s..%s %.8s %v first %.8s n %d\n", moment(x.Begin), moment(x.End), x.Filling, x.Limits, x.First.ID, x.N)
	}
	return b.String()
}

func moment(t time.Time) string {
	if t.IsZero() {
		return "open"
	}
	return t.Format("0102T15:04")
}

func showCase(d *haccp.Deviation) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  case %d %s at %s: now %s..%s, widest %s..%s, closed %v, covers", d.Number, d.Ground, moment(d.At), moment(d.Now.Begin), moment(d.Now.End),
		moment(d.Widest.Begin), moment(d.Widest.End), d.IsClosed)
	for _, x := range d.Spans {
		fmt.Fprintf(&b, " %s..%s", moment(x.Begin), moment(x.End))
	}
	b.WriteString("\n")
	return b.String()
}

// contains reports whether b lies in a.
func contains(a, b haccp.Span) bool {
	return !a.Begin.After(b.Begin) && (a.End.IsZero() || !b.End.IsZero() && !b.End.After(a.End))
}

// widest is the widest span of a case with what is still open.
func widest(d *haccp.Deviation) haccp.Span {
	span := d.Widest
	if !d.Now.Begin.IsZero() && d.Now.End.IsZero() {
		span.End = time.Time{}
	}
	return span
}

// sameExcursion compares all that people see of two excursions but their counts: a window keeps no count of
// what it dropped.
func sameExcursion(a, b *control.Excursion) bool {
	return a.Begin.Equal(b.Begin) && a.End.Equal(b.End) && a.Filling == b.Filling && slices.Equal(a.Limits, b.Limits) &&
		a.First.ID == b.First.ID && a.Last.ID == b.Last.ID && a.Worst.ID == b.Worst.ID && a.Retest.ID == b.Retest.ID
}

// agrees compares a state and the cases it ever held with the truth.
func agrees(t interface{ Fatalf(string, ...any) }, w *world, seen seenCases, what string) {
	for _, k := range bathSeries {
		want := truthOf(w, k)
		why := windowDiffers(w, k, want.excursions)
		if why == "" {
			why = seen.uncovered(w, k, want.excursions)
		}
		if why == "" {
			why = casesDiffer(w, k, &want)
		}
		if why == "" {
			continue
		}
		win, got := w.state.WindowOf(k)
		cases := ""
		for _, d := range seen {
			if d.Point+"@"+d.Place == k {
				cases += showCase(d)
			}
		}
		t.Fatalf("%s: %s: %s\nwindow from %s holds\n%sthe facts say\n%scases\n%s", what, k, why, moment(win.From), show(got), show(want.excursions), cases)
	}
}

func windowDiffers(w *world, k string, want []control.Excursion) string {
	win, got := w.state.WindowOf(k)
	seen := slices.DeleteFunc(slices.Clone(want), func(x control.Excursion) bool { return !x.Open() && x.End.Before(win.From) })
	if len(seen) != len(got) {
		return "another number of excursions"
	}
	for i := range got {
		if !sameExcursion(&got[i], &seen[i]) {
			return fmt.Sprintf("excursion %d differs", i)
		}
	}
	return ""
}

// casesDiffer compares the spans of every case the state holds, as they stand and the widest, with the truth.
func casesDiffer(w *world, k string, want *truth) string {
	for _, d := range w.state.HeldCases() {
		if d.Point+"@"+d.Place != k {
			continue
		}
		now := haccp.Span{}
		if d.Ground != haccp.GroundExcursion {
			now = want.unproved(d)
		}
		for i, x := range d.Spans {
			if !slices.ContainsFunc(want.excursions, func(y control.Excursion) bool { return y.Begin.Equal(x.Begin) && y.End.Equal(x.End) }) {
				return fmt.Sprintf("case %d covers %s..%s, which is no excursion", d.Number, moment(x.Begin), moment(x.End))
			}
			if i == 0 {
				now = x.Span
				continue
			}
			if x.Begin.Before(now.Begin) {
				now.Begin = x.Begin
			}
			if !now.End.IsZero() && (x.End.IsZero() || x.End.After(now.End)) {
				now.End = x.End
			}
		}
		if !d.Now.Begin.Equal(now.Begin) || !d.Now.End.Equal(now.End) {
			return fmt.Sprintf("case %d stands as %s..%s, which should be %s..%s", d.Number, moment(d.Now.Begin), moment(d.Now.End), moment(now.Begin), moment(now.End))
		}
		if !now.Begin.IsZero() && !contains(widest(d), now) {
			return fmt.Sprintf("case %d is wider than ever: %s", d.Number, showCase(d))
		}
	}
	return ""
}

// seenCases are the last that was known of every case, closed and forgotten ones too.
type seenCases map[string]*haccp.Deviation

// follow takes in the cases that the state holds, and reports a case whose widest span became narrower.
func (seen seenCases) follow(w *world) {
	w.t.Helper()
	for _, d := range w.state.HeldCases() {
		if old := seen[d.Deviation]; old != nil && !d.Widest.Begin.IsZero() && (d.Widest.Begin.After(old.Widest.Begin) || d.Widest.End.Before(old.Widest.End)) {
			w.t.Fatalf("the widest span became narrower: \n%s%s", showCase(old), showCase(d))
		}
		seen[d.Deviation] = d
	}
}

// uncovered names an excursion whose product no case holds, or whose span no case has. Of a case that the
// state forgot, how it stands is worked out when it is wanted again.
func (seen seenCases) uncovered(w *world, k string, want []control.Excursion) string {
	win, _ := w.state.WindowOf(k)
	for _, x := range want {
		span := haccp.Span{Begin: x.Begin, End: x.End}
		inside, exact, forgotten := false, false, false
		for _, d := range seen {
			if d.Ground != haccp.GroundExcursion || d.Point+"@"+d.Place != k {
				continue
			}
			_, held := w.state.Case(d.Deviation)
			inside = inside || contains(widest(d), span)
			forgotten = forgotten || !held && contains(widest(d), span)
			exact = exact || held && slices.ContainsFunc(d.Spans, func(y haccp.Covered) bool { return y.Begin.Equal(span.Begin) && y.End.Equal(span.End) })
		}
		if !inside {
			return "no case covers " + show([]control.Excursion{x})
		}
		if sight := x.Open() || !x.End.Before(win.From); !exact && (sight || !forgotten) {
			return "no case has the span of " + show([]control.Excursion{x})
		}
	}
	return ""
}
