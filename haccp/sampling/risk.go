package sampling

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Process is how the true value is spread before it is measured, such as a
// normal or gamma law of gonum's distuv.
type Process interface {
	Prob(x float64) float64     // Prob is the density.
	CDF(x float64) float64      // CDF is the share at or below x.
	Quantile(p float64) float64 // Quantile is the inverse of CDF.
}

// A Span is an interval of values; an end that does not exist is an infinity.
type Span struct {
	Lower, Upper float64
}

// UpTo returns the span of an upper limit alone.
func UpTo(upper float64) Span { return Span{math.Inf(-1), upper} }

// A GlobalRisk is what inspection by measurement does in the long run: shares of
// all items, 0 to 1. (JCGM 106:2012, clause 9.5.)
type GlobalRisk struct {
	NonConforming float64 // NonConforming is the share outside the limits before inspection.
	FalseAccept   float64 // FalseAccept is the consumer's risk: outside, and accepted.
	FalseReject   float64 // FalseReject is the producer's risk: inside, and rejected.
	Accepted      float64
	// AmongAccepted is FalseAccept as a share of the accepted.
	AmongAccepted float64
}

// Risk returns the global risk of accepting what is measured inside a span of
// acceptance, with normal measurement error of standard uncertainty u above 0,
// where the limits are another span. All in one unit. It is numerical
// integration, good to about 1e-9.
func Risk(p Process, u float64, limits, acceptance Span) (GlobalRisk, error) {
	if err := positive("standard uncertainty", u); err != nil {
		return GlobalRisk{}, err
	}
	if !(limits.Lower < limits.Upper) || !(acceptance.Lower < acceptance.Upper) {
		return GlobalRisk{}, bad("limits %v, acceptance %v; the lower end below the upper one is wanted", limits, acceptance)
	}
	accepted := func(x float64) float64 {
		return distuv.UnitNormal.CDF((acceptance.Upper-x)/u) - distuv.UnitNormal.CDF((acceptance.Lower-x)/u)
	}
	var r GlobalRisk
	r.NonConforming = p.CDF(limits.Lower) + 1 - p.CDF(limits.Upper)
	cuts := panels(p, u, limits, acceptance)
	for i := 1; i < len(cuts); i++ {
		from, to := cuts[i-1], cuts[i]
		take := quad.Fixed(func(x float64) float64 { return p.Prob(x) * accepted(x) }, from, to, 40, nil, 0)
		r.Accepted += take
		if mid := (from + to) / 2; mid < limits.Lower || mid > limits.Upper {
			r.FalseAccept += take
			continue
		}
		r.FalseReject += quad.Fixed(func(x float64) float64 { return p.Prob(x) * (1 - accepted(x)) }, from, to, 40, nil, 0)
	}
	if r.Accepted > 0 {
		r.AmongAccepted = r.FalseAccept / r.Accepted
	}
	return r, nil
}

// panels cuts the range of the process at its quantiles and about the ends of
// both spans, so that a short rule is exact on each piece.
func panels(p Process, u float64, spans ...Span) []float64 {
	low, high := p.Quantile(1e-13), p.Quantile(1-1e-13)
	cuts := []float64{low, high}
	for q := 1; q < 20; q++ {
		cuts = append(cuts, p.Quantile(float64(q)/20))
	}
	for _, s := range spans {
		for _, end := range []float64{s.Lower, s.Upper} {
			for k := -8; k <= 8; k++ {
				if x := end + float64(k)*u; x > low && x < high {
					cuts = append(cuts, x)
				}
			}
		}
	}
	slices.Sort(cuts)
	return slices.Compact(cuts)
}

// UpperAcceptance returns the acceptance limit below an upper limit at which the
// consumer's risk is just the one asked for, above 0 and below the risk of
// accepting at the limit itself.
func UpperAcceptance(p Process, u, limit, consumersRisk float64) (float64, error) {
	at, err := Risk(p, u, UpTo(limit), UpTo(limit))
	if err != nil {
		return 0, err
	}
	if !(consumersRisk > 0 && consumersRisk < at.FalseAccept) {
		return 0, bad("consumer's risk %v; above 0 and below %.3g, that without a guard band, is wanted", consumersRisk, at.FalseAccept)
	}
	low, high := limit-40*u, limit
	for range 60 {
		mid := low + (high-low)/2
		r, err := Risk(p, u, UpTo(limit), UpTo(mid))
		if err != nil {
			return 0, err
		}
		if r.FalseAccept > consumersRisk {
			high = mid
		} else {
			low = mid
		}
	}
	return low, nil
}
