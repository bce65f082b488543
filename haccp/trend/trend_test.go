package trend_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/trend"
)

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	spec := trend.Specification{Lower: 1, Upper: 2, Target: trend.NoLimit}
	up := []float64{1, 2, 3, 4}
	errs := map[string]error{}
	note := func(name string, _ any, err error) { errs[name] = err }
	call := func(name string, f func() (any, error)) { v, err := f(); note(name, v, err) }
	call("no values", func() (any, error) { return trend.Summarize(nil) })
	call("no number", func() (any, error) { return trend.Summarize([]float64{1, nan}) })
	call("one value", func() (any, error) { return trend.Individuals(up[:1]) })
	call("all alike", func() (any, error) { return trend.Individuals([]float64{2, 2, 2}) })
	call("one value by sd", func() (any, error) { return trend.IndividualsBySD(up[:1]) })
	call("samples of 1", func() (any, error) { return trend.ChartConstants(1) })
	call("samples of 11", func() (any, error) { return trend.ChartConstants(11) })
	call("mean range 0", func() (any, error) { _, _, err := trend.SubgroupCharts(1, 0, 5); return nil, err })
	call("more rejects than samples", func() (any, error) { return trend.ShareChart([]int{1, 6}, 5) })
	call("no rejects", func() (any, error) { return trend.ShareChart([]int{0, 0}, 5) })
	call("negative count", func() (any, error) { return trend.CountChart([]int{1, -1}) })
	call("no faults", func() (any, error) { return trend.CountChart([]int{0, 0}) })
	call("sigma 0", func() (any, error) { return trend.NewEWMA(trend.Asymptotic, 0, 0, 0.2, 3) })
	call("lambda 0", func() (any, error) { return trend.NewEWMA(trend.Asymptotic, 0, 1, 0, 3) })
	call("lambda 1.1", func() (any, error) { return trend.NewEWMA(trend.Asymptotic, 0, 1, 1.1, 3) })
	call("form", func() (any, error) { return trend.NewEWMA("", 0, 1, 0.2, 3) })
	call("h 0", func() (any, error) { return trend.NewCUSUM(0, 0.5, 0, 0) })
	call("k below 0", func() (any, error) { return trend.NewCUSUM(0, -0.5, 4, 0) })
	call("head start above h", func() (any, error) { return trend.NewCUSUM(0, 0.5, 4, 5) })
	call("sigma infinite", func() (any, error) { return trend.NewCUSUMSigmas(0, inf, 0.5, 4, 0) })
	call("no rule", func() (any, error) { return trend.NewRules(0, 0, 1, trend.FullWindow) })
	call("unknown rule", func() (any, error) { return trend.NewRules(1<<14, 0, 1, trend.FullWindow) })
	call("window", func() (any, error) { return trend.NewRules(trend.Nelson, 0, 1, "") })
	call("rules without sigma", func() (any, error) { return trend.NewRules(trend.Nelson, 0, 0, trend.FullWindow) })
	call("one value for an index", func() (any, error) { return trend.Capability(1.5, 1, 1, trend.Within, spec, 0.95) })
	call("confidence 1", func() (any, error) { return trend.Capability(1.5, 1, 30, trend.Within, spec, 1) })
	call("kind of sigma", func() (any, error) { return trend.Capability(1.5, 1, 30, "", spec, 0.95) })
	call("no limits", func() (any, error) {
		return trend.Capability(1.5, 1, 30, trend.Within, trend.Specification{Lower: nan, Upper: nan}, 0.95)
	})
	call("limits the wrong way", func() (any, error) {
		return trend.Capability(1.5, 1, 30, trend.Within, trend.Specification{Lower: 2, Upper: 1}, 0.95)
	})
	call("three values", func() (any, error) { return trend.MannKendall(up[:3]) })
	call("constant", func() (any, error) { return trend.MannKendall([]float64{1, 1, 1, 1}) })
	call("times and values", func() (any, error) { return trend.TheilSen(up[:3], up, 0.95) })
	call("time twice", func() (any, error) { return trend.TheilSen([]float64{1, 2, 2, 3}, up, 0.95) })
	call("confidence 0", func() (any, error) { return trend.TheilSen(up, up, 0) })
	for name, err := range errs {
		if !errors.Is(err, trend.ErrInput) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}

// A value that is no number is refused by every chart and changes nothing.
func TestNoNumberChangesNothing(t *testing.T) {
	r, err := trend.NewRules(trend.WesternElectric|trend.Nelson, 0, 1, trend.FullWindow)
	e, err2 := trend.NewEWMA(trend.TimeVarying, 0, 1, 0.2, 3)
	c, err3 := trend.NewCUSUM(0, 0.5, 4, 0)
	if err := errors.Join(err, err2, err3); err != nil {
		t.Fatal(err)
	}
	var m trend.Moments
	before := [4]any{*r, *e, *c, m}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		_, e1 := r.Add(v)
		_, e2 := e.Add(v)
		_, e3 := c.Add(v)
		for i, err := range []error{e1, e2, e3, m.Add(v)} {
			if !errors.Is(err, trend.ErrInput) {
				t.Errorf("chart %d takes %v: %v", i, v, err)
			}
		}
	}
	if before != [4]any{*r, *e, *c, m} {
		t.Error("a refused value changed a chart")
	}
}

// A one-sided specification has no Cp; few values are marked; a series out of
// control has no index.
func TestCapabilityTraps(t *testing.T) {
	lower := trend.Specification{Lower: 8, Upper: trend.NoLimit, Target: trend.NoLimit}
	r, err := trend.Capability(9, 1, 10, trend.Overall, lower, 0.95)
	if err != nil || r.Cp.Known || r.Cpm.Known || r.CpUpper.Known || !r.Cpk.Known || r.Cpk != r.CpLower || !r.Provisional || r.Sigma != trend.Overall {
		t.Errorf("%+v, %v", r, err)
	}
	shifted := []float64{5.1, 4.9, 5.2, 5.0, 4.8, 5.1, 5.0, 9.0, 9.1, 8.9, 9.0, 9.2}
	if _, err := trend.CapabilityOf(shifted, trend.Within, trend.Specification{Lower: 0, Upper: 20, Target: 10}, 0.95); !errors.Is(err, trend.ErrUnstable) {
		t.Errorf("an index for a series out of control: %v", err)
	}
	steady := []float64{5.1, 4.9, 5.2, 5.0, 4.8, 5.1, 5.0, 4.9, 5.2, 4.8}
	within, err := trend.CapabilityOf(steady, trend.Within, trend.Specification{Lower: 4, Upper: 6, Target: 5}, 0.95)
	overall, err2 := trend.CapabilityOf(steady, trend.Overall, trend.Specification{Lower: 4, Upper: 6, Target: 5}, 0.95)
	if err := errors.Join(err, err2); err != nil || within.Cp.Value == overall.Cp.Value {
		t.Errorf("%+v, %+v, %v", within, overall, err)
	}
}

func values(t *rapid.T, least int) []float64 {
	// Quarters add without rounding, so that shifting is exact.
	return rapid.SliceOfN(rapid.Map(rapid.IntRange(-4000, 4000), func(i int) float64 { return float64(i) / 4 }), least, 40).Draw(t, "x")
}

func TestShiftAndScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := values(t, 4)
		moved := make([]float64, len(x))
		for i, v := range x {
			moved[i] = 4*v + 1000
		}
		a, err := trend.Summarize(x)
		b, err2 := trend.Summarize(moved)
		if err := errors.Join(err, err2); err != nil {
			t.Fatal(err)
		}
		if math.Abs(b.Mean-4*a.Mean-1000) > 1e-9 || math.Abs(b.SD-4*a.SD) > 1e-9 || math.Abs(b.MovingRange-4*a.MovingRange) > 1e-9 {
			t.Fatalf("%+v against %+v", b, a)
		}
		m, err := trend.MannKendall(x)
		n, err2 := trend.MannKendall(moved)
		if m != n || (err == nil) != (err2 == nil) {
			t.Fatalf("the order of the values is the same, the test is not: %+v, %+v", m, n)
		}
		slices.Reverse(moved)
		if r, err := trend.MannKendall(moved); err == nil && (r.S != -m.S || math.Abs(r.P-m.P) > 1e-12) {
			t.Fatalf("turned round: %+v, %+v", r, m)
		}
	})
}

// Rules look the same mirrored at the centre, and never depend on what lay
// further back than their windows.
func TestRulesMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-4, 4), 1, 60).Draw(t, "x")
		a, err := trend.NewRules(trend.WesternElectric|trend.Nelson, 0, 1, trend.PartialWindow)
		b, err2 := trend.NewRules(trend.WesternElectric|trend.Nelson, 0, 1, trend.PartialWindow)
		if err := errors.Join(err, err2); err != nil {
			t.Fatal(err)
		}
		for i, v := range x {
			s, _ := a.Add(v)
			m, _ := b.Add(-v)
			if s != m {
				t.Fatalf("point %d: %v, mirrored %v", i+1, s, m)
			}
			if want := rulesByHand(x[:i+1]); s != want {
				t.Fatalf("point %d: %v, by the definitions %v", i+1, s, want)
			}
		}
	})
}

// rulesByHand reads each definition off the whole series, at its last point.
func rulesByHand(x []float64) trend.Signals {
	var s trend.Signals
	n := len(x)
	tail := func(k int) []float64 { return x[max(0, n-k):] }
	count := func(list []float64, is func(float64) bool) int {
		c := 0
		for _, v := range list {
			if is(v) {
				c++
			}
		}
		return c
	}
	last := x[n-1]
	for _, side := range []float64{1, -1} {
		beyond := func(line float64) func(float64) bool { return func(v float64) bool { return side*v > line } }
		if beyond(3)(last) {
			s |= trend.WesternElectric1 | trend.Nelson1
		}
		if beyond(2)(last) && count(tail(3), beyond(2)) >= 2 {
			s |= trend.WesternElectric2 | trend.Nelson5
		}
		if beyond(1)(last) && count(tail(5), beyond(1)) >= 4 {
			s |= trend.WesternElectric3 | trend.Nelson6
		}
		if count(tail(8), beyond(0)) == 8 {
			s |= trend.WesternElectric4
		}
		if count(tail(9), beyond(0)) == 9 {
			s |= trend.Nelson2
		}
		rising := n >= 6
		for i := 1; i < len(tail(6)); i++ {
			rising = rising && side*(tail(6)[i]-tail(6)[i-1]) > 0
		}
		if rising {
			s |= trend.Nelson3
		}
	}
	alternating := n >= 14
	for i := 1; i < len(tail(14)); i++ {
		d := tail(14)[i] - tail(14)[i-1]
		alternating = alternating && d != 0 && (i == 1 || d*(tail(14)[i-1]-tail(14)[i-2]) < 0)
	}
	if alternating {
		s |= trend.Nelson4
	}
	outer := func(v float64) bool { return math.Abs(v) > 1 }
	if n >= 15 && count(tail(15), outer) == 0 {
		s |= trend.Nelson7
	}
	up := count(tail(8), func(v float64) bool { return v > 0 })
	if n >= 8 && count(tail(8), outer) == 8 && up > 0 && up < 8 {
		s |= trend.Nelson8
	}
	return s
}

// Theil-Sen finds a line exactly, and still does with one bad value in ten.
func TestTheilSenIsRobust(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope := float64(rapid.IntRange(-8, 8).Draw(t, "slope"))
		badAt := rapid.IntRange(0, 9).Draw(t, "bad")
		var x, y []float64
		for i := range 10 {
			x = append(x, float64(i))
			y = append(y, slope*float64(i)+3)
		}
		y[badAt] += 1000
		s, err := trend.TheilSen(x, y, 0.95)
		if err != nil || s.Value != slope {
			t.Fatalf("slope %v, want %v, %v", s.Value, slope, err)
		}
		if s.IntervalKnown && (s.Lowest > slope || s.Higher < slope) {
			t.Fatalf("%+v", s)
		}
	})
}

func TestTooFewPairsForAnInterval(t *testing.T) {
	s, err := trend.TheilSen([]float64{1, 2, 3, 4}, []float64{1, 3, 2, 4}, 0.99)
	if err != nil || s.IntervalKnown || s.Lowest != 0 || s.Higher != 0 {
		t.Errorf("%+v, %v", s, err)
	}
}

// The exact and the normal probability of Mann-Kendall agree for long series.
func TestExactKendallMeetsTheNormal(t *testing.T) {
	y := make([]float64, 40)
	for i := range y {
		y[i] = float64((i*17)%40) + 0.3001*float64(i)
	}
	m, err := trend.MannKendall(y)
	if err != nil || !m.HasExact || math.Abs(m.Exact-m.P) > 0.002 {
		t.Errorf("%+v, %v", m, err)
	}
}

func TestNoAllocationPerPoint(t *testing.T) {
	r, err := trend.NewRules(trend.WesternElectric|trend.Nelson, 0, 1, trend.FullWindow)
	e, err2 := trend.NewEWMA(trend.TimeVarying, 0, 1, 0.2, 3)
	c, err3 := trend.NewCUSUM(0, 0.5, 4, 0)
	if err := errors.Join(err, err2, err3); err != nil {
		t.Fatal(err)
	}
	var m trend.Moments
	x := 0.0
	if n := testing.AllocsPerRun(1000, func() {
		x = math.Mod(x+1.3, 3)
		if _, err := r.Add(x); err != nil {
			panic(err)
		}
		if _, err := e.Add(x); err != nil {
			panic(err)
		}
		if _, err := c.Add(x); err != nil {
			panic(err)
		}
		if err := m.Add(x); err != nil {
			panic(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations per point", n)
	}
}
