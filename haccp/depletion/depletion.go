// Package depletion forecasts when the free chlorine of a wash bath, falling
// since the last addition, crosses a lower limit, from the readings since then.
//
// [Predict] promises: the same input gives the same result, bit for bit, on every
// processor Go compiles for. It uses only operations that IEEE 754 rounds
// correctly, its own exponential in place of the one the processor's library
// brings, and a float64 conversion around every product that is added to
// something, which by the language forbids a fused multiply-add. What leaves
// the package as a time is a whole minute, rounded to the earlier side.
//
// It never calls a forecast evidence: between two readings nothing is proved.
// A forecast is void across a stop, an addition, a part-replacement or a change
// of lot type; the caller gives only readings of one such stretch. Where the
// readings do not carry a forecast it gives a [Reason] and no figure.
//
// The law is first-order decay with an offset,
//
//	dC/dt = -k (C - offset),  C(t) = offset + (C0 - offset) exp(-k t).
//
// An offset above zero is chlorine the demand leaves over; an offset below zero
// is what leaf fed at a constant rate consumes on top (a demand q per minute
// gives offset -q/k); k towards zero is a straight line. Where the leaf washed
// since the addition is known, its mass takes the place of time. First-order
// and parallel constant demand are textbook kinetics (chlorine bulk decay in
// water); that they describe a given bath is for its own readings to show, and
// is tested here by their scatter. It does no I/O and keeps no state.
package depletion

import (
	"errors"
	"fmt"
	"math"
)

// The formula as recorded with a forecast. The version changes whenever any
// result may.
const (
	FormulaID      = "chlorine-depletion"
	FormulaVersion = 1
)

// MinPoints is how many readings at different times (or leaf masses) a forecast
// needs. Three parameters leave four readings one degree of freedom; fewer say
// nothing about their own scatter.
const MinPoints = 4

// MaxAhead is how far past the newest reading a forecast looks, in minutes,
// whatever the readings span.
const MaxAhead = 24 * 60

// ErrInput is an input no forecast is defined for: an unordered, negative or
// non-finite number.
var ErrInput = errors.New("bad input for a depletion forecast")

// A Reason says why there is no forecast. It is an error.
type Reason string

// The reasons.
const (
	// TooFew is fewer than MinPoints usable readings at different times.
	TooFew Reason = "too few readings since the last addition"
	// NotFalling is a level that does not fall over the readings.
	NotFalling Reason = "the readings do not fall"
	// TooScattered is a fall that does not stand out of the scatter at 97.5 %.
	TooScattered Reason = "the readings scatter too much"
	// NewestDoesNotFit is a newest reading that disagrees with all before it:
	// either it or the bath is not as believed, and only a new test can tell.
	NewestDoesNotFit Reason = "the newest reading does not fit the ones before"
)

// Error returns the reason in words.
func (r Reason) Error() string { return string(r) }

// A Point is one reading.
type Point struct {
	Minutes float64 // Minutes since the last addition, 0 or more, never falling from point to point.
	Free    float64 // Free chlorine in mg/L, 0 or more; a censored reading is not a point.
	Leaf    float64 // Leaf is kg washed since the last addition, where Input.LeafKnown.
}

// An Input is all a forecast rests on.
type Input struct {
	Points []Point
	// LeafKnown says that every point's Leaf is known. The clock is then kg of
	// leaf, if at least MinPoints differ in it; otherwise it is time.
	LeafKnown bool
	// LeafRate is the kg of leaf per minute to come. Zero takes the higher of the
	// mean rate over the points and the rate over the newest two that differ in time.
	LeafRate float64
	// Operating and Critical are lower limits in mg/L; zero is no such limit.
	Operating, Critical float64
	// Step is the smallest step of the method in mg/L, and Repeatability its
	// standard deviation in mg/L; zero where not known. Readings that agree
	// better than these are not believed to be better.
	Step, Repeatability float64
}

// A Model is the form of the curve that was fitted.
type Model string

// The models.
const (
	Line       Model = "line"                   // constant demand: C0 - slope t
	FirstOrder Model = "first order"            // C0 exp(-k t)
	Offset     Model = "first order and offset" // three parameters
)

// A Clock is what the demand is counted in.
type Clock string

// The clocks.
const (
	Minutes Clock = "minutes"
	Leaf    Clock = "kg of leaf"
)

// A State says what is forecast about one limit.
type State string

// The states.
const (
	NoLimit  State = ""         // the input has no such limit
	Below    State = "below"    // the fitted level at the newest reading is at or below the limit
	Ahead    State = "ahead"    // the crossing is expected inside the horizon
	Possible State = "possible" // only the early end of the interval is inside the horizon
	Beyond   State = "beyond"   // not even that
)

// A Crossing is the forecast for one limit, in whole minutes since the last
// addition, each rounded down. Earliest and Latest are the ends of a two-sided
// 95 % interval for the crossing of the mean level (not of a single reading).
type Crossing struct {
	State    State
	Earliest int // Earliest is 0 where State is NoLimit or Beyond; never before the newest reading.
	Expected int // Expected is 0 unless State is Below or Ahead.
	Latest   int // Latest is 0 where it lies past the horizon.
}

// A Forecast is the result.
type Forecast struct {
	Model    Model
	Clock    Clock
	Start    float64 // Start is the fitted level at the last addition, mg/L.
	K        float64 // K is the rate per minute or per kg; 0 for a line.
	Offset   float64 // Offset is the level the curve tends to, mg/L; 0 for a line or first order.
	SD       float64 // SD is the residual standard deviation, mg/L, as used for the interval.
	Used     int     // Used is the number of readings fitted.
	SetAside int     // SetAside is the index of the one reading left out as not fitting, or -1.
	Newest   float64 // Newest is the time of the newest reading, minutes since the last addition.
	Horizon  int     // Horizon is the last minute looked at.

	Operating, Critical Crossing
}

// Predict fits the readings since the last addition and forecasts the crossing
// of the limits. The error is a [Reason] or wraps [ErrInput].
//
// One reading that does not fit the rest (outlier test on the deleted residual,
// two-sided 1 %, Bonferroni over the readings) is set aside where there are five
// or more, and named in the result. A line and a first-order curve are both kept
// unless the fit with offset is significantly better (F test, 1 %), since few
// readings cannot tell them apart and they part in extrapolation: the interval
// begins with the earliest of those kept, to which the fit with offset belongs
// once one of the others is ruled out, and ends with the latest of all three.
// The horizon is twice the time from first to newest reading past the newest, at
// most MaxAhead. In simulated baths of four laws and 4 to 20 readings, 97 % or
// more of the intervals began before the true crossing and 95 % or more held it.
func Predict(in Input) (Forecast, error) {
	if err := in.check(); err != nil {
		return Forecast{}, err
	}
	s, err := newSample(in)
	if err != nil {
		return Forecast{}, err
	}
	aside := s.oddOne()
	if aside == len(in.Points)-1 {
		return Forecast{}, NewestDoesNotFit
	}
	if aside >= 0 {
		s = s.without(aside)
	}
	if s.distinct() < MinPoints {
		return Forecast{}, TooFew
	}
	fits, early := s.candidates()
	if early == 0 {
		return Forecast{}, TooFew
	}
	best := &fits[0]
	fall, se := best.fall(s.x[0], s.x[len(s.x)-1])
	switch {
	case fall <= 0:
		return Forecast{}, NotFalling
	case fall <= float64(t975(best.df)*se):
		return Forecast{}, TooScattered
	}
	f := best.forecast()
	f.Clock, f.Used, f.SetAside = s.clock, len(s.x), aside
	f.Newest, f.Horizon = s.newest, s.horizon()
	f.Operating = cross(fits, early, s, f.Horizon, in.Operating)
	f.Critical = cross(fits, early, s, f.Horizon, in.Critical)
	return f, nil
}

// NextTest returns the minute since the last addition by which the bath should
// be tested again, before it may cross the limit it reaches first, or false
// where no crossing is in sight. It may only bring a scheduled test forward.
// Where the interval reaches back to the newest reading, it is half way
// from there to the expected crossing or the horizon: a test at once would only repeat that reading (our choice, no source).
func (f *Forecast) NextTest() (minute int, ok bool) {
	for _, c := range []Crossing{f.Operating, f.Critical} {
		m := c.Earliest
		switch {
		case c.State == NoLimit || c.State == Beyond:
			continue
		case c.State == Ahead && float64(m) <= f.Newest:
			m = int(math.Floor((f.Newest + float64(c.Expected)) / 2))
		case c.State == Possible && float64(m) <= f.Newest:
			m = int(math.Floor((f.Newest + float64(f.Horizon)) / 2))
		}
		if !ok || m < minute {
			minute, ok = m, true
		}
	}
	return minute, ok
}

func (in *Input) check() error {
	for _, given := range []struct {
		name  string
		value float64
	}{
		{"operating limit", in.Operating}, {"critical limit", in.Critical}, {"leaf rate", in.LeafRate},
		{"step", in.Step}, {"repeatability", in.Repeatability},
	} {
		if !finite(given.value) {
			return fmt.Errorf("%w: %s %v is not a number from 0 to 1e9", ErrInput, given.name, given.value)
		}
	}
	for i, p := range in.Points {
		switch {
		case !finite(p.Minutes) || !finite(p.Free) || in.LeafKnown && !finite(p.Leaf):
			return fmt.Errorf("%w: point %d %+v: minutes, free chlorine and leaf are numbers from 0 to 1e9", ErrInput, i+1, p)
		case i > 0 && p.Minutes < in.Points[i-1].Minutes:
			return fmt.Errorf("%w: point %d at %v min comes before point %d", ErrInput, i+1, p.Minutes, i)
		case i > 0 && in.LeafKnown && p.Leaf < in.Points[i-1].Leaf:
			return fmt.Errorf("%w: point %d has less leaf washed than point %d", ErrInput, i+1, i)
		}
	}
	return nil
}

// finite reports whether v is a number of 0 or more and below any overflow here.
func finite(v float64) bool { return v >= 0 && v <= 1e9 }
