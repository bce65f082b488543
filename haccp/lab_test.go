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
	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/wording"
)

var lara = person("lara", haccp.RoleLaboratory)

// labPlan is lotPlan with the specification of the demo.
func labPlan(p *plan.Plan) {
	products := p.Products
	lotPlan(p)
	p.Products = products
}

// tested is a running world with an analyst.
func tested(t testing.TB) *world {
	w := running(t, labPlan)
	w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: "lara", Name: "LARA", SignIn: "lara"}})
	w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: "lara", Role: haccp.RoleLaboratory}})
	return w
}

// goodResults are results inside for every test of the demo's specification.
var goodResults = map[string][]string{"total-count": {"40", "90", "110", "<10", "100"}, "yeast-mould": {"<10"}, "e-coli": {"none/1"},
	"salmonella": {"none/25", "none/25", "none/25", "none/25", "none/25"}, "listeria": {"none/25", "none/25", "none/25", "none/25", "none/25"},
	"ph": {"4.10"}, "aloin": {"0.8"}, "solids": {"0.61"}}

// result makes a report of the results of one test, by the method and laboratory of the specification.
func result(p *plan.Plan, code, sample, test string, at time.Time, values ...string) *laboratory.Reported {
	x := p.Products[0].Test(test)
	b := &laboratory.Reported{Lot: code, Sample: sample, Test: test, Method: x.Method, Laboratory: x.Laboratory, Finished: at}
	for i, v := range values {
		u := laboratory.Unit{Unit: int64(i + 1)}
		unit := quantity.Unit("CFU/g")
		if t := cmpUnit(x); t != "" {
			unit = t
		}
		amount, none := strings.CutPrefix(v, "none/")
		below, less := strings.CutPrefix(v, "<")
		switch {
		case none:
			in := value(amount, "g")
			u.Value, u.In = quantity.Answer(false), &in
		case v == "found":
			u.Value = quantity.Answer(true)
		case less:
			u.Value = quantity.Below(quantity.MustDecimal(below), unit)
		default:
			u.Value = value(v, string(unit))
		}
		b.Units = append(b.Units, u)
	}
	return b
}

func cmpUnit(x *plan.ProductTest) quantity.Unit {
	for _, a := range []*plan.Amount{x.Limit, x.Min, x.Max} {
		if a != nil {
			return quantity.Unit(a.Unit)
		}
	}
	return ""
}

func (w *world) plan() *plan.Plan { return w.state.Plans[len(w.state.Plans)-1].Plan }

func (w *world) take(code, sample string, tests ...string) []*haccp.Event {
	w.t.Helper()
	return w.must(haccp.KindLotSampled, lea, &laboratory.Sampled{Lot: code, Sample: sample, Units: 5, Tests: tests, Where: "boxes 1 to 5"})
}

func (w *world) results(code, sample, test string, values ...string) []*haccp.Event {
	w.t.Helper()
	return w.must(haccp.KindResult, lara, result(w.plan(), code, sample, test, w.now, values...))
}

func lacks(t *testing.T, err error) []string {
	t.Helper()
	var r *haccp.Refusal
	if !errors.As(err, &r) || r.Code != "release-lacks" {
		t.Fatalf("not refused for what is missing: %v", err)
	}
	return r.Items
}

// made takes a lot through all steps of the line; those before it left nothing in the hopper.
func (w *world) made(code string) {
	w.t.Helper()
	w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
	w.receive(code)
	w.pass(code)
}

// A lot is released only with every required test inside: one missing, one waiting for its results and one failing are
// each named, for every role; a further result takes the place of none; a void with its signature does.
func TestReleaseWantsEveryResult(t *testing.T) {
	w := tested(t)
	w.made("A")
	w.take("A", "S-1", "total-count", "yeast-mould", "e-coli", "salmonella", "ph", "solids")
	w.must(haccp.KindSamplePassed, lea, &laboratory.Passed{Lot: "A", Sample: "S-1", To: "courier", Seal: "77"})
	w.at(time.Hour)
	w.must(haccp.KindSampleReceived, lara, &laboratory.Received{Lot: "A", Sample: "S-1", Laboratory: "Plant laboratory"})
	w.results("A", "S-1", "total-count", "40", "110", "120", "1000", "90") // three marginal, c 2
	w.results("A", "S-1", "salmonella", "none/25", "none/25", "none/25", "none/25")
	w.results("A", "S-1", "e-coli", "none/1")
	w.results("A", "S-1", "yeast-mould", "<10")
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	got := strings.Join(lacks(t, w.release("A")), "\n")
	for _, want := range []string{"Total aerobic count: does not conform, sample S-1", "Salmonella: pending, sample S-1: units missing", "pH of the gel: pending, sample S-1: no results",
		"Aloin: no sample was taken", "Listeria monocytogenes: no sample was taken", "lot A was not evaluated"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not among what is missing:\n%s", want, got)
		}
	}
	for _, not := range []string{"Escherichia", "Yeasts", "Solids", "by signature: results"} {
		if strings.Contains(got, not) {
			t.Errorf("%q is among what is missing:\n%s", not, got)
		}
	}
	if w.lot("A").State() != haccp.LotOnHold {
		t.Fatal("not on hold for its results")
	}
	oos := w.state.OutOfSpecification()
	if len(oos) != 1 || oos[0].Lot != "A" || oos[0].Test != "total-count" || oos[0].Pathogen || oos[0].Sample != "S-1" {
		t.Fatalf("%+v", oos)
	}
	// The rest comes in; a second test of the same units does not take the place of the failing one.
	w.results("A", "S-1", "ph", "4.1")
	fifth := result(w.plan(), "A", "S-1", "salmonella", w.now, "none/25")
	fifth.Units[0].Unit = 5
	w.must(haccp.KindResult, lara, fifth)
	w.take("A", "S-2", "aloin", "listeria")
	w.must(haccp.KindSampleReceived, lara, &laboratory.Received{Lot: "A", Sample: "S-2", Laboratory: "Laboratorio Piedra Lisa (invented)"})
	w.results("A", "S-2", "aloin", "0.8")
	w.results("A", "S-2", "listeria", goodResults["listeria"]...)
	again := result(w.plan(), "A", "S-1", "total-count", w.now, "20", "20", "20", "20", "20")
	if f := w.must(haccp.KindResult, lara, again)[0].Findings; !slices.ContainsFunc(f, func(x haccp.Finding) bool { return x.Code == haccp.FindingNoRetestReason }) {
		t.Errorf("a second result without a reason: %+v", f)
	}
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	got = strings.Join(lacks(t, w.release("A")), "\n")
	if !strings.Contains(got, "Total aerobic count: does not conform") || !strings.Contains(got, "retest-without-reason was not evaluated") || strings.Contains(got, "Salmonella") {
		t.Errorf("%s", got)
	}
	// Voiding the failing results wants a manager's signature; the case and the hold stay all the same.
	target := w.lastFailing("A")
	var r *haccp.Refusal
	if _, err := w.try(w.command(haccp.AskVoid, lara, &haccp.Void{Target: target, Reason: "plates mixed up"})); !errors.As(err, &r) || r.Code != "better-wants-manager" {
		t.Fatal(err)
	}
	w.must(haccp.AskVoid, mara, &haccp.Void{Target: target, Reason: "plates of another lot", Signature: w.signed(haccp.MeaningVoid)})
	if len(w.state.OutOfSpecification()) != 0 || len(w.lot("A").Standing()) != 1 {
		t.Fatal("the case stands as before, or its hold went by itself")
	}
	d, _ := w.state.Case(w.lot("A").Tested[0].Deviation)
	if !d.Now.Begin.IsZero() || d.Widest.Begin.IsZero() || d.IsClosed {
		t.Fatalf("%+v", d.Now)
	}
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	got = strings.Join(lacks(t, w.release("A")), "\n")
	if strings.Contains(got, "does not conform") || !strings.Contains(got, "control restored is not signed") {
		t.Errorf("%s", got)
	}
	w.settleCase(d.Deviation, "A")
	w.must(haccp.AskLotEvaluate, mara, &haccp.LotEvaluated{Lot: "A", Facts: "second count had no reason", Decision: haccp.EvaluatedFit, Basis: "asked the analyst", Signature: w.signature(haccp.MeaningLotEvaluated)})
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	if err := w.release("A"); err != nil {
		t.Fatal(err)
	}
	if w.lot("A").State() != haccp.LotReleased {
		t.Fatal(w.lot("A").State())
	}
	// A positive that comes in after the release puts it on hold again.
	late := w.results("A", "S-1", "salmonella", "found")
	if w.lot("A").State() != haccp.LotOnHold || !slices.Contains(heldIn(late), "A") {
		t.Fatal(kinds(late))
	}
}

// lastFailing is the record that opened the newest case of results of a lot.
func (w *world) lastFailing(code string) string {
	d, _ := w.state.Case(w.lot(code).Tested[len(w.lot(code).Tested)-1].Deviation)
	return d.OpenedBy
}

// settleCase signs the first two parts of a case, and each lot's evaluation as fit.
func (w *world) settleCase(id string, lots ...string) {
	w.t.Helper()
	for part, fill := range map[string]func(*haccp.DeviationSigned){
		plan.ControlRestored: func(b *haccp.DeviationSigned) { b.Restored = "nothing ran since" },
		plan.ProductEvaluated: func(b *haccp.DeviationSigned) {
			b.Product = &haccp.Product{Exposed: true, Codes: lots, Mass: kg("100"), HeldWhere: "cold room", Evaluation: "looked at", Outcome: "kept"}
		}} {
		d, _ := w.state.Case(id)
		if err := w.sign(mara, d, part, fill); err != nil {
			w.t.Fatal(part, err)
		}
	}
	for _, code := range lots {
		w.must(haccp.AskLotEvaluate, mara, &haccp.LotEvaluated{Lot: code, Deviation: id, Facts: "results", Decision: haccp.EvaluatedFit, Basis: "all inside", Signature: w.signature(haccp.MeaningLotEvaluated)})
	}
}

// A pathogen result between two clean breaks of the line, computed by hand: J left the filler at 11:50, clean break at
// 12:00; O, then N (sampled), then Z ran one after the other until 15:00; clean break at 15:10; I ran after that. O and
// Z ran between the breaks around N, and as nothing is recorded of their wash, lay in the same water, which is the more
// direct of the two: they are affected with it; J and I are not. All go on hold in the commit of the
// result. What was split from Z, and is made later of O, is affected with them.
func TestPathogenBetweenCleanBreaks(t *testing.T) {
	w := tested(t)
	places := []string{}
	for _, x := range w.plan().Places {
		if x.Line == "line-1" {
			places = append(places, x.ID)
		}
	}
	brk := func() {
		w.at(5 * time.Minute)
		w.must(haccp.KindCleanBreak, lea, &haccp.CleanBreak{Line: "line-1", Places: places})
		w.at(5 * time.Minute)
	}
	run := func(code string) {
		w.receive(code)
		for _, s := range [][2]string{{"rinse", "fillet-table"}, {"fillet", "fillet-table"}, {"shred", "shredder"}, {"fill", "filler"}, {"chill", "cold-room"}} {
			w.in(code, s[0], s[1])
			w.at(5 * time.Minute)
			w.out(code, s[0], s[1])
		}
		w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
	}
	run("J")
	for _, b := range []string{"bath-1", "bath-2"} { // new water: the filling ends what was in it before
		w.must(haccp.KindDrained, tina, &haccp.Bath{Place: b})
	}
	brk()
	w.fill("bath-1")
	w.fill("bath-2")
	run("O")
	run("N")
	run("Z")
	for _, b := range []string{"bath-1", "bath-2"} {
		w.must(haccp.KindDrained, tina, &haccp.Bath{Place: b})
	}
	brk()
	w.fill("bath-1")
	w.fill("bath-2")
	run("I")
	w.take("N", "S-N")
	b := result(w.plan(), "N", "S-N", "listeria", w.now, "none/25", "found")
	b.Presumptive = true
	events := w.must(haccp.KindResult, lara, b)
	if got := kinds(events); !slices.Equal(got, []string{haccp.KindResult, haccp.KindDeviationOpened, haccp.KindLotHeld}) {
		t.Fatal(got)
	}
	if got := heldIn(events); !slices.Equal(got, []string{"N", "O", "Z"}) {
		t.Fatalf("on hold: %v", got)
	}
	opened, _ := events[1].Body.(*haccp.DeviationOpened)
	if !opened.Critical || opened.Ground != haccp.GroundResult || !opened.Result.Presumptive || opened.Lot != "N" {
		t.Errorf("%+v", opened)
	}
	for code, how := range map[string]string{"N": "sampled", "O": "same filling", "Z": "same filling"} {
		if got := w.lot(code).Holds[0].How; got != how {
			t.Errorf("%s: %s, want %s", code, got, how)
		}
	}
	split := w.must(haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit, From: []haccp.LotPart{{Lot: "Z", Mass: kg("10")}}, To: []haccp.LotPart{{Lot: "Z1", Mass: kg("10")}}})
	if got := heldIn(split); !slices.Equal(got, []string{"Z1"}) {
		t.Errorf("on hold: %v", got)
	}
	if got := opened.Result.By; !slices.Equal(got, []string{"lara"}) {
		t.Errorf("reported by %v", got)
	}
	// The confirmation is a further result on the same sample: the case grows, and nobody opens a second one.
	before := len(w.state.Cases())
	w.results("N", "S-N", "listeria", "none/25", "found")
	d, _ := w.state.Case(opened.Deviation)
	if len(w.state.Cases()) != before || len(d.Outside) != 2 || d.Widened <= d.OpenedSeq {
		t.Errorf("%d cases, %+v", len(w.state.Cases()), d.Outside)
	}
}

// Results of a sample that nobody recorded to have been taken are judged all the same: a positive holds the lot.
func TestResultsBeforeTheirSample(t *testing.T) {
	w := tested(t)
	w.receive("A")
	events := w.results("A", "S-9", "salmonella", "found")
	if got := heldIn(events); !slices.Equal(got, []string{"A"}) {
		t.Fatalf("on hold: %v", got)
	}
	var codes []string
	for _, f := range events[0].Findings {
		codes = append(codes, f.Code)
	}
	if !slices.Equal(codes, []string{haccp.FindingSampleNotThere, haccp.FindingUnknownSample}) {
		t.Error(codes)
	}
	other := result(w.plan(), "A", "S-9", "ph", w.now.Add(-time.Hour), "4.1")
	other.Method, other.Laboratory = "strip", "elsewhere"
	w.at(-0)
	w.take("A", "S-9")
	got := w.must(haccp.KindResult, lara, other)[0].Findings
	for _, want := range []string{haccp.FindingOtherMethod, haccp.FindingOtherLaboratory, haccp.FindingBeforeSample} {
		if !slices.ContainsFunc(got, func(f haccp.Finding) bool { return f.Code == want }) {
			t.Errorf("%s is not among %+v", want, got)
		}
	}
	if f := w.take("A", "S-9")[0].Findings; len(f) != 1 || f[0].Code != haccp.FindingSampleThere {
		t.Errorf("%+v", f)
	}
	if f := w.results("unknown", "S-1", "ph", "4.1")[0].Findings; len(f) != 2 {
		t.Errorf("%+v", f)
	}
}

// An amendment that makes results worse opens the case; one that makes them better wants a manager who is not the
// author, lifts no hold, and leaves the case open.
func TestAmendedResults(t *testing.T) {
	w := tested(t)
	w.receive("A")
	w.take("A", "S-1")
	id := w.results("A", "S-1", "ph", "4.1")[0].ID
	amend := func(by haccp.Actor, v string, g *haccp.Signature) ([]*haccp.Event, error) {
		return w.try(w.command(haccp.AskAmend, by, &haccp.Amend{Target: id, Reason: "misread", New: result(w.plan(), "A", "S-1", "ph", w.now, v), Signature: g}))
	}
	events, err := amend(lara, "4.9", nil)
	if err != nil || !slices.Equal(heldIn(events), []string{"A"}) {
		t.Fatal(err, kinds(events))
	}
	var r *haccp.Refusal
	if _, err := amend(lara, "4.2", nil); !errors.As(err, &r) || r.Code != "better-wants-manager" {
		t.Fatal(err)
	}
	if _, err := amend(mara, "4.2", w.signed(haccp.MeaningAmend)); err != nil {
		t.Fatal(err)
	}
	if len(w.state.OutOfSpecification()) != 0 || len(w.lot("A").Standing()) != 1 || len(w.state.Cases()) != 1 {
		t.Error("a hold went by itself, or the case did not dissolve")
	}
	if _, err := amend(mara, "5.2", w.signed(haccp.MeaningAmend)); err != nil {
		t.Fatal(err)
	}
	if len(w.state.OutOfSpecification()) != 1 || len(w.state.Cases()) != 1 {
		t.Error("outside again: the case it was stands again")
	}
	wrong := result(w.plan(), "A", "S-1", "aloin", w.now, "1")
	if _, err := w.try(w.command(haccp.AskAmend, lara, &haccp.Amend{Target: id, Reason: "x", New: wrong})); !errors.As(err, &r) || r.Code != "other-keys" {
		t.Error(err)
	}
}

// With several products in the plan the samples of a lot say which it is; a plan without products leaves results to a
// signature.
func TestWhichSpecification(t *testing.T) {
	w := running(t, func(p *plan.Plan) {
		labPlan(p)
		second := p.Products[0]
		second.ID, second.Name, second.Tests = "second", "For cooking", second.Tests[:1]
		p.Products = append(p.Products, second)
	})
	w.receive("A")
	if got := strings.Join(lacks(t, w.release("A")), "\n"); !strings.Contains(got, "which product it is, is not said") {
		t.Error(got)
	}
	w.must(haccp.KindLotSampled, lea, &laboratory.Sampled{Lot: "A", Sample: "1", Units: 5, Product: "second"})
	if p, version := w.state.Specification(w.lot("A"), w.now); p == nil || p.ID != "second" || version != 1 {
		t.Error(p, version)
	}
	w.must(haccp.KindLotSampled, lea, &laboratory.Sampled{Lot: "A", Sample: "2", Units: 5, Product: "leaf-gel"})
	if p, _ := w.state.Specification(w.lot("A"), w.now); p != nil {
		t.Error("two products named, and one taken")
	}
	none := running(t, lotPlan)
	none.receive("A")
	if got := none.state.Unchecked(none.lot("A"), none.now); !slices.Equal(got, []string{"results", "materials", "instruments"}) {
		t.Error(got)
	}
	if got := w.state.Unchecked(w.lot("A"), w.now); slices.Contains(got, "results") {
		t.Error(got)
	}
}

// In every order of arrival of samples, results, lots and clean breaks the same lots are affected, each is on hold that
// is, and a release is refused with every required test that does not conform, and no other.
func TestResultsInAnyOrder(t *testing.T) {
	base := tested(t)
	p := base.plan()
	rapid.Check(t, func(rt *rapid.T) {
		type fact struct {
			kind string
			by   haccp.Actor
			at   time.Duration
			ask  any
		}
		start := base.now
		var facts []fact
		for _, c := range []string{"A", "B", "C"} {
			m := time.Duration(rapid.IntRange(0, 120).Draw(rt, "received")) * time.Minute
			facts = append(facts, fact{haccp.KindLotReceived, lea, m, &haccp.LotReceived{Lot: c, Step: "receive", Mass: kg("100")}})
			for _, s := range [][2]string{{"shred", "shredder"}, {"fill", "filler"}} {
				m += time.Duration(rapid.IntRange(1, 20).Draw(rt, "wait")) * time.Minute
				facts = append(facts, fact{haccp.KindLotEntered, lea, m, &haccp.LotMoved{Lot: c, Step: s[0], Place: s[1]}})
				m += time.Duration(rapid.IntRange(1, 20).Draw(rt, "stay")) * time.Minute
				facts = append(facts, fact{haccp.KindLotLeft, lea, m, &haccp.LotMoved{Lot: c, Step: s[0], Place: s[1]}})
			}
			if rapid.Bool().Draw(rt, "sampled") {
				facts = append(facts, fact{haccp.KindLotSampled, lea, m + time.Minute, &laboratory.Sampled{Lot: c, Sample: "S", Units: 5}})
			}
		}
		for range rapid.IntRange(0, 2).Draw(rt, "breaks") {
			facts = append(facts, fact{haccp.KindCleanBreak, lea, time.Duration(rapid.IntRange(0, 240).Draw(rt, "break"))*time.Minute + time.Second,
				&haccp.CleanBreak{Line: "line-1", Places: []string{"bath-1", "bath-2", "fillet-table", "hand-dip", "shredder", "filler"}}})
		}
		for i := range rapid.IntRange(1, 5).Draw(rt, "results") {
			code, at := rapid.SampledFrom([]string{"A", "B", "C"}).Draw(rt, "lot"), start.Add(6*time.Hour)
			test := rapid.SampledFrom([]string{"ph", "listeria", "total-count"}).Draw(rt, "test")
			values := map[string][]string{"ph": {"4.1", "4.9"}, "listeria": {"none/25", "found", "none/10"}, "total-count": {"50", "500", "5000", "<10", "<5000"}}[test]
			var drawn []string
			for range rapid.IntRange(1, 5).Draw(rt, "units") {
				drawn = append(drawn, rapid.SampledFrom(values).Draw(rt, "value"))
			}
			facts = append(facts, fact{haccp.KindResult, lara, 6*time.Hour + time.Duration(i)*time.Second, result(p, code, "S", test, at, drawn...)})
		}
		run := func(order []fact) string {
			w := base.again(t)
			w.now = start.Add(7 * time.Hour)
			for _, f := range order {
				c := w.command(f.kind, f.by, f.ask)
				c.ID = haccp.RecordID(fmt.Sprint(f.kind, f.at, f.ask), 0)
				c.At, c.LateReason = start.Add(f.at), "later"
				if _, err := w.try(c); err != nil {
					rt.Fatal(f.kind, err)
				}
				for _, a := range w.state.Affected() {
					if l, ok := w.state.Lot(a.Lot); !ok || !slices.ContainsFunc(l.Standing(), func(h haccp.Hold) bool { return h.Deviation == a.Cause }) {
						rt.Fatalf("%s is affected by %s (%s) and not on hold for it", a.Lot, a.Cause, a.How)
					}
				}
			}
			// What is affected, by which test: ids of cases follow from what opened them and may differ.
			seen := map[string]bool{}
			for _, a := range w.state.Affected() {
				if d, _ := w.state.Case(a.Cause); d.Result != nil {
					seen[a.Lot+" by "+d.Result.Test+" of "+d.Lot] = true
				}
			}
			out := fmt.Sprint(seen)
			for _, c := range []string{"A", "B", "C"} {
				var r *haccp.Refusal
				if err := w.release(c); !errors.As(err, &r) {
					rt.Fatalf("%s was released: %v", c, err)
				}
				for _, s := range w.state.Tests(w.lot(c), w.now) {
					out += fmt.Sprint(" ", c, s.Test, s.Status)
					named := slices.ContainsFunc(r.Items, func(x string) bool { return strings.HasPrefix(x, "lot "+c+": "+s.Name+": ") })
					if wanted := s.Required && s.Status != laboratory.Conforming; named != wanted {
						rt.Fatalf("%s is %s (required: %v) and among what is missing: %v: %q", s.Name, s.Status, s.Required, named, r.Items)
					}
				}
			}
			return out
		}
		a, b := run(facts), run(rapid.Permutation(facts).Draw(rt, "order"))
		if a != b {
			rt.Fatalf("%s\nin another order\n%s", a, b)
		}
	})
}

// laboratoryRefused reaches what is refused about samples and results.
func laboratoryRefused(t *testing.T) {
	w := tested(t)
	w.receive("A")
	sampled := func(change func(*laboratory.Sampled)) *laboratory.Sampled {
		b := &laboratory.Sampled{Lot: "A", Sample: "S", Units: 5}
		change(b)
		return b
	}
	reported := func(test string, change func(*laboratory.Reported), values ...string) *laboratory.Reported {
		b := result(w.plan(), "A", "S", test, w.now, values...)
		change(b)
		return b
	}
	same := func(*laboratory.Reported) {}
	for _, x := range []struct {
		kind  string
		by    haccp.Actor
		ask   any
		of    error
		code  string
		field string
	}{
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Units = 0 }), haccp.ErrInvalid, "bad-units", "units"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Product = "jam" }), haccp.ErrInvalid, "unknown-product", "product"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Tests = []string{"taste"} }), haccp.ErrInvalid, "unknown-test", "tests[0]"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Tests = []string{"ph", "ph"} }), haccp.ErrInvalid, "test-twice", "tests[1]"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Place = "moon" }), haccp.ErrInvalid, "unknown-place", "place"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Sample = "" }), haccp.ErrInvalid, "bad-code", "sample"},
		{haccp.KindLotSampled, lea, sampled(func(b *laboratory.Sampled) { b.Lot = "" }), haccp.ErrInvalid, "bad-code", "lot"},
		{haccp.KindLotSampled, lea, &laboratory.Passed{Lot: "A", Sample: "S", To: "x"}, haccp.ErrInvalid, "wrong-body", "body"},
		{haccp.KindSamplePassed, lea, &laboratory.Passed{Lot: "A", Sample: "S"}, haccp.ErrInvalid, "missing", "to"},
		{haccp.KindSampleReceived, lara, &laboratory.Received{Lot: "A", Sample: "S"}, haccp.ErrInvalid, "missing", "laboratory"},
		{haccp.KindSampleReceived, tina, &laboratory.Received{Lot: "A", Sample: "S", Laboratory: "x"}, haccp.ErrForbidden, "role-may-not", ""},
		{haccp.KindResult, tina, reported("ph", same, "4.1"), haccp.ErrForbidden, "role-may-not", ""},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Test = "taste" }, "4.1"), haccp.ErrInvalid, "unknown-test", "test"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Finished = time.Time{} }, "4.1"), haccp.ErrInvalid, "missing", "finished"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Finished = w.now.Add(time.Hour) }, "4.1"), haccp.ErrInvalid, "in-future", "finished"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Presumptive = true }, "4.1"), haccp.ErrInvalid, "not-a-pathogen", "presumptive"},
		{haccp.KindResult, lara, reported("ph", same), haccp.ErrInvalid, "bad-units", "units"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Units[0].Unit = 0 }, "4.1"), haccp.ErrInvalid, "bad-unit", "units[0].unit"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Units[0].Value = quantity.Value{} }, "4.1"), haccp.ErrInvalid, "missing", "units[0].value"},
		{haccp.KindResult, lara, reported("ph", same, "41"), haccp.ErrInvalid, "outside-physical-range", "units[0].value.value"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { in := value("25", "g"); b.Units[0].In = &in }, "4.1"), haccp.ErrInvalid, "amount-not-asked", "units[0].in"},
		{haccp.KindResult, lara, reported("listeria", func(b *laboratory.Reported) { b.Units[0].Value = value("3", "CFU/g") }, "found"), haccp.ErrInvalid, "wrong-kind", "units[0].value"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Method = "" }, "4.1"), haccp.ErrInvalid, "missing", "method"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Attached = &laboratory.Attached{Hash: "x", Name: "r.pdf"} }, "4.1"), haccp.ErrInvalid, "bad-hash", "attached.hash"},
		{haccp.KindResult, lara, reported("ph", func(b *laboratory.Reported) { b.Attached = &laboratory.Attached{Hash: strings.Repeat("a", 64)} }, "4.1"), haccp.ErrInvalid, "missing", "attached.name"},
	} {
		holdRefusal(t, w, refusalCase{x.code, x.field, x.of, func(w *world) *haccp.Command { return w.command(x.kind, x.by, x.ask) }})
	}
}

// A result comes weeks after the lot was made, when most of what ran beside it has left the state: the clean break before
// it is known still, and what ran before that break is not affected.
func TestLateResultKnowsItsBreak(t *testing.T) {
	w := tested(t)
	run := func(code string) {
		w.receive(code)
		for _, s := range [][2]string{{"shred", "shredder"}, {"fill", "filler"}} {
			w.in(code, s[0], s[1])
			w.at(5 * time.Minute)
			w.out(code, s[0], s[1])
		}
		w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
	}
	brk := func() {
		for _, b := range []string{"bath-1", "bath-2"} {
			w.must(haccp.KindDrained, tina, &haccp.Bath{Place: b})
		}
		w.must(haccp.KindCleanBreak, lea, &haccp.CleanBreak{Line: "line-1", Places: []string{"bath-1", "bath-2", "fillet-table", "hand-dip", "shredder", "filler"}})
		w.at(time.Minute)
	}
	run("before")
	w.at(time.Minute)
	brk()
	w.at(48 * time.Hour) // longer than the state keeps breaks before the oldest lot
	run("beside")
	run("N")
	brk()
	w.at(time.Hour)
	run("after")
	w.at(9 * 24 * time.Hour)
	destroy := func(code string) {
		w.must(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: code, Outcome: plan.Destroy, Reason: "too old", Where: "compost", Mass: kg("200"), Signature: w.signature("lot-destroy")})
	}
	destroy("before") // its way ended weeks ago: it leaves the state once all is older than the horizon
	w.at(9 * 24 * time.Hour)
	destroy("after")
	w.take("N", "S")
	got := heldIn(w.results("N", "S", "salmonella", "found"))
	if !slices.Equal(got, []string{"N", "beside"}) {
		t.Errorf("on hold: %v", got)
	}
}

// The same where the lot itself, what ran beside it and the clean breaks around have all left the state: they come back from
// the log, and no more than they.
func TestResultOfAForgottenLot(t *testing.T) {
	w := tested(t)
	first := w.now
	for day := range 20 {
		w.now = first.Add(time.Duration(day) * 24 * time.Hour)
		for _, run := range []string{"A", "B"} {
			code := fmt.Sprintf("L%02d%s", day, run)
			w.receive(code)
			for _, s := range [][2]string{{"shred", "shredder"}, {"fill", "filler"}} {
				w.in(code, s[0], s[1])
				w.at(5 * time.Minute)
				w.out(code, s[0], s[1])
			}
			w.must(haccp.KindPlaceEmptied, tina, &haccp.PlaceEmptied{Place: "shredder"})
			if day == 2 && run == "B" {
				w.take(code, "S")
			}
		}
		w.at(time.Minute)
		for _, b := range []string{"bath-1", "bath-2"} { // nothing is recorded of their wash: the same water would tie them
			w.must(haccp.KindDrained, tina, &haccp.Bath{Place: b})
		}
		w.must(haccp.KindCleanBreak, lea, &haccp.CleanBreak{Line: "line-1"})
		w.at(time.Minute)
		for _, run := range []string{"A", "B"} {
			w.must(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: fmt.Sprintf("L%02d%s", day, run), Outcome: plan.Destroy, Reason: "trial", Where: "compost", Mass: kg("200"), Signature: w.signature("lot-destroy")})
		}
	}
	for _, code := range []string{"L02A", "L02B", "L03A"} {
		if _, held := w.state.Lot(code); held || !w.state.KnowsLot(code) {
			t.Fatalf("%s is not forgotten", code)
		}
	}
	events := w.results("L02B", "S", "salmonella", "found")
	if got := heldIn(events); !slices.Equal(got, []string{"L02A", "L02B"}) {
		t.Errorf("on hold: %v", got)
	}
	if len(events[0].Findings) != 1 || events[0].Findings[0].Code != haccp.FindingSampleNotThere { // its taking is known, no receipt is
		t.Errorf("%+v", events[0].Findings)
	}
	if _, ok := w.state.Lot("L05A"); ok {
		t.Error("a lot of three days later was brought back")
	}
}

// A result outside is a cause until the product was evaluated, critical where it is a pathogen; a void of it ends it.
func TestResultIsACause(t *testing.T) {
	w := tested(t)
	w.receive("A")
	w.take("A", "S")
	w.results("A", "S", "ph", "4.9")
	got := w.causes(alarm.Result)
	if len(got) != 1 || got[0].Lot != "A" || got[0].Severity != alarm.Warning || got[0].Data["test"] != "pH of the gel" || got[0].Data["sample"] != "S" {
		t.Fatalf("%+v", got)
	}
	mark := got[0].Mark
	b := result(w.plan(), "A", "S", "ph", w.now, "5.1")
	b.Retest = "asked for"
	w.must(haccp.KindResult, lara, b)
	if got = w.causes(alarm.Result); len(got) != 1 || got[0].Mark == mark {
		t.Fatalf("a further result outside is no new fact: %+v", got)
	}
	w.settleCase(got[0].Deviation, "A")
	if got = w.causes(alarm.Result); len(got) != 0 {
		t.Fatalf("evaluated: %+v", got)
	}
	b = result(w.plan(), "A", "S", "listeria", w.now, "found")
	b.Presumptive = true
	positive := w.must(haccp.KindResult, lara, b)[0]
	got = w.causes(alarm.Result)
	if len(got) != 1 || got[0].Severity != alarm.Critical || got[0].Data["presumptive"] == "" {
		t.Fatalf("%+v", got)
	}
	for lang, want := range map[wording.Language]string{
		wording.English: "Lot A: Listeria monocytogenes out of specification, sample S, case 2 (presumptive)",
		wording.Spanish: "Lote A: Listeria monocytogenes fuera de especificación, muestra S, caso 2 (presuntivo)"} {
		if text, do := lang.Alert(w.state, &alarm.Alert{Raised: got[0]}); text != want || do == "" {
			t.Errorf("%s: %q, %q", lang, text, do)
		}
	}
	w.must(haccp.AskVoid, mara, &haccp.Void{Target: positive.ID, Reason: "another sample's report", Signature: w.signed(haccp.MeaningVoid)})
	if got = w.causes(alarm.Result); len(got) != 0 {
		t.Errorf("voided: %+v", got)
	}
}

// Whoever reported a result outside does not close its case. A further result outside opens a closed case again.
func TestResultCaseClosedAndGrown(t *testing.T) {
	w := tested(t)
	w.receive("A")
	w.take("A", "S")
	w.must(haccp.KindResult, milo, result(w.plan(), "A", "S", "ph", w.now, "4.9"))
	id := w.lot("A").Tested[0].Deviation
	w.settleCase(id, "A")
	d, _ := w.state.Case(id)
	if err := w.sign(mara, d, plan.CauseAndAction, func(b *haccp.DeviationSigned) { b.Cause, b.Action = "too little acid", "scale checked" }); err != nil {
		t.Fatal(err)
	}
	var r *haccp.Refusal
	d, _ = w.state.Case(id)
	if err := w.sign(milo, d, plan.Closed, nil); !errors.As(err, &r) || r.Code != "logged-reading" {
		t.Fatal(err)
	}
	if err := w.sign(mara, d, plan.Closed, nil); err != nil {
		t.Fatal(err)
	}
	if d, _ = w.state.Case(id); !d.IsClosed || len(w.state.OutOfSpecification()) != 0 {
		t.Fatal("not closed")
	}
	w.at(time.Minute)
	again := result(w.plan(), "A", "S", "ph", w.now, "5.1")
	again.Retest = "asked for"
	if got := kinds(w.must(haccp.KindResult, lara, again)); !slices.Equal(got, []string{haccp.KindResult, haccp.KindDeviationReopened}) {
		t.Fatal(got)
	}
	if d, _ = w.state.Case(id); d.IsClosed || len(d.Loggers) != 2 || len(w.state.OutOfSpecification()) != 1 || len(w.lot("A").Tested) != 1 {
		t.Errorf("%+v", d)
	}
}
