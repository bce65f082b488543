package wash

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas of the DPD tests, as they stand in records.
const (
	FreeDPDFormula        formula.ID = "dpd-fas-free"
	MonochloramineFormula formula.ID = "dpd-fas-monochloramine"
	DichloramineFormula   formula.ID = "dpd-fas-dichloramine"
	CombinedDPDFormula    formula.ID = "dpd-fas-combined"
	TotalDPDFormula       formula.ID = "dpd-fas-total"
	CombinedFormula       formula.ID = "combined-chlorine"
	DilutedFormula        formula.ID = "diluted-sample"
)

// A DPDTitration holds the three buret readings, in mL of ferrous ammonium
// sulfate (FAS, 0.00282 N) used from the start: with DPD, after a trace of iodide,
// and after plenty of iodide.
type DPDTitration struct {
	AfterDPD    float64
	AfterTrace  float64
	AfterIodide float64
	SampleML    float64 // SampleML is the volume of the sample, above 0; 100 as a rule.
}

// A Partition is the chlorine of one sample by kind, each in mg/L as Cl2.
type Partition struct {
	Free, Monochloramine, Dichloramine, Combined, Total formula.Result
}

// PartitionDPD splits the chlorine of a sample by titration with DPD and FAS. In
// a sample of 100 mL 1.00 mL of FAS is 1.00 mg/L as Cl2: free = A,
// monochloramine = B - A, dichloramine = C - B, combined = C - A, total = C.
// Readings that fall from one step to the next are an error
// ([formula.ErrData]): a buret is read from the start. Up to 20 mg/L; dilute
// above.
//
// src: standard-methods-chlorine 4500-Cl F
func PartitionDPD(t DPDTitration) (Partition, error) {
	if err := formula.Positive("sample", t.SampleML, quantity.Millilitre); err != nil {
		return Partition{}, err
	}
	factor := 100 / t.SampleML
	a, b, c := t.AfterDPD*factor, t.AfterTrace*factor, t.AfterIodide*factor
	err := firstOf(formula.Within("reading with DPD", a, 0, maxDPD, quantity.MgPerL), formula.Within("reading after a trace of iodide", b, 0, maxDPD, quantity.MgPerL),
		formula.Within("reading after iodide", c, 0, maxDPD, quantity.MgPerL))
	if err != nil {
		return Partition{}, err
	}
	if b < a || c < b {
		return Partition{}, fmt.Errorf("DPD titration: the readings %v, %v and %v mL fall: read the buret from the start and titrate again: %w",
			t.AfterDPD, t.AfterTrace, t.AfterIodide, formula.ErrData)
	}
	mg := func(v float64, id formula.ID) formula.Result {
		return result(v, quantity.MgPerL, id, "standard-methods-chlorine")
	}
	return Partition{Free: mg(a, FreeDPDFormula), Monochloramine: mg(b-a, MonochloramineFormula),
		Dichloramine: mg(c-b, DichloramineFormula), Combined: mg(c-a, CombinedDPDFormula), Total: mg(c, TotalDPDFormula)}, nil
}

// maxDPD is a generous end for the titration in mg/L; the method asks for dilution well below.
const maxDPD = 20.0

// Combined returns the combined chlorine of a sample, total less free, both in
// mg/L as Cl2 of the same sample (0 to 20000). Less total than free cannot be: it
// is a fault of the data ([formula.ErrData]), never 0.
//
// src: dpd-kit-manual combined chlorine
func Combined(totalMgPerL, freeMgPerL float64) (formula.Result, error) {
	err := firstOf(formula.Within("total chlorine", totalMgPerL, 0, maxFree, quantity.MgPerL),
		formula.Within("free chlorine", freeMgPerL, 0, maxFree, quantity.MgPerL))
	if err != nil {
		return formula.Result{}, err
	}
	if totalMgPerL < freeMgPerL {
		return formula.Result{}, fmt.Errorf("combined chlorine: total %v mg/L is less than free %v mg/L, which cannot be in one sample: test both again: %w",
			totalMgPerL, freeMgPerL, formula.ErrData)
	}
	return result(totalMgPerL-freeMgPerL, quantity.MgPerL, CombinedFormula, "dpd-kit-manual"), nil
}

// A Method is the range of a test in mg/L as Cl2, on the water as it stands in
// the cell.
type Method struct{ Low, High float64 }

func (m Method) check() error {
	return firstOf(formula.Within("lower end of the method", m.Low, 0, maxFree, quantity.MgPerL), formula.Within("upper end of the method", m.High, m.Low, maxFree, quantity.MgPerL))
}

// Diluted returns the chlorine of a sample in mg/L as Cl2 from the reading of a
// diluted part: sampleML mL (above 0) made up to totalML mL (sampleML or more)
// read readMgPerL. A reading outside the method's range is an error: dilute more,
// or less. The factor multiplies the error of the reading too.
//
// src: common-practice dilution of a sample
func Diluted(readMgPerL, sampleML, totalML float64, m Method) (formula.Result, error) {
	err := firstOf(m.check(), formula.Positive("sample", sampleML, quantity.Millilitre),
		formula.Within("volume made up", totalML, sampleML, 1e6, quantity.Millilitre),
		formula.Within("reading", readMgPerL, m.Low, m.High, quantity.MgPerL))
	if err != nil {
		return formula.Result{}, err
	}
	value := readMgPerL * totalML / sampleML
	if err := formula.Within("chlorine found", value, 0, maxFree, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	return result(value, quantity.MgPerL, DilutedFormula, "common-practice"), nil
}

// bleachMgPerL is the least level at which a photometer manual says that chlorine may
// bleach the colour of DPD (another says above 10).
//
// src: photometer-manuals above 8 mg/L
const bleachMgPerL = 8.0

// RetestDiluted tells whether a DPD reading asks for a diluted re-test before
// anything is dosed: the bath should hold expectedMgPerL mg/L, enough to bleach
// the colour (above 8), and an undiluted sample read less than half of that. Much
// chlorine can bleach the test to a low reading or to nothing. The half is a
// choice of this program.
//
// src: photometer-manuals above 8 mg/L
func RetestDiluted(readMgPerL, expectedMgPerL float64, diluted bool) bool {
	return !diluted && expectedMgPerL > bleachMgPerL && readMgPerL < expectedMgPerL/2
}
