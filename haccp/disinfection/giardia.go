package disinfection

import (
	"math"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Water is what the Ct tables depend on, all of one sample.
type Water struct {
	Celsius float64
	PH      float64
	MgPerL  float64 // MgPerL is free chlorine as Cl2.
}

// fullLog is the inactivation of Giardia for which the table is printed.
const fullLog = 3.0

// GiardiaLookup returns the Ct, mg·min/L, that the table of the EPA asks for an
// inactivation of Giardia cysts of log10 log (above 0, at most 3), read on the
// careful side as the manual says: temperature down, pH up and chlorine up to the
// next printed value, other log values in proportion to 3.
//
// Range: 0 to 40 °C (below 5 °C the table of 0.5 °C, above 25 °C that of 25 °C
// with [WarmerThanTable]), pH 5 to 9 (below 6 the column of 6 with [ChlorineGas]),
// chlorine above 0 and at most 20,000 mg/L (above 3 the row of 3 with
// [AboveTable]). The print names no ends beyond its own; those are a choice of this
// program. Always [NotWashValidation].
//
// Source: epa-ct Table B-1 and its instructions.
func GiardiaLookup(w Water, log float64) (formula.Result, error) {
	if err := giardiaInputs(w, log, 0, 40, 5, 20000); err != nil {
		return formula.Result{}, err
	}
	cautions := []formula.Caution{reference}
	if w.PH < giardiaPH[0] {
		cautions = append(cautions, formula.Caution{Code: ChlorineGas})
	}
	if w.Celsius > giardiaCelsius[5] {
		cautions = append(cautions, formula.Caution{Code: WarmerThanTable})
	}
	if w.MgPerL > giardiaChlorine[13] {
		cautions = append(cautions, formula.Caution{Code: AboveTable})
	}
	ct := giardiaCT[atOrBelow(giardiaCelsius, w.Celsius)][atOrAbove(giardiaChlorine, w.MgPerL)][atOrAbove(giardiaPH, w.PH)]
	return result(ct*log/fullLog, MgMinPerL, GiardiaTable, "epa-ct", cautions...), nil
}

// GiardiaInterpolated returns the Ct, mg·min/L, for an inactivation of Giardia
// cysts of log10 log (above 0, at most 3), on straight lines between the printed
// values in temperature, pH and chlorine. It is not on the careful side of the
// print and is for comparison only. Range: that of the print, without a step
// beyond: 0.5 to 25 °C, pH 6 to 9, 0.4 to 3 mg/L. Always [NotWashValidation].
//
// Source: epa-ct Table B-1; straight lines as in the interpolation of the manual.
func GiardiaInterpolated(w Water, log float64) (formula.Result, error) {
	if err := giardiaInputs(w, log, 0.5, 25, 6, 3); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("free chlorine", w.MgPerL, 0.4, 3, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	i, ti := between(giardiaCelsius, w.Celsius)
	j, tj := between(giardiaChlorine, w.MgPerL)
	k, tk := between(giardiaPH, w.PH)
	ct := 0.0
	for corner := range 8 {
		di, dj, dk := corner&1, corner>>1&1, corner>>2&1
		weight := share(ti, di) * share(tj, dj) * share(tk, dk)
		if weight > 0 {
			ct += weight * giardiaCT[i+di][j+dj][k+dk]
		}
	}
	return result(ct*log/fullLog, MgMinPerL, GiardiaBetween, "epa-ct", reference), nil
}

// The two equations of Giardia inactivation meet at 12.5 °C with a step of about
// 1 mg·min/L. A copy of the second with -2.216 in place of -2.261 is about; it is
// a transposition.
//
// src: smith-1995 both equations
const (
	coldWarm   = 12.5
	coldFactor = 0.353
	coldOffset = 12.006
	warmFactor = 0.361
	warmOffset = -2.261
)

// GiardiaRegression returns the Ct, mg·min/L, for an inactivation of Giardia cysts
// of log10 log (above 0, at most 3) by the regression fitted to the table. Range:
// 0.5 to 25 °C, pH 6 to 9, 0.4 to 5 mg/L; above 3 mg/L, where the table ends, with
// [formula.Extrapolated] (5 is the highest worked example). Always [NotWashValidation].
//
// Source: smith-1995.
func GiardiaRegression(w Water, log float64) (formula.Result, error) {
	if err := giardiaInputs(w, log, 0.5, 25, 6, 5); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("free chlorine", w.MgPerL, 0.4, 5, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	cautions := []formula.Caution{reference}
	if w.MgPerL > giardiaChlorine[13] {
		cautions = append(cautions, formula.Caution{Code: formula.Extrapolated})
	}
	var ct float64
	if w.Celsius < coldWarm {
		ct = coldFactor * log * (coldOffset + math.Exp(2.46-0.073*w.Celsius+0.125*w.MgPerL+0.389*w.PH))
	} else {
		ct = warmFactor * log * (warmOffset + math.Exp(2.69-0.065*w.Celsius+0.111*w.MgPerL+0.361*w.PH))
	}
	return result(ct, MgMinPerL, GiardiaEquation, "smith-1995", cautions...), nil
}

func giardiaInputs(w Water, log, coldest, warmest, lowestPH, mostChlorine float64) error {
	if err := formula.Within("temperature", w.Celsius, coldest, warmest, quantity.Celsius); err != nil {
		return err
	}
	if err := formula.Within("ph", w.PH, lowestPH, 9, quantity.PHUnit); err != nil {
		return err
	}
	if err := formula.Positive("free chlorine", w.MgPerL, quantity.MgPerL); err != nil {
		return err
	}
	if err := formula.Within("free chlorine", w.MgPerL, 0, mostChlorine, quantity.MgPerL); err != nil {
		return err
	}
	if err := formula.Positive("log inactivation", log, Log10); err != nil {
		return err
	}
	return formula.Within("log inactivation", log, 0, fullLog, Log10)
}

// atOrBelow is the index of the last axis value that is not above v, or the first.
func atOrBelow(axis []float64, v float64) int {
	i, found := slices.BinarySearch(axis, v)
	if found {
		return i
	}
	return max(i-1, 0)
}

// atOrAbove is the index of the first axis value that is not below v, or the last.
func atOrAbove(axis []float64, v float64) int {
	i, _ := slices.BinarySearch(axis, v)
	return min(i, len(axis)-1)
}

// between is the cell of an axis in which v lies and how far along it.
func between(axis []float64, v float64) (i int, part float64) {
	i = min(atOrBelow(axis, v), len(axis)-2)
	return i, (v - axis[i]) / (axis[i+1] - axis[i])
}

func share(part float64, upper int) float64 {
	if upper == 1 {
		return part
	}
	return 1 - part
}
