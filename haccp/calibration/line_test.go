package calibration

import (
	"errors"
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/internal/checktable"
)

func number(t *testing.T, row checktable.Row, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row.Get(t, column), 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

func near(t *testing.T, got formula.Result, err error, want, allowed float64) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.Value-want) > allowed || math.IsNaN(got.Value) {
		t.Errorf("%s gives %.9g %s, want %v (allowed %v)", got.Formula, got.Value, got.Unit, want, allowed)
	}
	if got.Version != Version || got.Unit == "" || got.Source == "" {
		t.Errorf("the result lacks its unit, version or source: %+v", got)
	}
}

// pairs reads two columns of a table.
func pairs(t *testing.T, name, first, second string) (x, y []float64) {
	t.Helper()
	checktable.Load(t, name).Each(t, func(t *testing.T, row checktable.Row) {
		x, y = append(x, number(t, row, first)), append(y, number(t, row, second))
	})
	return x, y
}

// Certified values, and the covariance of a public test suite. That print is 3e-11
// (relative) larger than exact fractions make it; we agree with the fractions.
func TestNorris(t *testing.T) {
	x, y := pairs(t, "nist-strd-norris/data.csv", "x", "y")
	l, err := Fit(x, y)
	if err != nil || l.N != 36 || l.DF != 34 {
		t.Fatalf("%+v, %v", l, err)
	}
	one, err1 := l.Inverse(500, 1, quantity.MgPerL)
	three, err2 := l.Inverse(500, 3, quantity.MgPerL)
	student, err3 := StudentT(0.95, 34)
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{
		"intercept": l.Intercept, "intercept_sd": l.InterceptSD, "slope": l.Slope, "slope_sd": l.SlopeSD, "residual_sd": l.ResidualSD,
		"r_squared": l.RSquared, "covariance": l.Covariance, "covariance_exact": l.Covariance, "inverse_500": one.Value.Value, "inverse_500_u1": one.Uncertainty.Value,
		"inverse_500_u3": three.Uncertainty.Value, "t_975_34": student,
	}
	table := checktable.Load(t, "nist-strd-norris/certified.csv")
	table.Each(t, func(t *testing.T, row checktable.Row) {
		v, ok := got[row.Get(t, "name")]
		if want := number(t, row, "value"); !ok || math.Abs(v-want) > number(t, row, "relative")*math.Abs(want) {
			t.Errorf("%s: %.16g, certified %.16g", row.Get(t, "name"), v, want)
		}
	})
	if len(table.Rows) != len(got) {
		t.Errorf("%d values published, %d checked", len(table.Rows), len(got))
	}
}

// The thermometer of the GUM, with 20 °C as origin. Without the covariance of
// slope and intercept the uncertainty at 30 °C would be 0.0073, not 0.0041.
func TestThermometerOfTheGUM(t *testing.T) {
	x, y := pairs(t, "jcgm-100-h3/data.csv", "t", "b")
	for i := range x {
		x[i] -= 20
	}
	l, err := Fit(x, y)
	if err != nil {
		t.Fatal(err)
	}
	p, err := l.At(10, quantity.Celsius)
	if err != nil || !p.Value.Has(formula.Extrapolated) {
		t.Fatalf("%+v, %v", p, err)
	}
	got := map[string]float64{"y1": l.Intercept, "u_y1": l.InterceptSD, "y2": l.Slope, "u_y2": l.SlopeSD, "r": l.Correlation(), "s": l.ResidualSD,
		"b30": p.Value.Value, "u_b30": p.Uncertainty.Value}
	checktable.Load(t, "jcgm-100-h3/answers.csv").Each(t, func(t *testing.T, row checktable.Row) {
		v, text := got[row.Get(t, "name")], row.Get(t, "printed")
		if half := halfLast(text); math.Abs(v-number(t, row, "printed")) > half {
			t.Errorf("%.12g, printed %s", v, text)
		}
		if full := row.Get(t, "full"); math.Abs(v-number(t, row, "full")) > halfLast(full) {
			t.Errorf("%.12g, in full %s", v, full)
		}
	})
	without := math.Hypot(l.InterceptSD, 10*l.SlopeSD)
	with := math.Sqrt(without*without + 2*10*l.Covariance)
	if math.Abs(without-0.00727) > 5e-6 || math.Abs(with-p.Uncertainty.Value) > 1e-12 {
		t.Errorf("without covariance %v, with it %v, given %v", without, with, p.Uncertainty.Value)
	}
}

// halfLast is half a unit in the last place of a decimal, and a little for the sum.
func halfLast(text string) float64 {
	for i := len(text) - 1; i >= 0; i-- {
		if text[i] == '.' {
			return 0.5001 * math.Pow(10, -float64(len(text)-1-i))
		}
	}
	return 0.5
}

func TestLineSpacing(t *testing.T) {
	x, y := pairs(t, "nbs-tn1164/data.csv", "x", "y")
	l, err := Fit(x, y)
	if err != nil || l.DF != 38 {
		t.Fatalf("%+v, %v", l, err)
	}
	checktable.Load(t, "nbs-tn1164/answers.csv").Each(t, func(t *testing.T, row checktable.Row) {
		name := row.Get(t, "name")
		v, ok := map[string]float64{"slope": l.Slope, "intercept": l.Intercept, "residual_sd": l.ResidualSD, "intercept_sd": l.InterceptSD, "slope_sd": l.SlopeSD}[name]
		if !ok {
			at, err := strconv.ParseFloat(name[len("fit_"):], 64)
			if err != nil {
				t.Fatal(err)
			}
			v = l.Intercept + l.Slope*at
		}
		if math.Abs(v-number(t, row, "value")) > halfLast(row.Get(t, "value")) {
			t.Errorf("%.10g, printed %s", v, row.Get(t, "value"))
		}
	})
}

// A sum of squares in one pass loses all digits this far from zero.
func TestFitFarFromZero(t *testing.T) {
	x, y := pairs(t, "nist-strd-norris/data.csv", "x", "y")
	near, err1 := Fit(x, y)
	for i := range x {
		x[i] += 1e8
		y[i] += 1e8
	}
	far, err2 := Fit(x, y)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	if math.Abs(far.Slope/near.Slope-1) > 1e-8 || math.Abs(far.ResidualSD/near.ResidualSD-1) > 1e-6 {
		t.Errorf("slope %v and %v, scatter %v and %v", near.Slope, far.Slope, near.ResidualSD, far.ResidualSD)
	}
}

func TestFitRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		x, y []float64
		want error
	}{
		"two points":  {[]float64{1, 2}, []float64{1, 2}, formula.ErrData},
		"one x":       {[]float64{2, 2, 2}, []float64{1, 2, 3}, formula.ErrData},
		"lengths":     {[]float64{1, 2, 3}, []float64{1, 2}, formula.ErrData},
		"no number":   {[]float64{1, 2, math.NaN()}, []float64{1, 2, 3}, formula.ErrRange},
		"no end":      {[]float64{1, 2, 3}, []float64{1, 2, math.Inf(1)}, formula.ErrRange},
		"nothing yet": {nil, nil, formula.ErrData},
	} {
		if _, err := Fit(c.x, c.y); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	flat, err := Fit([]float64{1, 2, 3}, []float64{5, 5, 5})
	if err != nil || flat.RSquared != 0 || flat.Correlation() != 0 {
		t.Fatalf("%+v, %v", flat, err)
	}
	if _, err := flat.Inverse(5, 1, quantity.MgPerL); !errors.Is(err, formula.ErrData) {
		t.Errorf("no slope: %v", err)
	}
	poor, err := Fit([]float64{1, 2, 3, 4}, []float64{5, 9, 4, 8})
	if err != nil {
		t.Fatal(err)
	}
	if p, err := poor.Inverse(6, 1, quantity.MgPerL); err != nil || !p.Value.Has(ShallowSlope) {
		t.Errorf("%+v, %v", p, err)
	}
	for name, err := range map[string]error{
		"x":          second(poor.At(math.NaN(), quantity.MgPerL)),
		"y":          second(poor.Inverse(math.Inf(1), 1, quantity.MgPerL)),
		"readings":   second(poor.Inverse(6, 0, quantity.MgPerL)),
		"future":     second(poor.Interval(2, 0, 0.95, quantity.MgPerL)),
		"confidence": second(poor.Interval(2, 1, 1, quantity.MgPerL)),
		"degrees":    second(StudentT(0.95, 0)),
	} {
		if !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func second[T any](_ T, err error) error { return err }

// A prediction and its inverse lead back; the uncertainty is least at the mean; it
// is that of intercept, slope and covariance; more readings make it no larger.
func TestLineProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-5, 5).Draw(t, "a"), rapid.Float64Range(0.5, 3).Draw(t, "b")
		var x, y []float64
		for i := range rapid.IntRange(3, 12).Draw(t, "points") {
			x = append(x, float64(i)*2+rapid.Float64Range(0, 1).Draw(t, "x"))
			y = append(y, a+b*x[i]+rapid.Float64Range(-0.2, 0.2).Draw(t, "scatter"))
		}
		l, err := Fit(x, y)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.Float64Range(0, 20).Draw(t, "at")
		p, err1 := l.At(at, quantity.MgPerL)
		back, err2 := l.Inverse(p.Value.Value, 2, quantity.MgPerL)
		more, err3 := l.Inverse(p.Value.Value, 20, quantity.MgPerL)
		mean, err4 := l.At(l.meanX, quantity.MgPerL)
		half, err5 := l.Interval(at, 1, 0.95, quantity.MgPerL)
		wider, err6 := l.Interval(at, 1, 0.99, quantity.MgPerL)
		if err := errors.Join(err1, err2, err3, err4, err5, err6); err != nil {
			t.Fatal(err)
		}
		if math.Abs(back.Value.Value-at) > 1e-7 {
			t.Fatalf("%v came back as %v", at, back.Value.Value)
		}
		byParts := l.InterceptSD*l.InterceptSD + at*at*l.SlopeSD*l.SlopeSD + 2*at*l.Covariance
		if math.Abs(p.Uncertainty.Value*p.Uncertainty.Value-byParts) > 1e-9*(1+l.InterceptSD*l.InterceptSD) {
			t.Fatalf("variance %v, by parts %v", p.Uncertainty.Value*p.Uncertainty.Value, byParts)
		}
		if p.Uncertainty.Value < mean.Uncertainty.Value-1e-12 || more.Uncertainty.Value > back.Uncertainty.Value || wider.Value < half.Value {
			t.Fatalf("at %v: %v, at the mean %v; 2 readings %v, 20 %v; 95 %% %v, 99 %% %v", at, p.Uncertainty.Value, mean.Uncertainty.Value, back.Uncertainty.Value, more.Uncertainty.Value, half.Value, wider.Value)
		}
	})
}
