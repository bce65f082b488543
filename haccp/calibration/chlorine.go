package calibration

import (
	"fmt"
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// bleaching is the level in mg/L above which DPD may bleach: the lower of two
// manuals.
//
// src: photometer-manuals bleaching of DPD
const bleaching = 8.0

// A Standard is a solution of known chlorine and what a meter shows for it, mg/L as
// Cl2; a blank has 0.
type Standard struct{ MgPerL, Shown float64 }

// A StandardCheck is a meter at one standard.
type StandardCheck struct {
	Deviation formula.Result // Deviation is shown less true, mg/L.
	Recovery  formula.Result // Recovery is shown in percent of true; Value is 0 with no Formula for a blank, which has none.
}

// A MeterCheck is a chlorine meter against its standards.
type MeterCheck struct {
	Standards []StandardCheck // in the order given
	Worst     int             // Worst is the index of the largest deviation.
	line      *Line           // of shown on true, with three standards or more
	low, high float64         // shown
}

// CheckChlorine holds a chlorine meter against one or more standards of 0 to 20,000
// mg/L. With three or more, at two levels or more, its line is fitted and
// [MeterCheck.Correct] can be used. A deviation at a standard above 8 mg/L carries
// [DiluteStandard].
//
// Source: differences and quotients; photometer-manuals (level).
func CheckChlorine(standards []Standard) (MeterCheck, error) {
	if len(standards) == 0 {
		return MeterCheck{}, contradiction("no standard was measured")
	}
	m := MeterCheck{low: math.Inf(1), high: math.Inf(-1)}
	x, y := make([]float64, len(standards)), make([]float64, len(standards))
	worst := -1.0
	for i, s := range standards {
		for _, v := range []float64{s.MgPerL, s.Shown} {
			if err := formula.Within("chlorine", v, 0, 20000, quantity.MgPerL); err != nil {
				return MeterCheck{}, fmt.Errorf("standard %d: %w", i+1, err)
			}
		}
		cautions := []formula.Caution{{Code: StandardsExact}}
		if s.MgPerL > bleaching {
			cautions = append(cautions, formula.Caution{Code: DiluteStandard})
		}
		c := StandardCheck{Deviation: result(s.Shown-s.MgPerL, quantity.MgPerL, DeviationFormula, "photometer-manuals", cautions...)}
		if s.MgPerL > 0 {
			c.Recovery = result(100*s.Shown/s.MgPerL, formula.Percent, RecoveryFormula, "photometer-manuals", cautions...)
		}
		if d := math.Abs(c.Deviation.Value); d > worst {
			worst, m.Worst = d, i
		}
		m.Standards = append(m.Standards, c)
		x[i], y[i] = s.MgPerL, s.Shown
		m.low, m.high = min(m.low, s.Shown), max(m.high, s.Shown)
	}
	if l, err := Fit(x, y); err == nil && l.Slope > 0 {
		m.line = &l
	}
	return m, nil
}

// Line returns the line of what is shown on what is true; false with too few
// standards, or where more chlorine does not show more.
func (m MeterCheck) Line() (Line, bool) {
	if m.line == nil {
		return Line{}, false
	}
	return *m.line, true
}

// Correct returns the chlorine, mg/L, for which the meter shows a value in the mean
// of so many readings, with its standard uncertainty. It wants a [MeterCheck.Line]
// and a value between the lowest and highest shown with the standards: beyond them
// nothing is known of the meter.
//
// Source: nist-strd-norris (see [Line.Inverse]).
func (m MeterCheck) Correct(shown float64, readings int) (Prediction, error) {
	if m.line == nil {
		return Prediction{}, contradiction("three standards or more, at two levels or more, of which the stronger shows more, are wanted before a reading is corrected")
	}
	if err := formula.Within("chlorine shown", shown, m.low, m.high, quantity.MgPerL); err != nil {
		return Prediction{}, err
	}
	return m.line.Inverse(shown, readings, quantity.MgPerL)
}
