package trend

import "math"

// A LimitForm says which limits an EWMA chart draws. They differ for the first
// points: with lambda 0.3 and asymptotic limits at 3, a first point must lie
// 4.2 sigma out to signal, with time-varying ones 3.
type LimitForm string

// The forms.
const (
	Asymptotic  LimitForm = "asymptotic limits"
	TimeVarying LimitForm = "time-varying limits"
)

// EWMA is a chart of the exponentially weighted moving average
// e[t] = lambda x[t] + (1-lambda) e[t-1], e[0] the centre.
// (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4.)
type EWMA struct {
	form                   LimitForm
	lambda, centre         float64
	value, half, decay, kk float64
}

// An EWMAPoint is the average after one value with the limits at that point.
type EWMAPoint struct {
	Value, Lower, Upper float64
	Signal              bool // Signal says that Value lies beyond a limit; on it is inside.
}

// NewEWMA returns an empty chart: centre and sigma of the process (sigma above
// 0), lambda above 0 and at most 1 (1 is a Shewhart chart), width in sigmas of
// the average, above 0 (2.7 to 3 in use).
func NewEWMA(form LimitForm, centre, sigma, lambda, width float64) (*EWMA, error) {
	for _, err := range []error{number("centre", centre), positive("sigma", sigma), positive("width", width), positive("lambda", lambda)} {
		if err != nil {
			return nil, err
		}
	}
	if lambda > 1 {
		return nil, bad("lambda is %v; above 0 and at most 1 is wanted", lambda)
	}
	if form != Asymptotic && form != TimeVarying {
		return nil, bad("form of limits %q; %q or %q", form, Asymptotic, TimeVarying)
	}
	return &EWMA{
		form: form, lambda: lambda, centre: centre, value: centre, decay: 1,
		half: width * sigma * math.Sqrt(lambda/(2-lambda)), kk: (1 - lambda) * (1 - lambda),
	}, nil
}

// Form returns which limits are drawn.
func (e *EWMA) Form() LimitForm { return e.form }

// Add takes the next value, a finite number.
func (e *EWMA) Add(x float64) (EWMAPoint, error) {
	if err := number("value", x); err != nil {
		return EWMAPoint{}, err
	}
	e.value += e.lambda * (x - e.value)
	half := e.half
	if e.form == TimeVarying && e.decay > 0 {
		e.decay *= e.kk
		if e.decay < 1e-300 {
			e.decay = 0
		}
		half *= math.Sqrt(1 - e.decay)
	}
	p := EWMAPoint{Value: e.value, Lower: e.centre - half, Upper: e.centre + half}
	p.Signal = p.Value > p.Upper || p.Value < p.Lower
	return p, nil
}
