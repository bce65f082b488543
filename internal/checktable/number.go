package checktable

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// Number reads a column as a number and fails the test when it is none.
func (r Row) Number(tb testing.TB, column string) float64 {
	tb.Helper()
	v, err := strconv.ParseFloat(r.Get(tb, column), 64)
	if err != nil {
		tb.Fatalf("column %s: %v", column, err)
	}
	return v
}

// HalfDigit returns half of the last digit of a column's number as printed: what
// rounding may take. An exponent counts: half a digit of 9.88e-05 is 5e-08.
func (r Row) HalfDigit(tb testing.TB, column string) float64 {
	tb.Helper()
	printed := strings.ToLower(r.Get(tb, column))
	mantissa, power, _ := strings.Cut(printed, "e")
	exponent := 0
	if power != "" {
		var err error
		if exponent, err = strconv.Atoi(power); err != nil {
			tb.Fatalf("column %s: %v", column, err)
		}
	}
	_, decimals, _ := strings.Cut(mantissa, ".")
	// A value that lies exactly on the half is not to fail on binary rounding.
	return (0.5 + 1e-7) * math.Pow10(exponent-len(decimals))
}

// Near fails the test when got is further from the published want than tolerance,
// or no number.
func Near(tb testing.TB, what string, got, want, tolerance float64) {
	tb.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		tb.Errorf("%s is %v, published is %v, tolerance %v", what, got, want, tolerance)
	}
}
