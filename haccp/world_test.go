package haccp_test

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/planfile"
)

// world is a log in memory with the state that deciding gave, for tests of the rules.
type world struct {
	t      testing.TB
	state  *haccp.State
	events []*haccp.Event
	byKey  map[string][]*haccp.Event
	byID   map[string]*haccp.Event
	now    time.Time
	n      int
	// replay folds every group again into this state and compares, when set.
	replay *haccp.State
	// own is the state that is changed in place.
	own   *haccp.State
	tried int
	// asked counts the ranges that were asked for.
	asked int
}

var monday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) // 06:00 in America/Merida

func demoPlan(t testing.TB) *plan.Plan {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "internal", "demo", "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r := planfile.Check("plan.yaml", src, plan.Options{})
	if r.Plan == nil {
		t.Fatal(r.Errors)
	}
	r.Plan.Materials = nil // tests of materials and instruments ask for them with supplied
	for i := range r.Plan.Instruments {
		r.Plan.Instruments[i].CheckEvery = plan.Duration{}
	}
	return r.Plan
}

// supplied gives a plan the materials and the checks of instruments of the demo plan again.
func supplied(p *plan.Plan) {
	src, err := os.ReadFile(filepath.Join("..", "internal", "demo", "plan.yaml"))
	if err != nil {
		panic(err)
	}
	r := planfile.Check("plan.yaml", src, plan.Options{})
	p.Materials, p.Instruments = r.Plan.Materials, r.Plan.Instruments
}

// newWorld founds a demo site with the demo plan and five people.
func newWorld(t testing.TB, change ...func(*plan.Plan)) *world {
	t.Helper()
	w := &world{t: t, state: haccp.New(time.LoadLocation), now: monday, byKey: map[string][]*haccp.Event{}, byID: map[string]*haccp.Event{}}
	w.replay = haccp.New(time.LoadLocation)
	p := demoPlan(t)
	for _, c := range change {
		c(p)
	}
	founded := &haccp.Event{Kind: haccp.KindFounded, V: 1, Seq: 1, ID: haccp.RecordID("found", 0), At: w.now, RecordedAt: w.now,
		About: []string{"site"}, Body: &haccp.Founded{Site: p.Site, Name: "test", Demo: true, Format: 1, LogID: "x", Key: "k"}}
	if err := w.state.Apply([]*haccp.Event{founded}, haccp.Facts{}); err != nil {
		t.Fatal(err)
	}
	if err := w.replay.Apply([]*haccp.Event{founded}, haccp.Facts{}); err != nil {
		t.Fatal(err)
	}
	w.keep([]*haccp.Event{founded})
	for _, who := range []struct{ id, role string }{{"tina", haccp.RoleTechnician}, {"teo", haccp.RoleTechnician},
		{"lea", haccp.RoleLineLead}, {"mara", haccp.RoleManager}, {"milo", haccp.RoleManager}, {"ada", haccp.RoleAdministrator}} {
		w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: who.id, Name: strings.ToUpper(who.id), SignIn: who.id}})
		w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: who.id, Role: who.role}})
	}
	w.must(haccp.AskSignPlan, console, &haccp.SignPlan{From: w.now.AddDate(-1, 0, 0), Plan: p, Reason: "first plan", Source: "x", Signature: w.signature(haccp.MeaningPlan)})
	w.now = w.now.Add(time.Minute)
	return w
}

// again is a world of its own that begins as this one stands, without replay.
func (w *world) again(t testing.TB) *world {
	n := &world{t: t, state: w.state.Fork(), events: slices.Clone(w.events), byKey: map[string][]*haccp.Event{}, byID: maps.Clone(w.byID), now: w.now, n: w.n}
	for k, events := range w.byKey {
		n.byKey[k] = slices.Clone(events)
	}
	return n
}

var console = haccp.Actor{ID: "console", Name: "Console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}

var timetable = haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}

func person(id, role string) haccp.Actor {
	return haccp.Actor{ID: id, Name: strings.ToUpper(id), Role: role, Known: haccp.KnownPassword}
}

var (
	tina = person("tina", haccp.RoleTechnician)
	teo  = person("teo", haccp.RoleTechnician)
	lea  = person("lea", haccp.RoleLineLead)
	mara = person("mara", haccp.RoleManager)
	milo = person("milo", haccp.RoleManager)
)

func (w *world) signature(meaning string) haccp.Signature {
	return haccp.Signature{Meaning: meaning, Statement: "I sign " + meaning, Language: "en", Head: haccp.Head{Size: w.state.Size, Root: root(w.state.Size)}}
}

func root(size int64) string { return fmt.Sprintf("root-%d", size) }

func (w *world) keep(events []*haccp.Event) {
	for _, e := range events {
		w.events = append(w.events, e)
		w.byID[e.ID] = e
		for _, k := range e.About {
			w.byKey[k] = append(w.byKey[k], e)
		}
	}
}

// answer adds to the facts what is needed.
func (w *world) answer(n haccp.Need, f haccp.Facts, size int64) haccp.Facts {
	if f.Ranges == nil {
		f = haccp.Facts{Ranges: map[haccp.Range][]*haccp.Event{}, ByID: map[string]*haccp.Event{}, Leaves: map[int64]string{}, Roots: map[int64]string{},
			Reporters: map[haccp.ReviewSpan]map[string][]int64{}}
	}
	for _, r := range n.Ranges {
		w.asked++
		f.Ranges[r] = nil
		for _, e := range w.byKey[r.About] {
			if e.Seq <= size && !e.At.Before(r.From) && e.At.Before(r.To) {
				f.Ranges[r] = append(f.Ranges[r], e)
			}
		}
	}
	for _, id := range n.IDs {
		if e := w.byID[id]; e != nil && e.Seq <= size {
			f.ByID[id] = e
		} else {
			f.ByID[id] = nil
		}
	}
	for _, seq := range n.Leaves {
		f.Leaves[seq] = fmt.Sprintf("leaf-%d", seq)
	}
	for _, size := range n.Roots {
		f.Roots[size] = root(size)
	}
	for _, r := range n.Reporters {
		f.Reporters[r] = map[string][]int64{}
		for _, e := range w.events[r.From-1 : r.To] {
			if haccp.Reported(e.Kind) {
				f.Reporters[r][e.By.ID] = append(f.Reporters[r][e.By.ID], e.Seq)
			}
		}
	}
	return f
}

func (w *world) facts(c *haccp.Command) haccp.Facts {
	var f haccp.Facts
	for range 20 {
		n, err := w.state.Needs(c, f)
		if err != nil {
			w.t.Fatal(err)
		}
		if n.Empty() {
			return f
		}
		f = w.answer(n, f, w.state.Size)
	}
	w.t.Fatal("needs without end")
	return f
}

// try gives a command and keeps its records; the state decided is compared with the state replayed.
func (w *world) try(c *haccp.Command) ([]*haccp.Event, error) {
	w.t.Helper()
	before := w.state.Size
	f := w.facts(c)
	out, err := w.state.Decide(c, f, w.now)
	w.tryOn(c, f, out, err)
	if err != nil {
		if w.state.Size != before {
			w.t.Fatal("a refused command changed the state")
		}
		return nil, err
	}
	w.keep(out.Events)
	w.state = out.Next
	if w.replay != nil && len(out.Events) > 0 {
		w.applyTo(w.replay, out.Events)
		w.same(w.replay, w.state, c.Kind)
	}
	return out.Events, nil
}

// tryOn gives the command to a state that is changed in place, which must come to the same.
func (w *world) tryOn(c *haccp.Command, f haccp.Facts, want *haccp.Outcome, wantErr error) {
	w.t.Helper()
	if w.own == nil || w.own.Size != w.state.Size || !reflect.DeepEqual(w.own.Site, w.state.Site) {
		w.own = w.state.Fork()
	}
	out, err := w.own.DecideOn(c, f, w.now)
	after := w.state
	switch {
	case errors.Is(err, haccp.ErrSpoiled) && wantErr != nil:
		w.own = nil
		return
	case wantErr != nil:
		if err == nil || err.Error() != wantErr.Error() {
			w.t.Fatalf("%s: in place %v, else %v", c.Kind, err, wantErr)
		}
	case err != nil:
		w.t.Fatalf("%s: refused in place only: %v", c.Kind, err)
	default:
		if !reflect.DeepEqual(out.Events, want.Events) {
			w.t.Fatalf("%s: other records in place", c.Kind)
		}
		after = want.Next
	}
	if w.tried++; w.replay != nil && w.tried%4 == 0 {
		w.same(w.own, after, c.Kind+" in place")
	}
}

func (w *world) applyTo(s *haccp.State, group []*haccp.Event) {
	w.t.Helper()
	var f haccp.Facts
	for range 20 {
		n, err := s.NeedsApply(group, f)
		if err != nil {
			w.t.Fatal(err)
		}
		if n.Empty() {
			break
		}
		f = w.answer(n, f, s.Size)
	}
	if err := s.Apply(group, f); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) same(a, b *haccp.State, what string) {
	w.t.Helper()
	x, err := a.Snapshot()
	if err != nil {
		w.t.Fatal(err)
	}
	y, err := b.Snapshot()
	if err != nil {
		w.t.Fatal(err)
	}
	if !bytes.Equal(x, y) {
		i := 0
		for i < min(len(x), len(y)) && x[i] == y[i] {
			i++
		}
		from := max(0, i-200)
		w.t.Fatalf("%s: replayed state differs:\n%s\n%s", what, x[from:min(len(x), i+300)], y[from:min(len(y), i+300)])
	}
}

func (w *world) command(kind string, by haccp.Actor, ask any) *haccp.Command {
	w.n++
	return &haccp.Command{ID: haccp.RecordID("test", w.n), Kind: kind, At: w.now, AtKnown: haccp.AtDevice, By: by, Ask: ask}
}

func (w *world) must(kind string, by haccp.Actor, ask any) []*haccp.Event {
	w.t.Helper()
	events, err := w.try(w.command(kind, by, ask))
	if err != nil {
		w.t.Fatalf("%s: %v", kind, err)
	}
	return events
}

func (w *world) at(d time.Duration) { w.now = w.now.Add(d) }

func value(s, unit string) quantity.Value {
	return quantity.Exact(quantity.MustDecimal(s), quantity.Unit(unit))
}

// bathTest is a complete bath test with the given free chlorine and pH.
func bathTest(place, cl, ph string) *haccp.Reading {
	return &haccp.Reading{Check: "bath-test", Place: place, Mode: "hand", Entries: []haccp.Entry{
		{Quantity: "free_chlorine", Method: "chlorine-titration", Read: value(cl, "mg/L")},
		{Quantity: "ph", Method: "ph-meter", Read: value(ph, "pH")},
		{Quantity: "temperature", Method: "thermometer", Read: value("12.0", "°C")},
		{Quantity: "salt", Method: "salt-meter", Read: value("30", "g/L")}}}
}

func (w *world) fill(place string) string {
	level := value("60", "cm")
	return w.must(haccp.KindFilled, tina, &haccp.Bath{Place: place, Water: "town water", Level: &level})[0].ID
}

func (w *world) startLine() {
	w.t.Helper()
	var pre []haccp.PreOp
	for _, id := range []string{"clean-seen", "blades-in", "rinse-clear", "tools-out"} {
		pre = append(pre, haccp.PreOp{Item: id, At: w.now, OK: true})
	}
	w.must(haccp.AskStart, lea, &haccp.LineStarted{Line: "line-1", PreOp: pre})
}

// running is a world with both baths filled and tested and the line running.
func running(t testing.TB, change ...func(*plan.Plan)) *world {
	w := newWorld(t, change...)
	w.fill("bath-1")
	w.fill("bath-2")
	w.at(10 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.75"))
	w.must(haccp.KindReading, tina, bathTest("bath-2", "126", "6.75"))
	w.at(time.Minute)
	w.startLine()
	return w
}

func (w *world) sign(by haccp.Actor, d *haccp.Deviation, part string, fill func(*haccp.DeviationSigned)) error {
	w.t.Helper()
	ask := &haccp.SignPart{DeviationSigned: haccp.DeviationSigned{Deviation: d.Deviation, Part: part, Signature: w.signature(part)}}
	if fill != nil {
		fill(&ask.DeviationSigned)
	}
	_, err := w.try(w.command(haccp.AskSignPart, by, ask))
	return err
}

func worstOf(events []*haccp.Event) string {
	for _, e := range events {
		if r, ok := e.Body.(*haccp.Reading); ok {
			return control.Worst(r.Verdicts)
		}
	}
	return ""
}

func kinds(events []*haccp.Event) []string {
	var out []string
	for _, e := range events {
		out = append(out, e.Kind)
	}
	return out
}
