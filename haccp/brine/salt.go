package brine

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Bath is salt water in a tank.
type Bath struct {
	Litres  float64 // Litres is its volume, above 0, as measured.
	Percent float64 // Percent is its salt in % w/w, 0 to 26.395.
	Celsius float64 // Celsius is its temperature, 0 to 50 °C.
}

// kg returns the mass of the bath.
func (b Bath) kg() float64 { return b.Litres / 1000 * density(b.Percent, b.Celsius) }

func (b Bath) check() error {
	return firstOf(formula.Positive("volume", b.Litres, quantity.Litre), withinPercent("salt of the bath", b.Percent),
		withinCelsius(b.Celsius))
}

// A Dose is how much to add and what volume the bath then has.
type Dose struct {
	formula.Result
	LitresAfter float64 // LitresAfter is the volume after the addition: dissolved salt takes up room.
}

// minPurity is the least pure salt taken, in % of its mass.
const minPurity = 90.0

// SaltNeeded returns the kilograms of salt that bring a bath to target % w/w, by
// weight: salt is weighed, and the mass of the bath follows from its volume and
// density, m (target - present)/(purity - target). purity is the NaCl of the salt
// as sold in % of its mass, 90 to 100. A target below the present strength is an
// error that says to add water. The arithmetic is a mass balance.
//
// src: rogers-pitzer-1982 specific volume
func SaltNeeded(b Bath, target, purity float64) (Dose, error) {
	err := firstOf(b.check(), withinPercent("target", target), formula.Within("purity", purity, minPurity, 100, formula.Percent))
	if err != nil {
		return Dose{}, err
	}
	if target < b.Percent {
		return Dose{}, fmt.Errorf("salt: the bath has %v %% and the target is %v %%: salt cannot lower it, add water: %w",
			b.Percent, target, formula.ErrData)
	}
	kg := b.kg() * (target - b.Percent) / (purity - target)
	return Dose{Result: result(kg, quantity.Kilogram, SaltNeededFormula, "rogers-pitzer-1982", drawnOn(target)...),
		LitresAfter: (b.kg() + kg) / density(target, b.Celsius) * 1000}, nil
}

// PercentAfter returns the salt of a bath in % w/w after kg kilograms of salt (0
// or more, of purity % NaCl, 90 to 100) and waterKg kilograms of water (0 or
// more) were added and dissolved: a mass balance. More than a saturated brine
// holds is an error.
//
// src: rogers-pitzer-1982 specific volume
func PercentAfter(b Bath, kg, purity, waterKg float64) (formula.Result, error) {
	err := firstOf(b.check(), formula.Within("salt added", kg, 0, 1e6, quantity.Kilogram),
		formula.Within("purity", purity, minPurity, 100, formula.Percent),
		formula.Within("water added", waterKg, 0, 1e9, quantity.Kilogram))
	if err != nil {
		return formula.Result{}, err
	}
	percent := (b.kg()*b.Percent + kg*purity) / (b.kg() + kg + waterKg)
	if err := withinPercent("salt after the addition", percent); err != nil {
		return formula.Result{}, err
	}
	return result(percent, quantity.PercentMass, PercentAfterFormula, "rogers-pitzer-1982", drawnOn(percent)...), nil
}

// WaterNeeded returns the kilograms of fresh water (litres, to 0.3 %) that bring a
// bath down to target % w/w, above 0: m (present/target - 1).
//
// src: rogers-pitzer-1982 specific volume
func WaterNeeded(b Bath, target float64) (Dose, error) {
	err := firstOf(b.check(), withinPercent("target", target), formula.Positive("target", target, quantity.PercentMass))
	if err != nil {
		return Dose{}, err
	}
	if target > b.Percent {
		return Dose{}, fmt.Errorf("water: the bath has %v %% and the target is %v %%: water cannot raise it, add salt: %w",
			b.Percent, target, formula.ErrData)
	}
	kg := b.kg() * (b.Percent/target - 1)
	return Dose{Result: result(kg, quantity.Kilogram, WaterNeededFormula, "rogers-pitzer-1982", drawnOn(b.Percent)...),
		LitresAfter: (b.kg() + kg) / density(target, b.Celsius) * 1000}, nil
}
