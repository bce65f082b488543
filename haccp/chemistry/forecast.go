package chemistry

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/depletion"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Forecast is what the readings of a bath since its last addition say about the time to come, as recorded with
// the newest of them. It is never evidence of control.
type Forecast struct {
	Crossings []Crossing `json:"crossings,omitempty"` // operating limit first
	Formula   string     `json:"formula"`             // id and version, such as "chlorine-depletion/1"
	N         int        `json:"n"`                   // readings it rests on
	Reason    string     `json:"reason,omitempty"`    // code why there is none
	Since     time.Time  `json:"since,omitzero"`      // the addition, filling or start it counts from
	Test      time.Time  `json:"test,omitzero"`       // the next test is due then, earlier than the schedule wants it
}

// Crossing says when the free chlorine is expected to fall below the lower bound of a limit.
type Crossing struct {
	Bound    plan.Amount    `json:"bound"`
	Earliest time.Time      `json:"earliest,omitzero"` // early end of a 95 % interval
	Expected time.Time      `json:"expected,omitzero"`
	Kind     plan.LimitKind `json:"kind"`
	Latest   time.Time      `json:"latest,omitzero"`
	State    string         `json:"state"` // below, ahead, possible, beyond
}

// Why there is no forecast: the codes of Forecast.Reason.
const (
	ReasonTooFew      = "too-few"       // fewer readings than a forecast needs
	ReasonNotFalling  = "not-falling"   // the chlorine does not fall
	ReasonTooScatter  = "too-scattered" // the fall does not stand out of the scatter
	ReasonNewestOdd   = "newest-odd"    // the newest reading does not fit those before
	ReasonLineStopped = "line-stopped"  // the line does not run: a forecast does not hold across a stop
	ReasonNoNumber    = "no-number"     // the newest chlorine was read below or over range, or as a band
	ReasonBadInput    = "bad-input"     // a value no forecast is defined for
)

var reasons = map[depletion.Reason]string{depletion.TooFew: ReasonTooFew, depletion.NotFalling: ReasonNotFalling,
	depletion.TooScattered: ReasonTooScatter, depletion.NewestDoesNotFit: ReasonNewestOdd}

// Level is one reading of the free chlorine of a bath, in mg/L.
type Level struct {
	At   time.Time
	Free float64
}

// ForecastFormula names the formula and version of a forecast made now, as recorded.
func ForecastFormula() string {
	return fmt.Sprintf("%s/%d", depletion.FormulaID, depletion.FormulaVersion)
}

// None is a forecast that could not be made.
func None(reason string, since time.Time, n int) *Forecast {
	return &Forecast{Formula: ForecastFormula(), Since: since, Reason: reason, N: n}
}

// Predict forecasts when the level of a bath crosses the lower bounds of limits on free chlorine, from readings in
// order of time since an addition; step is the smallest step of the method in mg/L, 0 where not known. Test is
// set where the forecast wants a test after the newest reading and before scheduled (zero: nothing is
// scheduled); it never puts one back.
func Predict(since time.Time, levels []Level, limits []*plan.Limit, step float64, scheduled time.Time) *Forecast {
	in := depletion.Input{Step: step}
	for _, x := range levels {
		in.Points = append(in.Points, depletion.Point{Minutes: x.At.Sub(since).Minutes(), Free: x.Free})
	}
	operating, critical := highest(limits, plan.Operating), highest(limits, plan.Critical)
	in.Operating, in.Critical = bound(operating), bound(critical)
	f, err := depletion.Predict(in)
	if err != nil {
		reason := ReasonBadInput
		if r, ok := errors.AsType[depletion.Reason](err); ok {
			reason = reasons[r]
		}
		return None(reason, since, len(levels))
	}
	out := &Forecast{Formula: ForecastFormula(), Since: since, N: f.Used}
	out.add(operating, plan.Operating, f.Operating)
	out.add(critical, plan.Critical, f.Critical)
	if minute, ok := f.NextTest(); ok {
		test := out.minute(minute)
		if test.After(levels[len(levels)-1].At) && (scheduled.IsZero() || test.Before(scheduled)) {
			out.Test = test
		}
	}
	return out
}

// minute is a whole minute since the addition as a time.
func (f *Forecast) minute(n int) time.Time { return f.Since.Add(time.Duration(n) * time.Minute) }

func (f *Forecast) add(limit *plan.Amount, kind plan.LimitKind, c depletion.Crossing) {
	if limit == nil || c.State == depletion.NoLimit {
		return
	}
	x := Crossing{Bound: *limit, Kind: kind, State: string(c.State)}
	for _, end := range []struct {
		minute int
		into   *time.Time
	}{{c.Earliest, &x.Earliest}, {c.Expected, &x.Expected}, {c.Latest, &x.Latest}} {
		if end.minute > 0 {
			*end.into = f.minute(end.minute)
		}
	}
	f.Crossings = append(f.Crossings, x)
}

// highest gives the highest lower bound of a kind on free chlorine, nil where there is none.
func highest(limits []*plan.Limit, kind plan.LimitKind) *plan.Amount {
	var out *plan.Amount
	for _, l := range limits {
		if l.Kind == kind && l.Quantity == string(quantity.FreeChlorine) && l.Min != nil && (out == nil || bound(l.Min) > bound(out)) {
			out = l.Min
		}
	}
	return out
}

// bound is a bound of a plan, which is in mg/L.
func bound(a *plan.Amount) float64 {
	if a == nil {
		return 0
	}
	return a.Value.Float64()
}

// Forecasts reports whether a check asks for a forecast.
func Forecasts(c *plan.Check) bool {
	return slices.ContainsFunc(c.Measures, func(m plan.Measure) bool { return m.Forecast })
}
