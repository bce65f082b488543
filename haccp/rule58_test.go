package haccp_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// rapidTB lets the helpers of world fail a run of rapid, so that it is made smaller.
type rapidTB struct {
	testing.TB
	r *rapid.T
}

func (t rapidTB) Helper()                   {}
func (t rapidTB) Fatal(a ...any)            { t.r.Fatal(a...) }
func (t rapidTB) Fatalf(f string, a ...any) { t.r.Fatalf(f, a...) }
func (t rapidTB) Errorf(f string, a ...any) { t.r.Errorf(f, a...) }

// phProbe is a probe whose readings count after ten minutes outside.
const phProbe = "ph-probe"

// breach is an outside verdict as it was first recorded.
type breach struct {
	series string
	at     time.Time
	record string
}

// player draws commands of all kinds and roles, and holds the log against what may never happen.
type player struct {
	*world
	r        *rapid.T
	breaches []breach
	opened   []*haccp.DeviationOpened
	ids      map[string]bool
	reports  []*haccp.Event // reports that may be changed
	refused  map[string]int
	accepted map[string]int
	version  int
}

func newPlayer(t *testing.T, r *rapid.T, refused, accepted map[string]int) *player {
	w := newWorld(rapidTB{t, r}, supplied, func(p *plan.Plan) {
		limitOf(p, "wash-chlorine", "ph").Instrument = "ph-meter-1"
		withProbe("1 min", "10 min")(p)
		p.Instruments[len(p.Instruments)-1].ID, p.Instruments[len(p.Instruments)-1].Methods = phProbe, []string{"ph-meter"}
	})
	p := &player{world: w, r: r, ids: map[string]bool{}, refused: refused, accepted: accepted, version: 1}
	w.must(haccp.AskDevice, console, &haccp.DeviceChange{Change: "enrolled", DeviceBody: haccp.DeviceBody{Device: "probe-1", Name: "Probe"}})
	for _, e := range w.events {
		p.ids[e.ID] = true
	}
	return p
}

func limitOf(p *plan.Plan, point, limit string) *plan.Limit {
	return control.FindLimit(p, point, limit)
}

var probe = haccp.Actor{ID: "probe-1", Name: "Probe", Role: haccp.RoleDevice, Known: haccp.KnownDeviceToken}

// even draws a number below n. Rapid prefers small numbers; what is drawn here is to be spread evenly.
func (p *player) even(n int, what string) int {
	x := rapid.Uint64().Draw(p.r, what)
	return int(x * 0x9e3779b97f4a7c15 >> 33 % uint64(n))
}

func pick[T any](p *player, what string, list ...T) T { return list[p.even(len(list), what)] }

func (p *player) chance(percent int) bool { return p.even(100, "chance") >= 100-percent }

// give gives a command and checks all that must hold after it.
func (p *player) give(c *haccp.Command) {
	before, err := p.state.Snapshot()
	if err != nil {
		p.r.Fatal(err)
	}
	events, err := p.try(c)
	if err != nil {
		p.checkRefusal(c, err, before)
		return
	}
	p.accepted[c.Kind]++
	p.tell(events)
	for _, e := range events {
		p.checkRecord(e)
		p.note(e)
	}
	p.check()
}

// tell writes what was recorded; rapid shows it for the smallest run that fails.
func (p *player) tell(events []*haccp.Event) {
	for _, e := range events {
		what := ""
		switch b := e.Body.(type) {
		case *haccp.Reading:
			what = fmt.Sprintf("%s@%s filling %q:", b.Check, b.Place, b.Filling)
			for _, v := range b.Verdicts {
				what += " " + v.Limit + "=" + v.Verdict
			}
		case *haccp.DeviationOpened:
			what = fmt.Sprintf("case %d %s@%s %v..%v", b.Number, b.Point, b.Place, b.Begin, b.End)
		case *haccp.Bath:
			what = b.Place
		case *haccp.Voided:
			what = b.Target
		case *haccp.Amended:
			what = b.Target
		case *haccp.PlanSigned:
			what = fmt.Sprint(b.Version, " from ", b.From)
		}
		p.r.Logf("%d %s at %s (%s, now %s) by %s: %s %s", e.Seq, e.Kind, e.At.Format(time.RFC3339), e.AtKnown, p.now.Format(time.RFC3339), e.By.ID, e.ID[:8], what)
	}
}

func (p *player) checkRefusal(c *haccp.Command, err error, before []byte) {
	var refusal *haccp.Refusal
	if !errors.As(err, &refusal) {
		p.r.Fatalf("%s %+v: not a refusal: %v", c.Kind, c.Ask, err)
	}
	p.refused[refusal.Code]++
	after, err := p.state.Snapshot()
	if err != nil {
		p.r.Fatal(err)
	}
	if !bytes.Equal(before, after) {
		p.r.Fatalf("%s: refused as %v, yet the state changed", c.Kind, refusal)
	}
	if slices.Contains(reportKinds, c.Kind) && p.heldRole(c) {
		p.r.Fatalf("the report %s in good form was refused for the state of things: %v", c.Kind, refusal)
	}
}

// heldRole reports whether the author of a command held the role at its time and was not disabled then: the
// only ground on which a report in good form may be refused.
func (p *player) heldRole(c *haccp.Command) bool {
	if c.By.Role == haccp.RoleDevice {
		d, ok := p.state.Device(c.By.ID)
		return ok && (d.Revoked.IsZero() || c.At.Before(d.Revoked))
	}
	who, ok := p.state.Person(c.By.ID)
	return ok && who.Held(c.By.Role, c.At) && !slices.ContainsFunc(who.Disabled, func(g haccp.Gap) bool {
		return !c.At.Before(g.From) && (g.To.IsZero() || c.At.Before(g.To))
	})
}

// checkRecord checks what holds for every record.
func (p *player) checkRecord(e *haccp.Event) {
	if p.ids[e.ID] {
		p.r.Fatalf("the id %s of %s stands twice in the log", e.ID, e.Kind)
	}
	p.ids[e.ID] = true
	sorted := slices.IsSorted(e.About) && len(slices.Compact(slices.Clone(e.About))) == len(e.About) && len(e.About) > 0
	if !sorted {
		p.r.Fatalf("%s: about is not sorted, or holds a key twice: %v", e.Kind, e.About)
	}
	if !slices.IsSortedFunc(e.Findings, func(a, b haccp.Finding) int { return bytes.Compare([]byte(a.Code), []byte(b.Code)) }) {
		p.r.Fatalf("%s: findings are not sorted: %v", e.Kind, e.Findings)
	}
	if e.At.IsZero() || e.At.Nanosecond()%1e6 != 0 || e.At.Location() != time.UTC || e.AtKnown == "" || e.By.ID == "" {
		p.r.Fatalf("%s: incomplete: at %v, known %q, by %q", e.Kind, e.At, e.AtKnown, e.By.ID)
	}
}

// note keeps what later checks are made of.
func (p *player) note(e *haccp.Event) {
	switch b := e.Body.(type) {
	case *haccp.Reading:
		p.noteBreaches(e, b)
		p.reports = append(p.reports, e)
	case *haccp.Amended:
		if r, ok := b.New.(*haccp.Reading); ok {
			p.noteBreaches(e, r)
		}
	case *haccp.DeviationOpened:
		p.opened = append(p.opened, b)
		if b.Number != int64(len(p.opened)) {
			p.r.Fatalf("case number %d is the %d. case", b.Number, len(p.opened))
		}
	case *haccp.PlanSigned:
		p.version = b.Version
	case *haccp.Bath, *haccp.LineStarted, *haccp.LineStopped, *haccp.FixDone, *haccp.Note, *haccp.CleanBreak:
		p.reports = append(p.reports, e)
	}
}

func (p *player) noteBreaches(e *haccp.Event, r *haccp.Reading) {
	for _, v := range r.Verdicts {
		if v.Verdict == control.Outside && v.Limit == "ph" && r.Mode == "device" && slices.ContainsFunc(r.Entries, func(e haccp.Entry) bool { return e.Instrument == phProbe }) {
			continue // of a probe: it counts after the plan's time, which package control holds against the rule
		}
		if v.Verdict == control.Outside {
			p.breaches = append(p.breaches, breach{v.Point + "@" + r.Place, e.At, e.ID})
		}
	}
}

// check holds every breach ever recorded against the cases, those that the state forgot included.
func (p *player) check() {
	cases := map[string][]*haccp.Deviation{}
	for _, b := range p.opened {
		d, ok := p.state.Case(b.Deviation)
		if !ok {
			p.accepted["(a case the state forgot)"]++
			d = haccp.FoldCase(p.byKey["deviation:"+b.Deviation])
			if d == nil || !d.IsClosed {
				p.r.Fatalf("case %d was withdrawn", b.Number)
			}
		}
		if d.Number != b.Number || d.Widest.Begin.IsZero() || d.Widest.Begin.After(b.Begin) {
			p.r.Fatalf("case %d lost some of its span: it began %v, now %v", b.Number, b.Begin, d.Widest)
		}
		cases[b.Point+"@"+b.Place] = append(cases[b.Point+"@"+b.Place], d)
	}
	for _, x := range p.breaches {
		if !slices.ContainsFunc(cases[x.series], func(d *haccp.Deviation) bool { return holds(d, x.at) }) {
			p.r.Fatalf("no case of %s holds the outside reading of %s (record %s)\ncases: %s", x.series, x.at.Format(time.RFC3339), x.record, spans(cases[x.series]))
		}
	}
}

// holds reports whether the widest span of a case holds a moment; that of a closed one nothing after its
// closing.
func holds(d *haccp.Deviation, at time.Time) bool {
	open := !d.Now.Begin.IsZero() && d.Now.End.IsZero()
	over := d.IsClosed && at.After(d.ClosedAt) // what is drawn after the closing wants an open case
	return !over && !at.Before(d.Widest.Begin) && (open || d.Widest.End.IsZero() || !at.After(d.Widest.End))
}

func spans(ds []*haccp.Deviation) string {
	out := ""
	for _, d := range ds {
		out += fmt.Sprintf("\n  %d: %s now %v, widest %v, closed %v, filling %q", d.Number, d.Ground, d.Now, d.Widest, d.IsClosed, d.Filling)
	}
	return out
}

// No sequence of commands makes an outside reading lose its case (RULES 5.8).
func TestNoOutsideReadingLosesItsCase(t *testing.T) {
	refused, accepted := map[string]int{}, map[string]int{}
	rapid.Check(t, func(r *rapid.T) {
		p := newPlayer(t, r, refused, accepted)
		p.fill("bath-1")
		for range 10 + p.even(60, "steps") {
			p.step()
		}
		p.same(p.replay, p.state, "at the end")
	})
	t.Logf("given: %s", counted(accepted))
	t.Logf("refused: %s", counted(refused))
	for _, kind := range allKinds {
		if accepted[kind] == 0 {
			t.Errorf("no command %s was ever taken: the draw is too poor", kind)
		}
	}
}
