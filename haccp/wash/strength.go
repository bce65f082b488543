package wash

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Units of the strength of a product. Three words are near each other in figures and
// are three different things.
const (
	// TradeUnit is trade percent: grams of available chlorine, as Cl2, in 100 mL.
	TradeUnit quantity.Unit = "g Cl2/100 mL"
	// AvailableUnit is percent by weight of available chlorine, as Cl2.
	AvailableUnit quantity.Unit = "% w/w as Cl2"
	// NaOClUnit is percent by weight of sodium hypochlorite.
	NaOClUnit quantity.Unit = "% w/w as NaOCl"
	// DegreeUnit is the chlorometric degree.
	DegreeUnit quantity.Unit = "°Cl"
)

// Formulas of strength, as they stand in records.
const (
	TradeFormula            formula.ID = "strength-trade"
	AvailableWeightFormula  formula.ID = "strength-available"
	NaOClWeightFormula      formula.ID = "strength-naocl"
	ChlorometricFormula     formula.ID = "strength-chlorometric"
	DilutionPartsFormula    formula.ID = "dilution-parts"
	gramsPerLitrePerDegree             = 3.17 // src: chlorometric-degree 1 degree is 3.17 g/L
	maxTrade                           = 25.0
	minGravity, maxGravity             = 0.99, 1.45
	minGranular, maxGranule            = 20.0, 100.0
)

// A Strength is how much available chlorine a product holds. Make it with the
// word that stands on the label or the certificate: [TradePercent],
// [AvailablePercent], [NaOClPercent], [ChlorometricDegrees] for liquids,
// [Granular] for solids. The zero Strength is no product.
type Strength struct {
	gPerL   float64 // liquid: available chlorine as Cl2
	gravity float64 // liquid: specific gravity, kg/L
	part    float64 // solid: available chlorine as part of its mass
}

// liquid makes a liquid of trade percent.
func liquid(trade, gravity float64) (Strength, error) {
	err := firstOf(formula.Within("specific gravity", gravity, minGravity, maxGravity, formula.One),
		formula.Positive("strength", trade, TradeUnit), formula.Within("strength", trade, 0, maxTrade, TradeUnit))
	if err != nil {
		return Strength{}, err
	}
	return Strength{gPerL: 10 * trade, gravity: gravity}, nil
}

// TradePercent is a liquid with percent grams of available chlorine in 100 mL
// (above 0 to 25) and a specific gravity (0.99 to 1.45, kg/L).
//
// src: strength-words trade percent
func TradePercent(percent, gravity float64) (Strength, error) { return liquid(percent, gravity) }

// AvailablePercent is a liquid with percent by weight of available chlorine as Cl2
// and a specific gravity (0.99 to 1.45).
//
// src: strength-words weight percent of available chlorine
func AvailablePercent(percent, gravity float64) (Strength, error) {
	return liquid(percent*gravity, gravity)
}

// NaOClPercent is a liquid with percent by weight of sodium hypochlorite and a
// specific gravity (0.99 to 1.45). One gram of Cl2 is 74.4422/70.906 grams of NaOCl.
//
// src: strength-words weight percent of NaOCl
func NaOClPercent(percent, gravity float64) (Strength, error) {
	return liquid(percent*gravity*cl2GPerMol/naOClGPerMol, gravity)
}

// ChlorometricDegrees is a liquid of degrees chlorometric degrees (one is 3.17 g
// of Cl2 in a litre) and a specific gravity (0.99 to 1.45).
//
// src: chlorometric-degree 1 degree is 3.17 g/L
func ChlorometricDegrees(degrees, gravity float64) (Strength, error) {
	return liquid(degrees*gramsPerLitrePerDegree/10, gravity)
}

// Granular is a solid, such as calcium hypochlorite, with percent by weight of
// available chlorine as Cl2 (20 to 100).
//
// src: calcium-hypochlorite-label available chlorine
func Granular(percent float64) (Strength, error) {
	if err := formula.Within("available chlorine", percent, minGranular, maxGranule, AvailableUnit); err != nil {
		return Strength{}, err
	}
	return Strength{part: percent / 100}, nil
}

// IsSolid tells whether the product is weighed and not measured out.
func (s Strength) IsSolid() bool { return s.part > 0 }

// Known tells whether the strength is one at all.
func (s Strength) Known() bool { return s.part > 0 || s.gPerL > 0 }

// Trade returns the trade percent of a liquid.
//
// src: strength-words trade percent
func (s Strength) Trade() (formula.Result, error) {
	return s.liquidResult(s.gPerL/10, TradeUnit, TradeFormula, "strength-words")
}

// Available returns the percent by weight of available chlorine as Cl2, of a
// liquid or a solid.
//
// src: strength-words weight percent of available chlorine
func (s Strength) Available() (formula.Result, error) {
	if s.IsSolid() {
		return result(100*s.part, AvailableUnit, AvailableWeightFormula, "strength-words"), nil
	}
	return s.liquidResult(s.gPerL/10/s.gravity, AvailableUnit, AvailableWeightFormula, "strength-words")
}

// NaOCl returns the percent by weight of sodium hypochlorite of a liquid.
//
// src: strength-words weight percent of NaOCl
func (s Strength) NaOCl() (formula.Result, error) {
	return s.liquidResult(s.gPerL/10/s.gravity*naOClGPerMol/cl2GPerMol, NaOClUnit, NaOClWeightFormula, "strength-words")
}

// Chlorometric returns the chlorometric degrees of a liquid.
//
// src: chlorometric-degree 1 degree is 3.17 g/L
func (s Strength) Chlorometric() (formula.Result, error) {
	return s.liquidResult(s.gPerL/gramsPerLitrePerDegree, DegreeUnit, ChlorometricFormula, "chlorometric-degree")
}

func (s Strength) liquidResult(value float64, unit quantity.Unit, id formula.ID, source string) (formula.Result, error) {
	if s.gPerL <= 0 {
		return formula.Result{}, fmt.Errorf("strength: %s is a word for liquids with a known strength: %w", unit, formula.ErrData)
	}
	return result(value, unit, id, source), nil
}

// DilutionParts returns the parts of water for one part of a product that turn a
// strength into a weaker one, both on one basis (% w/v or % w/w of a product near
// water's density), 0 < weaker <= strong <= 100: strong/weaker - 1.
//
// src: cdc-appendix-e parts of water
func DilutionParts(strong, weaker float64) (formula.Result, error) {
	err := firstOf(formula.Positive("strength wanted", weaker, formula.Percent), formula.Within("strength of the product", strong, 0, 100, formula.Percent),
		formula.Within("strength wanted", weaker, 0, strong, formula.Percent))
	if err != nil {
		return formula.Result{}, err
	}
	return result(strong/weaker-1, formula.One, DilutionPartsFormula, "cdc-appendix-e"), nil
}
