// Package sampling decides from samples and from uncertain measurements: two-
// and three-class attribute plans with their probability of acceptance, sample
// sizes for a stated confidence, the decision on a lot from its results, and
// decision rules with measurement uncertainty (JCGM 106, ILAC-G8).
//
// What decides (a result against m or M, a measurement against a limit) is
// compared in decimal as written, inclusive at the limit; probabilities are
// float64. A result that may lie on either side of a limit ("<1000" against
// 100), or that is missing, gives no verdict unless the others settle it.
//
// Attribute sampling finds a bad lot only with the probability stated: a lot it
// accepts is not shown to be free of anything. The package does no I/O and keeps
// no state. The words pass and fail are those of ILAC-G8 for one result against
// one limit; a lot is accepted or rejected under its plan, nothing more.
package sampling

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

// share refuses what is not a share from 0 to 1.
func share(name string, p float64) error {
	if !(p >= 0 && p <= 1) {
		return bad("%s is %v; a share from 0 to 1 is wanted", name, p)
	}
	return nil
}

// inside refuses what is not above 0 and below 1.
func inside(name string, p float64) error {
	if !(p > 0 && p < 1) {
		return bad("%s is %v; above 0 and below 1 is wanted", name, p)
	}
	return nil
}

// positive refuses what is not a finite number above 0.
func positive(name string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) {
		return bad("%s is %v; a number above 0 is wanted", name, v)
	}
	return nil
}
