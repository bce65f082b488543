package wash

import (
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// hydrolysis holds K1 of Cl2 + H2O <-> HOCl + H+ + Cl- in pure water.
//
// src: echa-chlorine dissociation constant
var hydrolysis = []struct{ celsius, k float64 }{{10, 2.2e-4}, {20, 3.2e-4}, {30, 4.4e-4}}

// ChlorideFormula names the chloride of a salt solution in records.
const ChlorideFormula formula.ID = "chloride-from-salt"

// maxChloride is the chloride of a saturated brine in mol/L, rounded up.
const maxChloride = 5.5

// ChlorideMolPerL returns the chloride of a sodium chloride solution in mol/L;
// saltGPerL is g/L as NaCl, 0 to 320. One mole of NaCl, 58.443 g, holds one of chloride.
//
// src: common-practice stoichiometry of NaCl
func ChlorideMolPerL(saltGPerL float64) (formula.Result, error) {
	if err := formula.Within("salt", saltGPerL, 0, MaxSaltGPerL, quantity.GramPerL); err != nil {
		return formula.Result{}, err
	}
	return result(saltGPerL/NaClGPerMol, formula.MolPerL, ChlorideFormula, "common-practice"), nil
}

// Cl2Share returns how much of what is Cl2 or HOCl is present as Cl2, in
// percent: r/(1+r) with r = [H+][Cl-]/K1. pH 0 to 14; 0 to 40 °C; chloride 0 to
// 5.5 mol/L. K1 is read between the published 10, 20 and 30 °C along ln K over
// 1/T and carries [formula.Extrapolated] outside them. The share is a bound on
// neither side ([NoActivity]); it makes the caution concrete and judges nothing.
//
// src: echa-chlorine dissociation constant
func Cl2Share(ph, celsius, chlorideMolPerL float64) (formula.Result, error) {
	if err := formula.Within("ph", ph, 0, 14, quantity.PHUnit); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("temperature", celsius, minCelsius, maxCelsius, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("chloride", chlorideMolPerL, 0, maxChloride, formula.MolPerL); err != nil {
		return formula.Result{}, err
	}
	r := math.Pow(10, -ph) * chlorideMolPerL / hydrolysisK(celsius)
	cautions := []formula.Caution{{Code: NoActivity, Unusable: true}}
	if ph < gasPH || chlorideMolPerL > FreshSaltGPerL/NaClGPerMol {
		cautions = append([]formula.Caution{{Code: ChlorineGas}}, cautions...)
	}
	last := len(hydrolysis) - 1
	return formula.Result{Value: 100 * r / (1 + r), Unit: formula.Percent, Formula: Cl2ShareFormula,
		Version: Cl2ShareVersion, Source: "echa-chlorine",
		Cautions: append(cautions, extrapolated(celsius, hydrolysis[0].celsius, hydrolysis[last].celsius)...)}, nil
}

// hydrolysisK reads K1 along the chord of ln K over 1/T through the two nearest
// published points.
func hydrolysisK(celsius float64) float64 {
	a, b := hydrolysis[0], hydrolysis[1]
	if celsius > b.celsius {
		a, b = hydrolysis[1], hydrolysis[2]
	}
	x := func(c float64) float64 { return 1 / (c + kelvin) }
	part := (x(celsius) - x(a.celsius)) / (x(b.celsius) - x(a.celsius))
	return math.Exp(math.Log(a.k) + part*(math.Log(b.k)-math.Log(a.k)))
}
