package brine

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// ErrNotSeaWater is practical salinity asked for something that is not sea water.
var ErrNotSeaWater = errors.New("practical salinity is defined for sea water only")

// A Water says what is dissolved.
type Water int

// The waters there are. The zero Water, "not said", is not taken for sea water.
const (
	SeaWater Water = iota + 1
	// SodiumChloride is a bath made up with salt.
	SodiumChloride
)

// Coefficients of the Practical Salinity Scale 1978.
//
// src: unesco-44 coefficients of PSS-78
var (
	pssA = []float64{0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081}
	pssB = []float64{0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144}
	pssC = []float64{0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9}
	pssD = []float64{1, 3.426e-2, 4.464e-4}
	pssE = []float64{0, 2.070e-5, -6.370e-10, 3.989e-15}
)

const (
	pssK  = 0.0162
	pssD3 = 4.215e-1
	pssD4 = -3.107e-3
	// seaWater35 is the conductivity in mS/cm of sea water of salinity 35 at 15 °C (IPTS-68) and no pressure.
	// src: unesco-44 C(35,15,0)
	seaWater35 = 42.914
	// src: unesco-44 t68 from t90
	t68PerT90 = 1.00024
)

// Salinity returns the practical salinity (PSS-78, a plain number) of sea water
// that conducts mSPerCm mS/cm at celsius °C (ITS-90, -2 to 40; above 35
// [formula.Extrapolated]) and decibar dbar of sea pressure (0 to 10000). It holds
// from 2 to 42. For anything but [SeaWater] it is an [ErrNotSeaWater]: fed with
// the conductivity of a plain salt bath it would read 2 to 5 % too high and look
// like grams of salt in a kilogram. For a bath use [PercentFromConductivity],
// the density or a titration.
//
// src: unesco-44 PSS-78
func Salinity(of Water, mSPerCm, celsius, decibar float64) (formula.Result, error) {
	if err := formula.Within("conductivity", mSPerCm, 0, 200, quantity.MilliSPerCm); err != nil {
		return formula.Result{}, err
	}
	return SalinityOfRatio(of, mSPerCm/seaWater35, celsius*t68PerT90, decibar)
}

// SalinityOfRatio is [Salinity] by the conductivity ratio C(S,t,p)/C(35,15,0)
// (0 to 5) and the temperature on the scale of 1968, as the check values give them.
//
// src: unesco-44 PSS-78
func SalinityOfRatio(of Water, ratio, celsius68, decibar float64) (formula.Result, error) {
	if of != SeaWater {
		return formula.Result{}, fmt.Errorf("%w: for a salt bath use its density, a titration or the conductivity table of NaCl", ErrNotSeaWater)
	}
	err := firstOf(formula.Within("conductivity ratio", ratio, 0, 5, formula.One),
		formula.Within("temperature", celsius68, -2, 40.01, quantity.Celsius),
		formula.Within("pressure", decibar, 0, 10000, "dbar"))
	if err != nil {
		return formula.Result{}, err
	}
	s := pss78(ratio, celsius68, decibar)
	if err := formula.Within("practical salinity", s, 2, 42.0000001, formula.One); err != nil {
		return formula.Result{}, err
	}
	cautions := caution(SeaWaterOnly)
	if celsius68 > 35*t68PerT90 {
		cautions = append(cautions, caution(formula.Extrapolated)...)
	}
	return result(s, formula.One, SalinityFormula, "unesco-44", cautions...), nil
}

func pss78(ratio, t68, decibar float64) float64 {
	rp := 1 + polynomial(pssE, decibar)/(polynomial(pssD, t68)+(pssD3+pssD4*t68)*ratio)
	root := math.Sqrt(ratio / (rp * polynomial(pssC, t68)))
	share := (t68 - 15) / (1 + pssK*(t68-15))
	return polynomial(pssA, root) + share*polynomial(pssB, root)
}

// polynomial returns c[0] + c[1] x + c[2] x^2 + ...
func polynomial(c []float64, x float64) float64 {
	sum := 0.0
	for _, factor := range slices.Backward(c) {
		sum = sum*x + factor
	}
	return sum
}
