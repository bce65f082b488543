// Package disinfection holds the arithmetic of contact: how long product or
// water stays in a bath or flume, the Ct (free chlorine times time) it met there,
// and what the published Ct tables and equations for drinking water say of such
// a Ct.
//
// Ct in mg·min/L describes an exposure and may be compared with what a plant has
// validated. The tables of the EPA for Giardia cysts and viruses were made for
// clear drinking water of low chlorine demand. They are here as a reference for
// the water alone and validate no wash of produce: whatever is worked out from
// them carries [NotWashValidation] and judges no limit.
//
// Every function is pure, says its units and range, and outside the range returns
// an error ([formula.ErrRange]) or a value with a caution, never a bare number.
package disinfection

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Units of this package that no measured quantity has.
const (
	MgMinPerL   quantity.Unit = "mg·min/L"
	Log10       quantity.Unit = "log10"
	LPerMgMin   quantity.Unit = "L/(mg·min)"
	LitrePerMin quantity.Unit = "L/min"
)

// Formulas, as they stand in records. All are of version 1.
const (
	CtTrapezoid      formula.ID = "ct-trapezoid"
	CtLowest         formula.ID = "ct-lowest-bracketing"
	CtSegment        formula.ID = "ct-segment"
	ContactShortest  formula.ID = "contact-shortest"
	ContactLongest   formula.ID = "contact-longest"
	DetentionFormula formula.ID = "detention-volume-flow"
	T10Formula       formula.ID = "t10-baffling"
	GiardiaTable     formula.ID = "giardia-ct-lookup"
	GiardiaBetween   formula.ID = "giardia-ct-interpolated"
	GiardiaEquation  formula.ID = "giardia-ct-regression"
	VirusTable       formula.ID = "virus-ct-lookup"
	RatioFormula     formula.ID = "inactivation-ratio"
	SeriesFormula    formula.ID = "inactivation-series"
	LogFormula       formula.ID = "inactivation-log"
	KillFormula      formula.ID = "chick-watson"
	RateFormula      formula.ID = "chick-watson-rate"
	Version                     = 1
)

// Cautions of this package.
const (
	// NotWashValidation: from data on drinking water of low demand; it says
	// nothing of what a wash does to produce and validates no wash.
	NotWashValidation formula.Code = "not-wash-validation"
	// AboveTable: the chlorine is above the 3 mg/L at which the table ends and the
	// row of 3 mg/L was used, as the manual says to. At the levels of a produce
	// wash that is no longer on the careful side.
	AboveTable formula.Code = "above-table"
	// WarmerThanTable: the water is above 25 °C and the value of 25 °C was used.
	WarmerThanTable formula.Code = "warmer-than-table"
	// ChlorineGas: below pH 6.0 chlorine gas comes off, sooner in salt water. Stop,
	// add no acid, ventilate, leave if you smell it, call the responsible person.
	ChlorineGas formula.Code = "chlorine-gas"
	// BetweenTests: nothing is known of the bath between two tests; the value holds
	// as long as the level did not dip below both.
	BetweenTests formula.Code = "between-tests"
	// WaterNotProduct: the time is that of the water; leaves may float, sink or
	// lag, and their time has to be observed.
	WaterNotProduct formula.Code = "water-not-product"
	// TestedElsewhere: the baffling factor is a figure for drinking-water basins,
	// not a tracer test of this flume.
	TestedElsewhere formula.Code = "not-tracer-tested"
)

// reference is carried by all that rests on drinking-water data.
var reference = formula.Caution{Code: NotWashValidation, Unusable: true}

func result(v float64, u quantity.Unit, id formula.ID, source string, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: v, Unit: u, Formula: id, Version: Version, Source: source, Cautions: cautions}
}

// contradiction wraps [formula.ErrData].
func contradiction(format string, args ...any) error {
	return fmt.Errorf("%w: %s", formula.ErrData, fmt.Sprintf(format, args...))
}
