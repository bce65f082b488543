// Package wash holds the arithmetic of a chlorinated wash bath: which part of
// the free chlorine is hypochlorous acid and which part is chlorine gas, the
// arithmetic of the chlorine tests, strengths of hypochlorite products and what
// storage takes from them, how much product a bath needs, and when no dose may
// be given.
//
// Every function is pure. It says in its comment the units of its arguments, the
// range in which it holds and where it is published; outside the range it
// returns an error ([formula.ErrRange]) or a value that carries a caution, never
// a bare number. The figures are aids: product label, local food-safety code,
// the competent authority and the plant's process authority decide.
package wash

import (
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas of the species of free chlorine, as they stand in records.
const (
	PKaFormula       formula.ID = "pka-morris"
	PKaVersion                  = 1
	HOClShareFormula formula.ID = "hocl-share-morris"
	HOClShareVersion            = 1
	HOClFormula      formula.ID = "hocl-morris"
	HOClVersion                 = 1
	Cl2ShareFormula  formula.ID = "cl2-share"
	Cl2ShareVersion             = 1
)

// Cautions of a value about the species of free chlorine.
const (
	// ChlorineGas: in salt water, and below pH 6.0 in any water, chlorine gas
	// comes off. Stop, add no acid, ventilate, leave if you smell it, call the
	// responsible person.
	ChlorineGas formula.Code = "chlorine-gas"
	// BelowPHFloor: the pH lies below the plan's floor; the value judges no limit.
	BelowPHFloor formula.Code = "below-ph-floor"
	// DiluteEquation: the equation is for dilute fresh water; in a salt bath the
	// apparent pKa is lower by roughly 0.1 to 0.2 (an estimate from memory, after
	// Davies), so the true share of HOCl is smaller than the value shown.
	DiluteEquation formula.Code = "dilute-equation"
	// NoActivity: worked out from concentrations with the constant of pure water;
	// a bound on neither side.
	NoActivity formula.Code = "no-activity-correction"
	// SaltUnknown: nothing is known of the salt; the cautions of salt water hold.
	SaltUnknown formula.Code = "salt-unknown"
)

const (
	kelvin = 273.15
	// gasPH is the pH below which the two-species share is not shown without the
	// gas caution, and the floor where the plan names none. A choice of this
	// program, after the table in testdata/published/echa-chlorine.
	gasPH = 6.0
	// FreshSaltGPerL is the salt, in g/L as NaCl, up to which water counts as
	// fresh: about the chloride of drinking water (0.01 mol/L). A choice of this
	// program.
	FreshSaltGPerL = 0.6
	// MaxSaltGPerL is the salt of a saturated brine, in g/L as NaCl, rounded up.
	MaxSaltGPerL = 320.0
	// NaClGPerMol is the molar mass of NaCl in g/mol (IUPAC weights, from memory).
	NaClGPerMol = 58.443
)

// Salt says what is known of the salt in a bath. The zero Salt is "not known"
// and carries the cautions of salt water.
type Salt struct {
	known bool
	gPerL float64
}

// SaltGPerL is water with g grams of NaCl in a litre; [FreshSaltGPerL] or less counts as fresh.
func SaltGPerL(g float64) Salt { return Salt{known: true, gPerL: g} }

// Known tells whether the salt is known.
func (s Salt) Known() bool { return s.known }

// GPerL returns the salt in g/L as NaCl, 0 where it is not known.
func (s Salt) GPerL() float64 { return s.gPerL }

// A Water is what the species of chlorine depend on, all of one sample.
type Water struct {
	PH      float64
	Celsius float64
	Salt    Salt
	// PHFloor is the plan's lower limit on pH; below it no limit is judged by the
	// result. 0 means the plan names none: then 6.0 counts.
	PHFloor float64
}

func (w Water) check() error {
	if err := formula.Within("ph", w.PH, 0, 14, quantity.PHUnit); err != nil {
		return err
	}
	if err := formula.Within("ph floor", w.PHFloor, 0, 14, quantity.PHUnit); err != nil {
		return err
	}
	if err := formula.Within("salt", w.Salt.gPerL, 0, MaxSaltGPerL, quantity.GramPerL); err != nil {
		return err
	}
	return formula.Within("temperature", w.Celsius, minCelsius, maxCelsius, quantity.Celsius)
}

// cautions returns those of any value that rests on the share of HOCl.
func (w Water) cautions() []formula.Caution {
	floor := w.PHFloor
	if floor == 0 {
		floor = gasPH
	}
	low, salty := w.PH < floor, !w.Salt.known || w.Salt.gPerL > FreshSaltGPerL
	outside := w.Celsius < morrisLow || w.Celsius > morrisHigh
	if !low && !salty && !outside && w.PH >= gasPH {
		return nil
	}
	out := make([]formula.Caution, 0, 5)
	if low {
		out = append(out, formula.Caution{Code: BelowPHFloor, Unusable: true})
	}
	if salty || low || w.PH < gasPH {
		out = append(out, formula.Caution{Code: ChlorineGas})
	}
	if !w.Salt.known {
		out = append(out, formula.Caution{Code: SaltUnknown})
	}
	if salty {
		out = append(out, formula.Caution{Code: DiluteEquation})
	}
	if outside {
		out = append(out, formula.Caution{Code: formula.Extrapolated})
	}
	return out
}

func extrapolated(celsius, low, high float64) []formula.Caution {
	if celsius < low || celsius > high {
		return []formula.Caution{{Code: formula.Extrapolated}}
	}
	return nil
}

// Temperatures in °C. Morris measured from 5 to 35; tables worked from his
// equation run from 0 to 40.
const (
	minCelsius, maxCelsius = 0.0, 40.0
	morrisLow, morrisHigh  = 5.0, 35.0
)

// PKa returns the pKa of hypochlorous acid in dilute fresh water at a
// temperature in °C: 3000.00/T - 10.0686 + 0.0253 T, T in kelvin. It holds from
// 5 to 35 °C and is given from 0 to 40 °C with the caution [formula.Extrapolated].
//
// src: morris-1966 equation of pKa
func PKa(celsius float64) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, minCelsius, maxCelsius, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	return formula.Result{Value: pKa(celsius), Unit: formula.One, Formula: PKaFormula, Version: PKaVersion,
		Source: "morris-1966", Cautions: extrapolated(celsius, morrisLow, morrisHigh)}, nil
}

func pKa(celsius float64) float64 {
	t := celsius + kelvin
	return 3000.00/t - 10.0686 + 0.0253*t
}

// HOClShare returns the part of the free chlorine that is hypochlorous acid, in
// percent: 100/(1+10^(pH-pKa)). pH 0 to 14, 0 to 40 °C, salt to saturation.
// Chlorine gas is left out of the balance: below pH 6.0 and in salt water the
// value carries [ChlorineGas], below the plan's floor it is unusable.
//
// src: morris-1966 equation of pKa, with the law of mass action
func HOClShare(w Water) (formula.Result, error) {
	if err := w.check(); err != nil {
		return formula.Result{}, err
	}
	return formula.Result{Value: 100 * hoclFraction(w), Unit: formula.Percent, Formula: HOClShareFormula,
		Version: HOClShareVersion, Source: "morris-1966", Cautions: w.cautions()}, nil
}

func hoclFraction(w Water) float64 { return 1 / (1 + math.Pow(10, w.PH-pKa(w.Celsius))) }

// HOCl returns the effective hypochlorous acid of a sample in mg/L as Cl2: the
// free chlorine, in mg/L as Cl2 (0 to 20000), times [HOClShare], with the same
// range and cautions. Total chlorine is no argument for it: what is combined
// does not split this way.
//
// src: morris-1966 equation of pKa, with the law of mass action
func HOCl(freeMgPerL float64, w Water) (formula.Result, error) {
	if err := formula.Within("free chlorine", freeMgPerL, 0, maxFree, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	if err := w.check(); err != nil {
		return formula.Result{}, err
	}
	return formula.Result{Value: freeMgPerL * hoclFraction(w), Unit: quantity.MgPerL, Formula: HOClFormula,
		Version: HOClVersion, Source: "morris-1966", Cautions: w.cautions()}, nil
}

// maxFree is the upper end of a chlorine reading in mg/L, as in the table of quantities.
const maxFree = 20000.0
