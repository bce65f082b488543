package disinfection

import (
	"fmt"
	"math"

	"linewarden/haccp/formula"
)

// A Segment is a stretch of contact: the Ct it gave and the Ct that a table asks
// of its water for the full inactivation, both mg·min/L.
type Segment struct{ Ct, Required float64 }

// InactivationRatio returns Ct over the required Ct; 1 is the inactivation for
// which the required Ct was read. Ct 0 or more, required above 0. Always
// [NotWashValidation].
//
// Source: cfr40-141-534.
func InactivationRatio(s Segment) (formula.Result, error) {
	if err := formula.Within("ct", s.Ct, 0, math.MaxFloat64, MgMinPerL); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Positive("required ct", s.Required, MgMinPerL); err != nil {
		return formula.Result{}, err
	}
	return result(s.Ct/s.Required, formula.One, RatioFormula, "cfr40-141-534", reference), nil
}

// SeriesRatio returns the ratio of segments passed one after the other: the sum of
// theirs. At least one segment. Always [NotWashValidation].
//
// Source: cfr40-141-534 (a)(2), (b).
func SeriesRatio(segments []Segment) (formula.Result, error) {
	if len(segments) == 0 {
		return formula.Result{}, contradiction("a series has at least one segment")
	}
	sum := 0.0
	for i, s := range segments {
		r, err := InactivationRatio(s)
		if err != nil {
			return formula.Result{}, fmt.Errorf("segment %d: %w", i+1, err)
		}
		sum += r.Value
	}
	return result(sum, formula.One, SeriesFormula, "cfr40-141-534", reference), nil
}

// GiardiaLog returns the log10 inactivation of Giardia cysts for a total ratio
// taken against the Ct of 3 log: 3.0 times the ratio, which is 0 or more. Always
// [NotWashValidation].
//
// Source: cfr40-141-534.
func GiardiaLog(ratio float64) (formula.Result, error) {
	if err := formula.Within("inactivation ratio", ratio, 0, math.MaxFloat64, formula.One); err != nil {
		return formula.Result{}, err
	}
	return result(fullLog*ratio, Log10, LogFormula, "cfr40-141-534", reference), nil
}

// ChickWatson returns the log10 inactivation k·C^n·t/ln 10 at a constant level: k
// the rate (per minute at 1 mg/L, 0 or more), C in mg/L (0 or more), n the
// coefficient of dilution (above 0, at most 3; 1 where the kill goes with Ct), t
// in minutes (0 or more). k holds for one organism, water, pH and temperature.
// Always [NotWashValidation].
//
// Source: chick-watson.
func ChickWatson(k, mgPerL, n, minutes float64) (formula.Result, error) {
	for _, in := range []struct {
		name string
		v    float64
	}{{"rate", k}, {"free chlorine", mgPerL}, {"contact time", minutes}} {
		if err := formula.Within(in.name, in.v, 0, math.MaxFloat64, formula.One); err != nil {
			return formula.Result{}, err
		}
	}
	if err := formula.Positive("coefficient of dilution", n, formula.One); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("coefficient of dilution", n, 0, 3, formula.One); err != nil {
		return formula.Result{}, err
	}
	return result(k*math.Pow(mgPerL, n)*minutes/math.Ln10, Log10, KillFormula, "chick-watson", reference), nil
}

// RateFromCt returns the k of Chick-Watson with n = 1, L/(mg·min), for which a Ct
// (mg·min/L, above 0) gives an inactivation of log10 log (above 0). Always
// [NotWashValidation].
//
// Source: chick-watson.
func RateFromCt(ct, log float64) (formula.Result, error) {
	if err := formula.Positive("ct", ct, MgMinPerL); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Positive("log inactivation", log, Log10); err != nil {
		return formula.Result{}, err
	}
	return result(log*math.Ln10/ct, LPerMgMin, RateFormula, "chick-watson", reference), nil
}
