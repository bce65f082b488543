package brine

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Titration is a titration of chloride with silver nitrate (Mohr). Volumes are
// in mL, the strength in mol/L (for silver nitrate the same number as its
// normality).
type Titration struct {
	SilverML float64 // SilverML is what the sample took.
	BlankML  float64 // BlankML is what the blank took, 0 where none was run.
	MolPerL  float64 // MolPerL is the strength of the silver nitrate, above 0 to 1.
}

// millimoles returns the chloride found.
func (t Titration) millimoles() (float64, error) {
	err := firstOf(formula.Within("silver nitrate", t.SilverML, 0, 1000, quantity.Millilitre),
		formula.Within("blank", t.BlankML, 0, 1000, quantity.Millilitre),
		formula.Positive("strength of silver nitrate", t.MolPerL, formula.MolPerL),
		formula.Within("strength of silver nitrate", t.MolPerL, 0, 1, formula.MolPerL))
	if err != nil {
		return 0, err
	}
	if t.SilverML < t.BlankML {
		return 0, fmt.Errorf("titration: the sample took %v mL, less than the blank's %v mL: check both and titrate again: %w",
			t.SilverML, t.BlankML, formula.ErrData)
	}
	return (t.SilverML - t.BlankML) * t.MolPerL, nil
}

// ChlorideMohr returns the chloride of a sample of sampleML mL in mg/L as Cl-:
// net mL x mol/L x 35453 / mL of sample (prints that round the atomic mass give
// 35450).
//
// src: mohr-water chloride in mg/L
func ChlorideMohr(t Titration, sampleML float64) (formula.Result, error) {
	mmol, err := t.millimoles()
	if err := firstOf(err, formula.Positive("sample", sampleML, quantity.Millilitre)); err != nil {
		return formula.Result{}, err
	}
	return result(mmol*ClGPerMol*1000/sampleML, quantity.MgPerL, ChlorideMohrFormula, "mohr-water"), nil
}

// SaltMohr returns the salt of a sample of sampleML mL in g/L as NaCl, all
// chloride counted as salt ([TotalChloride]): net mL x mol/L x 58.443 / mL of
// sample.
//
// src: mohr-salt 1 mL of 0.1 M silver nitrate is 5.844 mg NaCl
func SaltMohr(t Titration, sampleML float64) (formula.Result, error) {
	mmol, err := t.millimoles()
	if err := firstOf(err, formula.Positive("sample", sampleML, quantity.Millilitre)); err != nil {
		return formula.Result{}, err
	}
	grams := mmol * NaClGPerMol / sampleML
	if err := formula.Within("salt found", grams, 0, 400, quantity.GramPerL); err != nil {
		return formula.Result{}, err
	}
	return result(grams, quantity.GramPerL, SaltMohrFormula, "mohr-salt", caution(TotalChloride)...), nil
}

// SaltInFoodMohr returns the salt of sampleG grams of product in % w/w, all
// chloride counted as salt ([TotalChloride]): net mL x mol/L x 5.8443 / grams
// (the print rounds to 5.84).
//
// src: mohr-food percent of salt
func SaltInFoodMohr(t Titration, sampleG float64) (formula.Result, error) {
	mmol, err := t.millimoles()
	if err := firstOf(err, formula.Positive("sample", sampleG, quantity.Gram)); err != nil {
		return formula.Result{}, err
	}
	percent := mmol * NaClGPerMol / 10 / sampleG
	if err := formula.Within("salt found", percent, 0, 100, quantity.PercentMass); err != nil {
		return formula.Result{}, err
	}
	return result(percent, quantity.PercentMass, SaltInFoodMohrFormula, "mohr-food", caution(TotalChloride)...), nil
}

// NaClFromChloride states mgPerL mg/L of chloride (0 to 200000) as mg/L of NaCl:
// times 58.443/35.453 = 1.6485 (prints round to 1.65).
//
// src: standard-methods-chloride NaCl from chloride
func NaClFromChloride(mgPerL float64) (formula.Result, error) {
	if err := formula.Within("chloride", mgPerL, 0, 200000, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	return result(mgPerL*NaClGPerMol/ClGPerMol, quantity.MgPerL, NaClFromChlorideFormula, "standard-methods-chloride",
		caution(TotalChloride)...), nil
}
