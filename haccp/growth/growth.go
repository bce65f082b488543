// Package growth holds the arithmetic of time and temperature between cutting and
// chilling: elapsed time, the time spent above a threshold as readings around it
// show, the published hours for raw, ready-to-eat product, and an estimate of
// growth by a square-root model.
//
// Between two readings the warmer of the two is taken to hold, so that times above
// a threshold are upper bounds. The published hours are looked up, never
// interpolated: their source says that straight lines between them may not be
// right, growth being logarithmic.
//
// The figures were published for fish and for leafy greens, not for cut leaf gel.
// They are aids: whether the product is acid, and what time it may spend warm, the
// plant's process authority and the competent authority decide.
package growth

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Units of this package that no measured quantity has.
const (
	LnPerHour quantity.Unit = "ln/h" // LnPerHour is a growth rate in natural logarithms an hour.
	Log10     quantity.Unit = "log10"
)

// Formulas, as they stand in records. All are of version 1.
const (
	ElapsedFormula  formula.ID = "elapsed"
	AboveFormula    formula.ID = "time-above"
	HoursFormula    formula.ID = "fda-hours-ready-to-eat"
	TableFormula    formula.ID = "fda-table-a2"
	MinimumFormula  formula.ID = "growth-minimum"
	RateFormula     formula.ID = "growth-rate-ecoli-leafy"
	GrowthFormula   formula.ID = "growth-ecoli-leafy"
	DoublingFormula formula.ID = "doubling-ecoli-leafy"
	Version                    = 1
)

// Cautions of this package.
const (
	// OtherProduct: published for another food.
	OtherProduct formula.Code = "published-for-other-product"
	// UnitSecondHand: the abstract gives no unit; natural logarithm an hour is how
	// others who cite the paper use it.
	UnitSecondHand formula.Code = "unit-second-hand"
	// NoLag: growth is counted from the first minute, without a lag, and without
	// dying off where it is too cold to grow.
	NoLag formula.Code = "no-lag"
	// BetweenReadings: nothing is known of the product between two readings; the
	// value holds as long as it was never warmer than the warmer of the two.
	BetweenReadings formula.Code = "between-readings"
)

// ErrNotBracketed is a span without a reading at or before its begin, or at or
// after its end.
var ErrNotBracketed = errors.New("no reading on both sides of the span")

// A Reading is the inside temperature of product at a moment.
type Reading struct {
	At      time.Time
	Celsius float64 // Celsius is -50 to 200.
}

const maxSpan = 60 * 24 * time.Hour

// Elapsed returns the minutes from begin to end, as from shredding to sealing; 0
// to 60 days.
func Elapsed(begin, end time.Time) (formula.Result, error) {
	if err := span(begin, end); err != nil {
		return formula.Result{}, err
	}
	return result(end.Sub(begin).Minutes(), quantity.Minute, ElapsedFormula, ""), nil
}

func span(begin, end time.Time) error {
	if end.Before(begin) {
		return fmt.Errorf("%w: the end lies before the begin", formula.ErrData)
	}
	return formula.Within("elapsed time", end.Sub(begin).Minutes(), 0, maxSpan.Minutes(), quantity.Minute)
}

// A piece is a stretch between two readings, cut to the span asked for.
type piece struct {
	minutes      float64
	colder, warm float64 // of the two readings around it
	from, to     float64 // on the line between them, at the ends of the piece
}

// pieces cuts the span at its readings.
func pieces(readings []Reading, begin, end time.Time) ([]piece, error) {
	if err := span(begin, end); err != nil {
		return nil, err
	}
	sorted := slices.Clone(readings)
	for _, r := range sorted {
		if err := formula.Within("temperature", r.Celsius, -50, 200, quantity.Celsius); err != nil {
			return nil, fmt.Errorf("reading of %s: %w", r.At.UTC().Format(time.RFC3339), err)
		}
	}
	slices.SortFunc(sorted, func(a, b Reading) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return cmp.Compare(b.Celsius, a.Celsius) // of several at one moment the warmest counts
	})
	sorted = slices.CompactFunc(sorted, func(a, b Reading) bool { return a.At.Equal(b.At) })
	if len(sorted) == 0 || sorted[0].At.After(begin) {
		return nil, fmt.Errorf("%w: measure the product at the begin (none at or before %s)", ErrNotBracketed, begin.UTC().Format(time.RFC3339))
	}
	if sorted[len(sorted)-1].At.Before(end) {
		return nil, fmt.Errorf("%w: measure the product at the end (none at or after %s)", ErrNotBracketed, end.UTC().Format(time.RFC3339))
	}
	var out []piece
	for i := 1; i < len(sorted); i++ {
		a, b := sorted[i-1], sorted[i]
		from, to := later(a.At, begin), earlier(b.At, end)
		if !to.After(from) {
			continue
		}
		at := func(t time.Time) float64 {
			part := float64(t.Sub(a.At)) / float64(b.At.Sub(a.At))
			return a.Celsius*(1-part) + b.Celsius*part
		}
		out = append(out, piece{
			minutes: to.Sub(from).Minutes(),
			colder:  min(a.Celsius, b.Celsius), warm: max(a.Celsius, b.Celsius),
			from: at(from), to: at(to),
		})
	}
	return out, nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// TimeAbove returns the minutes of a span in which product may have been above low
// and below high (°C; +Inf for no upper end): all time between two readings whose
// temperatures, or those between, lie there. Exactly low is not above it. Readings
// may come in any order, and of several at one moment the warmest counts; without
// one on both sides of the span it is [ErrNotBracketed]. The value is additive over parts of the span.
//
// Source: the rule is this program's; "above" and "below" as in fda-hazards-app4.
func TimeAbove(readings []Reading, begin, end time.Time, low, high float64) (formula.Result, error) {
	if !(low < high) {
		return formula.Result{}, fmt.Errorf("%w: the threshold %v is not below the upper end %v", formula.ErrData, low, high)
	}
	all, err := pieces(readings, begin, end)
	if err != nil {
		return formula.Result{}, err
	}
	return result(minutesBetween(all, low, high), quantity.Minute, AboveFormula, "fda-hazards-app4", formula.Caution{Code: BetweenReadings}), nil
}

func minutesBetween(all []piece, low, high float64) float64 {
	sum := 0.0
	for _, p := range all {
		if p.warm > low && p.colder < high {
			sum += p.minutes
		}
	}
	return sum
}

func result(v float64, u quantity.Unit, id formula.ID, source string, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: v, Unit: u, Formula: id, Version: Version, Source: source, Cautions: cautions}
}
