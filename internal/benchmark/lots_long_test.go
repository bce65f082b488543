//go:build long

package benchmark_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/benchmark"
	"linewarden/internal/planfile"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/record"
	"linewarden/internal/sqlitestore"
)

// What is asked of a log of 100,000 lots and a million readings.
const (
	manyLots       = 100_000
	readingsALot   = 10
	affectedWithin = 50 * time.Millisecond
	traceWithin    = 200 * time.Millisecond
	bytesALot      = 1024
)

// lotSteps are the steps that a lot of the benchmark goes through, with their places.
var lotSteps = [][2]string{{"wash-1", "bath-1"}, {"wash-2", "bath-2"}, {"drain", "fillet-table"}, {"rinse", "fillet-table"}, {"fillet", "fillet-table"},
	{"inspect", "fillet-table"}, {"weigh", "fillet-table"}, {"shred", "shredder"}, {"dose", "shredder"}, {"fill", "filler"}, {"label", "filler"}, {"chill", "cold-room"}}

// season writes the log of a plant in which a lot begins every six minutes, with ten readings in that time. Readings and
// reports on lots are decided by the rules; the signed records at the end of a lot are folded as they stand in a log.
type season struct {
	t       *testing.T
	ctx     context.Context
	store   *sqlitestore.Store
	log     record.Log
	state   *haccp.State
	builder *record.Builder
	commit  int64
	decode  *codec.Decoder
	now     time.Time
	n       int
	took    []time.Duration // by each reading of the part of the season that runs
}

func kilograms(s string) *quantity.Value {
	v := quantity.Exact(quantity.MustDecimal(s), quantity.Kilogram)
	return &v
}

var lead = haccp.Actor{ID: "lea", Name: "Lea", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
var boss = haccp.Actor{ID: "mara", Name: "Mara", Role: haccp.RoleManager, Known: haccp.KnownPassword}
var tech = haccp.Actor{ID: "tina", Name: "Tina", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}

func lotsPlan(t *testing.T) *plan.Plan {
	text, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r := planfile.Check("plan.yaml", text, plan.Options{})
	if r.Plan == nil {
		t.Fatal(r.Errors)
	}
	p := r.Plan
	p.Steps = []plan.Step{{ID: "receive", Name: "receive", Next: []string{lotSteps[0][0]}}}
	for i, s := range lotSteps {
		step := plan.Step{ID: s[0], Name: s[0], Place: s[1]}
		if i+1 < len(lotSteps) {
			step.Next = []string{lotSteps[i+1][0]}
		}
		p.Steps = append(p.Steps, step)
	}
	for i := range p.Places {
		p.Places[i].Carries = p.Places[i].ID == "shredder"
	}
	return p
}

func newSeason(t *testing.T) *season {
	s := &season{t: t, ctx: t.Context(), state: haccp.New(time.LoadLocation), decode: codec.NewDecoder(), now: time.Date(2025, 1, 6, 6, 0, 0, 0, time.UTC)}
	store, err := sqlitestore.Open(s.ctx, t.TempDir(), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.store = store
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	p := lotsPlan(t)
	if s.log, err = store.Site(s.ctx, p.Site); err != nil {
		t.Fatal(err)
	}
	s.builder = record.NewBuilder(p.Site, new(record.Tree), 1)
	s.fold(haccp.KindFounded, boss, &haccp.Founded{Site: p.Site, Name: "season", Demo: true, Format: 1, LogID: "x", Key: "k"}, "site")
	for _, who := range []haccp.Actor{lead, boss, tech} {
		s.fold(haccp.KindPersonAdded, boss, &haccp.PersonBody{Person: who.ID, Name: who.Name, SignIn: who.ID})
		s.fold(haccp.KindRoleGiven, boss, &haccp.PersonBody{Person: who.ID, Role: who.Role})
	}
	s.fold(haccp.KindPlanSigned, boss, &haccp.PlanSigned{From: s.now.AddDate(-1, 0, 0), Plan: p, Reason: "first", Source: "x", Version: 1})
	return s
}

func (s *season) id() string {
	s.n++
	return haccp.RecordID(fmt.Sprintf("season %d", s.n), 0)
}

// fold puts a record into the log as it stands.
func (s *season) fold(kind string, by haccp.Actor, body any, about ...string) {
	s.t.Helper()
	id := s.id()
	e := &haccp.Event{Kind: kind, V: 1, Seq: s.state.Size + 1, ID: haccp.RecordID(id, 0), Command: id, At: s.now, AtKnown: haccp.AtServer, RecordedAt: s.now, By: by,
		About: about, Body: body}
	next := s.state.Fork()
	f := s.facts(func(f haccp.Facts) (haccp.Need, error) { return s.state.NeedsApply([]*haccp.Event{e}, f) })
	if err := next.Apply([]*haccp.Event{e}, f); err != nil {
		s.t.Fatal(err)
	}
	s.state = next
	s.keep([]*haccp.Event{e})
}

// facts reads what is needed from the log.
func (s *season) facts(needs func(haccp.Facts) (haccp.Need, error)) haccp.Facts {
	s.t.Helper()
	need, err := needs(haccp.Facts{})
	if err == nil && need.Empty() {
		return haccp.Facts{}
	}
	s.flush()
	f, err := facts.New(s.log, s.decode, s.state.Size).Gather(s.ctx, needs)
	if err != nil {
		s.t.Fatal(err)
	}
	return f
}

// decide has the rules decide a command now, or one that is received late.
func (s *season) decide(kind string, by haccp.Actor, ask any, at time.Time) *haccp.Outcome {
	s.t.Helper()
	c := &haccp.Command{ID: s.id(), Kind: kind, At: at, AtKnown: haccp.AtDevice, By: by, Ask: ask, LateReason: "-"}
	f := s.facts(func(f haccp.Facts) (haccp.Need, error) { return s.state.Needs(c, f) })
	out, err := s.state.Decide(c, f, s.now)
	if err != nil {
		s.t.Fatal(err)
	}
	return out
}

func (s *season) report(kind string, by haccp.Actor, ask any) {
	s.t.Helper()
	out := s.decide(kind, by, ask, s.now)
	s.state = out.Next
	s.keep(out.Events)
}

func (s *season) keep(events []*haccp.Event) {
	s.t.Helper()
	var envelopes []record.Envelope
	for _, e := range events {
		body, err := codec.AppendBody(nil, e.Body)
		if err != nil {
			s.t.Fatal(err)
		}
		env, err := codec.Envelope(e, [32]byte{}, body)
		if err != nil {
			s.t.Fatal(err)
		}
		envelopes = append(envelopes, env)
	}
	if s.builder.Len()+len(events) > 450 {
		s.flush()
	}
	if err := s.builder.AppendCommand(envelopes); err != nil {
		s.t.Fatal(err)
	}
}

func (s *season) flush() {
	s.t.Helper()
	if s.builder.Len() == 0 {
		return
	}
	commit, lookups := s.builder.Build()
	if err := s.log.Append(s.ctx, s.commit, commit, lookups); err != nil {
		s.t.Fatal(err)
	}
	s.commit++
	s.builder = record.NewBuilder(s.state.Site.Site, s.builder.Tree(), s.commit+1)
}

func (s *season) test(place, chlorine string) *haccp.Reading {
	read := func(n, unit string) quantity.Value {
		return quantity.Exact(quantity.MustDecimal(n), quantity.Unit(unit))
	}
	return &haccp.Reading{Check: "bath-test", Place: place, Mode: "hand", Entries: []haccp.Entry{
		{Quantity: "free_chlorine", Method: "chlorine-titration", Read: read(chlorine, "mg/L")},
		{Quantity: "ph", Method: "ph-meter", Read: read("6.80", "pH")}}}
}

func code(i int) string { return fmt.Sprintf("P%06d", i) }

// lot takes lot i through its steps. It gives a part of it to the next one and takes one from the one before, in fours.
func (s *season) lot(i int) {
	c := code(i)
	s.report(haccp.KindLotReceived, lead, &haccp.LotReceived{Lot: c, Step: "receive", Mass: kilograms("500"), Product: "leaves", Source: &haccp.Source{Name: "North field"}})
	began := s.now
	for k, step := range lotSteps {
		s.now = began.Add(time.Duration(k*25) * time.Second)
		s.report(haccp.KindLotEntered, lead, &haccp.LotMoved{Lot: c, Step: step[0], Place: step[1]})
		s.now = s.now.Add(20 * time.Second)
		if k < readingsALot {
			start := time.Now()
			s.report(haccp.KindReading, tech, s.test([]string{"bath-1", "bath-2"}[k%2], strconv.Itoa(120+i%9)))
			s.took = append(s.took, time.Since(start))
		}
		left := &haccp.LotMoved{Lot: c, Step: step[0], Place: step[1]}
		if step[0] == "fill" {
			left.Boxes = []haccp.BoxRange{{Prefix: "X", From: int64(40*i + 1), To: int64(40*i + 40)}}
		}
		s.report(haccp.KindLotLeft, lead, left)
		if step[0] == "rinse" && i%4 > 0 {
			s.report(haccp.KindLotFed, lead, &haccp.LotFed{How: haccp.FedMerged, Step: "rinse", From: []haccp.LotPart{{Lot: code(i - 1), Mass: kilograms("20")}}, To: []haccp.LotPart{{Lot: c, Mass: kilograms("20")}}})
		}
	}
	if i%4 == 3 {
		s.report(haccp.KindPlaceEmptied, tech, &haccp.PlaceEmptied{Place: "shredder"})
	}
	s.now = began.Add(6 * time.Minute)
	if done := i - 200; done >= 0 { // a lot waits for its results for the best part of a day
		c := code(done)
		about := []string{"lot:" + c, "lots"}
		g := haccp.Signature{Meaning: "lot-release", Statement: "I release it", Language: "en", Head: haccp.Head{Size: s.state.Size}}
		s.fold(haccp.KindLotReviewed, boss, &haccp.LotReviewed{Lot: c, Signature: g}, about...)
		s.fold(haccp.KindLotDisposed, boss, &haccp.LotDisposed{Lot: c, Outcome: plan.Release, Reason: "all in order", Signature: g}, about...)
		s.fold(haccp.KindLotShipped, lead, &haccp.LotShipped{Lot: c, All: true, Mass: kilograms("480"), Consignee: haccp.Party{Name: "Buyer"}}, about...)
	}
}

// heap is what is in use once garbage is gone.
func heap() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc) //nolint:gosec // far below 2^63
}

// median runs a thing some times and gives the middle of what each took.
func median(times int, f func(n int)) time.Duration {
	var took []time.Duration
	for n := range times {
		start := time.Now()
		f(n)
		took = append(took, time.Since(start))
	}
	slices.Sort(took)
	return took[len(took)/2]
}

// TestLongLots measures what lots cost in a log of many: LINEWARDEN_LONG_LOTS tries another number.
func TestLongLots(t *testing.T) {
	n := manyLots
	if text := os.Getenv("LINEWARDEN_LONG_LOTS"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil || n < 5000 {
			t.Fatalf("LINEWARDEN_LONG_LOTS: %q is no number from 5000 on", text)
		}
	}
	s := newSeason(t)
	began := time.Now()
	var early int64
	for i := range n {
		s.lot(i)
		if (i+1)%(n/10) == 0 {
			var sum time.Duration
			for _, d := range s.took {
				sum += d
			}
			mean := sum / time.Duration(len(s.took))
			slices.Sort(s.took)
			benchmark.Figure(t, "%d lots, %d records: a reading is decided, encoded and stored in %s at the median, %s at the mean", i+1, s.state.Size,
				s.took[len(s.took)/2].Round(time.Microsecond), mean.Round(time.Microsecond))
			s.took = s.took[:0]
		}
		if i+1 == n/2 {
			s.flush()
			early = heap()
		}
	}
	s.flush()
	benchmark.Figure(t, "%d lots and %d records written in %s", n, s.state.Size, time.Since(began).Round(time.Second))
	grown := float64(heap()-early) / float64(n-n/2)
	benchmark.Figure(t, "memory: %.0f bytes a closed lot; %d lots in the state", grown, len(s.state.Lots()))
	if grown > bytesALot {
		t.Errorf("%.0f bytes a closed lot, %d are asked for", grown, bytesALot)
	}
	s.snapshot()
	s.affected(n)
	s.traces(n)
}

func (s *season) snapshot() {
	start := time.Now()
	b, err := s.state.Snapshot()
	if err != nil {
		s.t.Fatal(err)
	}
	wrote := time.Since(start)
	start = time.Now()
	if _, err := haccp.Restore(b, time.LoadLocation); err != nil {
		s.t.Fatal(err)
	}
	benchmark.Figure(s.t, "snapshot: %d kB, written in %s, restored in %s", len(b)>>10, wrote.Round(time.Millisecond), time.Since(start).Round(time.Millisecond))
}

// affected asks which lots a low reading touches: one drawn now, and one of long ago. The bare baseline goes over all
// stays of the lots in the state.
func (s *season) affected(n int) {
	held := func(out *haccp.Outcome) int {
		for _, e := range out.Events {
			if b, ok := e.Body.(*haccp.LotHeld); ok {
				return len(b.Lots)
			}
		}
		return 0
	}
	lots := 0
	for _, c := range []string{"Q1", "Q2"} { // in the bath now
		s.report(haccp.KindLotReceived, lead, &haccp.LotReceived{Lot: c, Step: "receive"})
		s.report(haccp.KindLotEntered, lead, &haccp.LotMoved{Lot: c, Step: "wash-1", Place: "bath-1"})
	}
	now := median(11, func(int) { lots = held(s.decide(haccp.KindReading, tech, s.test("bath-1", "40"), s.now)) })
	benchmark.Figure(s.t, "a low reading now: %s with the lots it holds (%d)", now, lots)
	if lots == 0 || now > affectedWithin {
		s.t.Errorf("%d lots in %s; %s is asked for", lots, now, affectedWithin)
	}
	span := lot.Span{Cause: "x", Place: "bath-1", Begin: s.now.Add(-30 * time.Minute), End: s.now}
	all := s.state.Lots()
	ours := median(101, func(int) { s.state.LotBook().Affected(lot.Causes{Spans: []lot.Span{span}}) })
	bare := median(101, func(int) {
		met := 0
		for _, l := range all {
			stays := l.Stays()
			for k := range stays {
				if stays[k].Place == "bath-1" && stays[k].Meets(span.Begin, span.End) {
					met++
				}
			}
		}
		if met == 0 {
			s.t.Fatal("none")
		}
	})
	benchmark.Figure(s.t, "the question alone, of %d lots in the state: %s; bare walk over their stays: %s", len(all), ours, bare)
	touched := 0
	past := median(21, func(k int) {
		at := s.now.Add(-time.Duration(n/2+k*7) * 6 * time.Minute)
		spans := []lot.Span{{Cause: "x", Place: "bath-1", Begin: at.Add(-10 * time.Minute), End: at.Add(10 * time.Minute)}}
		f := s.facts(func(f haccp.Facts) (haccp.Need, error) { return s.state.SpanNeeds(spans, f), nil })
		touched = len(s.state.SpanTouches(spans, f))
	})
	benchmark.Figure(s.t, "a span of 20 minutes %d lots ago, read from the log: %s for the lots it touched (%d)", n/2, past, touched)
	if touched == 0 || past > affectedWithin {
		s.t.Errorf("%d lots in %s; %s is asked for", touched, past, affectedWithin)
	}
}

// traces asks for the way of lots, read back from the log. The bare baseline reads the same records and does nothing
// with them.
func (s *season) traces(n int) {
	var kin []string
	ours := median(21, func(k int) {
		c := s.state.LotsOfBox("X", int64(40*(n/2+4*k+3)+7))
		if len(c) != 1 {
			s.t.Fatalf("box: %v", c)
		}
		f := s.facts(func(f haccp.Facts) (haccp.Need, error) { return s.state.LotNeeds(c, f), nil })
		kin = s.state.WithLots(c, f).LotBook().Backward(c[0]).Lots
	})
	bare := median(21, func(k int) {
		for j := range 4 {
			q := record.Query{About: "lot:" + code(n/2+4*k+j), To: s.now}
			if page, _, err := s.log.Find(s.ctx, q); err != nil || len(page) == 0 {
				s.t.Fatal(len(page), err)
			}
		}
	})
	benchmark.Figure(s.t, "a box traced back to %d lots, read from the log: %s; bare reading of their records: %s", len(kin), ours, bare)
	if len(kin) != 4 || ours > traceWithin {
		s.t.Errorf("%v in %s; %s is asked for", kin, ours, traceWithin)
	}
}
