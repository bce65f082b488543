package control

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func amount(s string) *plan.Amount {
	var a plan.Amount
	if err := a.UnmarshalText([]byte(s)); err != nil {
		panic(err)
	}
	return &a
}

func value(t *testing.T, s string) quantity.Value {
	t.Helper()
	var v quantity.Value
	if err := json.Unmarshal([]byte(s), &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func mg(v string) string { return fmt.Sprintf(`{"unit":"mg/L","value":%q}`, v) }

func TestJudgeOneLimit(t *testing.T) {
	yes := true
	free := plan.Limit{ID: "l", Kind: plan.Critical, Quantity: "free_chlorine", Min: amount("50 mg/L"), Max: amount("200 mg/L")}
	with := func(l plan.Limit, f func(*plan.Limit)) plan.Limit { f(&l); return l }
	guarded := with(free, func(l *plan.Limit) { l.GuardBand = amount("5 mg/L") })
	minOnly := with(free, func(l *plan.Limit) { l.Max = nil })
	cold := plan.Limit{ID: "l", Kind: plan.Action, Quantity: "temperature", Max: amount("10 °C")}
	band := func(lo, hi string) string { return fmt.Sprintf(`{"high":%q,"low":%q,"unit":"mg/L"}`, hi, lo) }
	signed := func(sign, v string) string {
		return fmt.Sprintf(`{"sign":%q,"unit":"mg/L","value":%q}`, sign, v)
	}
	for _, tc := range []struct {
		name, quantity, value string
		limit                 plan.Limit
		want, reason, shown   string
	}{
		{"at the lower edge", "free_chlorine", mg("50"), free, Inside, "", "50 mg/L"},
		{"written with more zeros", "free_chlorine", mg("50.000"), free, Inside, "", "50.000 mg/L"},
		{"a hair below", "free_chlorine", mg("49.9999999999"), free, Outside, "", "49.9999999999 mg/L"},
		{"at the upper edge", "free_chlorine", mg("200.0"), free, Inside, "", "200.0 mg/L"},
		{"above", "free_chlorine", mg("200.1"), free, Outside, "", "200.1 mg/L"},
		{"operating", "free_chlorine", mg("49"), with(free, func(l *plan.Limit) { l.Kind = plan.Operating }), Act, "", "49 mg/L"},
		{"ppm of a field kit", "free_chlorine", `{"unit":"ppm","value":"60"}`, free, Inside, "", "60 ppm"},
		{"inside the guard band's edge", "free_chlorine", mg("55"), guarded, Inside, "", "55 mg/L"},
		{"in the guard band", "free_chlorine", mg("54.9"), guarded, Outside, ReasonGuardBand, "54.9 mg/L"},
		{"in the upper guard band", "free_chlorine", mg("195.1"), guarded, Outside, ReasonGuardBand, "195.1 mg/L"},
		{"outside guard or not", "free_chlorine", mg("49"), guarded, Outside, "", "49 mg/L"},
		{"band by its worse end", "free_chlorine", band("40", "60"), free, Outside, "", "40–60 mg/L"},
		{"band inside", "free_chlorine", band("50", "100"), free, Inside, "", "50–100 mg/L"},
		{"over range", "free_chlorine", signed(">", "100"), free, Outside, ReasonOverRange, "> 100 mg/L"},
		{"over range, lower bound only", "free_chlorine", signed(">", "60"), minOnly, Inside, "", "> 60 mg/L"},
		{"over a range that ends too low", "free_chlorine", signed(">", "10"), minOnly, NotEvaluated, ReasonNeedsDilution, "> 10 mg/L"},
		{"below range", "free_chlorine", signed("<", "0.02"), free, Outside, "", "< 0.02 mg/L"},
		{"another unit", "temperature", `{"unit":"°F","value":"50"}`, cold, Inside, "", "50 °F"},
		{"another unit, above", "temperature", `{"unit":"°F","value":"50.1"}`, cold, Outside, "", "50.1 °F"},
		{"guard band in another unit", "temperature", `{"unit":"°C","value":"8.9"}`,
			with(cold, func(l *plan.Limit) { l.GuardBand = amount("1.8 °F") }), Inside, "", "8.9 °C"},
		{"in the guard band of another unit", "temperature", `{"unit":"°C","value":"9.1"}`,
			with(cold, func(l *plan.Limit) { l.GuardBand = amount("1.8 °F") }), Outside, ReasonGuardBand, "9.1 °C"},
		{"units apart", "salt", `{"unit":"g/L","value":"30"}`,
			plan.Limit{ID: "l", Kind: plan.Action, Quantity: "salt", Min: amount("3 % w/w")}, NotEvaluated, ReasonUnit, "30 g/L"},
		{"pH without a unit in the plan", "ph", `{"unit":"pH","value":"6.5"}`,
			plan.Limit{ID: "l", Kind: plan.Critical, Quantity: "ph", Min: amount("6.5"), Max: amount("7.5")}, Inside, "", "pH 6.5"},
		{"yes", "yes_no", "true", plan.Limit{ID: "l", Kind: plan.Action, Quantity: "yes_no", YesNo: &yes}, Inside, "", "yes"},
		{"no", "yes_no", "false", plan.Limit{ID: "l", Kind: plan.Action, Quantity: "yes_no", YesNo: &yes}, Outside, "", "no"},
		{"no bound", "free_chlorine", mg("1"), plan.Limit{ID: "l", Kind: plan.Action, Quantity: "free_chlorine"}, NotEvaluated, ReasonNoBound, "1 mg/L"},
		{"computed", "hocl", mg("5"), plan.Limit{ID: "l", Kind: plan.Critical, Quantity: "hocl", Min: amount("1 mg/L")}, Inside, "", "5 mg/L"},
		{"not computed", "free_chlorine", mg("5"), plan.Limit{ID: "l", Kind: plan.Critical, Quantity: "hocl", Min: amount("1 mg/L")}, NotEvaluated, ReasonNoFormula, ""},
		{"not measured", "ph", `{"unit":"pH","value":"7"}`, free, NotEvaluated, ReasonNotMeasured, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := &plan.Plan{Points: []plan.Point{{ID: "p", Places: []string{"bath"}, Limits: []plan.Limit{tc.limit}}}}
			check := &plan.Check{Points: []string{"p"}, Measures: []plan.Measure{{Quantity: "free_chlorine"}}}
			got := Judge(p, check, "bath", []Measured{{Quantity: tc.quantity, Value: value(t, tc.value)}})
			want := Verdict{Kind: tc.limit.Kind, Limit: "l", Point: "p", Reason: tc.reason, Value: tc.shown, Verdict: tc.want}
			if len(got) != 1 || got[0] != want {
				t.Errorf("got  %+v\nwant %+v", got, want)
			}
		})
	}
}

// bathPlan has three points: two that the check serves (one not at bath b) and one that it does not.
func bathPlan() (*plan.Plan, *plan.Check) {
	p := &plan.Plan{Points: []plan.Point{
		{ID: "wash", Places: []string{"a", "b"}, Limits: []plan.Limit{
			{ID: "free-act", Kind: plan.Operating, Quantity: "free_chlorine", Min: amount("80 mg/L")},
			{ID: "free", Kind: plan.Critical, Quantity: "free_chlorine", Min: amount("50 mg/L"), Instrument: "photometer"},
			{ID: "ph", Kind: plan.Critical, Quantity: "ph", Max: amount("7.5")},
			{ID: "orp", Kind: plan.Critical, Quantity: "orp", Min: amount("650 mV")}}},
		{ID: "rinse", Places: []string{"a"}, Limits: []plan.Limit{{ID: "residue", Kind: plan.Action, Quantity: "free_chlorine", Max: amount("4 mg/L")}}},
		{ID: "other", Places: []string{"a", "b"}, Limits: []plan.Limit{{ID: "x", Kind: plan.Action, Quantity: "ph", Max: amount("1")}}}}}
	check := &plan.Check{Points: []string{"rinse", "wash"}, Measures: []plan.Measure{
		{Quantity: "free_chlorine", Plausible: &plan.Range{Min: amount("1 mg/L"), Max: amount("300 mg/L")}}, {Quantity: "ph"}}}
	return p, check
}

func TestJudgeAReading(t *testing.T) {
	p, check := bathPlan()
	entries := []Measured{{Quantity: "free_chlorine", Value: value(t, mg("40")), Instrument: "photometer"}}
	short := func(vs []Verdict) (out []string) {
		for _, v := range vs {
			out = append(out, v.Point+"/"+v.Limit+" "+v.Verdict)
		}
		return out
	}
	// ORP is measured neither by the check nor by the reading: no verdict.
	want := []string{"wash/free-act act", "wash/free outside", "wash/ph not-evaluated"}
	if got := short(Judge(p, check, "b", entries)); !slices.Equal(got, want) {
		t.Errorf("bath b: got %q, want %q", got, want)
	}
	want = append(want, "rinse/residue outside")
	vs := Judge(p, check, "a", entries)
	if got := short(vs); !slices.Equal(got, want) {
		t.Errorf("bath a: got %q, want %q", got, want)
	}
	two := append(slices.Clone(entries), Measured{Quantity: "free_chlorine", Value: value(t, mg("90"))})
	if got := Judge(p, check, "b", two)[1]; got.Verdict != Outside || got.Value != "40 mg/L" {
		t.Errorf("the worst of two entries: %+v", got)
	}
	given := func() []Measured { return entries }
	marks := MarksOf(p, "wash", vs, given, func(l *plan.Limit) bool { return l.Instrument == entries[0].Instrument })
	if len(marks) != 1 || marks[0] != (Mark{Limit: "free", Outside: true, Usable: true, Value: "40 mg/L", Off: 0.2}) {
		t.Errorf("marks: %+v", marks)
	}
	// The recorded verdict stands even where the plan of today says otherwise, or lacks the limit.
	vs[1].Verdict, vs[1].Limit = Inside, "gone"
	marks = MarksOf(p, "wash", vs, given, func(*plan.Limit) bool { return false })
	if len(marks) != 1 || marks[0].Outside || marks[0].Usable || marks[0].Limit != "gone" {
		t.Errorf("marks of a recorded verdict: %+v", marks)
	}
}

func TestPlausible(t *testing.T) {
	_, check := bathPlan()
	for v, want := range map[string]bool{mg("1"): true, mg("0.9"): false, mg("300"): true, mg("301"): false,
		`{"sign":">","unit":"mg/L","value":"301"}`: false, `{"sign":">","unit":"mg/L","value":"10"}`: true} {
		odd := Plausible(check, []Measured{{Quantity: "ph", Value: value(t, `{"unit":"pH","value":"13"}`)}, {Quantity: "free_chlorine", Value: value(t, v)}})
		if (len(odd) == 0) != want {
			t.Errorf("%s: %v", v, odd)
		}
	}
}

func TestStateOf(t *testing.T) {
	vs := func(words ...string) (out []Verdict) {
		for _, w := range words {
			out = append(out, Verdict{Verdict: w})
		}
		return out
	}
	hour := time.Hour
	for _, tc := range []struct {
		last           []Verdict
		age, frequency time.Duration
		inUse          bool
		want           string
	}{
		{vs(Inside, Inside), hour, hour, true, StateInside},
		{vs(Inside, Act), 0, hour, true, StateAct},
		{vs(Act, Outside, NotEvaluated), 0, hour, true, StateOutside},
		{vs(Inside, NotEvaluated), 0, hour, true, StateNotKnown},
		{vs(Inside), hour + 1, hour, true, StateNotKnown},
		{vs(Outside), hour + 1, hour, true, StateNotKnown},
		{vs(Inside), 100 * hour, 0, true, StateInside},
		{nil, 0, hour, true, StateNotKnown},
		{vs(Inside), 0, hour, false, StateNotInUse},
	} {
		if got := StateOf(tc.last, tc.age, tc.frequency, tc.inUse); got != tc.want {
			t.Errorf("%v age %s of %s: got %s, want %s", tc.last, tc.age, tc.frequency, got, tc.want)
		}
	}
}
