package balance

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
)

// No yield of leaf gel was found published; the figures are invented and worked out
// by hand: 62.5 of 125 kg is 50 %, 30 of 62.5 kg 48 %, 30 of 125 kg 24 %.
func TestChain(t *testing.T) {
	got, err := Chain([]Stage{{"leaf", 125}, {"fillet", 62.5}, {"gel", 30}})
	if err != nil {
		t.Fatal(err)
	}
	want := [][2]float64{{100, 100}, {50, 50}, {48, 24}}
	for i, w := range want {
		if got[i].OfStep.Value != w[0] || got[i].OfStart.Value != w[1] || got[i].OfStep.Unit != formula.Percent {
			t.Errorf("%s: %v and %v, want %v", got[i].Name, got[i].OfStep.Value, got[i].OfStart.Value, w)
		}
	}
}

func TestYieldRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		part, whole float64
		want        error
	}{
		"nothing to start with": {0, 0, formula.ErrRange},
		"more than there was":   {10.1, 10, formula.ErrData},
		"below nothing":         {-1, 10, formula.ErrRange},
		"no number":             {math.NaN(), 10, formula.ErrRange},
		"a mountain":            {1, 1e6 + 1, formula.ErrRange},
	} {
		if _, err := Yield(c.part, c.whole); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Chain([]Stage{{"leaf", 10}}); !errors.Is(err, formula.ErrData) {
		t.Errorf("one stage: %v", err)
	}
	if _, err := Chain([]Stage{{"leaf", 10}, {"fillet", 5}, {"gel", 6}}); !errors.Is(err, formula.ErrData) {
		t.Errorf("gel out of nothing: %v", err)
	}
}

// Worked by hand: 100 + 2 in, 60 + 38.5 + 0.5 out leave 3 kg, 2.94 %; the scales
// 0.3, 0.1, 0.2, 0.2, 0.1 make 0.436 kg (the root of 0.19).
func TestDifference(t *testing.T) {
	in := []Weighing{{"leaf", 100, 0.3}, {"antioxidant solution", 2, 0.1}}
	out := []Weighing{{"gel", 60, 0.2}, {"rind", 38.5, 0.2}, {"samples", 0.5, 0.1}}
	got, err := Difference(in, out)
	if err != nil {
		t.Fatal(err)
	}
	if got.In != 102 || got.Out != 99 || got.Difference.Value != 3 || math.Abs(got.Percent.Value-2.941) > 0.0005 ||
		math.Abs(got.Uncertainty.Value-math.Sqrt(0.19)) > 1e-12 || !got.Significant {
		t.Errorf("%+v", got)
	}
	out[0].Kilogram = 62.5 // 0.5 kg are left: no more than the scales leave open
	if got, err = Difference(in, out); err != nil || got.Significant || got.Difference.Value != 0.5 {
		t.Errorf("%+v, %v", got, err)
	}
	out[0].Kilogram = 66 // more came out than went in, and that is told, not hidden
	if got, err = Difference(in, out); err != nil || !got.Significant || got.Difference.Value != -3 {
		t.Errorf("%+v, %v", got, err)
	}
	in[0].Uncertainty = 0
	if got, err = Difference(in, out); err != nil || got.Significant || !got.Difference.Has(WeighingUnknown) {
		t.Errorf("without the scale's uncertainty: %+v, %v", got, err)
	}
}

func TestDifferenceRefuses(t *testing.T) {
	ok := []Weighing{{"leaf", 10, 0.1}}
	for name, c := range map[string]struct {
		in, out []Weighing
		want    error
	}{
		"nothing in":          {nil, ok, formula.ErrData},
		"nothing out":         {ok, nil, formula.ErrData},
		"no mass in":          {[]Weighing{{"leaf", 0, 0.1}}, ok, formula.ErrRange},
		"below nothing":       {ok, []Weighing{{"gel", -1, 0.1}}, formula.ErrRange},
		"no number":           {ok, []Weighing{{"gel", math.NaN(), 0.1}}, formula.ErrRange},
		"a negative doubt":    {ok, []Weighing{{"gel", 1, -0.1}}, formula.ErrRange},
		"an unlimited weight": {ok, []Weighing{{"gel", math.Inf(1), 0.1}}, formula.ErrRange},
	} {
		if _, err := Difference(c.in, c.out); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Order changes nothing; yields multiply along the chain; what is weighed out more
// is unexplained less; in and out exchanged turn the sign.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weighings := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Weighing {
			return Weighing{"w", rapid.Float64Range(0.1, 1000).Draw(t, "kg"), rapid.Float64Range(0.001, 1).Draw(t, "u")}
		}), 1, 8)
		in, out := weighings.Draw(t, "in"), weighings.Draw(t, "out")
		a, err1 := Difference(in, out)
		b, err2 := Difference(out, in)
		back := slices.Clone(in)
		slices.Reverse(back)
		c, err3 := Difference(back, out)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.Difference.Value+b.Difference.Value) > 1e-9 || math.Abs(a.Difference.Value-c.Difference.Value) > 1e-9 || math.Abs(a.Uncertainty.Value-b.Uncertainty.Value) > 1e-9 {
			t.Fatalf("%v, exchanged %v, reversed %v", a, b, c)
		}
		more := slices.Clone(out)
		more[0].Kilogram++
		d, err := Difference(in, more)
		if err != nil || math.Abs(d.Difference.Value-(a.Difference.Value-1)) > 1e-9 {
			t.Fatalf("%v, one kg more out %v, %v", a, d, err)
		}

		leaf := rapid.Float64Range(1, 1000).Draw(t, "leaf")
		fillet := leaf * rapid.Float64Range(0.1, 1).Draw(t, "fillet")
		gel := fillet * rapid.Float64Range(0, 1).Draw(t, "gel")
		y, err := Chain([]Stage{{"leaf", leaf}, {"fillet", fillet}, {"gel", gel}})
		if err != nil {
			t.Fatal(err)
		}
		if product := y[1].OfStep.Value * y[2].OfStep.Value / 100; math.Abs(product-y[2].OfStart.Value) > 1e-9 {
			t.Fatalf("steps make %v, whole %v", product, y[2].OfStart.Value)
		}
	})
}
