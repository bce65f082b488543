package haccp_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// lotPlan changes the demo plan so that only critical points hold product, the shredder carries over, and the time
// from shredding to filling is limited.
func lotPlan(p *plan.Plan) {
	p.Products = nil // results are confirmed by signature
	for i := range p.Classes {
		p.Classes[i].Holds = p.Classes[i].Class == plan.CCP
	}
	for i := range p.Places {
		p.Places[i].Carries = p.Places[i].ID == "shredder"
	}
	var most plan.Amount
	if err := most.UnmarshalText([]byte("60 min")); err != nil {
		panic(err)
	}
	warn := plan.Duration{}
	if err := warn.UnmarshalText([]byte("15 min")); err != nil {
		panic(err)
	}
	p.Points = slices.DeleteFunc(p.Points, func(x plan.Point) bool { return x.ID == "gel-clock" })
	p.Points = append(p.Points, plan.Point{ID: "gel-clock", Name: "From shredding to sealing", Class: plan.CCP, Places: []string{"filler"}, Step: "fill",
		Limits: []plan.Limit{{ID: "max", Kind: plan.Critical, Quantity: string(quantity.Elapsed), Max: &most, Basis: plan.Basis{Invented: true}}},
		Clock:  &plan.Timer{From: "shred", To: "fill", Warn: warn}})
}

func kg(s string) *quantity.Value {
	v := value(s, "kg")
	return &v
}

func (w *world) receive(code string) {
	w.t.Helper()
	w.must(haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: code, Step: "receive", Mass: kg("200"), Product: "leaves", Source: &haccp.Source{Name: "North field"}})
}

func (w *world) moveAt(kind, code, step, place string, at time.Time) []*haccp.Event {
	w.t.Helper()
	c := w.command(kind, lea, &haccp.LotMoved{Lot: code, Step: step, Place: place})
	c.At, c.AtKnown, c.LateReason = at, haccp.AtTyped, "written down on paper"
	events, err := w.try(c)
	if err != nil {
		w.t.Fatal(err)
	}
	return events
}

func (w *world) in(code, step, place string) []*haccp.Event {
	w.t.Helper()
	return w.must(haccp.KindLotEntered, lea, &haccp.LotMoved{Lot: code, Step: step, Place: place})
}

func (w *world) out(code, step, place string) []*haccp.Event {
	w.t.Helper()
	return w.must(haccp.KindLotLeft, lea, &haccp.LotMoved{Lot: code, Step: step, Place: place})
}

func (w *world) test(cl string) []*haccp.Event {
	w.t.Helper()
	events := w.must(haccp.KindReading, tina, bathTest("bath-1", cl, "6.80"))
	return append(events, w.must(haccp.KindReading, tina, bathTest("bath-2", "126", "6.80"))...)
}

// held lists the lots that records put on hold.
func heldIn(events []*haccp.Event) []string {
	var out []string
	for _, e := range events {
		if b, ok := e.Body.(*haccp.LotHeld); ok {
			for _, l := range b.Lots {
				out = append(out, l.Lot)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (w *world) lot(code string) *haccp.LotState {
	w.t.Helper()
	l, ok := w.state.Lot(code)
	if !ok {
		w.t.Fatalf("no lot %s", code)
	}
	return l
}

// pass takes a lot through all steps from washing to the cold room, a quarter of an hour each, testing the baths on the way.
func (w *world) pass(code string) {
	w.t.Helper()
	for _, s := range [][2]string{{"wash-1", "bath-1"}, {"wash-2", "bath-2"}, {"rinse", "fillet-table"}, {"fillet", "fillet-table"},
		{"inspect", "fillet-table"}, {"shred", "shredder"}, {"dose", "shredder"}, {"fill", "filler"}, {"chill", "cold-room"}} {
		w.in(code, s[0], s[1])
		w.at(10 * time.Minute)
		w.out(code, s[0], s[1])
		w.test("124")
	}
}

func lotSignature(w *world, meaning string) haccp.Signature { return w.signature(meaning) }

func (w *world) review(code string) error {
	_, err := w.try(w.command(haccp.AskLotReview, mara, &haccp.LotReviewed{Lot: code, Signature: lotSignature(w, haccp.MeaningLotReviewed)}))
	return err
}

// unchecked lists what who releases a lot confirms.
func (w *world) unchecked(code string) []string {
	l, ok := w.state.Lot(code)
	if !ok {
		l = &haccp.LotState{}
	}
	return w.state.Unchecked(l, w.now)
}

func (w *world) release(code string) error {
	_, err := w.try(w.command(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: code, Outcome: plan.Release, Reason: "all in order",
		Confirmed: w.unchecked(code), Signature: lotSignature(w, "lot-release")}))
	return err
}

// Three lots and one low reading between two good ones: who was in the bath in the span is on hold in the commit of
// the reading, who was before or after is not.
func TestLowReadingHoldsLots(t *testing.T) {
	w := running(t, lotPlan)
	for _, code := range []string{"A", "B", "C"} {
		w.receive(code)
	}
	w.in("A", "wash-1", "bath-1")
	w.at(10 * time.Minute)
	w.out("A", "wash-1", "bath-1")
	w.in("A", "wash-2", "bath-2")
	w.at(5 * time.Minute)
	w.test("124")
	w.at(5 * time.Minute)
	w.in("B", "wash-1", "bath-1")
	w.in("C", "wash-2", "bath-2") // sits in the other bath
	w.at(10 * time.Minute)
	events := w.must(haccp.KindReading, tina, bathTest("bath-1", "60", "6.80"))
	if got := kinds(events); !slices.Equal(got, []string{haccp.KindReading, haccp.KindDeviationOpened, haccp.KindLotHeld}) {
		t.Fatal(got)
	}
	// C is recorded at the second wash and not at the first: passed unseen, from its receipt on.
	if got := heldIn(events); !slices.Equal(got, []string{"B", "C"}) {
		t.Fatalf("held: %v", got)
	}
	if w.lot("B").State() != haccp.LotOnHold || w.lot("A").State() != haccp.LotInProcess {
		t.Fatal(w.lot("A").State(), w.lot("B").State())
	}
	// A reading drawn before, received late, narrows the span: B came after the new begin, C may still have been there.
	// No hold goes by itself.
	w.at(time.Minute)
	late := w.command(haccp.KindReading, tina, bathTest("bath-1", "121", "6.80"))
	late.At, late.LateReason = w.now.Add(-4*time.Minute), "tablet was off"
	if _, err := w.try(late); err != nil {
		t.Fatal(err)
	}
	if len(w.lot("B").Standing()) != 1 {
		t.Fatal("a hold went by itself")
	}
	// Moved on while on hold, and fed into another: the child is on hold in the same commit.
	w.at(time.Minute)
	w.out("B", "wash-1", "bath-1")
	fed := w.must(haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit, Step: "wash-2", From: []haccp.LotPart{{Lot: "B"}}, To: []haccp.LotPart{{Lot: "B1", Mass: kg("50")}, {Lot: "B2", Mass: kg("149.5")}}})
	if got := heldIn(fed); !slices.Equal(got, []string{"B1", "B2"}) {
		t.Fatalf("held: %v", got)
	}
	if f := fed[0].Findings; len(f) == 0 || f[0].Code != haccp.FindingLotHeld {
		t.Errorf("%+v", f)
	}
}

// A lot is released with everything in place; a reading received late then widens a span over it: on hold again, named
// as released.
func TestReleaseAndHoldAgain(t *testing.T) {
	w := running(t, lotPlan)
	w.receive("A")
	w.in("A", "wash-1", "bath-1")
	err := w.release("A")
	var r *haccp.Refusal
	if !errors.As(err, &r) || r.Code != "release-lacks" || !slices.ContainsFunc(r.Items, func(s string) bool { return strings.Contains(s, "reviewed") }) {
		t.Fatal(err)
	}
	w.at(10 * time.Minute)
	washed := w.now
	w.out("A", "wash-1", "bath-1")
	w.test("124")
	w.pass("A2") // never received: a finding
	for _, s := range [][2]string{{"wash-2", "bath-2"}, {"rinse", "fillet-table"}, {"fillet", "fillet-table"}, {"inspect", "fillet-table"}} {
		w.in("A", s[0], s[1])
		w.at(5 * time.Minute)
		w.out("A", s[0], s[1])
		w.test("124")
	}
	w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
	for _, s := range [][2]string{{"shred", "shredder"}, {"dose", "shredder"}, {"fill", "filler"}, {"chill", "cold-room"}} {
		w.in("A", s[0], s[1])
		w.at(5 * time.Minute)
		left := &haccp.LotMoved{Lot: "A", Step: s[0], Place: s[1]}
		if s[0] == "fill" {
			left.Boxes = []haccp.BoxRange{{Prefix: "A-", From: 1, To: 12}}
		}
		w.must(haccp.KindLotLeft, lea, left)
		w.test("124")
	}
	if err := w.release("A"); !errors.As(err, &r) || !strings.Contains(fmt.Sprint(r.Items), "reviewed") || len(r.Items) != 1 {
		t.Fatalf("%v %q", err, r.Items)
	}
	if err := w.release("A2"); !errors.As(err, &r) || !strings.Contains(fmt.Sprint(r.Items), "unknown-lot") {
		t.Fatalf("%v", err)
	}
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	unconfirmed := &haccp.LotDisposed{Lot: "A", Outcome: plan.Release, Reason: "x", Signature: w.signature("lot-release")}
	if _, err := w.try(w.command(haccp.AskLotDispose, mara, unconfirmed)); !errors.As(err, &r) || len(r.Items) != len(w.unchecked("A")) {
		t.Fatalf("%v", err)
	}
	stale := w.command(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: "A", Outcome: plan.Release, Reason: "all in order", Confirmed: w.unchecked("A"), Signature: w.signature("lot-release")})
	second := w.command(haccp.AskLotDispose, milo, &haccp.LotDisposed{Lot: "A", Outcome: plan.Destroy, Reason: "x", Where: "compost", Mass: kg("190"), Signature: w.signature("lot-destroy")})
	if _, err := w.try(stale); err != nil {
		t.Fatal(err)
	}
	// Two decisions at once: the first wins, the other is told.
	if _, err := w.try(second); !errors.As(err, &r) || r.Code != "changed-since" {
		t.Fatal(err)
	}
	if got := w.lot("A").State(); got != haccp.LotReleased {
		t.Fatal(got)
	}
	// A low value drawn in the wash of A comes in late.
	w.at(time.Minute)
	late := w.command(haccp.KindReading, tina, bathTest("bath-1", "60", "6.80"))
	late.At, late.LateReason = washed.Add(-2*time.Minute), "found on paper"
	events, err := w.try(late)
	if err != nil {
		t.Fatal(err)
	}
	var again *haccp.HeldLot
	for _, e := range events {
		if b, ok := e.Body.(*haccp.LotHeld); ok {
			for i := range b.Lots {
				if b.Lots[i].Lot == "A" {
					again = &b.Lots[i]
				}
			}
		}
	}
	if again == nil || !again.Released || again.How != "exposed" || w.lot("A").State() != haccp.LotOnHold {
		t.Fatalf("%+v %s", again, w.lot("A").State())
	}
	loud := w.causes(alarm.LotReleased)
	if len(loud) != 1 || loud[0].Lot != "A" || loud[0].Severity != alarm.Critical || loud[0].Data["was"] != "released" || loud[0].Data["boxes"] != "A-1 – A-12" {
		t.Fatalf("a released lot is affected and the alert is %+v", loud)
	}
	ship := &haccp.LotShipped{Lot: "A", All: true, Mass: kg("190"), Consignee: haccp.Party{Name: "Buyer"}}
	if _, err := w.try(w.command(haccp.AskLotShip, lea, ship)); !errors.As(err, &r) || r.Code != "not-released" {
		t.Fatal(err)
	}
	// Parts one and two of the case and the lot's own evaluation let it go again.
	d := w.state.Cases()[0]
	if err := w.release("A"); !errors.As(err, &r) || len(r.Items) != 3 {
		t.Fatalf("%v", err)
	}
	w.must(haccp.KindFixDone, tina, &haccp.FixDone{Point: d.Point, Place: d.Place, Fix: "add-hypochlorite", Deviation: d.Deviation})
	w.at(10 * time.Minute)
	w.test("124")
	d, _ = w.state.Case(d.Deviation)
	if err := w.sign(mara, d, plan.ControlRestored, func(b *haccp.DeviationSigned) { b.Restored = "inside since" }); err != nil {
		t.Fatal(err)
	}
	if err := w.sign(mara, d, plan.ProductEvaluated, func(b *haccp.DeviationSigned) {
		b.Product = &haccp.Product{Exposed: true, Codes: []string{"A"}, Mass: kg("190"), HeldWhere: "cold room", Evaluation: "second bath in limits", Outcome: "see the lot"}
	}); err != nil {
		t.Fatal(err)
	}
	evaluate := &haccp.LotEvaluated{Lot: "A", Deviation: d.Deviation, Decision: haccp.EvaluatedFit, Facts: "readings of both baths", Basis: "validation of the second bath", Signature: w.signature(haccp.MeaningLotEvaluated)}
	w.must(haccp.AskLotEvaluate, mara, evaluate)
	if got := w.causes(alarm.LotReleased); len(got) != 0 {
		t.Fatalf("the lot was evaluated and the alert stands: %+v", got)
	}
	if err := w.release("A"); err != nil {
		t.Fatal(err)
	}
	w.must(haccp.AskLotShip, lea, ship)
	if got := w.lot("A").State(); got != haccp.LotShippedAs {
		t.Fatal(got)
	}
	if err := w.release("A"); !errors.As(err, &r) || r.Code != "disposed-already" {
		t.Fatal(err)
	}
}

// The clock from shredding to filling is flagged before its limit and at it, where a case is opened; the lot and what
// came of it are on hold.
func TestClockIsFlagged(t *testing.T) {
	w := running(t, lotPlan)
	w.receive("A")
	w.in("A", "shred", "shredder")
	begun := w.now
	w.at(46 * time.Minute)
	if !w.state.SweepFinds(w.now) {
		t.Fatal("nobody would be told")
	}
	opened := ""
	flags := func() (out []string) {
		for _, e := range w.must(haccp.AskSweep, timetable, &haccp.Sweep{}) {
			switch b := e.Body.(type) {
			case *haccp.LotFlagged:
				out = append(out, b.What)
				if !b.LimitAt.Equal(begun.Add(time.Hour)) {
					t.Errorf("limit at %s", b.LimitAt)
				}
			case *haccp.DeviationOpened:
				if b.Ground == haccp.GroundClock {
					opened, out = b.Deviation, append(out, "case")
				}
			case *haccp.LotHeld:
				if b.Deviation == opened {
					out = append(out, "held")
				}
			}
		}
		return out
	}
	if got := flags(); !slices.Equal(got, []string{haccp.FlagNear}) {
		t.Fatal(got)
	}
	if got := flags(); len(got) != 0 {
		t.Fatalf("flagged twice: %v", got)
	}
	near := w.causes(alarm.LotClock)
	if len(near) != 1 || near[0].Lot != "A" || near[0].Severity != alarm.Warning || near[0].Data["due"] != begun.Add(time.Hour).UTC().Format(time.RFC3339) {
		t.Fatalf("near its limit: %+v", near)
	}
	next, ok := w.state.SweepDue(w.now)
	if !ok || next.After(begun.Add(time.Hour)) {
		t.Fatalf("next sweep at %s", next)
	}
	w.at(15 * time.Minute)
	if got := flags(); !slices.Contains(got, "case") || !slices.Contains(got, "held") || !slices.Contains(got, haccp.FlagOver) {
		t.Fatal(got)
	}
	w.in("A", "fill", "filler")
	w.at(5 * time.Minute)
	if got := kinds(w.out("A", "fill", "filler")); slices.Contains(got, haccp.KindDeviationOpened) {
		t.Fatalf("a second case for the same clock: %v", got)
	}
	d, _ := w.state.Case(w.lot("A").Clocks[0].Deviation)
	if !d.Now.End.Equal(w.now) || d.Lot != "A" || !d.Critical {
		t.Fatalf("%+v", d)
	}
	// A lot whose clock was over before anybody looked opens its case with the record that completes it.
	w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
	w.receive("B")
	at := w.now
	w.at(90 * time.Minute)
	w.moveAt(haccp.KindLotEntered, "B", "shred", "shredder", at)
	w.moveAt(haccp.KindLotLeft, "B", "shred", "shredder", at.Add(5*time.Minute))
	if got := kinds(w.moveAt(haccp.KindLotLeft, "B", "fill", "filler", at.Add(80*time.Minute))); !slices.Contains(got, haccp.KindDeviationOpened) || !slices.Contains(got, haccp.KindLotHeld) {
		t.Fatal(got)
	}
}

// TestHeldContainsAffected: in every order of arrival the lots on hold contain every affected one, and what is
// affected depends on the facts alone (RULES 5.3, 5.4). Every command is folded again and compared.
func TestHeldContainsAffected(t *testing.T) {
	base := running(t, lotPlan)
	rapid.Check(t, func(rt *rapid.T) {
		type fact struct {
			kind string
			at   time.Duration
			ask  any
		}
		start := base.now
		var facts []fact
		codes := []string{"A", "B", "C"}
		for _, c := range codes {
			m := time.Duration(rapid.IntRange(0, 60).Draw(rt, "received")) * time.Minute
			facts = append(facts, fact{haccp.KindLotReceived, m, &haccp.LotReceived{Lot: c, Step: "receive", Mass: kg("100")}})
			for _, s := range [][2]string{{"wash-1", "bath-1"}, {"wash-2", "bath-2"}, {"shred", "shredder"}, {"fill", "filler"}} {
				m += time.Duration(rapid.IntRange(0, 20).Draw(rt, "wait")) * time.Minute
				if rapid.IntRange(0, 3).Draw(rt, "in") > 0 {
					facts = append(facts, fact{haccp.KindLotEntered, m, &haccp.LotMoved{Lot: c, Step: s[0], Place: s[1]}})
				}
				m += time.Duration(rapid.IntRange(1, 20).Draw(rt, "stay")) * time.Minute
				if rapid.IntRange(0, 3).Draw(rt, "out") > 0 {
					facts = append(facts, fact{haccp.KindLotLeft, m, &haccp.LotMoved{Lot: c, Step: s[0], Place: s[1]}})
				}
			}
		}
		for m := range 6 {
			cl := rapid.SampledFrom([]string{"124", "124", "60"}).Draw(rt, "chlorine")
			facts = append(facts, fact{haccp.KindReading, time.Duration(m*40+rapid.IntRange(0, 30).Draw(rt, "test"))*time.Minute + time.Second, bathTest("bath-1", cl, "6.80")})
		}
		if rapid.Bool().Draw(rt, "fix") {
			facts = append(facts, fact{haccp.KindFixDone, time.Duration(rapid.IntRange(0, 200).Draw(rt, "fixed")) * time.Minute, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite"}})
		}
		if rapid.Bool().Draw(rt, "feed") {
			facts = append(facts, fact{haccp.KindLotFed, time.Duration(rapid.IntRange(0, 250).Draw(rt, "fed")) * time.Minute,
				&haccp.LotFed{How: haccp.FedSplit, Step: "shred", From: []haccp.LotPart{{Lot: "A", Mass: kg("10")}}, To: []haccp.LotPart{{Lot: "D", Mass: kg("10")}}}})
		}
		run := func(order []fact) map[string]bool {
			w := base.again(t)
			w.now = start.Add(6 * time.Hour)
			for _, f := range order {
				by := lea
				c := w.command(f.kind, by, f.ask)
				c.ID = haccp.RecordID(fmt.Sprint(f.kind, f.at, f.ask), 0) // ties are broken by id
				c.At, c.LateReason = start.Add(f.at), "later"
				events, err := w.try(c)
				if err != nil {
					rt.Fatal(err)
				}
				_ = events
				for _, a := range w.state.Affected() {
					l, ok := w.state.Lot(a.Lot)
					if !ok || !slices.ContainsFunc(l.Standing(), func(h haccp.Hold) bool { return h.Deviation == a.Cause }) {
						rt.Fatalf("%s is affected by %s (%s) and not on hold for it", a.Lot, a.Cause, a.How)
					}
				}
			}
			out := map[string]bool{}
			for _, a := range w.state.Affected() {
				out[a.Lot] = true
			}
			return out
		}
		a := run(facts)
		b := run(rapid.Permutation(facts).Draw(rt, "order"))
		if fmt.Sprint(a) != fmt.Sprint(b) {
			rt.Fatalf("affected: %v, in another order %v", a, b)
		}
	})
}

// A closed case about the time of a lot is opened again when a fact received late makes the time longer.
func TestClosedClockReopens(t *testing.T) {
	w := running(t, lotPlan)
	w.receive("A")
	begun := w.now
	w.at(90 * time.Minute)
	w.moveAt(haccp.KindLotEntered, "A", "shred", "shredder", begun.Add(10*time.Minute))
	w.moveAt(haccp.KindLotLeft, "A", "shred", "shredder", begun.Add(15*time.Minute))
	w.moveAt(haccp.KindLotLeft, "A", "fill", "filler", begun.Add(80*time.Minute))
	id := w.lot("A").Clocks[0].Deviation
	for _, step := range []struct {
		part string
		fill func(*haccp.DeviationSigned)
	}{
		{plan.ControlRestored, func(b *haccp.DeviationSigned) { b.Restored = "sealed" }},
		{plan.ProductEvaluated, func(b *haccp.DeviationSigned) {
			b.Product = &haccp.Product{Exposed: true, Codes: []string{"A"}, Mass: kg("100"), HeldWhere: "cold room", Evaluation: "too old", Outcome: "destroyed"}
		}},
		{plan.CauseAndAction, func(b *haccp.DeviationSigned) { b.Cause, b.Action = "sealer broke", "spare part on the shelf" }},
		{plan.Closed, nil},
	} {
		d, _ := w.state.Case(id)
		if err := w.sign(mara, d, step.part, step.fill); err != nil {
			t.Fatal(step.part, err)
		}
	}
	if d, _ := w.state.Case(id); !d.IsClosed {
		t.Fatal("not closed")
	}
	got := kinds(w.moveAt(haccp.KindLotEntered, "A", "shred", "shredder", begun.Add(5*time.Minute)))
	if d, _ := w.state.Case(id); d.IsClosed || !slices.Contains(got, haccp.KindDeviationReopened) || !d.Now.Begin.Equal(begun.Add(5*time.Minute)) {
		t.Fatalf("%v %+v", got, d)
	}
}
