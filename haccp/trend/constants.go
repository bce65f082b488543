package trend

import "math"

// rangeMean2 is d2 for two values, 2/sqrt(pi) = 1.128379; tables print 1.128.
var rangeMean2 = 2 / math.Sqrt(math.Pi)

// Constants are the factors of charts for samples of n from a normal process:
// the mean range is D2 sigma, its standard deviation D3 sigma, the mean standard
// deviation C4 sigma; the others follow for limits at three sigma.
type Constants struct {
	N                     int
	D2, D3, C4            float64 // D3 is the small d3; the factor of the lower range limit is RangeLow.
	A2, A3                float64
	RangeLow, RangeHigh   float64 // RangeLow and RangeHigh are the factors tables call D3 and D4.
	SpreadLow, SpreadHigh float64 // SpreadLow and SpreadHigh are the factors tables call B3 and B4.
	E2                    float64 // E2 is 3/D2, for individuals from mean ranges.
}

// relativeRange holds d2 and d3 for n of 2 to 10, by numerical integration of
// the distribution of the range of normal values.
// src: chart-constants d2 and d3
var relativeRange = [...][2]float64{
	{1.1283791671, 0.8525024664}, {1.6925687506, 0.8883680040}, {2.0587507460, 0.8798082028},
	{2.3259289473, 0.8640819411}, {2.5344127212, 0.8480396861}, {2.7043567512, 0.8332053356},
	{2.8472006121, 0.8198314899}, {2.9700263244, 0.8078342746}, {3.0775054617, 0.7970506735},
}

// ChartConstants returns the factors for samples of n, 2 to 10.
func ChartConstants(n int) (Constants, error) {
	if n < 2 || n > len(relativeRange)+1 {
		return Constants{}, bad("samples of %d; 2 to %d are tabled", n, len(relativeRange)+1)
	}
	c := Constants{N: n, D2: relativeRange[n-2][0], D3: relativeRange[n-2][1], C4: c4(n)}
	root := math.Sqrt(float64(n))
	c.A2, c.A3, c.E2 = 3/(c.D2*root), 3/(c.C4*root), 3/c.D2
	c.RangeLow, c.RangeHigh = math.Max(0, 1-3*c.D3/c.D2), 1+3*c.D3/c.D2
	spread := 3 * math.Sqrt(1-c.C4*c.C4) / c.C4
	c.SpreadLow, c.SpreadHigh = math.Max(0, 1-spread), 1+spread
	return c, nil
}

// c4 is sqrt(2/(n-1)) gamma(n/2)/gamma((n-1)/2), for n of 2 or more.
func c4(n int) float64 {
	a, _ := math.Lgamma(float64(n) / 2)
	b, _ := math.Lgamma(float64(n-1) / 2)
	return math.Sqrt(2/float64(n-1)) * math.Exp(a-b)
}
