package calibration

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

const metresPerFoot = 0.3048 // exact

func TestStandardPressure(t *testing.T) {
	checktable.Load(t, "standard-atmosphere/pressure.csv").Each(t, func(t *testing.T, row checktable.Row) {
		got, err := StandardPressure(number(t, row, "metres"))
		near(t, got, err, number(t, row, "hpa"), 0.3)
	})
}

// Two printed tables of food-safety pages, the second rounded coarsely.
func TestBoilingPoint(t *testing.T) {
	checktable.Load(t, "boiling-altitude/fahrenheit.csv").Each(t, func(t *testing.T, row checktable.Row) {
		got, err := BoilingPoint(number(t, row, "feet") * metresPerFoot)
		near(t, got, err, number(t, row, "worked"), 0.01)
		f := got.Value*1.8 + 32
		if a := number(t, row, "a"); math.Abs(f-a) > 0.2 {
			t.Errorf("%.2f °F, table a %v", f, a)
		}
		if row.Get(t, "b") != "" {
			if b := number(t, row, "b"); math.Abs(f-b) > 0.5 {
				t.Errorf("%.2f °F, table b %v", f, b)
			}
		}
		if !got.Has(WeatherPressure) {
			t.Error("the weather of the day is not in it")
		}
	})
}

func TestThermometer(t *testing.T) {
	checktable.Load(t, "thermometer-acceptance/tolerance.csv").Each(t, func(t *testing.T, row checktable.Row) {
		ours := map[string]float64{"Australia": ToleranceAustralia, "the United States": ToleranceUS}[row.Get(t, "place")]
		if ours != number(t, row, "kelvin") {
			t.Fatalf("%v here", ours)
		}
		for _, side := range []float64{-1, 1} {
			at, err1 := CheckIce(side*ours, ours)
			beyond, err2 := CheckIce(side*(ours+0.1), ours)
			if err := errors.Join(err1, err2); err != nil || !at.Within || beyond.Within {
				t.Errorf("at the tolerance %v, beyond it %v: %v", at.Within, beyond.Within, err)
			}
		}
	})
	// 96.0 °C in boiling water: 4 K off at the sea, within at 1,219.2 m (4,000 ft).
	sea, err1 := CheckBoiling(96, 0, ToleranceAustralia)
	high, err2 := CheckBoiling(96, 1219.2, ToleranceAustralia)
	today, err3 := CheckBoilingAt(96, 875.1, ToleranceAustralia)
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	if sea.Within || !high.Within || !today.Within || math.Abs(high.Deviation.Value-0.04) > 0.01 || math.Abs(today.Deviation.Value-high.Deviation.Value) > 0.01 {
		t.Errorf("at the sea %+v, high up %+v, by pressure %+v", sea, high, today)
	}
	if !high.Deviation.Has(ColdNeedsIce) || !high.Deviation.Has(WeatherPressure) || today.Deviation.Has(WeatherPressure) || !today.Deviation.Has(ColdNeedsIce) {
		t.Errorf("cautions %v and %v", high.Deviation.Cautions, today.Deviation.Cautions)
	}
	ice, err := CheckIce(0.3, 1)
	near(t, ice.Deviation, err, 0.3, 0)
	if len(ice.Deviation.Cautions) != 0 {
		t.Errorf("cautions %v", ice.Deviation.Cautions)
	}
	if b, err := BoilingPointAt(1040); err != nil || !b.Has(formula.Extrapolated) {
		t.Errorf("above 100 °C: %+v, %v", b, err)
	}
}

func TestFixedPointsRefuse(t *testing.T) {
	for name, err := range map[string]error{
		"below the sea":  second(BoilingPoint(-1)),
		"too high":       second(StandardPressure(3049)),
		"vacuum":         second(BoilingPointAt(689)),
		"overpressure":   second(BoilingPointAt(1051)),
		"no number":      second(CheckIce(math.NaN(), 1)),
		"no tolerance":   second(CheckIce(0, 0)),
		"any tolerance":  second(CheckIce(0, 11)),
		"boiling, high":  second(CheckBoiling(90, 4000, 1)),
		"boiling, press": second(CheckBoilingAt(90, 500, 1)),
	} {
		if !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestBoilingFallsWithAltitude(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(0, 3048).Draw(t, "low")
		high := rapid.Float64Range(low, 3048).Draw(t, "high")
		a, err1 := BoilingPoint(low)
		b, err2 := BoilingPoint(high)
		if err := errors.Join(err1, err2); err != nil || b.Value > a.Value+1e-12 {
			t.Fatalf("%v m %v, %v m %v: %v", low, a.Value, high, b.Value, err)
		}
	})
}

// Worked by hand: 0.05 at the blank, 0.98 of 1.00, 4.20 of 4.00.
func TestChlorineMeter(t *testing.T) {
	m, err := CheckChlorine([]Standard{{0, 0.05}, {1, 0.98}, {4, 4.2}})
	if err != nil || m.Worst != 2 {
		t.Fatalf("%+v, %v", m, err)
	}
	near(t, m.Standards[1].Deviation, nil, -0.02, 1e-12)
	near(t, m.Standards[1].Recovery, nil, 98, 1e-9)
	near(t, m.Standards[2].Recovery, nil, 105, 1e-9)
	if m.Standards[0].Recovery.Formula != "" {
		t.Error("a blank has no recovery")
	}
	l, ok := m.Line()
	if !ok || math.Abs(l.Slope-1.04577) > 0.00001 { // Sxy 9.06333 over Sxx 8.66667
		t.Errorf("%+v, %v", l, ok)
	}
	p, err := m.Correct(2, 1)
	near(t, p.Value, err, (2-l.Intercept)/l.Slope, 1e-9)
	for _, shown := range []float64{0.04, 4.21, math.NaN()} {
		if _, err := m.Correct(shown, 1); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v shown: %v", shown, err)
		}
	}
}

func TestChlorineMeterRefuses(t *testing.T) {
	if _, err := CheckChlorine(nil); !errors.Is(err, formula.ErrData) {
		t.Errorf("none: %v", err)
	}
	for _, bad := range []Standard{{-1, 0}, {1, math.NaN()}, {20001, 0}} {
		if _, err := CheckChlorine([]Standard{bad}); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	for name, standards := range map[string][]Standard{
		"two":        {{0, 0}, {1, 1}},
		"one level":  {{1, 1}, {1, 1.1}, {1, 0.9}},
		"falling":    {{0, 3}, {2, 2}, {4, 1}},
		"all bleach": {{0, 0}, {50, 0}, {100, 0}},
	} {
		m, err := CheckChlorine(standards)
		if _, ok := m.Line(); err != nil || ok {
			t.Errorf("%s: a line, %v", name, err)
		}
		if _, err := m.Correct(1, 1); !errors.Is(err, formula.ErrData) {
			t.Errorf("%s: %v", name, err)
		}
	}
	checktable.Load(t, "photometer-manuals/levels.csv").Each(t, func(t *testing.T, row checktable.Row) {
		level := number(t, row, "above")
		if bleaching > level {
			t.Errorf("%v here", bleaching)
		}
		m, err := CheckChlorine([]Standard{{bleaching, bleaching}, {level + 0.1, 1}})
		if err != nil || m.Standards[0].Deviation.Has(DiluteStandard) || !m.Standards[1].Deviation.Has(DiluteStandard) {
			t.Errorf("%+v, %v", m, err)
		}
	})
}

// A meter that is off by a factor and a blank is corrected back, with standards
// that show no scatter.
func TestCorrectRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		blank, factor := rapid.Float64Range(0, 0.5).Draw(t, "blank"), rapid.Float64Range(0.5, 1.5).Draw(t, "factor")
		var standards []Standard
		for _, level := range []float64{0, 1, 2, 4} {
			standards = append(standards, Standard{level, blank + factor*level})
		}
		m, err := CheckChlorine(standards)
		if err != nil {
			t.Fatal(err)
		}
		level := rapid.Float64Range(0.001, 3.999).Draw(t, "level")
		p, err := m.Correct(blank+factor*level, 1)
		if err != nil || math.Abs(p.Value.Value-level) > 1e-9 || p.Uncertainty.Value > 1e-9 {
			t.Fatalf("%v came back as %+v, %v", level, p, err)
		}
	})
}
