package wash

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas of make-up and top-up, as they stand in records.
const (
	ProductFormula   formula.ID = "product-needed"
	LevelFormula     formula.ID = "level-after"
	WorstFormula     formula.ID = "worst-level-after"
	OvershootFormula formula.ID = "worst-overshoot"
)

// DemandNotCounted says that what the water itself takes up is not counted; test after mixing.
const DemandNotCounted formula.Code = "demand-not-counted"

// A VolumeIs says which volume of the bath is meant.
type VolumeIs int

// The volumes.
const (
	// Before is the volume measured before the addition, which comes on top of it.
	// It is what a level in a working bath gives, and the default.
	Before VolumeIs = iota
	// After is the volume the bath is made up to, product included. Tables of doses
	// mean this one.
	After
)

// A Bath is water in a tank and its free chlorine.
type Bath struct {
	Litres     float64 // Litres is its volume, above 0.
	VolumeIs   VolumeIs
	FreeMgPerL float64 // FreeMgPerL is its free chlorine in mg/L as Cl2, 0 to 20000.
}

func (b Bath) check(s Strength) error {
	err := firstOf(formula.Positive("volume", b.Litres, quantity.Litre), formula.Within("free chlorine", b.FreeMgPerL, 0, maxFree, quantity.MgPerL))
	if err == nil && !s.Known() {
		err = fmt.Errorf("product: its strength is not known: %w", formula.ErrData)
	}
	return err
}

// Unit is how product of this strength is measured out: mL of a liquid, g of a solid.
func (s Strength) Unit() quantity.Unit {
	if s.IsSolid() {
		return quantity.Gram
	}
	return quantity.Millilitre
}

// Grams returns the mass in g of an amount, in the product's [Strength.Unit].
func (s Strength) Grams(amount float64) float64 {
	if s.IsSolid() {
		return amount
	}
	return amount * s.gravity
}

// ProductNeeded returns how much product brings a bath from its free chlorine to
// targetMgPerL mg/L as Cl2 (present level to 20000, and below the product's own
// strength): mL of a liquid, g of a solid, whose own volume is neglected. It is
// a balance of chlorine; demand is not counted ([DemandNotCounted]). A target
// below the present level is an error: nothing is to be added.
//
// src: dosing-arithmetic balance of chlorine
func ProductNeeded(b Bath, targetMgPerL float64, s Strength) (formula.Result, error) {
	err := firstOf(b.check(s), formula.Within("target", targetMgPerL, 0, maxFree, quantity.MgPerL))
	if err != nil {
		return formula.Result{}, err
	}
	if targetMgPerL < b.FreeMgPerL {
		return formula.Result{}, fmt.Errorf("product: the bath has %v mg/L and the target is %v mg/L: nothing is to be added: %w",
			b.FreeMgPerL, targetMgPerL, formula.ErrData)
	}
	rise := targetMgPerL - b.FreeMgPerL
	amount := b.Litres * rise / 1000 / s.part // g of a solid
	if !s.IsSolid() {
		stock := 1000 * s.gPerL
		reached := targetMgPerL
		if b.VolumeIs == After {
			reached = b.FreeMgPerL
		}
		if err := formula.Within("target", targetMgPerL, 0, stock/2, quantity.MgPerL); err != nil {
			return formula.Result{}, fmt.Errorf("product of %v g/L: %w", s.gPerL, err)
		}
		amount = 1000 * b.Litres * rise / (stock - reached)
	}
	return result(amount, s.Unit(), ProductFormula, "dosing-arithmetic", cautionsOf(DemandNotCounted)...), nil
}

// LevelAfter returns the free chlorine in mg/L as Cl2 of a bath after an amount of
// product (0 or more, in its [Strength.Unit]) was mixed in: the balance of
// [ProductNeeded] the other way, demand not counted.
//
// src: dosing-arithmetic balance of chlorine
func LevelAfter(b Bath, amount float64, s Strength) (formula.Result, error) {
	if err := firstOf(b.check(s), formula.Within("amount", amount, 0, 1e9, s.Unit())); err != nil {
		return formula.Result{}, err
	}
	level := level(b, amount, s)
	if err := formula.Within("level after the addition", level, 0, maxFree, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	return result(level, quantity.MgPerL, LevelFormula, "dosing-arithmetic", cautionsOf(DemandNotCounted)...), nil
}

func level(b Bath, amount float64, s Strength) float64 {
	if s.IsSolid() {
		return b.FreeMgPerL + 1000*amount*s.part/b.Litres
	}
	litres := amount / 1000
	brought := 1000 * s.gPerL * litres
	if b.VolumeIs == After {
		return (b.FreeMgPerL*(b.Litres-litres) + brought) / b.Litres
	}
	return (b.FreeMgPerL*b.Litres + brought) / (b.Litres + litres)
}

// A Tolerance is how far each input of a dose may be off, in percent of its value,
// 0 to 50 each.
type Tolerance struct {
	Reading  float64 // Reading: the bath may hold so much more than was read.
	Volume   float64 // Volume: the bath may be so much smaller.
	Strength float64 // Strength: the product may be so much stronger.
	Measure  float64 // Measure: so much more may be poured.
}

func (t Tolerance) check() error {
	return firstOf(formula.Within("tolerance of the reading", t.Reading, 0, 50, formula.Percent), formula.Within("tolerance of the volume", t.Volume, 0, 50, formula.Percent),
		formula.Within("tolerance of the strength", t.Strength, 0, 50, formula.Percent), formula.Within("tolerance of the measure", t.Measure, 0, 50, formula.Percent))
}

// worst returns bath, amount and product with every input off to the high side.
func (t Tolerance) worst(b Bath, amount float64, s Strength) (Bath, float64, Strength) {
	b.FreeMgPerL *= 1 + t.Reading/100
	b.Litres *= 1 - t.Volume/100
	s.gPerL *= 1 + t.Strength/100
	s.part *= 1 + t.Strength/100
	return b, amount * (1 + t.Measure/100), s
}

// WorstLevelAfter returns the highest free chlorine in mg/L as Cl2 that a mixed
// bath can have after the amount, with every input off by its tolerance to the
// high side at once. Before it is mixed in, the water at the dosing point holds far
// more.
//
// src: common-practice worst case of a sum
func WorstLevelAfter(b Bath, amount float64, s Strength, t Tolerance) (formula.Result, error) {
	if err := t.check(); err != nil {
		return formula.Result{}, err
	}
	if _, err := LevelAfter(b, amount, s); err != nil {
		return formula.Result{}, err
	}
	return result(level(t.worst(b, amount, s)), quantity.MgPerL, WorstFormula, "common-practice"), nil
}

// Overshoot returns by how much, in mg/L as Cl2, an addition exceeds a critical
// maximum (above 0) at worst; 0 where it stays below.
//
// src: common-practice worst case of a sum
func Overshoot(b Bath, amount float64, s Strength, t Tolerance, maxMgPerL float64) (formula.Result, error) {
	worst, err := WorstLevelAfter(b, amount, s, t)
	if err := firstOf(err, formula.Positive("critical maximum", maxMgPerL, quantity.MgPerL)); err != nil {
		return formula.Result{}, err
	}
	return result(max(0, worst.Value-maxMgPerL), quantity.MgPerL, OvershootFormula, "common-practice"), nil
}
