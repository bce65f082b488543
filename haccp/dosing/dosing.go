// Package dosing holds the arithmetic of the antioxidant that goes into a batch of
// gel: how much a batch takes, and whether what was weighed in is inside the
// tolerance and below the permitted maximum. It knows no limit of its own: target,
// tolerance and maximum come from the plan, and whether and how much of an additive
// a product may hold is for the local food code to say.
package dosing

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas, as they stand in records.
const (
	NeededFormula    formula.ID = "antioxidant-needed"
	FoundFormula     formula.ID = "antioxidant-found"
	DeviationFormula formula.ID = "antioxidant-deviation"
)

// Version is the version of every formula of this package.
const Version = 1

// source is where a balance of mass is from.
const source = "common-practice"

// An Of says what the target percent is a part of.
type Of int

// What it can be a part of. There is no default: the zero Of is refused.
const (
	// Gel is the mass of gel before the addition.
	Gel Of = iota + 1
	// Whole is the mass of gel and antioxidant together, as a label declares it.
	Whole
)

// A Batch is a batch of gel and what it is to hold.
type Batch struct {
	GelKg  float64 // GelKg is its mass before the addition in kg, above 0 to 100000.
	Target float64 // Target is the antioxidant wanted in %, above 0 to 5.
	Of     Of
	Purity float64 // Purity of the antioxidant as weighed in % of its mass, 50 to 100.
}

func (b Batch) check() error {
	for _, err := range []error{
		formula.Positive("gel", b.GelKg, quantity.Kilogram), formula.Within("gel", b.GelKg, 0, 100000, quantity.Kilogram),
		formula.Positive("target", b.Target, formula.Percent), formula.Within("target", b.Target, 0, 5, formula.Percent),
		formula.Within("purity", b.Purity, 50, 100, formula.Percent),
	} {
		if err != nil {
			return err
		}
	}
	if b.Of != Gel && b.Of != Whole {
		return fmt.Errorf("antioxidant: say whether the target is a part of the gel or of the whole: %w", formula.ErrData)
	}
	return nil
}

// Needed returns the grams of antioxidant, as weighed, for a batch: a balance of
// mass, gel x target / purity, or gel x target / (purity - target) where the target
// is a part of the whole.
//
// src: common-practice balance of mass
func Needed(b Batch) (formula.Result, error) {
	if err := b.check(); err != nil {
		return formula.Result{}, err
	}
	under := b.Purity
	if b.Of == Whole {
		under -= b.Target
	}
	return formula.Result{Value: 1000 * b.GelKg * b.Target / under, Unit: quantity.Gram, Formula: NeededFormula,
		Version: Version, Source: source}, nil
}

// A Verdict says how a weighed dose stands to its target.
type Verdict string

// The verdicts.
const (
	Inside Verdict = "inside"
	Below  Verdict = "below"
	Above  Verdict = "above"
	// OverMaximum: above the permitted maximum, whatever the tolerance says.
	OverMaximum Verdict = "over-maximum"
)

// A Finding is what a weighed dose amounts to.
type Finding struct {
	Verdict   Verdict
	Found     formula.Result // Found is the antioxidant in %, of what the target is a part of.
	Deviation formula.Result // Deviation is its distance from the target in % of the target.
}

// Check judges grams of antioxidant weighed into a batch (0 or more). tolerance is
// in % of the target (0 to 100), inclusive at its edges; maxPercent is the permitted
// maximum in the target's own terms (0: none), inclusive. The mass weighed in is
// judged, not what the laboratory finds later.
//
// src: common-practice balance of mass
func Check(b Batch, grams, tolerance, maxPercent float64) (Finding, error) {
	if err := b.check(); err != nil {
		return Finding{}, err
	}
	for _, err := range []error{
		formula.Within("antioxidant weighed", grams, 0, 1000*b.GelKg, quantity.Gram), formula.Within("tolerance", tolerance, 0, 100, formula.Percent),
		formula.Within("maximum", maxPercent, 0, 100, formula.Percent),
	} {
		if err != nil {
			return Finding{}, err
		}
	}
	mass := 1000 * b.GelKg
	if b.Of == Whole {
		mass += grams
	}
	found := grams * b.Purity / mass
	deviation := 100 * (found/b.Target - 1)
	f := Finding{
		Verdict:   Inside,
		Found:     formula.Result{Value: found, Unit: formula.Percent, Formula: FoundFormula, Version: Version, Source: source},
		Deviation: formula.Result{Value: deviation, Unit: formula.Percent, Formula: DeviationFormula, Version: Version, Source: source},
	}
	switch {
	case maxPercent > 0 && found > maxPercent*(1+edge):
		f.Verdict = OverMaximum
	case deviation < -tolerance-100*edge:
		f.Verdict = Below
	case deviation > tolerance+100*edge:
		f.Verdict = Above
	}
	return f, nil
}

// edge keeps binary rounding from putting a dose outside that lies on the edge as written.
const edge = 1e-9
