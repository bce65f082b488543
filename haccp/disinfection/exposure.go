package disinfection

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/integrate"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// ErrNotBracketed is an exposure without a reading at or before its begin, or at
// or after its end.
var ErrNotBracketed = errors.New("no reading on both sides of the exposure")

// A Reading is the free chlorine of a bath at a moment.
type Reading struct {
	At     time.Time
	MgPerL float64 // MgPerL is free chlorine as Cl2 by volume; give 0 for "below" and the bound itself for "above".
}

// An Exposure is what the readings around a stay in a bath say of its Ct.
type Exposure struct {
	Trapezoid  formula.Result // Trapezoid takes the level to run straight from reading to reading, mg·min/L.
	Lowest     formula.Result // Lowest takes, between two readings, the lower of the two, mg·min/L.
	LongestGap time.Duration  // LongestGap is the longest time without a reading that the exposure touches.
	Readings   int            // Readings is how many were used, the bracketing ones with them.
}

// Ct works out the Ct of a stay in a bath from begin to end. Readings may come in
// any order; the last at or before begin, the first at or after end and all
// between are used, others are ignored. Of several at one moment the lowest counts.
//
// Levels are mg/L free chlorine, 0 to 20,000; the stay is at most 24 h. Both
// values are additive: the Ct of a stay is the sum of the Ct of its parts. Lowest
// never exceeds Trapezoid; both carry [BetweenTests] where time passes between
// readings. A stay without readings on both sides is [ErrNotBracketed]: nothing
// is taken to go on as it was.
//
// Source: cfr40-141-534 (CTcalc, concentration times time); the area under the
// readings by the trapezium rule.
func Ct(readings []Reading, begin, end time.Time) (Exposure, error) {
	if end.Before(begin) {
		return Exposure{}, contradiction("the exposure ends before it begins")
	}
	if err := formula.Within("exposure", end.Sub(begin).Minutes(), 0, 24*60, quantity.Minute); err != nil {
		return Exposure{}, err
	}
	used, err := bracket(readings, begin, end)
	if err != nil {
		return Exposure{}, err
	}
	out := Exposure{Readings: len(used)}
	lowest := 0.0
	for i := 1; i < len(used); i++ {
		a, b := used[i-1], used[i]
		minutes := overlap(a.At, b.At, begin, end).Minutes()
		lowest += math.Min(a.MgPerL, b.MgPerL) * minutes
		if minutes > 0 {
			out.LongestGap = max(out.LongestGap, b.At.Sub(a.At))
		}
	}
	var cautions []formula.Caution
	if end.After(begin) {
		cautions = append(cautions, formula.Caution{Code: BetweenTests})
	}
	out.Trapezoid = result(area(used, begin, end), MgMinPerL, CtTrapezoid, "cfr40-141-534", cautions...)
	out.Lowest = result(lowest, MgMinPerL, CtLowest, "cfr40-141-534", cautions...)
	return out, nil
}

// bracket returns the readings that bear on a span, in order of time.
func bracket(readings []Reading, begin, end time.Time) ([]Reading, error) {
	for _, r := range readings {
		if err := formula.Within("free chlorine", r.MgPerL, 0, 20000, quantity.MgPerL); err != nil {
			return nil, fmt.Errorf("reading of %s: %w", r.At.UTC().Format(time.RFC3339), err)
		}
	}
	sorted := slices.Clone(readings)
	slices.SortFunc(sorted, func(a, b Reading) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		switch {
		case a.MgPerL < b.MgPerL:
			return -1
		case a.MgPerL > b.MgPerL:
			return 1
		}
		return 0
	})
	sorted = slices.CompactFunc(sorted, func(a, b Reading) bool { return a.At.Equal(b.At) })
	first, last := -1, -1
	for i, r := range sorted {
		if !r.At.After(begin) {
			first = i
		}
		if last < 0 && !r.At.Before(end) {
			last = i
		}
	}
	switch {
	case first < 0:
		return nil, fmt.Errorf("%w: test the bath before product goes in (none at or before %s)", ErrNotBracketed, begin.UTC().Format(time.RFC3339))
	case last < 0:
		return nil, fmt.Errorf("%w: test the bath after product came out (none at or after %s)", ErrNotBracketed, end.UTC().Format(time.RFC3339))
	}
	return sorted[first : last+1], nil
}

// area is the trapezium rule over the span alone; the levels at its ends lie on
// the line between the readings around them.
func area(used []Reading, begin, end time.Time) float64 {
	if !end.After(begin) {
		return 0
	}
	var minutes, levels []float64
	add := func(at time.Time, level float64) {
		minutes = append(minutes, at.Sub(begin).Minutes())
		levels = append(levels, level)
	}
	add(begin, levelAt(used, begin))
	for _, r := range used {
		if r.At.After(begin) && r.At.Before(end) {
			add(r.At, r.MgPerL)
		}
	}
	add(end, levelAt(used, end))
	return integrate.Trapezoidal(minutes, levels)
}

func levelAt(used []Reading, at time.Time) float64 {
	for i, r := range used {
		if r.At.Before(at) {
			continue
		}
		if r.At.Equal(at) || i == 0 {
			return r.MgPerL
		}
		before := used[i-1]
		part := float64(at.Sub(before.At)) / float64(r.At.Sub(before.At))
		return before.MgPerL + part*(r.MgPerL-before.MgPerL)
	}
	return used[len(used)-1].MgPerL
}

// overlap is how much of a to b lies in begin to end.
func overlap(a, b, begin, end time.Time) time.Duration {
	if a.Before(begin) {
		a = begin
	}
	if b.After(end) {
		b = end
	}
	return max(b.Sub(a), 0)
}
