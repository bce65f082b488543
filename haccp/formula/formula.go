// Package formula holds what every calculation of the trade gives back: one
// value with its unit, the formula and version that made it, where that formula
// is published, and the cautions it carries; and the error for an input outside
// the range in which the formula holds.
//
// The arithmetic itself stands in the packages that use this one.
package formula

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"linewarden/haccp/quantity"
)

// Units of results that no measured quantity has.
const (
	Percent   quantity.Unit = "%"
	One       quantity.Unit = "1" // One is a plain number: a ratio, a pKa, a relative density.
	MolPerL   quantity.Unit = "mol/L"
	KgPerM3   quantity.Unit = "kg/m3"
	MgPerKg   quantity.Unit = "mg/kg"
	GramPerKg quantity.Unit = "g/kg"
	PerMolS   quantity.Unit = "L/(mol s)"
	Day       quantity.Unit = "d"
)

// An ID names a formula in records, such as "hocl-morris". With its version it
// says for ever how a stored value was made: a formula that is corrected gets
// the next version.
type ID string

// A Code names a caution, such as "chlorine-gas"; its words stand elsewhere, in
// each language.
type Code string

// Extrapolated marks a value worked out beyond the range that was measured but
// inside the range in which the formula is still given.
const Extrapolated Code = "extrapolated"

// Unconfirmed marks a value that rests on figures from memory, not read in print.
const Unconfirmed Code = "unconfirmed"

// A Caution is shown beside a value.
type Caution struct {
	Code Code
	// Unusable says that the value may be shown, never used: no limit is judged
	// by it and nothing is dosed by it.
	Unusable bool
}

// A Result is what a formula gives.
type Result struct {
	Value    float64
	Unit     quantity.Unit
	Formula  ID
	Version  int
	Source   string    // Source is the key of the published source.
	Cautions []Caution // Cautions stand in the order in which they are shown, each code once.
}

// Usable tells whether no caution forbids to use the value.
func (r Result) Usable() bool {
	return !slices.ContainsFunc(r.Cautions, func(c Caution) bool { return c.Unusable })
}

// Has tells whether the result carries a caution.
func (r Result) Has(code Code) bool {
	return slices.ContainsFunc(r.Cautions, func(c Caution) bool { return c.Code == code })
}

// Kinds of error, to be asked for with errors.Is.
var (
	// ErrRange is an input outside the range in which the formula holds.
	ErrRange = errors.New("outside the range of the formula")
	// ErrData is a set of inputs that cannot all be true of one sample.
	ErrData = errors.New("the values contradict each other")
)

// A RangeError says which input lies outside which range.
type RangeError struct {
	Input     string // Input is the name of the argument, such as "ph".
	Value     float64
	Low, High float64
	Unit      quantity.Unit
}

// Error names the input, its value and its range.
func (e *RangeError) Error() string {
	unit := " " + string(e.Unit)
	if e.Unit == One || e.Unit == quantity.PHUnit || e.Unit == "" {
		unit = ""
	}
	wanted := short(e.Low) + " to " + short(e.High)
	if e.Low == math.SmallestNonzeroFloat64 {
		wanted = "more than 0"
	}
	return fmt.Sprintf("%s %s%s is %v: %s is wanted", e.Input, short(e.Value), unit, ErrRange, wanted)
}

// Unwrap returns [ErrRange].
func (e *RangeError) Unwrap() error { return ErrRange }

// Within returns a [RangeError] unless low <= v <= high. A value that is no
// number lies in no range.
func Within(input string, v, low, high float64, unit quantity.Unit) error {
	if v >= low && v <= high {
		return nil
	}
	return &RangeError{Input: input, Value: v, Low: low, High: high, Unit: unit}
}

// Positive returns a [RangeError] unless v is finite and above 0.
func Positive(input string, v float64, unit quantity.Unit) error {
	if v > 0 && !math.IsInf(v, 1) {
		return nil
	}
	return &RangeError{Input: input, Value: v, Low: math.SmallestNonzeroFloat64, High: math.MaxFloat64, Unit: unit}
}

func short(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
