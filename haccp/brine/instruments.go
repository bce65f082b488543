package brine

import (
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// The refractive index of NaCl solutions at 20 °C and 589 nm, by % w/w.
//
// src: crc-concentrative refractive index
var (
	indexAt = []float64{0, 1, 5, 10, 20, 26}
	indices = []float64{1.3330, 1.3347, 1.3418, 1.3505, 1.3684, 1.3795}
)

// Refractometer returns the % w/w of a sodium chloride solution with refractive
// index n (1.3330 to 1.3795) at 20 °C; an instrument at another temperature must
// compensate. Salt from 3.5 to 21.5 % is where refractometer and density were
// found to agree; outside it the value carries [formula.Extrapolated]. The
// indices behind it are from memory ([formula.Unconfirmed]).
//
// src: crc-concentrative refractive index
func Refractometer(n float64) (formula.Result, error) {
	if err := formula.Within("refractive index", n, indices[0], indices[len(indices)-1], formula.One); err != nil {
		return formula.Result{}, err
	}
	percent := line(indices, indexAt, n)
	cautions := caution(OtherSolutes, formula.Unconfirmed)
	// src: furtado-2022 range of agreement, 35 to 215 g/kg
	if percent < 3.5 || percent > 21.5 {
		cautions = append(cautions, caution(formula.Extrapolated)...)
	}
	return result(percent, quantity.PercentMass, RefractometerFormula, "crc-concentrative", cautions...), nil
}

// The conductivity of NaCl solutions at 20 °C in mS/cm, by % w/w.
//
// src: crc-conductivity NaCl
var (
	conductiveAt = []float64{0.5, 1, 2, 5, 10, 15, 20, 25}
	conductances = []float64{8.2, 16.0, 30.2, 70.1, 126, 171, 204, 222}
)

// linearPerCelsius is the rise of the conductivity of 10 % NaCl by °C, as part of its value at 25 °C.
//
// src: conductivity-manual linear coefficient of NaCl 10 %
const linearPerCelsius = 0.0214

// Temperatures in °C over which one linear coefficient is used.
const conductLow, conductHigh = 10.0, 30.0

// maxConductive is the strongest solution of the table in % w/w. Nearer to
// saturation the conductivity hardly rises and says nothing more.
const maxConductive = 25.0

// atTwenty is the conductivity at 20 °C: percent times what one percent gives,
// which is nearly straight over the root of the strength.
func atTwenty(percent float64) float64 {
	xs, ys := make([]float64, len(conductiveAt)), make([]float64, len(conductiveAt))
	for i, p := range conductiveAt {
		xs[i], ys[i] = math.Sqrt(p), conductances[i]/p
	}
	return percent * line(xs, ys, math.Sqrt(percent))
}

// linear brings a conductivity at 20 °C to another temperature.
func linear(celsius float64) float64 {
	return (1 + linearPerCelsius*(celsius-25)) / (1 + linearPerCelsius*(20-25))
}

func conductCautions(percent, celsius float64) []formula.Caution {
	out := caution(OtherSolutes)
	if celsius != 20 {
		out = append(out, caution(CorrectedTemperature)...)
	}
	if percent < conductiveAt[0] {
		out = append(out, caution(formula.Extrapolated)...)
	}
	return out
}

// Conductivity returns the conductivity in mS/cm of a sodium chloride solution of
// percent % w/w (0 to 25; below 0.5 drawn on) at celsius °C (10 to 30). The table
// is for 20 °C; elsewhere one linear coefficient, that of a 10 % solution, is
// used and the value carries [CorrectedTemperature].
//
// src: crc-conductivity NaCl
func Conductivity(percent, celsius float64) (formula.Result, error) {
	err := firstOf(formula.Within("salt", percent, 0, maxConductive, quantity.PercentMass),
		formula.Within("temperature", celsius, conductLow, conductHigh, quantity.Celsius))
	if err != nil {
		return formula.Result{}, err
	}
	return result(atTwenty(percent)*linear(celsius), quantity.MilliSPerCm, ConductivityFormula, "crc-conductivity",
		conductCautions(percent, celsius)...), nil
}

// PercentFromConductivity returns the % w/w of a sodium chloride solution that
// conducts mSPerCm mS/cm at celsius °C (10 to 30), uncompensated: the inverse of
// [Conductivity].
//
// src: crc-conductivity NaCl
func PercentFromConductivity(mSPerCm, celsius float64) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, conductLow, conductHigh, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	most := atTwenty(maxConductive) * linear(celsius)
	if err := formula.Within("conductivity", mSPerCm, 0, most, quantity.MilliSPerCm); err != nil {
		return formula.Result{}, err
	}
	percent := solve(atTwenty, mSPerCm/linear(celsius), 0, maxConductive)
	return result(percent, quantity.PercentMass, PercentConductivityFormula, "crc-conductivity",
		conductCautions(percent, celsius)...), nil
}
