package trend

import (
	"math"
)

// CUSUM is a tabular cumulative-sum chart, both sides.
// (Page 1954; Lucas and Crosier 1982; NIST/SEMATECH e-Handbook 6.3.2.3.)
type CUSUM struct {
	target, k, h float64
	high, low    float64
}

// A CUSUMPoint is both sums after one value, in the unit of the series.
type CUSUMPoint struct {
	High, Low   float64
	AboveSignal bool // AboveSignal says that High exceeds the decision interval.
	BelowSignal bool // BelowSignal says the same of Low.
}

// NewCUSUM returns an empty chart in the unit of the series: slack k of 0 or
// more (half the shift to find), decision interval h above 0, head start of 0 up
// to h on both sides (h/2 answers faster after a correction). For k and h in
// sigmas use [NewCUSUMSigmas]; the two are never mixed.
func NewCUSUM(target, k, h, headStart float64) (*CUSUM, error) {
	for _, err := range []error{number("target", target), number("k", k), positive("h", h), number("head start", headStart)} {
		if err != nil {
			return nil, err
		}
	}
	if k < 0 || headStart < 0 || headStart > h {
		return nil, bad("k is %v and the head start %v; k of 0 or more and a head start from 0 to h are wanted", k, headStart)
	}
	return &CUSUM{target: target, k: k, h: h, high: headStart, low: headStart}, nil
}

// NewCUSUMSigmas returns an empty chart from k, h and head start in sigmas of a
// single value, and sigma, above 0, in the unit of the series.
func NewCUSUMSigmas(target, sigma, k, h, headStart float64) (*CUSUM, error) {
	if err := positive("sigma", sigma); err != nil {
		return nil, err
	}
	return NewCUSUM(target, k*sigma, h*sigma, headStart*sigma)
}

// Add takes the next value, a finite number. The sums go on after a signal; a
// chart is begun anew after a correction.
func (c *CUSUM) Add(x float64) (CUSUMPoint, error) {
	if err := number("value", x); err != nil {
		return CUSUMPoint{}, err
	}
	c.high = math.Max(0, c.high+x-c.target-c.k)
	c.low = math.Max(0, c.low+c.target-c.k-x)
	return CUSUMPoint{High: c.high, Low: c.low, AboveSignal: c.high > c.h, BelowSignal: c.low > c.h}, nil
}
