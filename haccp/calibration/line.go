package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Line is a straight line y = Intercept + Slope x fitted by least squares, with
// what is needed to say how well it predicts. x counts as exact; y has one and the
// same scatter everywhere.
type Line struct {
	Intercept, Slope     float64
	InterceptSD, SlopeSD float64 // standard uncertainties
	Covariance           float64 // of intercept and slope
	ResidualSD           float64
	RSquared             float64 // 0 where all y are one
	N, DF                int
	meanX, meanY, sxx    float64
	lowX, highX          float64
}

// Fit fits a line to three or more pairs with at least two different x. All
// values are finite. Two points make a line without any uncertainty and are refused.
//
// Source: jcgm-100-h3 (formulas of the example), nist-strd-norris (certified values).
func Fit(x, y []float64) (Line, error) {
	n := len(x)
	if n != len(y) {
		return Line{}, contradiction("%d values of x and %d of y", n, len(y))
	}
	if n < 3 {
		return Line{}, contradiction("%d points: three or more are wanted, for two say nothing of their uncertainty", n)
	}
	for i := range x {
		if math.IsNaN(x[i]) || math.IsInf(x[i], 0) || math.IsNaN(y[i]) || math.IsInf(y[i], 0) {
			return Line{}, fmt.Errorf("point %d: %w: not a number", i+1, formula.ErrRange)
		}
	}
	l := Line{N: n, DF: n - 2, lowX: floats.Min(x), highX: floats.Max(x)}
	if l.lowX == l.highX {
		return Line{}, contradiction("all x are %v: at least two different standards are wanted", l.lowX)
	}
	l.meanX, l.meanY = floats.Sum(x)/float64(n), floats.Sum(y)/float64(n)
	var sxy, syy, rss float64
	for i := range x {
		dx, dy := x[i]-l.meanX, y[i]-l.meanY
		l.sxx += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	l.Slope = sxy / l.sxx
	l.Intercept = l.meanY - l.Slope*l.meanX
	for i := range x {
		r := (y[i] - l.meanY) - l.Slope*(x[i]-l.meanX)
		rss += r * r
	}
	variance := rss / float64(l.DF)
	l.ResidualSD = math.Sqrt(variance)
	l.SlopeSD = math.Sqrt(variance / l.sxx)
	l.InterceptSD = math.Sqrt(variance * (1/float64(n) + l.meanX*l.meanX/l.sxx))
	l.Covariance = -l.meanX * variance / l.sxx
	if syy > 0 {
		l.RSquared = 1 - rss/syy
	}
	return l, nil
}

// Correlation returns the correlation of intercept and slope, -1 to 1; 0 for a line
// without scatter.
func (l Line) Correlation() float64 {
	if d := l.InterceptSD * l.SlopeSD; d > 0 {
		return l.Covariance / d
	}
	return 0
}

// A Prediction is a value with its standard uncertainty.
type Prediction struct{ Value, Uncertainty formula.Result }

// At predicts y at x, in a unit, with the standard uncertainty of the line there,
// the covariance of slope and intercept included. Beyond the fitted x it carries
// [formula.Extrapolated]. x is finite. Always [StandardsExact].
//
// Source: jcgm-100-h3.
func (l Line) At(x float64, unit quantity.Unit) (Prediction, error) {
	if err := formula.Within("x", x, -math.MaxFloat64, math.MaxFloat64, formula.One); err != nil {
		return Prediction{}, err
	}
	cautions := []formula.Caution{{Code: StandardsExact}}
	if x < l.lowX || x > l.highX {
		cautions = append(cautions, formula.Caution{Code: formula.Extrapolated})
	}
	return Prediction{
		Value:       result(l.Intercept+l.Slope*x, unit, LineFormula, "jcgm-100-h3", cautions...),
		Uncertainty: result(l.lineSD(x), unit, LineUFormula, "jcgm-100-h3", cautions...),
	}, nil
}

// lineSD is the root of u(a)^2 + x^2 u(b)^2 + 2 x cov(a, b), in the form that does
// not subtract large numbers.
func (l Line) lineSD(x float64) float64 {
	d := x - l.meanX
	return l.ResidualSD * math.Sqrt(1/float64(l.N)+d*d/l.sxx)
}

// Interval returns the half width, in a unit, of the interval in which the mean of
// so many future readings at x (1 or more) lies with a confidence (0.5 to 0.999),
// by Student's t. Beyond the fitted x it carries [formula.Extrapolated].
//
// Source: jcgm-100-h3 (variance of the line, with the scatter of the readings).
func (l Line) Interval(x float64, readings int, confidence float64, unit quantity.Unit) (formula.Result, error) {
	p, err := l.At(x, unit)
	if err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("readings", float64(readings), 1, 1e9, formula.One); err != nil {
		return formula.Result{}, err
	}
	t, err := StudentT(confidence, l.DF)
	if err != nil {
		return formula.Result{}, err
	}
	u := math.Hypot(p.Uncertainty.Value, l.ResidualSD/math.Sqrt(float64(readings)))
	return result(t*u, unit, LineUFormula, "jcgm-100-h3", p.Uncertainty.Cautions...), nil
}

// StudentT returns the factor for a two-sided interval of a confidence (0.5 to
// 0.999) with so many degrees of freedom (1 or more).
func StudentT(confidence float64, degrees int) (float64, error) {
	if err := formula.Within("confidence", confidence, 0.5, 0.999, formula.One); err != nil {
		return 0, err
	}
	if err := formula.Within("degrees of freedom", float64(degrees), 1, 1e9, formula.One); err != nil {
		return 0, err
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(degrees)}.Quantile((1 + confidence) / 2), nil
}

// shallow is the g of Fieller above which the simple uncertainty of an inverse
// prediction is no longer good enough; 0.05 is common practice, no source.
const shallow = 0.05

// Inverse returns the x, in a unit, at which the mean of so many readings (1 or
// more) is y, with its standard uncertainty: that of the readings and of the line.
// A line without slope has none ([formula.ErrData]). Beyond the fitted x it carries
// [formula.Extrapolated]; where the slope is uncertain, [ShallowSlope]. Always
// [StandardsExact].
//
// Source: nist-strd-norris (line); uncertainty s/b (1/m + 1/n + (y-mean y)^2/(b^2 Sxx))^(1/2),
// the usual first-order form, from memory.
func (l Line) Inverse(y float64, readings int, unit quantity.Unit) (Prediction, error) {
	if err := formula.Within("y", y, -math.MaxFloat64, math.MaxFloat64, formula.One); err != nil {
		return Prediction{}, err
	}
	if err := formula.Within("readings", float64(readings), 1, 1e9, formula.One); err != nil {
		return Prediction{}, err
	}
	if l.Slope == 0 {
		return Prediction{}, contradiction("the line has no slope: what is shown does not depend on the standard")
	}
	t, err := StudentT(0.95, l.DF)
	if err != nil {
		return Prediction{}, err
	}
	cautions := []formula.Caution{{Code: StandardsExact}}
	if g := t * l.SlopeSD / l.Slope; g*g > shallow {
		cautions = append(cautions, formula.Caution{Code: ShallowSlope})
	}
	d := (y - l.meanY) / l.Slope
	x := l.meanX + d
	if x < l.lowX || x > l.highX {
		cautions = append(cautions, formula.Caution{Code: formula.Extrapolated})
	}
	u := l.ResidualSD / math.Abs(l.Slope) * math.Sqrt(1/float64(readings)+1/float64(l.N)+d*d/l.sxx)
	return Prediction{
		Value:       result(x, unit, InverseFormula, "nist-strd-norris", cautions...),
		Uncertainty: result(u, unit, InverseUFormula, "nist-strd-norris", cautions...),
	}, nil
}
