package chemistry_test

import (
	"testing"
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/plan"
)

var t0 = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func limits() []*plan.Limit {
	return []*plan.Limit{{ID: "c", Kind: plan.Critical, Quantity: "free_chlorine", Min: amount("100 mg/L")},
		{ID: "o", Kind: plan.Operating, Quantity: "free_chlorine", Min: amount("110 mg/L")},
		{ID: "ph", Kind: plan.Critical, Quantity: "ph", Min: amount("6.5 pH")}}
}

func levels(free ...float64) []chemistry.Level {
	out := make([]chemistry.Level, len(free))
	for i, x := range free {
		out[i] = chemistry.Level{At: t0.Add(time.Duration(10+10*i) * time.Minute), Free: x}
	}
	return out
}

// A bath that loses 0.5 mg/L a minute, near enough, reaches 110 mg/L an hour after 140 mg/L.
func TestForecastBringsTheNextTestForward(t *testing.T) {
	falling := levels(135.2, 129.7, 125.1, 119.9)
	newest := falling[len(falling)-1].At
	scheduled := newest.Add(30 * time.Minute)
	f := chemistry.Predict(t0, falling, limits(), 0.1, scheduled)
	if f.Reason != "" || len(f.Crossings) != 2 || f.Crossings[0].Kind != plan.Operating || f.N != 4 || f.Formula != chemistry.ForecastFormula() {
		t.Fatalf("%+v", f)
	}
	op := f.Crossings[0]
	if want := t0.Add(time.Hour); op.State != "ahead" || op.Expected.Sub(want).Abs() > 2*time.Minute || op.Earliest.After(op.Expected) || !op.Latest.IsZero() && op.Latest.Before(op.Expected) {
		t.Errorf("crosses %+v, want about %s", op, want)
	}
	if crit := f.Crossings[1]; !crit.Expected.After(op.Expected) {
		t.Errorf("the critical limit is crossed at %s, before the operating one", crit.Expected)
	}
	if !f.Test.After(newest) || !f.Test.Before(scheduled) || f.Test.After(op.Expected) {
		t.Errorf("test at %s, newest reading %s, scheduled %s", f.Test, newest, scheduled)
	}
	if g := chemistry.Predict(t0, falling, limits(), 0.1, newest.Add(time.Minute)); !g.Test.IsZero() {
		t.Errorf("a test scheduled earlier was put back to %s", g.Test)
	}
	if g := chemistry.Predict(t0, falling, limits(), 0.1, time.Time{}); !g.Test.Equal(f.Test) {
		t.Errorf("without a schedule the test is wanted at %s, want %s", g.Test, f.Test)
	}
}

func TestNoForecast(t *testing.T) {
	for name, x := range map[string]struct {
		levels []chemistry.Level
		reason string
	}{
		"three readings": {levels(135, 130, 125), chemistry.ReasonTooFew},
		"rising":         {levels(120, 122, 125, 127), chemistry.ReasonNotFalling},
		"scattered":      {levels(135, 112, 138, 110, 131), chemistry.ReasonTooScatter},
		"one odd":        {levels(135, 130, 125, 120, 115, 110, 150), chemistry.ReasonNewestOdd},
		"none":           {nil, chemistry.ReasonTooFew},
	} {
		if f := chemistry.Predict(t0, x.levels, limits(), 0.1, time.Time{}); f.Reason != x.reason || len(f.Crossings) > 0 || !f.Test.IsZero() {
			t.Errorf("%s: %+v, want %s", name, f, x.reason)
		}
	}
}
