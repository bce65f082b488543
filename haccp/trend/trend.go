// Package trend holds the arithmetic of control charts and trends: summary
// statistics, individuals and moving-range charts, charts of counts and shares,
// EWMA, tabular CUSUM, the runs rules of Western Electric and of Nelson, process
// capability with intervals, and rank tests for a trend.
//
// What charts draw is fed point by point and keeps a fixed state: [Moments],
// [EWMA], [CUSUM] and [Rules] allocate nothing per point. What needs the whole
// series takes a slice and leaves it as it was. Values carry whatever unit the
// series has, one unit per series; sigma is in that unit.
//
// It never returns a number for an input outside a formula's range: it returns
// an error that says what is wanted. A chart's limits come from the process, a
// plan's limits from its hazard analysis: a point inside the chart is no
// evidence that a limit holds. It does no I/O and knows no clock.
package trend

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is an input outside a formula's range; the text says which.
var ErrInput = errors.New("outside the range of the formula")

func bad(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrInput, fmt.Sprintf(format, args...))
}

// number refuses what is no finite number.
func number(name string, v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return bad("%s is %v; a finite number is wanted", name, v)
	}
	return nil
}

// positive refuses what is not a finite number above zero.
func positive(name string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) {
		return bad("%s is %v; a number above 0 is wanted", name, v)
	}
	return nil
}

// series refuses a series that is short or holds what is no number.
func series(x []float64, least int) error {
	if len(x) < least {
		return bad("%d values; at least %d are wanted", len(x), least)
	}
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return bad("value %d is %v; a finite number is wanted", i+1, v)
		}
	}
	return nil
}
