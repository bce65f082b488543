package wash

import (
	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// ORPVerdict says whether an oxidation-reduction potential goes with the free
// chlorine and pH of the same sample.
type ORPVerdict string

// The verdicts.
const (
	// ORPNotJudged: the pH lies outside the range, or the chlorine between the bounds, for which anything is published.
	ORPNotJudged ORPVerdict = "not-judged"
	// ORPAgrees: nothing contradicts.
	ORPAgrees ORPVerdict = "agrees"
	// ORPLow: there should be enough chlorine for a higher potential. Electrode
	// fouled or not settled, combined chlorine read as free, or the pH wrong.
	ORPLow ORPVerdict = "low-for-chlorine"
	// ORPHigh: the potential says chlorine, the test says none. DPD may have
	// been bleached by much chlorine: test a diluted sample before dosing.
	ORPHigh ORPVerdict = "high-for-chlorine"
)

const (
	// enoughMgPerL of free chlorine at pH 5.5 to 7.5, or enoughMillivolt, are taken for one another.
	// src: lgma-water free chlorine and ORP
	enoughMgPerL    = 1.0
	enoughMillivolt = 650.0
	orpLowPH        = 5.5
	orpHighPH       = 7.5
	// noneMgPerL is the least free chlorine the colorimetric method tells from none.
	// src: epa-330-4 applicable range
	noneMgPerL = 0.1
)

// ORPFormula names the comparison in records.
const ORPFormula formula.ID = "orp-plausible"

// An ORPCheck is a verdict on a potential and where it comes from.
type ORPCheck struct {
	Verdict  ORPVerdict
	Formula  formula.ID
	Version  int
	Source   string
	Cautions []formula.Caution
}

// ORPPlausible compares a potential in mV (-2000 to 2000) with the free chlorine
// in mg/L as Cl2 (0 to 20000) and the pH (0 to 14) of one sample. It is a check of
// the instruments against each other and never a measure of chlorine: a potential
// cannot be turned into mg/L. The bounds are from memory ([formula.Unconfirmed]).
//
// src: lgma-water free chlorine and ORP
func ORPPlausible(millivolt, freeMgPerL, ph float64) (ORPCheck, error) {
	err := firstOf(formula.Within("orp", millivolt, -2000, 2000, quantity.Millivolt),
		formula.Within("free chlorine", freeMgPerL, 0, maxFree, quantity.MgPerL), formula.Within("ph", ph, 0, 14, quantity.PHUnit))
	if err != nil {
		return ORPCheck{}, err
	}
	return ORPCheck{Verdict: orpVerdict(millivolt, freeMgPerL, ph), Formula: ORPFormula, Version: Version, Source: "lgma-water",
		Cautions: cautionsOf(formula.Unconfirmed)}, nil
}

func orpVerdict(millivolt, freeMgPerL, ph float64) ORPVerdict {
	high := millivolt >= enoughMillivolt
	switch {
	case freeMgPerL < noneMgPerL && high:
		return ORPHigh
	case ph < orpLowPH || ph > orpHighPH || freeMgPerL < enoughMgPerL && freeMgPerL >= noneMgPerL:
		return ORPNotJudged
	case freeMgPerL >= enoughMgPerL && !high:
		return ORPLow
	}
	return ORPAgrees
}
