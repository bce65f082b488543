package wash

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas of the chlorine tests, as they stand in records.
const (
	IodometricFormula     formula.ID = "iodometric-total"
	AvailableFormula      formula.ID = "available-chlorine"
	ChlorineEqFormula     formula.ID = "thiosulfate-chlorine"
	HypochloriteEqFormula formula.ID = "thiosulfate-hypochlorite"
	NormalityFormula      formula.ID = "thiosulfate-normality"
	IodateFormula         formula.ID = "iodate-standard"
)

// Version is the version of every formula of this package that names none of its own.
const Version = 1

const (
	// iodometric is the constant of the standard method, mg of Cl2 in an equivalent.
	// src: standard-methods-chlorine 4500-Cl B
	iodometric = 35450.0
	// cl2GPerMol and naOClGPerMol are molar masses in g/mol.
	// src: chlorine-stoichiometry molar masses
	cl2GPerMol   = 70.906
	naOClGPerMol = 74.4422
	// iodateGPerEq is the mass in g of potassium iodate that frees one equivalent of iodine, 214.00/6.
	// src: iodate-procedure KIO3 for 0.1 N
	iodateGPerEq = 214.00 / 6
)

// A Titration is a titration of chlorine with sodium thiosulfate.
type Titration struct {
	ThiosulfateML float64 // ThiosulfateML is what the sample took, in mL, 0 to 1000.
	BlankML       float64 // BlankML is what the blank took, in mL; below 0 where the blank was titrated back. -100 to 1000.
	Normality     float64 // Normality of the thiosulfate in eq/L, above 0 to 2.
}

// milliequivalents returns the chlorine found.
func (t Titration) milliequivalents() (float64, error) {
	err := firstOf(formula.Within("thiosulfate", t.ThiosulfateML, 0, 1000, quantity.Millilitre),
		formula.Within("blank", t.BlankML, -100, 1000, quantity.Millilitre),
		formula.Positive("normality", t.Normality, eqPerL), formula.Within("normality", t.Normality, 0, 2, eqPerL))
	if err != nil {
		return 0, err
	}
	net := t.ThiosulfateML - t.BlankML
	if net < 0 {
		return 0, fmt.Errorf("titration: the sample took %v mL, less than the blank's %v mL: check both and titrate again: %w",
			t.ThiosulfateML, t.BlankML, formula.ErrData)
	}
	return net * t.Normality, nil
}

const eqPerL quantity.Unit = "eq/L"

// result fills in what is alike in every result of the package.
func result(value float64, unit quantity.Unit, id formula.ID, source string, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: value, Unit: unit, Formula: id, Version: Version, Source: source, Cautions: cautions}
}

// cautionsOf makes cautions that leave the value usable.
func cautionsOf(codes ...formula.Code) []formula.Caution {
	out := make([]formula.Caution, len(codes))
	for i, c := range codes {
		out[i].Code = c
	}
	return out
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

// IodometricTotal returns the total chlorine of a sample of sampleML mL (above 0)
// in mg/L as Cl2: (A - B) x N x 35450 / mL of sample. The method sees total
// chlorine and is for 1 mg/L and more.
//
// src: standard-methods-chlorine 4500-Cl B
func IodometricTotal(t Titration, sampleML float64) (formula.Result, error) {
	meq, err := t.milliequivalents()
	if err := firstOf(err, formula.Positive("sample", sampleML, quantity.Millilitre)); err != nil {
		return formula.Result{}, err
	}
	total := meq * iodometric / sampleML
	if err := formula.Within("total chlorine found", total, 0, 500000, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	return result(total, quantity.MgPerL, IodometricFormula, "standard-methods-chlorine"), nil
}

// AvailableChlorine returns the strength of a hypochlorite product of which
// sampleML mL (above 0) were titrated, in grams of available chlorine in 100 mL
// (trade percent): net mL x N x 3.5453 / mL of sample.
//
// src: available-chlorine-assay percent w/v
func AvailableChlorine(t Titration, sampleML float64) (formula.Result, error) {
	meq, err := t.milliequivalents()
	if err := firstOf(err, formula.Positive("sample", sampleML, quantity.Millilitre)); err != nil {
		return formula.Result{}, err
	}
	trade := meq * cl2GPerMol / 2 / 10 / sampleML
	if err := formula.Within("strength found", trade, 0, maxTrade, TradeUnit); err != nil {
		return formula.Result{}, err
	}
	return result(trade, TradeUnit, AvailableFormula, "available-chlorine-assay"), nil
}

// ChlorineEquivalent returns the mg of available chlorine, as Cl2, that ml mL
// (0 or more) of thiosulfate of a normality (above 0 to 2 eq/L) stand for: 3.545 mg
// for 1 mL of 0.1 N.
//
// src: aoac-935-09 chlorine equivalent
func ChlorineEquivalent(ml, normality float64) (formula.Result, error) {
	meq, err := Titration{ThiosulfateML: ml, Normality: normality}.milliequivalents()
	if err != nil {
		return formula.Result{}, err
	}
	return result(meq*cl2GPerMol/2, Milligram, ChlorineEqFormula, "aoac-935-09"), nil
}

// HypochloriteEquivalent returns the mg of NaOCl that ml mL (0 or more) of
// thiosulfate of a normality (above 0 to 2 eq/L) stand for: 3.722 mg for 1 mL of 0.1 N.
//
// src: usp29-hypochlorite assay
func HypochloriteEquivalent(ml, normality float64) (formula.Result, error) {
	meq, err := Titration{ThiosulfateML: ml, Normality: normality}.milliequivalents()
	if err != nil {
		return formula.Result{}, err
	}
	return result(meq*naOClGPerMol/2, Milligram, HypochloriteEqFormula, "usp29-hypochlorite"), nil
}

// Milligram is the unit of the equivalents.
const Milligram quantity.Unit = "mg"

// ThiosulfateNormality returns the normality in eq/L of a thiosulfate of which
// takenML mL (above 0) were used by standardML mL of a standard of standardN eq/L
// (both above 0).
//
// src: iodate-procedure normality of thiosulfate
func ThiosulfateNormality(standardML, standardN, takenML float64) (formula.Result, error) {
	err := firstOf(formula.Positive("standard", standardML, quantity.Millilitre), formula.Positive("normality of the standard", standardN, eqPerL),
		formula.Positive("thiosulfate", takenML, quantity.Millilitre))
	if err != nil {
		return formula.Result{}, err
	}
	return result(standardML*standardN/takenML, eqPerL, NormalityFormula, "iodate-procedure"), nil
}

// IodateStandard returns the grams of potassium iodate in a litre of a standard of
// a normality (above 0 to 1 eq/L): 214.00/6 times the normality.
//
// src: iodate-procedure KIO3 for 0.1 N
func IodateStandard(normality float64) (formula.Result, error) {
	if err := firstOf(formula.Positive("normality", normality, eqPerL), formula.Within("normality", normality, 0, 1, eqPerL)); err != nil {
		return formula.Result{}, err
	}
	return result(normality*iodateGPerEq, quantity.GramPerL, IodateFormula, "iodate-procedure"), nil
}
