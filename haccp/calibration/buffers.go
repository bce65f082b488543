package calibration

import (
	"fmt"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Family is a set of pH buffers with one table of temperatures. Families are not
// mixed in one calibration: at 25 °C carbonate is 10.02 in one and 10.01 in the
// other, and at 20 °C a neutral buffer 6.88 or 7.02.
type Family string

// The families of buffers.
const (
	Technical Family = "technical" // Technical buffers, sold as 4.00, 7.00 and 10.01.
	JIS       Family = "jis-z8802" // JIS buffers, also named after NIST: 4.01, 6.86, 9.18 and 10.02.
)

// A Buffer is a buffer by its name in its family.
type Buffer string

// The buffers of both families.
const (
	Buffer400  Buffer = "4.00"
	Buffer700  Buffer = "7.00"
	Buffer1001 Buffer = "10.01"
	Phthalate  Buffer = "phthalate" // 4.01
	Phosphate  Buffer = "phosphate" // 6.86
	Borate     Buffer = "borate"    // 9.18
	Carbonate  Buffer = "carbonate" // 10.02
)

// bufferStep is the step in °C of the printed tables, which begin at 0 °C.
const bufferStep = 5.0

// A bufferTable is a family with its source and its buffers, pH at 0, 5, 10 … °C.
type bufferTable struct {
	source string
	ph     map[Buffer][]float64
}

var bufferTables = map[Family]bufferTable{
	// src: technical-buffers tables 7 and 8
	Technical: {"technical-buffers", map[Buffer][]float64{
		Buffer400:  {4.00, 4.00, 4.00, 4.00, 4.00, 4.00, 4.01, 4.02, 4.03, 4.04, 4.06},
		Buffer700:  {7.12, 7.09, 7.06, 7.04, 7.02, 7.00, 6.99, 6.99, 6.98, 6.98, 6.97},
		Buffer1001: {10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89, 9.86, 9.83},
	}},
	// src: jis-z8802 pH of the standard solutions
	JIS: {"jis-z8802", map[Buffer][]float64{
		Phthalate: {4.01, 4.01, 4.00, 4.00, 4.00, 4.01, 4.01, 4.02, 4.03, 4.04, 4.06},
		Phosphate: {6.98, 6.95, 6.92, 6.90, 6.88, 6.86, 6.85, 6.84, 6.84, 6.83, 6.83},
		Borate:    {9.46, 9.39, 9.33, 9.27, 9.22, 9.18, 9.14, 9.10, 9.07, 9.04, 9.01},
		Carbonate: {10.32, 10.25, 10.18, 10.12, 10.07, 10.02, 9.97, 9.93},
	}},
}

// BufferPH returns the pH of a buffer of a family at a temperature: as printed, and
// on a straight line between two printed temperatures with [Interpolated]. 0 to
// 50 °C, carbonate of [JIS] to 35 °C. A buffer of another family is an error.
//
// Source: technical-buffers, jis-z8802.
func BufferPH(family Family, buffer Buffer, celsius float64) (formula.Result, error) {
	table, ok := bufferTables[family]
	if !ok {
		return formula.Result{}, fmt.Errorf("no family of buffers %q: %s or %s is wanted", family, Technical, JIS)
	}
	ph, ok := table.ph[buffer]
	if !ok {
		names := make([]Buffer, 0, len(table.ph))
		for b := range table.ph {
			names = append(names, b)
		}
		slices.Sort(names)
		return formula.Result{}, contradiction("the family %s has no buffer %q, only %v; buffers of two families are not mixed", family, buffer, names)
	}
	last := float64(len(ph)-1) * bufferStep
	if err := formula.Within("temperature", celsius, 0, last, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	i := min(int(celsius/bufferStep), len(ph)-2)
	part := celsius/bufferStep - float64(i)
	var cautions []formula.Caution
	if part != 0 && part != 1 {
		cautions = append(cautions, formula.Caution{Code: Interpolated})
	}
	return result(ph[i]*(1-part)+ph[i+1]*part, quantity.PHUnit, BufferFormula, table.source, cautions...), nil
}

// PhthalatePH returns the pH of 0.05 mol/kg potassium hydrogen phthalate on the NBS
// scale at 0 to 60 °C by the equation of 1977: 2073.44/T - 13.3270 + 0.045199 T -
// 3.4846e-5 T^2, T in kelvin. At 25 °C it is 4.006, where that of 1946 has 4.005.
//
// Source: nbs-phthalate-1977.
func PhthalatePH(celsius float64) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, 0, 60, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	k := celsius + kelvin
	return result(2073.44/k-13.3270+0.045199*k-3.4846e-5*k*k, quantity.PHUnit, PhthalateFormula, "nbs-phthalate-1977"), nil
}
