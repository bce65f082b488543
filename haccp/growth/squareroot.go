package growth

import (
	"fmt"
	"math"
	"time"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// The square-root model of E. coli O157:H7 on fresh-cut lettuce and spinach:
// rate = (slope (T - lowest))^2, natural logarithms an hour. Its 13 studies were
// on cold and cool produce; the range kept to here is that of its use elsewhere.
//
// src: mckellar-delaquis-2011 abstract
const (
	slope        = 0.023
	lowest       = 1.20
	modelWarmest = 25.0
	modelColdest = 5.0
)

// GrowthRate returns the growth rate of E. coli O157:H7 on fresh-cut leafy greens,
// natural logarithms an hour, at a temperature of -50 to 25 °C: (0.023 (T - 1.20))^2,
// and 0 at or below 1.20 °C. Below 5 °C it carries [formula.Extrapolated]. Always
// [UnitSecondHand], [OtherProduct] and [NoLag].
//
// Source: mckellar-delaquis-2011.
func GrowthRate(celsius float64) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, -50, modelWarmest, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	return result(rate(celsius), LnPerHour, RateFormula, "mckellar-delaquis-2011", modelCautions(celsius)...), nil
}

func rate(celsius float64) float64 {
	root := slope * max(celsius-lowest, 0)
	return root * root
}

func modelCautions(coldest float64) []formula.Caution {
	out := []formula.Caution{{Code: UnitSecondHand}, {Code: OtherProduct}, {Code: NoLag}}
	if coldest < modelColdest {
		out = append(out, formula.Caution{Code: formula.Extrapolated})
	}
	return out
}

// DoublingTime returns the hours in which numbers double at a temperature above
// 1.20 and up to 25 °C: ln 2 over [GrowthRate].
//
// Source: mckellar-delaquis-2011.
func DoublingTime(celsius float64) (formula.Result, error) {
	if celsius <= lowest {
		return formula.Result{}, fmt.Errorf("no doubling at %v °C: %w: the model has growth above %v °C", celsius, formula.ErrRange, lowest)
	}
	r, err := GrowthRate(celsius)
	if err != nil {
		return formula.Result{}, err
	}
	return result(math.Ln2/r.Value, quantity.Hour, DoublingFormula, "mckellar-delaquis-2011", r.Cautions...), nil
}

// An Estimate is how much a pathogen may have grown over a span, log10.
type Estimate struct {
	Line   formula.Result // Line takes the temperature to run straight from reading to reading.
	Warmer formula.Result // Warmer takes, between two readings, the warmer of the two.
}

// Growth estimates the growth of E. coli O157:H7 on fresh-cut leafy greens over a
// span of inside temperatures, log10: the rate integrated over time, without a lag
// and without dying off. Readings as for [TimeAbove]; one above 25 °C that bears on
// the span is [formula.ErrRange], for the model says nothing there: use the
// published hours. Both values are additive over parts of the span, and Warmer is
// never below Line.
//
// Source: mckellar-delaquis-2011. The estimate of growth on another product is no
// proof of anything; it ranks spans.
func Growth(readings []Reading, begin, end time.Time) (Estimate, error) {
	all, err := pieces(readings, begin, end)
	if err != nil {
		return Estimate{}, err
	}
	coldest := math.Inf(1)
	line, warmer := 0.0, 0.0
	for _, p := range all {
		if err := formula.Within("temperature", p.warm, -50, modelWarmest, quantity.Celsius); err != nil {
			return Estimate{}, err
		}
		coldest = min(coldest, p.colder)
		hours := p.minutes / 60
		line += hours * meanRate(p.from, p.to)
		warmer += hours * rate(p.warm)
	}
	cautions := append(modelCautions(coldest), formula.Caution{Code: BetweenReadings})
	return Estimate{
		Line:   result(line/math.Ln10, Log10, GrowthFormula, "mckellar-delaquis-2011", cautions...),
		Warmer: result(warmer/math.Ln10, Log10, GrowthFormula, "mckellar-delaquis-2011", cautions...),
	}, nil
}

// meanRate is the mean of the rate along a straight line from a to b, °C.
func meanRate(a, b float64) float64 {
	if a > b {
		a, b = b, a
	}
	u, v := max(a-lowest, 0), max(b-lowest, 0)
	mean := slope * slope * (u*u + u*v + v*v) / 3
	if a < lowest && b > lowest { // only this part of the line lies where there is growth
		mean *= (b - lowest) / (b - a)
	}
	return mean
}
