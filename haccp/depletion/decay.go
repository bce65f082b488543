package depletion

import (
	"fmt"
	"math"
)

// A Method says how a curve of two parameters was fitted. The methods weigh the
// readings differently and give different answers on purpose.
type Method string

// The methods.
const (
	LeastSquares Method = "least squares on the readings"
	Logarithms   Method = "straight line through the logarithms"
)

// A Decay is a first-order curve through readings, Start exp(-K t), or with
// [FitDemand] a demand Start (1 - exp(-K t)) that tends to Start.
type Decay struct {
	Method   Method
	Start    float64 // Start is the level at time 0 (the final demand with FitDemand), mg/L.
	StartSE  float64 // StartSE is its standard error.
	K        float64 // K is the rate per minute.
	KSE      float64 // KSE is its standard error.
	Cov      float64 // Cov is the covariance of Start and K.
	RSS      float64 // RSS is the residual sum of squares, (mg/L)^2 (of logarithms with Logarithms).
	SD       float64 // SD is the residual standard deviation, the root of RSS/DF.
	DF       int     // DF is the degrees of freedom, readings less 2.
	isDemand bool
}

// FitDecay fits Start exp(-K t) to readings by unweighted least squares. Three
// readings at different times are the least; a level that does not fall is
// refused with [NotFalling]. Unlike [Predict] it sets no reading aside.
func FitDecay(points []Point) (Decay, error) {
	return fitTwo(points, FirstOrder)
}

// FitDemand fits D (1 - exp(-K t)) to the demand exerted so far (what was lost
// since the addition, mg/L, in the field Free), the first-order demand equation.
// Least and refusals are those of [FitDecay], with a demand that does not rise.
func FitDemand(points []Point) (Decay, error) {
	return fitTwo(points, demand)
}

// FitLogarithms fits a straight line through the logarithms of the readings. A
// reading of zero or below has none: it is refused, never dropped.
func FitLogarithms(points []Point) (Decay, error) {
	s, err := twoSample(points)
	if err != nil {
		return Decay{}, err
	}
	for i, y := range s.y {
		if y <= 0 {
			return Decay{}, fmt.Errorf("%w: point %d is %v mg/L, which has no logarithm; fit by least squares", ErrInput, i+1, y)
		}
		s.y[i] = math.Log(y)
	}
	c := s.fit(Line)
	if !(c.b1 < 0) {
		return Decay{}, NotFalling
	}
	d := c.decay(Logarithms)
	d.Start, d.StartSE = math.Exp(c.b0), float64(math.Exp(c.b0)*c.stdErr([3]float64{0, 1, 0}))
	d.K, d.KSE = -c.b1/c.scale, c.stdErr([3]float64{1, 0, 0})/c.scale
	d.Cov = -float64(d.Start*c.covariance()) / c.scale
	return d, nil
}

func twoSample(points []Point) (*sample, error) {
	in := Input{Points: points}
	if err := in.check(); err != nil {
		return nil, err
	}
	s := &sample{clock: Minutes, perMin: 1}
	for _, p := range points {
		s.x, s.y = append(s.x, p.Minutes), append(s.y, p.Free)
	}
	if s.distinct() < 3 {
		return nil, TooFew
	}
	s.scale = s.x[len(s.x)-1]
	return s, nil
}

func fitTwo(points []Point, m Model) (Decay, error) {
	s, err := twoSample(points)
	if err != nil {
		return Decay{}, err
	}
	c := s.fit(m)
	if c.k == 0 || c.b1 <= 0 || !c.sound {
		return Decay{}, NotFalling
	}
	d := c.decay(LeastSquares)
	d.Start, d.K = c.b1, c.k/c.scale
	slope := [3]float64{0, 1, 0} // d k
	level := [3]float64{1, 0, 0} // d b1
	if m == demand {
		// The fit is in b1 = D k: D = b1/k.
		d.isDemand, d.Start = true, c.b1/c.k
		level = [3]float64{1 / c.k, -c.b1 / float64(c.k*c.k), 0}
	}
	d.StartSE, d.KSE = c.stdErr(level), c.stdErr(slope)/c.scale
	both := [3]float64{level[0], level[1] + slope[1], 0}
	sum := c.stdErr(both)
	scaled := float64(d.KSE * c.scale)
	d.Cov = (float64(sum*sum) - float64(d.StartSE*d.StartSE) - float64(scaled*scaled)) / (2 * c.scale)
	return d, nil
}

func (c *curve) decay(m Method) Decay {
	return Decay{Method: m, RSS: c.rss, DF: c.df, SD: math.Sqrt(c.s2)}
}

// covariance returns that of the two linear parameters of a line.
func (c *curve) covariance() float64 {
	a, b, both := c.stdErr([3]float64{1, 0, 0}), c.stdErr([3]float64{0, 1, 0}), c.stdErr([3]float64{1, 1, 0})
	return (float64(both*both) - float64(a*a) - float64(b*b)) / 2
}

// HalfLife returns ln 2 / K, minutes.
func (d *Decay) HalfLife() float64 { return math.Ln2 / d.K }

// Level returns the fitted value at minutes t and its standard uncertainty from
// the fit, with the covariance of the parameters; without it the uncertainty
// would come out too large far from zero.
func (d *Decay) Level(t float64) (level, u float64) {
	e := expNeg(float64(d.K * t))
	level = float64(d.Start * e)
	byStart, byK := e, float64(-t*level)
	if d.isDemand {
		level = float64(d.Start * (1 - e))
		byStart, byK = 1-e, float64(float64(d.Start*t)*e)
	}
	a, b := float64(byStart*d.StartSE), float64(byK*d.KSE)
	return level, math.Sqrt(float64(a*a) + float64(b*b) + float64(float64(2*byStart)*float64(byK*d.Cov)))
}

// TimeTo returns the minutes until the fitted level falls to one above zero and
// below Start, or [ErrInput].
func (d *Decay) TimeTo(level float64) (float64, error) {
	if d.isDemand || !(level > 0 && level <= d.Start) {
		return 0, fmt.Errorf("%w: the curve from %.4g mg/L down to zero never meets %v", ErrInput, d.Start, level)
	}
	return math.Log(d.Start/level) / d.K, nil
}

// Exposure returns the integral of the fitted level from one time to a later
// one, mg min/L.
func (d *Decay) Exposure(from, to float64) (float64, error) {
	if d.isDemand || !(from >= 0 && to >= from && to <= 1e9) {
		return 0, fmt.Errorf("%w: exposure from %v to %v min", ErrInput, from, to)
	}
	return float64(d.Start*(expNeg(float64(d.K*from))-expNeg(float64(d.K*to)))) / d.K, nil
}
