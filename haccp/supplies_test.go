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
	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func litres(s string) *quantity.Value {
	v := value(s, "L")
	return &v
}

var certificate = &material.Certificate{Name: "COA 17", Hash: strings.Repeat("ab", 32)}

// deliver receives a lot of a material with all its papers.
func (w *world) deliver(code, name, amount, unit string, change ...func(*material.Received)) {
	w.t.Helper()
	q := value(amount, unit)
	b := &material.Received{Lot: code, Material: name, Supplier: "Supplier", Quantity: &q, Expiry: "2026-12-31", Certificate: certificate}
	for _, c := range change {
		c(b)
	}
	w.must(haccp.KindMaterialReceived, lea, b)
}

func (w *world) rule(kind, code string) error {
	meaning := haccp.MeaningMaterialApproved
	if kind == haccp.AskMaterialReject {
		meaning = haccp.MeaningMaterialRejected
	}
	_, err := w.try(w.command(kind, mara, &haccp.MaterialRuled{Ruling: material.Ruling{Lot: code, Reason: "papers seen"}, Signature: w.signature(meaning)}))
	return err
}

func (w *world) approve(code string) {
	w.t.Helper()
	if err := w.rule(haccp.AskMaterialApprove, code); err != nil {
		w.t.Fatal(err)
	}
}

// codes lists what is missing of materials and instruments for the release of a lot.
func (w *world) unsound(code string) []string {
	var out []string
	for _, m := range w.state.MissingFor(code, haccp.Facts{}, w.now) {
		if m.What == haccp.MissingMaterial || m.What == haccp.MissingInstrument {
			out = append(out, m.Code+" "+m.Material+m.Instrument+" "+m.MaterialLot)
		}
	}
	slices.Sort(out)
	return out
}

// suppliesRefused reaches what is refused about materials and instruments.
func suppliesRefused(t *testing.T) {
	w := running(t, lotPlan, supplied)
	w.receive("A")
	w.deliver("HYP-1", "hypochlorite", "60", "L")
	w.deliver("HYP-2", "hypochlorite", "60", "L", func(b *material.Received) { b.Certificate = nil })
	w.deliver("HYP-3", "hypochlorite", "60", "L", func(b *material.Received) { b.Expiry = "" })
	w.deliver("HYP-4", "hypochlorite", "60", "L", func(b *material.Received) { b.Expiry = "2026-01-31" })
	w.deliver("HYP-5", "hypochlorite", "60", "L")
	w.approve("HYP-1")
	received := func(change func(*material.Received)) *material.Received {
		b := &material.Received{Lot: "N", Material: "salt", Supplier: "S"}
		change(b)
		return b
	}
	ruled := func(code, meaning string) *haccp.MaterialRuled {
		return &haccp.MaterialRuled{Ruling: material.Ruling{Lot: code, Reason: "seen"}, Signature: w.signature(meaning)}
	}
	approve := func(code string) *haccp.MaterialRuled { return ruled(code, haccp.MeaningMaterialApproved) }
	checked := func(change func(*instrument.Checked)) *instrument.Checked {
		b := &instrument.Checked{Instrument: "ph-meter-1", Result: instrument.Pass}
		change(b)
		return b
	}
	bad := value("-1", "kg")
	for _, x := range []struct {
		kind  string
		by    haccp.Actor
		ask   any
		of    error
		code  string
		field string
	}{
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) { b.Material = "gold" }), haccp.ErrInvalid, "unknown-material", "material"},
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) { b.Supplier = " " }), haccp.ErrInvalid, "missing", "supplier"},
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) { b.Quantity = &bad }), haccp.ErrInvalid, "bad-amount", "quantity"},
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) { b.Expiry = "31/12/2026" }), haccp.ErrInvalid, "bad-date", "expiry"},
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) { b.Certificate = &material.Certificate{Name: "x", Hash: "12"} }), haccp.ErrInvalid, "bad-hash", "certificate.hash"},
		{haccp.KindMaterialReceived, lea, received(func(b *material.Received) {
			b.Strength = &material.Strength{Value: value("12.5", "g Cl2/100 mL"), On: "2026-03-01"}
		}), haccp.ErrInvalid, "bad-strength", "strength"},
		{haccp.KindMaterialCounted, lea, &material.Counted{Lot: "HYP-1", Quantity: value("1", "L")}, haccp.ErrInvalid, "missing", "reason"},
		{haccp.KindLotLeft, lea, &haccp.LotMoved{Lot: "A", Step: "fill", Place: "filler", Materials: []haccp.MaterialUse{{Material: "bags", Lot: "B", Amount: func() *quantity.Value {
			v := value("1.5", "pieces")
			return &v
		}()}}}, haccp.ErrInvalid, "bad-amount", "materials[0].amount"},
		{haccp.AskMaterialApprove, mara, approve("nobody knows"), haccp.ErrNotFound, "unknown-material-lot", "lot"},
		{haccp.AskMaterialApprove, lea, approve("HYP-5"), haccp.ErrForbidden, "role-may-not-sign", ""},
		{haccp.AskMaterialApprove, tina, approve("HYP-5"), haccp.ErrForbidden, "role-may-not", ""},
		{haccp.AskMaterialApprove, mara, ruled("HYP-5", haccp.MeaningMaterialRejected), haccp.ErrInvalid, "wrong-meaning", "signature.meaning"},
		{haccp.AskMaterialApprove, mara, approve("HYP-1"), haccp.ErrConflict, "ruled-already", "lot"},
		{haccp.AskMaterialApprove, mara, approve("HYP-2"), haccp.ErrConflict, "certificate-missing", "lot"},
		{haccp.AskMaterialApprove, mara, approve("HYP-3"), haccp.ErrConflict, "expiry-missing", "lot"},
		{haccp.AskMaterialApprove, mara, approve("HYP-4"), haccp.ErrConflict, "expired", "lot"},
		{haccp.KindInstrumentChecked, lea, checked(func(b *instrument.Checked) { b.Instrument = "spoon" }), haccp.ErrInvalid, "unknown-instrument", "instrument"},
		{haccp.KindInstrumentChecked, lea, checked(func(b *instrument.Checked) { b.Result = "fine" }), haccp.ErrInvalid, "bad-result", "result"},
		{haccp.KindInstrumentChecked, lea, checked(func(b *instrument.Checked) { b.NextDue = w.now.Add(-time.Hour) }), haccp.ErrInvalid, "bad-next-due", "next_due"},
		{haccp.KindInstrumentChecked, lea, checked(func(b *instrument.Checked) {
			b.Points = []instrument.Point{{Quantity: "ph", Found: value("70", "pH"), Reference: value("7.00", "pH")}}
		}), haccp.ErrInvalid, "outside-physical-range", "points[0].found.value"},
		{haccp.KindInstrumentOut, lea, &instrument.Service{Instrument: "ph-meter-1"}, haccp.ErrInvalid, "missing", "reason"},
		{haccp.KindInstrumentBack, tina, &instrument.Service{Instrument: "ph-meter-1"}, haccp.ErrForbidden, "role-may-not", ""},
	} {
		holdRefusal(t, w, refusalCase{x.code, x.field, x.of, func(w *world) *haccp.Command { return w.command(x.kind, x.by, x.ask) }})
	}
}

// A lot used before it was approved, after it expired or after it was rejected is recorded with its finding and blocks
// release until it was evaluated; one approved in time does not (RULES 6.2).
func TestMaterialsBlockRelease(t *testing.T) {
	w := running(t, lotPlan, supplied)
	for _, x := range [][3]string{{"HYP-1", "hypochlorite", "L"}, {"CIT-1", "citric-acid-solution", "L"}, {"SAL-1", "salt", "kg"}, {"ASC-1", "ascorbic-acid", "kg"},
		{"ASC-2", "ascorbic-acid", "kg"}, {"BAG-1", "bags", "pieces"}} {
		w.deliver(x[0], x[1], "100", x[2])
	}
	for _, code := range []string{"HYP-1", "CIT-1", "SAL-1", "ASC-1", "BAG-1"} {
		w.approve(code)
	}
	w.receive("A")
	use := func(name, code string) *haccp.LotMoved {
		b := &haccp.LotMoved{Lot: "A", Step: "dose", Place: "shredder", Materials: []haccp.MaterialUse{{Material: name, Lot: code, Amount: kg("0.4")}}}
		if name == "bags" {
			six := value("6", "pieces")
			b.Step, b.Place, b.Materials[0].Amount = "fill", "filler", &six
		}
		return b
	}
	w.in("A", "dose", "shredder")
	w.at(5 * time.Minute)

	// Asked before, refused; reported after, recorded with its finding.
	asked, err := w.state.AskStep(use("ascorbic-acid", "ASC-2"), nil, haccp.Facts{}, w.now)
	if err != nil || haccp.Allowed(asked) {
		t.Errorf("%v %v", asked, err)
	}
	if i := slices.IndexFunc(asked, func(a haccp.Asked) bool { return a.Item == "material" }); i < 0 || asked[i].Code != material.NotApproved || asked[i].State != haccp.AskedRefused {
		t.Errorf("%v", asked)
	}
	if asked, err = w.state.AskStep(use("ascorbic-acid", "ASC-1"), []string{"thermometer-1"}, haccp.Facts{}, w.now); err != nil || len(asked) != 4 || asked[0].Code != haccp.FindingToolNever {
		t.Errorf("%v %v", asked, err)
	}
	events := w.must(haccp.KindLotLeft, lea, use("ascorbic-acid", "ASC-2"))
	if len(events) != 1 || !slices.ContainsFunc(events[0].Findings, func(f haccp.Finding) bool { return f.Code == material.NotApproved && f.Data["material_lot"] == "ASC-2" }) {
		t.Fatalf("%+v", events)
	}
	if !slices.Contains(events[0].About, "material:ASC-2") {
		t.Errorf("keys %v", events[0].About)
	}
	w.in("A", "fill", "filler")
	w.at(5 * time.Minute)
	if e := w.out("A", "fill", "filler"); len(e[0].Findings) != 1 || e[0].Findings[0].Code != material.NotNamed {
		t.Errorf("%+v", e[0].Findings)
	}
	want := []string{"material-lot-not-named bags ", "material-not-approved ascorbic-acid ASC-2"}
	if got := w.unsound("A"); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	// Approved afterwards: the use stands as it was made. Rejected afterwards: that too.
	w.approve("ASC-2")
	if got := w.unsound("A"); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	w.must(haccp.KindLotLeft, lea, use("bags", "BAG-1"))
	if err := w.rule(haccp.AskMaterialReject, "ASC-2"); err != nil {
		t.Fatal(err)
	}
	if got := w.unsound("A"); !slices.Equal(got, []string{"material-not-approved ascorbic-acid ASC-2", "material-rejected-since ascorbic-acid ASC-2"}) {
		t.Errorf("%q", got)
	}
	evaluate := func(b haccp.LotEvaluated) {
		b.Lot, b.Facts, b.Basis, b.Decision, b.Signature = "A", "retained sample tested", "result 17", haccp.EvaluatedFit, w.signature(haccp.MeaningLotEvaluated)
		w.must(haccp.AskLotEvaluate, mara, &b)
	}
	evaluate(haccp.LotEvaluated{Material: "ascorbic-acid", MaterialLot: "ASC-1"})
	if got := w.unsound("A"); len(got) != 2 {
		t.Errorf("an evaluation of another lot counted: %q", got)
	}
	evaluate(haccp.LotEvaluated{Material: "ascorbic-acid", MaterialLot: "ASC-2"})
	if got := w.unsound("A"); len(got) != 0 {
		t.Errorf("%q", got)
	}
	// What changes about the lot of the material after that wants an evaluation again.
	w.approve("ASC-2")
	if got := w.unsound("A"); len(got) != 1 {
		t.Errorf("%q", got)
	}
	if got := w.unchecked("A"); !slices.Equal(got, []string{"results"}) {
		t.Errorf("not checked: %q", got)
	}
}

// What went into the water of a bath touches every lot that was in it until the water was changed.
func TestMaterialsOfABathTouchItsLots(t *testing.T) {
	w := running(t, lotPlan, supplied)
	w.deliver("HYP-1", "hypochlorite", "60", "L", func(b *material.Received) { b.Expiry = "2026-03-02" })
	w.approve("HYP-1")
	add := func(code string) {
		w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: litres("0.2"), MaterialLot: code})
	}
	for _, code := range []string{"A", "B", "C"} {
		w.receive(code)
	}
	w.in("A", "wash-1", "bath-1")
	add("HYP-1") // on its last day
	w.at(10 * time.Minute)
	w.out("A", "wash-1", "bath-1")
	w.at(24 * time.Hour)
	w.in("B", "wash-1", "bath-1")
	w.at(10 * time.Minute)
	w.out("B", "wash-1", "bath-1")
	w.at(time.Minute)
	add("HYP-1") // a day after
	w.in("C", "wash-1", "bath-1")
	w.at(10 * time.Minute)
	w.out("C", "wash-1", "bath-1")
	for code, want := range map[string]int{"A": 0, "B": 0, "C": 1} {
		got := slices.DeleteFunc(w.unsound(code), func(s string) bool { return s != "material-expired hypochlorite HYP-1" })
		if len(got) != want {
			t.Errorf("%s: %q", code, got)
		}
	}
	l, _ := w.state.MaterialLot("HYP-1")
	if got := w.state.TouchedBy(l, haccp.Facts{}, w.now); !slices.Equal(got, []string{"A", "B", "C"}) {
		t.Errorf("touched %q", got)
	}
	if s := l.Stock(); s.Left.String() != "59.6 L" || s.Used.String() != "0.4 L" || !s.Known {
		t.Errorf("%+v", s)
	}
}

// A reading by an instrument that is overdue, failed or out of service may open a span and does not end one (RULES 5.1);
// a check heard of late counts from when it was made.
func TestInstrumentsThatAreNotInOrderEndNoSpan(t *testing.T) {
	w := running(t, lotPlan, supplied, withInstrument)
	check := func(result string, ago time.Duration) {
		c := w.command(haccp.KindInstrumentChecked, lea, &instrument.Checked{Instrument: "burette-1", Result: result})
		c.At, c.AtKnown, c.LateReason = w.now.Add(-ago), haccp.AtTyped, "on paper"
		if _, err := w.try(c); err != nil {
			t.Fatal(err)
		}
	}
	reading := func(cl string) []*haccp.Event {
		r := bathTest("bath-1", cl, "6.80")
		r.Entries[0].Instrument = "burette-1"
		return w.must(haccp.KindReading, tina, r)
	}
	open := func() bool {
		return slices.ContainsFunc(w.state.Cases(), func(d *haccp.Deviation) bool { return d.Point == "wash-chlorine" && d.Now.End.IsZero() })
	}
	check(instrument.Pass, 0)
	w.at(time.Minute)
	reading("92")
	w.at(time.Minute)
	w.must(haccp.KindFixDone, lea, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "other", Note: "dosed"})
	check(instrument.Fail, 0)
	w.at(15 * time.Minute)
	e := reading("124")
	if !open() {
		t.Error("a reading by a failed instrument ended the span")
	}
	if !slices.ContainsFunc(e[0].Findings, func(f haccp.Finding) bool { return f.Code == haccp.FindingToolFailed }) {
		t.Errorf("%+v", e[0].Findings)
	}
	w.at(10 * time.Minute)
	check(instrument.Adjusted, 20*time.Minute) // it had been adjusted before the reading
	if open() {
		t.Error("the adjusted instrument's reading did not end the span")
	}
	w.at(32 * 24 * time.Hour)
	if got := w.state.ToolStanding("burette-1", w.now); got != instrument.Overdue {
		t.Error(got)
	}
	w.must(haccp.KindInstrumentOut, tina, &instrument.Service{Instrument: "burette-1", Reason: "dropped"})
	if got := w.state.ToolStanding("burette-1", w.now); got != instrument.OutOfService {
		t.Error(got)
	}
	if ps := w.state.PointStates(w.now); slices.ContainsFunc(ps, func(p haccp.PointState) bool { return p.Point == "wash-chlorine" && p.State == control.StateInside }) {
		t.Errorf("%+v", ps)
	}
}

// Whatever the order in which deliveries, approvals and uses are told, what stands against a use is the same, and the
// stock is received less used, with every difference of a count reported exactly.
func TestMaterialsInAnyOrder(t *testing.T) {
	founded := newWorld(t, supplied)
	rapid.Check(t, func(rt *rapid.T) {
		s := &script{t: rt, days: 6}
		code := func() string { return rapid.SampledFrom([]string{"HYP-1", "HYP-2"}).Draw(rt, "lot") }
		amount := func() quantity.Value {
			return value(fmt.Sprintf("%d.%03d", rapid.IntRange(0, 90).Draw(rt, "litres"), rapid.IntRange(0, 999).Draw(rt, "millilitres")), "L")
		}
		for i := range rapid.IntRange(0, 3).Draw(rt, "deliveries") {
			q := amount()
			s.report(i, haccp.KindMaterialReceived, lea, &material.Received{Lot: code(), Material: "hypochlorite", Supplier: "S", Quantity: &q,
				Expiry: plan.Date(rapid.SampledFrom([]string{"", "2026-03-05"}).Draw(rt, "expiry"))})
		}
		for i := range rapid.IntRange(0, 3).Draw(rt, "counts") {
			s.report(i, haccp.KindMaterialCounted, lea, &material.Counted{Lot: code(), Quantity: amount(), Reason: "counted"})
		}
		for i := range rapid.IntRange(0, 8).Draw(rt, "additions") {
			q := amount()
			s.report(i, haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: &q, MaterialLot: code()})
		}
		if len(s.facts) == 0 {
			return
		}
		var told []string
		for _, order := range [][]int{s.inTime(), s.shuffled()} {
			w := founded.again(drawing{t, rt})
			s.tell(w, order, false, 1, func() {})
			var b strings.Builder
			for _, l := range w.state.MaterialLots() {
				stock := l.Stock()
				if stock.Received.N-stock.Used.N+stock.Adjusted.N != stock.Left.N {
					rt.Fatalf("%s: %+v does not add up", l.Code, stock)
				}
				var off int64
				for _, c := range stock.Counts {
					if c.Found.N-c.Book.N != c.Off.N {
						rt.Fatalf("%s: %+v", l.Code, c)
					}
					off += c.Off.N
				}
				if off != stock.Adjusted.N {
					rt.Fatalf("%s: adjusted %v, counts %d", l.Code, stock.Adjusted, off)
				}
				fmt.Fprintf(&b, "%s %+v %v\n", l.Code, stock, l.Expiry())
				for _, u := range l.Uses {
					fmt.Fprintln(&b, u.At, u.Amount, material.Against(l, demoMaterials, "hypochlorite", u.At, w.state.DayOf(u.At)))
				}
			}
			told = append(told, b.String())
		}
		if told[0] != told[1] {
			rt.Fatalf("told as it happened:\n%s\nshuffled:\n%s", told[0], told[1])
		}
	})
}

var demoMaterials = func() *plan.Plan {
	p := &plan.Plan{}
	supplied(p)
	return p
}()

// No lot is released while anything is missing of its materials or instruments, and the refusal names it.
func TestNoReleaseWithoutMaterialsAndInstruments(t *testing.T) {
	w := running(t, lotPlan, supplied)
	w.receive("A")
	w.pass("A")
	if err := w.review("A"); err != nil {
		t.Fatal(err)
	}
	err := w.release("A")
	var r *haccp.Refusal
	if !errors.As(err, &r) || r.Code != "release-lacks" {
		t.Fatal(err)
	}
	all := strings.Join(r.Items, "\n")
	for _, want := range []string{"no lot of the material ascorbic-acid is named at dose", "no lot of the material bags is named at fill"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not among what is missing:\n%s", want, all)
		}
	}
	if strings.Contains(all, "confirmed by signature: materials") || strings.Contains(all, "confirmed by signature: instruments") {
		t.Errorf("what the system checks is asked to be confirmed:\n%s", all)
	}
}

// An instrument in service that failed its last check is a cause until it passes one or goes out of service; that of a
// critical limit is critical.
func TestFailedInstrumentIsACause(t *testing.T) {
	w := running(t)
	check := func(result string) {
		w.at(time.Minute)
		w.must(haccp.KindInstrumentChecked, lea, &instrument.Checked{Instrument: "ph-meter-1", Result: result})
	}
	check(instrument.Pass)
	if got := w.causes(alarm.Instrument); len(got) != 0 {
		t.Fatalf("passed: %+v", got)
	}
	check(instrument.Fail)
	got := w.causes(alarm.Instrument)
	if len(got) != 1 || got[0].Data["instrument"] != "ph-meter-1" || !got[0].Since.Equal(w.now) {
		t.Fatalf("failed: %+v", got)
	}
	w.at(time.Minute)
	w.must(haccp.KindInstrumentOut, lea, &instrument.Service{Instrument: "ph-meter-1", Reason: "electrode cracked"})
	if got := w.causes(alarm.Instrument); len(got) != 0 {
		t.Fatalf("out of service: %+v", got)
	}
	w.at(time.Minute)
	w.must(haccp.KindInstrumentBack, lea, &instrument.Service{Instrument: "ph-meter-1"})
	if got := w.causes(alarm.Instrument); len(got) != 1 {
		t.Fatalf("back without a check: %+v", got)
	}
	check(instrument.Adjusted)
	if got := w.causes(alarm.Instrument); len(got) != 0 {
		t.Fatalf("adjusted and good: %+v", got)
	}
}
