// Package balance holds the arithmetic of weights from leaf to gel: yields, and the
// mass balance of a step with the difference that nothing explains.
//
// Masses are in kilograms as weighed. Nothing here says what a yield should be;
// the plant's own history does.
package balance

import (
	"fmt"
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas, as they stand in records. All are of version 1.
const (
	YieldFormula       formula.ID = "yield"
	DifferenceFormula  formula.ID = "mass-difference"
	PercentFormula     formula.ID = "mass-difference-percent"
	UncertaintyFormula formula.ID = "mass-difference-uncertainty"
	Version                       = 1
)

// WeighingUnknown says that the uncertainty of a scale is not known, so that nothing
// tells whether the difference is one.
const WeighingUnknown formula.Code = "weighing-uncertainty-unknown"

// maxKg is the upper end of the quantity "mass".
const maxKg = 1e6

// Yield returns the mass of a part in percent of the mass it came from, such as
// fillet of leaf. Whole above 0 and at most 1,000,000 kg, part 0 or more. A part
// heavier than the whole contradicts it ([formula.ErrData]): water or another lot
// went in, or a weight is wrong.
func Yield(part, whole float64) (formula.Result, error) {
	if err := mass("part", part); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Positive("whole", whole, quantity.Kilogram); err != nil {
		return formula.Result{}, err
	}
	if err := mass("whole", whole); err != nil {
		return formula.Result{}, err
	}
	if part > whole {
		return formula.Result{}, fmt.Errorf("%w: %v kg came out of %v kg", formula.ErrData, part, whole)
	}
	return result(100*part/whole, formula.Percent, YieldFormula), nil
}

// A Stage is a weight on the way from leaf to gel.
type Stage struct {
	Name     string
	Kilogram float64
}

// A StageYield is what is left at a stage.
type StageYield struct {
	Name    string
	OfStep  formula.Result // OfStep is percent of the stage before; of the first, 100.
	OfStart formula.Result // OfStart is percent of the first stage.
}

// Chain returns the yield of each of two or more stages, in their order, of the
// stage before and of the first. Ranges and refusals as for [Yield].
func Chain(stages []Stage) ([]StageYield, error) {
	if len(stages) < 2 {
		return nil, fmt.Errorf("%w: two stages or more are wanted", formula.ErrData)
	}
	out := make([]StageYield, 0, len(stages))
	before := stages[0]
	for _, s := range stages {
		step, err := Yield(s.Kilogram, before.Kilogram)
		if err != nil {
			return nil, fmt.Errorf("%s after %s: %w", s.Name, before.Name, err)
		}
		start, err := Yield(s.Kilogram, stages[0].Kilogram)
		if err != nil {
			return nil, fmt.Errorf("%s after %s: %w", s.Name, stages[0].Name, err)
		}
		out = append(out, StageYield{Name: s.Name, OfStep: step, OfStart: start})
		before = s
	}
	return out, nil
}

// A Weighing is one weight with its standard uncertainty in kg; 0 where that is not
// known.
type Weighing struct {
	Name        string
	Kilogram    float64
	Uncertainty float64
}

// A Balance is what went into a step beside what came out of it.
type Balance struct {
	In, Out     float64        // kg
	Difference  formula.Result // Difference is in less out, kg: what nothing explains; negative where more came out.
	Percent     formula.Result // Percent is the difference in percent of what went in.
	Uncertainty formula.Result // Uncertainty is the standard uncertainty of the difference, kg.
	// Significant tells that the difference is larger than twice its uncertainty.
	// It is false where the uncertainty of a scale is not known.
	Significant bool
}

// coverage is how many standard uncertainties a difference must exceed; 2 covers
// about 95 %.
//
// src: jcgm-100-h3 the law of propagation and the coverage factor 2 (clauses 5.1.2 and 6.3.3, from memory)
const coverage = 2

// Difference works out the balance of a step. In and out hold one weighing or more
// each; leaf, water and additives count as in; product, trimmings, samples and
// known losses as out. Masses 0 to 1,000,000 kg; something must have gone in.
// Weighings are taken to be independent: where all were made on one scale that is
// off by a constant share, the share cancels and the uncertainty is overstated.
//
// Source: sums; uncertainty by jcgm-100-h3 (the law of propagation).
func Difference(in, out []Weighing) (Balance, error) {
	if len(in) == 0 || len(out) == 0 {
		return Balance{}, fmt.Errorf("%w: a balance has weights on both sides", formula.ErrData)
	}
	b := Balance{}
	variance, known := 0.0, true
	for i, side := range [][]Weighing{in, out} {
		sum := [2]*float64{&b.In, &b.Out}[i]
		for _, w := range side {
			if err := mass(w.Name, w.Kilogram); err != nil {
				return Balance{}, err
			}
			if err := mass(w.Name+", uncertainty", w.Uncertainty); err != nil {
				return Balance{}, err
			}
			*sum += w.Kilogram
			variance += w.Uncertainty * w.Uncertainty
			known = known && w.Uncertainty > 0
		}
	}
	if err := formula.Positive("mass in", b.In, quantity.Kilogram); err != nil {
		return Balance{}, err
	}
	var cautions []formula.Caution
	if !known {
		cautions = append(cautions, formula.Caution{Code: WeighingUnknown})
	}
	b.Difference = result(b.In-b.Out, quantity.Kilogram, DifferenceFormula, cautions...)
	b.Percent = result(100*(b.In-b.Out)/b.In, formula.Percent, PercentFormula, cautions...)
	b.Uncertainty = result(math.Sqrt(variance), quantity.Kilogram, UncertaintyFormula, cautions...)
	b.Uncertainty.Source = "jcgm-100-h3"
	b.Significant = known && math.Abs(b.In-b.Out) > coverage*b.Uncertainty.Value
	return b, nil
}

func mass(name string, kg float64) error {
	return formula.Within(name, kg, 0, maxKg, quantity.Kilogram)
}

func result(v float64, u quantity.Unit, id formula.ID, cautions ...formula.Caution) formula.Result {
	return formula.Result{Value: v, Unit: u, Formula: id, Version: Version, Cautions: cautions}
}
