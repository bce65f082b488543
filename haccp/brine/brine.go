// Package brine holds the arithmetic of salt water: density and strength of
// sodium chloride solutions by temperature, the salometer, titration of
// chloride, refractometer and conductivity, the salt a bath needs, and practical
// salinity, which belongs to sea water and to nothing else.
//
// Percent is always grams of NaCl in 100 g of solution (% w/w). Every function is
// pure, says its units, range and source, and returns an error
// ([formula.ErrRange], [formula.ErrData]) where they do not hold.
package brine

import (
	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas, as they stand in records.
const (
	DensityFormula             formula.ID = "nacl-density"
	PercentFromDensityFormula  formula.ID = "nacl-percent-density"
	GramsPerLitreFormula       formula.ID = "nacl-grams-per-litre"
	PercentFromGramsFormula    formula.ID = "nacl-percent-grams"
	PoundsPerGallonFormula     formula.ID = "nacl-pounds-per-gallon"
	MassPerMassFormula         formula.ID = "mass-per-mass"
	SalometerFormula           formula.ID = "salometer"
	SalometerPercentFormula    formula.ID = "salometer-percent"
	ChlorideMohrFormula        formula.ID = "chloride-mohr"
	SaltMohrFormula            formula.ID = "salt-mohr"
	SaltInFoodMohrFormula      formula.ID = "salt-in-food-mohr"
	NaClFromChlorideFormula    formula.ID = "nacl-from-chloride"
	RefractometerFormula       formula.ID = "nacl-refractometer"
	ConductivityFormula        formula.ID = "nacl-conductivity"
	PercentConductivityFormula formula.ID = "nacl-percent-conductivity"
	SalinityFormula            formula.ID = "pss-78"
	SaltNeededFormula          formula.ID = "salt-needed"
	PercentAfterFormula        formula.ID = "salt-percent-after"
	WaterNeededFormula         formula.ID = "water-needed"
)

// Version is the version of every formula of this package.
const Version = 1

// Cautions of a value about salt.
const (
	// TotalChloride: the titration counts all chloride as salt, that of the
	// hypochlorite product and of the leaf too.
	TotalChloride formula.Code = "total-chloride"
	// OtherSolutes: whatever else is dissolved (leaf juice, alkali, hypochlorite) reads as salt.
	OtherSolutes formula.Code = "other-solutes"
	// CorrectedTemperature: brought to the reference temperature by arithmetic; at
	// that temperature the reading would be surer.
	CorrectedTemperature formula.Code = "corrected-temperature"
	// SeaWaterOnly: practical salinity is no grams of NaCl.
	SeaWaterOnly formula.Code = "sea-water-only"
)

const (
	// MaxPercent is the salt of a saturated brine at 60 °F.
	// src: salometer-note saturated brine
	MaxPercent = 26.395
	// NaClGPerMol is the molar mass of NaCl in g/mol (IUPAC weights, from memory).
	NaClGPerMol = 58.443
	// ClGPerMol is the molar mass of chloride in g/mol (IUPAC weights, from memory).
	ClGPerMol = 35.453
	// SixtyF is 60 °F, the temperature of brine tables, in °C.
	SixtyF = (60.0 - 32) * 5 / 9
	// src: nist-hb44 Appendix C (gallon of 231 cubic inches, pound)
	litresPerUSGallon = 3.785411784
	kgPerPound        = 0.45359237
)

// result fills in what is alike in every result of the package.
func result(value float64, unit quantity.Unit, id formula.ID, source string, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: value, Unit: unit, Formula: id, Version: Version, Source: source, Cautions: cautions}
}

func caution(codes ...formula.Code) []formula.Caution {
	out := make([]formula.Caution, len(codes))
	for i, c := range codes {
		out[i].Code = c
	}
	return out
}

func withinPercent(input string, percent float64) error {
	return formula.Within(input, percent, 0, MaxPercent, quantity.PercentMass)
}

func withinCelsius(celsius float64) error {
	return formula.Within("temperature", celsius, minCelsius, maxCelsius, quantity.Celsius)
}

// firstOf returns the first error there is.
func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// solve finds x between low and high where the rising function f reaches want.
func solve(f func(float64) float64, want, low, high float64) float64 {
	for range 200 {
		mid := low + (high-low)/2
		if mid == low || mid == high {
			break
		}
		if f(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2
}

// line reads y at x on the chords through the points, the end ones drawn on.
func line(xs, ys []float64, x float64) float64 {
	i := 0
	for i < len(xs)-2 && x > xs[i+1] {
		i++
	}
	return ys[i] + (ys[i+1]-ys[i])*(x-xs[i])/(xs[i+1]-xs[i])
}

// smooth reads y at x on the curve through the points: in each interval the two
// parabolas through its ends and a neighbour, the nearer end weighing more, so
// that value and slope are continuous. There are at least three points; beyond
// the ends the last parabola is drawn on.
func smooth(xs, ys []float64, x float64) float64 {
	last := len(xs) - 3
	i := 0
	for i < last+1 && x > xs[i+1] {
		i++
	}
	if i == 0 {
		return parabola(xs, ys, 0, x)
	}
	if i == last+1 {
		return parabola(xs, ys, last, x)
	}
	part := (x - xs[i]) / (xs[i+1] - xs[i])
	return (1-part)*parabola(xs, ys, i-1, x) + part*parabola(xs, ys, i, x)
}

// parabola reads y at x on the parabola through three points.
func parabola(xs, ys []float64, first int, x float64) float64 {
	sum := 0.0
	for j := first; j < first+3; j++ {
		term := ys[j]
		for k := first; k < first+3; k++ {
			if k != j {
				term *= (x - xs[k]) / (xs[j] - xs[k])
			}
		}
		sum += term
	}
	return sum
}
