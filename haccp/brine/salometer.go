package brine

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// SalometerDegree is the unit of a salometer.
const SalometerDegree quantity.Unit = "°SAL"

// A Scale is what 100 degrees of a salometer stand for. The same reading on the
// two scales is a different brine: the scale is a setting of the instrument.
type Scale int

// The scales. There is no default: the zero Scale is refused.
const (
	// Saturated is the scale on which 100 degrees are saturated brine, 26.395 % w/w.
	Saturated Scale = iota + 1
	// Canning is the scale of the canning trade and its quality grading, on which
	// 100 degrees are 25 % w/w.
	Canning
)

// full returns the % w/w of 100 degrees.
//
// src: salometer-note definition, canning scale
func (s Scale) full() (float64, error) {
	switch s {
	case Saturated:
		return 26.395, nil
	case Canning:
		return 25, nil
	}
	return 0, fmt.Errorf("salometer: the scale is not known: say whether 100 degrees are 26.395 or 25 %%: %w", formula.ErrData)
}

// SalometerPercent returns the % w/w of a brine in which a salometer made for
// 60 °F reads degrees (0 to 100) while the brine is at celsius °C (0 to 50). At
// 60 °F (15.56 °C) the degree is the definition; elsewhere the density the float
// shows is looked up at the brine's temperature and the value carries
// [CorrectedTemperature]. The expansion of the glass (about 0.03 % of salt over
// 10 °C, an estimate) is left out.
//
// src: salometer-note definition, canning scale
func SalometerPercent(degrees float64, scale Scale, celsius float64) (formula.Result, error) {
	full, err := scale.full()
	if err := firstOf(err, formula.Within("reading", degrees, 0, 100, SalometerDegree), withinCelsius(celsius)); err != nil {
		return formula.Result{}, err
	}
	marked := degrees * full / 100
	if atSixtyF(celsius) {
		return result(marked, quantity.PercentMass, SalometerPercentFormula, "salometer-note", caution(OtherSolutes)...), nil
	}
	r, err := PercentFromDensity(density(marked, SixtyF), celsius)
	if err != nil {
		return formula.Result{}, err
	}
	return result(r.Value, quantity.PercentMass, SalometerPercentFormula, "salometer-note",
		caution(OtherSolutes, CorrectedTemperature)...), nil
}

// Salometer returns the degrees that a salometer made for 60 °F shows in a
// solution of percent % w/w (0 to 100 degrees of its scale) at celsius °C (0 to
// 50), with the same arithmetic as [SalometerPercent].
//
// src: salometer-note definition, canning scale
func Salometer(percent float64, scale Scale, celsius float64) (formula.Result, error) {
	full, err := scale.full()
	if err := firstOf(err, withinPercent("salt", percent), withinCelsius(celsius)); err != nil {
		return formula.Result{}, err
	}
	marked, cautions := percent, []formula.Caution(nil)
	if !atSixtyF(celsius) {
		r, err := PercentFromDensity(density(percent, celsius), SixtyF)
		if err != nil {
			return formula.Result{}, err
		}
		marked, cautions = r.Value, caution(CorrectedTemperature)
	}
	degrees := 100 * marked / full
	if err := formula.Within("reading", degrees, 0, 100, SalometerDegree); err != nil {
		return formula.Result{}, err
	}
	return result(degrees, SalometerDegree, SalometerFormula, "salometer-note", cautions...), nil
}

// atSixtyF tells whether a temperature is 60 °F as thermometers show it.
func atSixtyF(celsius float64) bool { return celsius > SixtyF-0.1 && celsius < SixtyF+0.1 }
