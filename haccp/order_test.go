package haccp_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/plan"
)

// drawing lets a world fail the draw of a property test, so that the draw is shrunk.
type drawing struct {
	testing.TB
	rt *rapid.T
}

func (d drawing) Fatal(args ...any)            { d.rt.Fatal(args...) }
func (d drawing) Fatalf(f string, args ...any) { d.rt.Fatalf(f, args...) }
func (d drawing) Helper()                      {}

// A fact is something that happened; after names the facts that must be told before it can be.
type fact struct {
	at    time.Time
	after int // index of the fact it changes, -1: none
	give  func(w *world)
	row   *haccp.ImportRow // imported: rows are told in groups
}

// A script draws facts of one bath over some days.
type script struct {
	t        *rapid.T
	days     int
	facts    []fact
	fillings []control.Filling // as drawn
}

func (s *script) time(label string) time.Time {
	return monday.Add(time.Hour + time.Duration(rapid.IntRange(0, s.days*24*6).Draw(s.t, label))*10*time.Minute)
}

func (s *script) add(at time.Time, give func(w *world, at time.Time)) int {
	s.facts = append(s.facts, fact{at: at, after: -1, give: func(w *world) { give(w, at) }})
	return len(s.facts) - 1
}

// say gives a command at a moment and wants it to be taken.
func say(w *world, id, kind string, by haccp.Actor, at time.Time, known string, ask any) {
	w.t.Helper()
	c := &haccp.Command{ID: id, Kind: kind, At: at, AtKnown: known, By: by, Ask: ask, LateReason: "told late"}
	if _, err := w.try(c); err != nil {
		w.t.Fatalf("%s: %v", kind, err)
	}
}

func (s *script) reading(i int) {
	at := s.time("reading")
	cl := rapid.SampledFrom([]string{"120", "120", "120", "92", "171"}).Draw(s.t, "cl")
	ph := rapid.SampledFrom([]string{"6.75", "6.75", "7.4"}).Draw(s.t, "ph")
	salt := rapid.SampledFrom([]string{"30", "30", "12"}).Draw(s.t, "salt")
	known := rapid.SampledFrom([]string{haccp.AtDevice, haccp.AtDevice, haccp.AtDevice, haccp.AtTyped}).Draw(s.t, "known")
	tool := rapid.SampledFrom([]string{"burette-1", "burette-1", ""}).Draw(s.t, "tool")
	filling := ""
	if len(s.fillings) > 0 && rapid.IntRange(0, 5).Draw(s.t, "names") == 0 {
		filling = rapid.SampledFrom(s.fillings).Draw(s.t, "filling").ID // rightly or wrongly
	}
	left := rapid.IntRange(0, 11).Draw(s.t, "left out") // all but one quantity in some
	id := haccp.RecordID("reading", i)
	body := func(cl string) *haccp.Reading {
		r := bathTest("bath-1", cl, ph)
		r.Entries[0].Instrument, r.Entries[3].Read, r.Filling = tool, value(salt, "g/L"), filling
		if left < len(r.Entries) {
			r.Entries = slices.Delete(r.Entries, left, left+1)
		}
		return r
	}
	n := s.add(at, func(w *world, at time.Time) { say(w, id, haccp.KindReading, tina, at, known, body(cl)) })
	s.changed(n, id, known, at, body)
}

// changed may accept, amend or void a reading later.
func (s *script) changed(n int, id, known string, at time.Time, body func(cl string) *haccp.Reading) {
	target := haccp.RecordID(id, 0)
	what := rapid.IntRange(0, 9).Draw(s.t, "change")
	switch {
	case known == haccp.AtTyped && what < 5:
		s.add(at, func(w *world, _ time.Time) {
			say(w, id+"a", haccp.AskAcceptTime, mara, w.now, haccp.AtServer, &haccp.AcceptTime{Reason: "seen", Signature: w.signature(haccp.MeaningTime), Target: target})
		})
	case what == 8:
		cl := rapid.SampledFrom([]string{"120", "92"}).Draw(s.t, "amended")
		s.add(at, func(w *world, _ time.Time) {
			g := w.signature(haccp.MeaningAmend)
			say(w, id+"m", haccp.AskAmend, mara, w.now, haccp.AtServer, &haccp.Amend{New: body(cl), Reason: "misread", Signature: &g, Target: target})
		})
	case what == 9:
		var again *haccp.Command
		if rapid.Bool().Draw(s.t, "again") {
			again = &haccp.Command{Kind: haccp.KindReading, At: s.time("again"), AtKnown: haccp.AtDevice, Ask: body("120")}
		}
		s.add(at, func(w *world, _ time.Time) {
			g := w.signature(haccp.MeaningVoid)
			ask := &haccp.Void{Reason: "wrong bath or time", Signature: &g, Target: target}
			if again != nil && !again.At.After(w.now) {
				ask.New = again
			}
			say(w, id+"v", haccp.AskVoid, mara, w.now, haccp.AtServer, ask)
		})
	default:
		return
	}
	s.facts[len(s.facts)-1].after = n
}

// report adds a report other than a reading, which may be voided later.
func (s *script) report(i int, kind string, by haccp.Actor, ask any) {
	id := haccp.RecordID(kind, i)
	at := s.time(kind)
	n := s.add(at, func(w *world, at time.Time) { say(w, id, kind, by, at, haccp.AtDevice, ask) })
	if kind == haccp.KindFilled {
		s.fillings = append(s.fillings, control.Filling{ID: haccp.RecordID(id, 0), From: at})
	}
	if rapid.IntRange(0, 7).Draw(s.t, "void") != 0 {
		return
	}
	s.add(at, func(w *world, _ time.Time) {
		g := w.signature(haccp.MeaningVoid)
		say(w, id+"v", haccp.AskVoid, mara, w.now, haccp.AtServer, &haccp.Void{Reason: "never happened", Signature: &g, Target: haccp.RecordID(id, 0)})
	})
	s.facts[len(s.facts)-1].after = n
}

func (s *script) imported(i int) {
	at := s.time("imported")
	row := &haccp.ImportRow{At: at, Occurrence: int64(i + 1), Row: int64(i + 2), Values: []haccp.ImportValue{
		{Quantity: "free_chlorine", Method: "chlorine-titration", Value: value(rapid.SampledFrom([]string{"121", "93"}).Draw(s.t, "cl"), "mg/L")}}}
	s.facts = append(s.facts, fact{at: at, after: -1, row: row})
}

func (s *script) draw() {
	level := value("60", "cm")
	amount := value("1", "L")
	bath := &haccp.Bath{Place: "bath-1", Water: "town water", Level: &level}
	for i := range rapid.IntRange(0, 6).Draw(s.t, "fillings") {
		s.report(i, haccp.KindFilled, tina, bath)
	}
	for i := range rapid.IntRange(0, 4).Draw(s.t, "drains") {
		s.report(i, haccp.KindDrained, tina, &haccp.Bath{Place: "bath-1"})
	}
	for i := range rapid.IntRange(0, 3).Draw(s.t, "additions") {
		s.report(i, haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: "salt", Amount: &amount})
	}
	for i := range rapid.IntRange(0, 6).Draw(s.t, "fixes") {
		point := rapid.SampledFrom([]string{"wash-chlorine", "wash-chlorine", "bath-water"}).Draw(s.t, "point")
		s.report(i, haccp.KindFixDone, teo, &haccp.FixDone{Point: point, Place: "bath-1", Fix: "change-water"})
	}
	for i := range rapid.IntRange(0, 4).Draw(s.t, "starts") {
		s.report(i, haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
	}
	for i := range rapid.IntRange(0, 3).Draw(s.t, "stops") {
		s.report(i, haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "pause"})
	}
	for i := range rapid.IntRange(0, 2).Draw(s.t, "service") {
		s.report(i, haccp.KindOutOfService, lea, &haccp.Bath{Place: "bath-1", Reason: "leak"})
		s.report(i, haccp.KindInService, lea, &haccp.Bath{Place: "bath-1"})
	}
	for i := range rapid.IntRange(0, 6).Draw(s.t, "rows") {
		s.imported(i)
	}
	for i := range rapid.IntRange(0, 4).Draw(s.t, "checks") {
		result := rapid.SampledFrom([]string{instrument.Pass, instrument.Pass, instrument.Adjusted, instrument.Fail}).Draw(s.t, "result")
		s.report(i, haccp.KindInstrumentChecked, lea, &instrument.Checked{Instrument: "burette-1", Result: result})
	}
	for i := range rapid.IntRange(0, 2).Draw(s.t, "out") {
		s.report(i, haccp.KindInstrumentOut, lea, &instrument.Service{Instrument: "burette-1", Reason: "leaks"})
		s.report(i, haccp.KindInstrumentBack, lea, &instrument.Service{Instrument: "burette-1"})
	}
	for i := range rapid.IntRange(2, 40).Draw(s.t, "readings") {
		s.reading(i)
	}
}

// inTime is the order in which things happened.
func (s *script) inTime() []int {
	order := make([]int, len(s.facts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return s.facts[a].at.Compare(s.facts[b].at) })
	return order
}

// shuffled is any other order; what changes a report comes after it.
func (s *script) shuffled() []int {
	order := rapid.Permutation(s.inTime()).Draw(s.t, "order")
	place := map[int]int{}
	for i, n := range order {
		place[n] = i
	}
	for i := range s.facts {
		if a := s.facts[i].after; a >= 0 && place[a] > place[i] {
			order[place[a]], order[place[i]] = i, a
			place[a], place[i] = place[i], place[a]
		}
	}
	return order
}

// tell gives the facts in an order. now is stepped with it or stands after all of it. Rows of an import that
// stand side by side go into one command, up to a number.
func (s *script) tell(w *world, order []int, stepped bool, group int, after func()) {
	w.t.Helper()
	w.now = monday.Add(time.Duration(s.days+1) * 24 * time.Hour)
	end := w.now
	if stepped {
		w.now = monday.Add(time.Hour)
	}
	var rows []haccp.ImportRow
	flush := func() {
		if len(rows) > 0 {
			w.must(haccp.AskImport, console, &haccp.Import{Check: "bath-test", Place: "bath-1", File: strings.Repeat("ab", 32), Rows: rows})
			after()
		}
		rows = nil
	}
	for _, n := range order {
		x := &s.facts[n]
		if stepped && x.at.After(w.now) {
			w.now = x.at
		}
		if x.row != nil {
			if rows = append(rows, *x.row); len(rows) == group {
				flush()
			}
			continue
		}
		flush()
		x.give(w)
		after()
	}
	flush()
	w.now = end
}

// closeEnded closes each case whose span has ended and whose like was drawn.
func closeEnded(w *world) {
	closeThose(w, func(d *haccp.Deviation) bool { return !d.Now.End.IsZero() && d.Number%3 != 0 })
}

// closeAll closes every open case whose span has ended.
func closeAll(w *world) { closeThose(w, func(d *haccp.Deviation) bool { return !d.Now.End.IsZero() }) }

// closeThose signs every part of open cases and closes them.
func closeThose(w *world, those func(*haccp.Deviation) bool) {
	yes := true
	for _, d := range w.state.Cases() {
		if !those(d) {
			continue
		}
		for _, part := range []string{plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Effectiveness, plan.Closed} {
			d, _ = w.state.Case(d.Deviation)
			_ = w.sign(milo, d, part, func(b *haccp.DeviationSigned) {
				b.Restored, b.Product, b.Cause, b.Action, b.Reason = "by the fix", &haccp.Product{Evidence: "no leaf"}, "pump", "new pump", "seen"
				if part == plan.Effectiveness {
					b.Effective = &yes
				}
			})
		}
	}
}

func withInstrument(p *plan.Plan) {
	for i := range p.Points {
		for j := range p.Points[i].Limits {
			if p.Points[i].Limits[j].ID == "free-chlorine" {
				p.Points[i].Limits[j].Instrument = "burette-1"
			}
		}
	}
}

// checkedInstrument has the instrument of record checked every five days.
func checkedInstrument(p *plan.Plan) {
	for i := range p.Instruments {
		if p.Instruments[i].ID == "burette-1" {
			p.Instruments[i].CheckEvery = plan.Of(5, "d")
		}
	}
}

// testedDaily has the bath tested once a day, so that weeks of misses do not fill the log.
func testedDaily(p *plan.Plan) {
	onlyBaths(p)
	p.Checks[0].Schedule.Every = plan.Of(24, "h")
}

// Whatever the order in which facts are told, and however they are grouped, the excursions are those that
// follow from all of them at once, cases cover every one of them, and the span of every case is the one that
// follows from the facts (RULES 4.3, 5.1 to 5.3). Each run draws anew; a run that fails names its seed, and
// .ci/long draws many more.
func TestAnyOrderGivesTheSameExcursions(t *testing.T) {
	asked, evicted, grounds := 0, 0, map[string]int{}
	founded := newWorld(t, withInstrument, checkedInstrument, testedDaily)
	rapid.Check(t, func(rt *rapid.T) {
		s := &script{t: rt, days: rapid.SampledFrom([]int{2, 14, 40, 60}).Draw(rt, "days")}
		s.draw()
		for _, name := range []string{"as it happened", "shuffled"} {
			order := s.inTime()
			if name == "shuffled" {
				order = s.shuffled()
			}
			w := founded.again(drawing{t, rt}) // TestFoldsAgree folds such logs again
			cases := seenCases{}
			shut, swept := rapid.Bool().Draw(rt, "closing"), rapid.IntRange(0, 2).Draw(rt, "swept")
			s.tell(w, order, name == "as it happened", rapid.IntRange(1, 5).Draw(rt, "group"), func() {
				if swept > 0 && len(w.events)%3 < swept {
					w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
				}
				cases.follow(w)
				if shut {
					closeEnded(w)
					cases.follow(w)
				}
				if len(w.events)%8 == 0 {
					agrees(rt, w, cases, name+", on the way")
				}
			})
			agrees(rt, w, cases, name)
			asked += w.asked
			evicted += len(cases) - len(w.state.HeldCases())
			for _, d := range cases {
				grounds[d.Ground]++
			}
		}
	})
	t.Logf("%d ranges were asked for, %d cases forgotten, cases opened: %v", asked, evicted, grounds)
	if asked == 0 || evicted == 0 {
		t.Error("nothing was asked for or nothing was forgotten: the test does not reach what it is for")
	}
}
