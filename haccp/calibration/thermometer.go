package calibration

import (
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// IcePoint is the temperature of crushed ice in water, °C.
const IcePoint = 0.0

// Tolerances of probe thermometers at the ice and boiling points, as printed.
//
// src: thermometer-acceptance ice and boiling points
const (
	ToleranceAustralia = 1.0 // K
	ToleranceUS        = 1.1 // K, printed as ±2 °F
)

// The standard atmosphere below 11 km: pressure and temperature at sea level, how
// temperature falls, gravity, molar mass of air, gas constant.
//
// src: standard-atmosphere constants
const (
	seaLevelHpa  = 1013.25
	seaLevelK    = 288.15
	lapse        = 0.0065 // K/m
	gravity      = 9.80665
	airKgPerMol  = 0.0289644
	airGas       = 8.31432
	highestMetre = 3048.0 // 10,000 ft, where the printed boiling points end
)

// The Antoine equation of water from 1 to 100 °C, pressure in mmHg.
//
// src: antoine-water constants, from memory
const (
	antoineA  = 8.07131
	antoineB  = 1730.63
	antoineC  = 233.426
	hpaAmmHg  = 1.33322
	lowestHpa = 690.0
	mostHpa   = 1050.0
)

// StandardPressure returns the mean air pressure, hPa, at 0 to 3,048 m above the
// sea. Carries [WeatherPressure].
//
// Source: standard-atmosphere.
func StandardPressure(metres float64) (formula.Result, error) {
	if err := formula.Within("altitude", metres, 0, highestMetre, quantity.Metre); err != nil {
		return formula.Result{}, err
	}
	p := seaLevelHpa * math.Pow(1-lapse*metres/seaLevelK, gravity*airKgPerMol/(airGas*lapse))
	return result(p, Hpa, PressureFormula, "standard-atmosphere", formula.Caution{Code: WeatherPressure}), nil
}

// BoilingPointAt returns the boiling point of water, °C, at the pressure of the day
// at the place itself (not reduced to sea level), 690 to 1,050 hPa. Above 100 °C it
// carries [formula.Extrapolated].
//
// Source: antoine-water, from memory; it agrees with boiling-altitude.
func BoilingPointAt(hpa float64) (formula.Result, error) {
	if err := formula.Within("pressure", hpa, lowestHpa, mostHpa, Hpa); err != nil {
		return formula.Result{}, err
	}
	c := antoineB/(antoineA-math.Log10(hpa/hpaAmmHg)) - antoineC
	var cautions []formula.Caution
	if c > 100 {
		cautions = append(cautions, formula.Caution{Code: formula.Extrapolated})
	}
	return result(c, quantity.Celsius, BoilingFormula, "boiling-altitude", cautions...), nil
}

// BoilingPoint returns the boiling point of water, °C, at 0 to 3,048 m above the sea
// in mean weather. Carries [WeatherPressure].
//
// Source: boiling-altitude, standard-atmosphere.
func BoilingPoint(metres float64) (formula.Result, error) {
	p, err := StandardPressure(metres)
	if err != nil {
		return formula.Result{}, err
	}
	b, err := BoilingPointAt(p.Value)
	if err != nil {
		return formula.Result{}, err
	}
	b.Cautions = append(b.Cautions, p.Cautions...)
	return b, nil
}

// A ThermometerCheck is a thermometer at a fixed point.
type ThermometerCheck struct {
	Reference float64        // °C
	Deviation formula.Result // Deviation is shown less reference, K.
	Within    bool           // Within tells that the deviation is no more than the tolerance.
}

// CheckIce holds what a thermometer shows in crushed ice and water (-50 to 200 °C)
// against 0.0 °C; tolerance in K, above 0 and at most 10.
//
// Source: thermometer-acceptance.
func CheckIce(shown, tolerance float64) (ThermometerCheck, error) {
	return checkAt(IcePoint, shown, tolerance)
}

// CheckBoiling holds what a thermometer shows in boiling water against the boiling
// point at an altitude (0 to 3,048 m). The deviation carries [WeatherPressure] and
// [ColdNeedsIce].
//
// Source: thermometer-acceptance, boiling-altitude.
func CheckBoiling(shown, metres, tolerance float64) (ThermometerCheck, error) {
	b, err := BoilingPoint(metres)
	if err != nil {
		return ThermometerCheck{}, err
	}
	return checkAt(b.Value, shown, tolerance, append(b.Cautions, formula.Caution{Code: ColdNeedsIce})...)
}

// CheckBoilingAt is [CheckBoiling] at the pressure of the day at the place, hPa.
func CheckBoilingAt(shown, hpa, tolerance float64) (ThermometerCheck, error) {
	b, err := BoilingPointAt(hpa)
	if err != nil {
		return ThermometerCheck{}, err
	}
	return checkAt(b.Value, shown, tolerance, append(b.Cautions, formula.Caution{Code: ColdNeedsIce})...)
}

func checkAt(reference, shown, tolerance float64, cautions ...formula.Caution) (ThermometerCheck, error) {
	if err := formula.Within("temperature", shown, -50, 200, quantity.Celsius); err != nil {
		return ThermometerCheck{}, err
	}
	if err := formula.Positive("tolerance", tolerance, quantity.Kelvin); err != nil {
		return ThermometerCheck{}, err
	}
	if err := formula.Within("tolerance", tolerance, 0, 10, quantity.Kelvin); err != nil {
		return ThermometerCheck{}, err
	}
	d := shown - reference
	return ThermometerCheck{
		Reference: reference,
		Deviation: result(d, quantity.Kelvin, ThermometerFormula, "thermometer-acceptance", cautions...),
		Within:    math.Abs(d) <= tolerance,
	}, nil
}
