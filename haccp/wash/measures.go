package wash

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// US measures of volume that no recorded quantity has.
const (
	USQuart      quantity.Unit = "US qt"
	USCup        quantity.Unit = "US cup"
	USTablespoon quantity.Unit = "US tbsp"
	USTeaspoon   quantity.Unit = "US tsp"
)

// MeasureFormula names the conversion of an amount in records.
const MeasureFormula formula.ID = "measure"

const (
	mlPerGallon = 3785.411784
	gPerPound   = 453.59237
)

// inML and inGrams are exact.
//
// src: nist-hb44 Appendix C (gallon of 231 cubic inches and its parts, pound)
var (
	inML = map[quantity.Unit]float64{
		quantity.Millilitre: 1, quantity.Litre: 1000, quantity.CubicMetre: 1e6, quantity.USGallon: mlPerGallon,
		USQuart: mlPerGallon / 4, USCup: mlPerGallon / 16, quantity.USFluidOunce: mlPerGallon / 128,
		USTablespoon: mlPerGallon / 256, USTeaspoon: mlPerGallon / 768,
	}
	inGrams = map[quantity.Unit]float64{
		quantity.Gram: 1, quantity.Kilogram: 1000, quantity.Tonne: 1e6, quantity.Pound: gPerPound, quantity.Ounce: gPerPound / 16,
	}
)

// In states an amount of product in another unit of the same kind: mL, L, m3, US
// gal, US qt, US cup, US fl oz, US tbsp and US tsp, or g, kg, t, lb and oz. A
// volume has no mass without a density: across the kinds it is an error.
//
// src: nist-hb44 Appendix C
func In(amount float64, from, to quantity.Unit) (formula.Result, error) {
	for _, kind := range []map[quantity.Unit]float64{inML, inGrams} {
		a, b := kind[from], kind[to]
		if a > 0 && b > 0 {
			err := formula.Within("amount", amount, 0, 1e12, from)
			return result(amount*a/b, to, MeasureFormula, "nist-hb44"), err
		}
	}
	return formula.Result{}, fmt.Errorf("amount in %s: it cannot be stated in %s: %w", from, to, formula.ErrData)
}
