// Package calibration holds the arithmetic of checking instruments: a straight line
// through readings of standards with the uncertainty of what it predicts, slope and
// offset of a pH electrode from buffers, the ice and boiling points for a
// thermometer, and a chlorine meter against standards.
//
// A predicted value takes in the covariance of slope and intercept: leaving it out
// makes the uncertainty at a distance from zero far too large, or too small.
//
// Tolerances printed here are those of their sources; the plan says which holds.
package calibration

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Units of this package that no measured quantity has.
const (
	MvPerPH quantity.Unit = "mV/pH"
	Hpa     quantity.Unit = "hPa"
)

// Formulas, as they stand in records. All are of version 1.
const (
	LineFormula        formula.ID = "line-prediction"
	LineUFormula       formula.ID = "line-prediction-uncertainty"
	InverseFormula     formula.ID = "line-inverse"
	InverseUFormula    formula.ID = "line-inverse-uncertainty"
	NernstFormula      formula.ID = "nernst-slope"
	SlopeFormula       formula.ID = "ph-slope"
	SlopePercentID     formula.ID = "ph-slope-percent"
	OffsetFormula      formula.ID = "ph-offset"
	BufferFormula      formula.ID = "ph-buffer"
	PhthalateFormula   formula.ID = "ph-phthalate-1977"
	PressureFormula    formula.ID = "standard-pressure"
	BoilingFormula     formula.ID = "boiling-point"
	ThermometerFormula formula.ID = "thermometer-deviation"
	DeviationFormula   formula.ID = "meter-deviation"
	RecoveryFormula    formula.ID = "meter-recovery"
	Version                       = 1
)

// Cautions of this package.
const (
	// ShallowSlope: the slope is so uncertain that the uncertainty of an inverse
	// prediction is too small as given.
	ShallowSlope formula.Code = "shallow-slope"
	// StandardsExact: the standards are taken to be exact; their own uncertainty
	// comes on top.
	StandardsExact formula.Code = "standards-taken-as-exact"
	// Interpolated: between two printed temperatures on a straight line.
	Interpolated formula.Code = "interpolated"
	// WeatherPressure: worked out for the mean pressure of the altitude; the weather
	// of the day moves the boiling point by some tenths of a degree.
	WeatherPressure formula.Code = "weather-pressure"
	// ColdNeedsIce: a check in boiling water says little of cold readings; baths and
	// chillers need the ice point.
	ColdNeedsIce formula.Code = "cold-needs-ice-point"
	// DiluteStandard: above this level the colour of DPD may bleach; check with a
	// diluted standard.
	DiluteStandard formula.Code = "dilute-standard"
)

func result(v float64, u quantity.Unit, id formula.ID, source string, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: v, Unit: u, Formula: id, Version: Version, Source: source, Cautions: cautions}
}

func contradiction(format string, args ...any) error {
	return fmt.Errorf("%w: %s", formula.ErrData, fmt.Sprintf(format, args...))
}
