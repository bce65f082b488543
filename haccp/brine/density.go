package brine

import (
	"fmt"
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Temperatures in °C between which the density of a brine is given.
const minCelsius, maxCelsius = 0.0, 50.0

// maxMolality is the strongest solution of the table of volumes, in mol of NaCl
// in 1 kg of water (22.6 % w/w); from there to saturation the volume is drawn on.
const maxMolality = 5.0

// molalities and volumes are the specific volume of NaCl solutions in cm3/g at
// 100 kPa, by temperature in °C and molality in mol/kg.
//
// src: rogers-pitzer-1982 specific volume
var (
	molalities = []float64{0.1, 0.25, 0.5, 0.75, 1, 2, 3, 4, 5}
	volumesAt  = []float64{0, 10, 20, 25, 30, 40, 50}
	volumes    = [][]float64{
		{0.995732, 0.989259, 0.978889, 0.968991, 0.959525, 0.925426, 0.896292, 0.870996, 0.848646},
		{0.995998, 0.989781, 0.979804, 0.970256, 0.961101, 0.927905, 0.899262, 0.874201, 0.851958},
		{0.997620, 0.991564, 0.981833, 0.972505, 0.963544, 0.930909, 0.902565, 0.877643, 0.855469},
		{0.998834, 0.992832, 0.983185, 0.973932, 0.965038, 0.932590, 0.904339, 0.879457, 0.857301},
		{1.000279, 0.994319, 0.984735, 0.975539, 0.966694, 0.934382, 0.906194, 0.881334, 0.859185},
		{1.003796, 0.997883, 0.988374, 0.979243, 0.970455, 0.938287, 0.910145, 0.885276, 0.863108},
		{1.008064, 1.002161, 0.992668, 0.983551, 0.974772, 0.942603, 0.914411, 0.889473, 0.867241},
	}
)

// roots and apparent are the same table as it is read: the square root of the
// molality, and the apparent volume of the salt in cm3/mol, which is nearly
// straight over it.
var roots, apparent = apparentVolumes()

func apparentVolumes() ([]float64, [][]float64) {
	x := make([]float64, len(molalities))
	for i, m := range molalities {
		x[i] = math.Sqrt(m)
	}
	y := make([][]float64, len(volumesAt))
	for i, celsius := range volumesAt {
		y[i] = make([]float64, len(molalities))
		for j, m := range molalities {
			y[i][j] = (volumes[i][j]*(1000+m*NaClGPerMol) - 1e6/water(celsius)) / m
		}
	}
	return x, y
}

// water is the density of pure water in kg/m3 at 0 to 100 °C.
//
// src: kell-1975 density of water
func water(t float64) float64 {
	n := (((((-2.8054253e-10*t+1.0556302e-7)*t-4.6170461e-5)*t-0.0079870401)*t + 16.945176) * t) + 999.83952
	return n / (1 + 0.01687985*t)
}

func molality(percent float64) float64 { return 1000 * percent / ((100 - percent) * NaClGPerMol) }

// density is that of a solution in kg/m3. It reads the apparent volume of the
// salt along a smooth curve over the root of the molality, then over the temperature.
func density(percent, celsius float64) float64 {
	if percent == 0 {
		return water(celsius)
	}
	m := molality(percent)
	column := make([]float64, len(apparent))
	for i, row := range apparent {
		column[i] = smooth(roots, row, math.Sqrt(m))
	}
	volume := m*smooth(volumesAt, column, celsius) + 1e6/water(celsius)
	return 1000 * (1000 + m*NaClGPerMol) / volume
}

// drawnOn is the caution of a strength beyond the table of volumes.
func drawnOn(percent float64) []formula.Caution {
	if molality(percent) > maxMolality {
		return caution(formula.Extrapolated)
	}
	return nil
}

// Density returns the density in kg/m3 of a sodium chloride solution of percent
// % w/w (0 to 26.395) at celsius °C (0 to 50). Above 22.6 % it carries
// [formula.Extrapolated]; it stays within 0.15 kg/m3 of the tables at 20 °C there.
//
// src: rogers-pitzer-1982 specific volume
func Density(percent, celsius float64) (formula.Result, error) {
	if err := firstOf(withinPercent("salt", percent), withinCelsius(celsius)); err != nil {
		return formula.Result{}, err
	}
	return result(density(percent, celsius), formula.KgPerM3, DensityFormula, "rogers-pitzer-1982", drawnOn(percent)...), nil
}

// PercentFromDensity returns the % w/w of a sodium chloride solution whose
// density is kgPerM3 kg/m3 at celsius °C (0 to 50). A density below that of
// water or above that of a saturated brine at this temperature is an error.
//
// src: rogers-pitzer-1982 specific volume
func PercentFromDensity(kgPerM3, celsius float64) (formula.Result, error) {
	if err := withinCelsius(celsius); err != nil {
		return formula.Result{}, err
	}
	low, high := density(0, celsius), density(MaxPercent, celsius)
	if err := formula.Within("density", kgPerM3, low, high, formula.KgPerM3); err != nil {
		return formula.Result{}, fmt.Errorf("brine at %v °C: %w", celsius, err)
	}
	percent := solve(func(p float64) float64 { return density(p, celsius) }, kgPerM3, 0, MaxPercent)
	return result(percent, quantity.PercentMass, PercentFromDensityFormula, "rogers-pitzer-1982",
		append(caution(OtherSolutes), drawnOn(percent)...)...), nil
}

// GramsPerLitre returns the grams of NaCl in a litre of a solution of percent
// % w/w (0 to 26.395) at celsius °C (0 to 50).
//
// src: rogers-pitzer-1982 specific volume
func GramsPerLitre(percent, celsius float64) (formula.Result, error) {
	r, err := Density(percent, celsius)
	if err != nil {
		return formula.Result{}, err
	}
	return result(r.Value*percent/100, quantity.GramPerL, GramsPerLitreFormula, r.Source, r.Cautions...), nil
}

// PercentFromGramsPerLitre returns the % w/w of a solution that holds gPerL grams
// of NaCl in a litre at celsius °C (0 to 50).
//
// src: rogers-pitzer-1982 specific volume
func PercentFromGramsPerLitre(gPerL, celsius float64) (formula.Result, error) {
	if err := withinCelsius(celsius); err != nil {
		return formula.Result{}, err
	}
	grams := func(p float64) float64 { return p / 100 * density(p, celsius) }
	if err := formula.Within("salt", gPerL, 0, grams(MaxPercent), quantity.GramPerL); err != nil {
		return formula.Result{}, err
	}
	percent := solve(grams, gPerL, 0, MaxPercent)
	return result(percent, quantity.PercentMass, PercentFromGramsFormula, "rogers-pitzer-1982", drawnOn(percent)...), nil
}

// PoundsPerUSGallon returns the pounds of NaCl in a US gallon of a solution of
// percent % w/w (0 to 26.395) at celsius °C (0 to 50).
//
// src: rogers-pitzer-1982 specific volume
func PoundsPerUSGallon(percent, celsius float64) (formula.Result, error) {
	r, err := GramsPerLitre(percent, celsius)
	if err != nil {
		return formula.Result{}, err
	}
	return result(r.Value*litresPerUSGallon/1000/kgPerPound, PoundPerUSGallon, PoundsPerGallonFormula, r.Source, r.Cautions...), nil
}

// PoundPerUSGallon is the unit of [PoundsPerUSGallon].
const PoundPerUSGallon quantity.Unit = "lb/US gal"

// MassPerMass states mgPerL mg/L (0 or more) of any solute in a solution of
// percent % w/w salt at celsius °C (0 to 50) as mg/kg. Milligrams per litre and
// parts per million by mass are one only in water of density 1.
//
// src: rogers-pitzer-1982 specific volume
func MassPerMass(mgPerL, percent, celsius float64) (formula.Result, error) {
	r, err := Density(percent, celsius)
	if err := firstOf(err, formula.Within("concentration", mgPerL, 0, 1e6, quantity.MgPerL)); err != nil {
		return formula.Result{}, err
	}
	return result(mgPerL*1000/r.Value, formula.MgPerKg, MassPerMassFormula, r.Source, r.Cautions...), nil
}
