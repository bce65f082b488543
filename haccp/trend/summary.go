package trend

import "math"

// Moments is a running summary of a series: count, mean, standard deviation and
// ends. The zero value is an empty series. It updates mean and squares about
// the mean (Welford 1962), never a sum of squares, which loses everything where
// the mean is large against the scatter.
type Moments struct {
	n              int
	mean, m2       float64
	lowest, higher float64
}

// Add takes one more value, a finite number.
func (m *Moments) Add(x float64) error {
	if err := number("value", x); err != nil {
		return err
	}
	m.n++
	d := x - m.mean
	m.mean += d / float64(m.n)
	m.m2 += d * (x - m.mean)
	if m.n == 1 {
		m.lowest, m.higher = x, x
	}
	m.lowest, m.higher = math.Min(m.lowest, x), math.Max(m.higher, x)
	return nil
}

// Summary returns the figures so far.
func (m *Moments) Summary() Summary {
	s := Summary{N: m.n, Mean: m.mean, Min: m.lowest, Max: m.higher}
	if m.n > 1 {
		s.SD = math.Sqrt(m.m2 / float64(m.n-1))
	}
	return s
}

// A Summary describes a series, in its unit.
type Summary struct {
	N             int
	Mean          float64
	SD            float64 // SD is the sample standard deviation (n-1); 0 with fewer than two values.
	Min, Max      float64
	Lag1          float64 // Lag1 is the lag-1 autocorrelation, only where HasLag1.
	HasLag1       bool
	MovingRange   float64 // MovingRange is the mean of |x[i] - x[i-1]|, only where N is 2 or more.
	MovingRangeSD float64 // MovingRangeSD is MovingRange / d2(2): sigma from point to point.
}

// Summarize returns the figures of a series of one value or more, in two passes:
// mean, then squares about it with the correction for the mean's own rounding
// (Chan, Golub and LeVeque 1983). The lag-1 autocorrelation is
// sum (x[t]-m)(x[t-1]-m) / sum (x[t]-m)^2, as in the NIST reference data sets;
// a constant series has none.
func Summarize(x []float64) (Summary, error) {
	if err := series(x, 1); err != nil {
		return Summary{}, err
	}
	s := Summary{N: len(x), Min: x[0], Max: x[0]}
	for i, v := range x {
		s.Mean += (v - s.Mean) / float64(i+1)
		s.Min, s.Max = math.Min(s.Min, v), math.Max(s.Max, v)
	}
	rest := 0.0
	for _, v := range x {
		rest += v - s.Mean
	}
	s.Mean += rest / float64(len(x))
	sum, squares, lagged, ranges := 0.0, 0.0, 0.0, 0.0
	for i, v := range x {
		d := v - s.Mean
		sum += d
		squares += d * d
		if i > 0 {
			lagged += d * (x[i-1] - s.Mean)
			ranges += math.Abs(v - x[i-1])
		}
	}
	squares -= sum * sum / float64(len(x))
	if len(x) > 1 {
		s.SD = math.Sqrt(math.Max(squares, 0) / float64(len(x)-1))
		s.MovingRange = ranges / float64(len(x)-1)
		s.MovingRangeSD = s.MovingRange / rangeMean2
		if squares > 0 {
			s.Lag1, s.HasLag1 = lagged/squares, true
		}
	}
	return s, nil
}
