package growth

import (
	"time"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Thresholds of the published hours, °C as printed beside 50, 70 and 135 °F. The
// print rounds 21.11 to 21.1 and 57.22 to 57.2.
//
// src: fda-hazards-app4 summary
const (
	Cool = 10.0
	Warm = 21.1
	Hot  = 57.2
)

// Published hours for raw, ready-to-eat product.
//
// src: fda-hazards-app4 summary; the hours of product never above 70 °F are from memory
const (
	warmHours, warmStaphHours = 2, 3  // ever above Warm: time between Cool and Hot
	longHours, longWarmHours  = 4, 2  // or this much, with no more than that between Warm and Hot
	coolHours, coolStaphHours = 5, 12 // never above Warm: time above Cool
)

// A Rule names which of the published hours apply.
type Rule string

// The rules of the source.
const (
	RuleCold Rule = "cold" // RuleCold: never above 10 °C; the source names no hours here (from memory).
	RuleCool Rule = "cool" // RuleCool: above 10 °C, never above 21.1 °C.
	RuleWarm Rule = "warm" // RuleWarm: above 21.1 °C at some time.
)

// Hours is what a span of product temperature amounts to beside the published
// hours. Within tells only that the times lie within them, and may be used only
// where Allowed is usable.
type Hours struct {
	Rule      Rule
	AboveCool formula.Result // AboveCool is the time between 10 and 57.2 °C, minutes.
	AboveWarm formula.Result // AboveWarm is the time between 21.1 and 57.2 °C, minutes.
	Allowed   formula.Result // Allowed is the published time for AboveCool, minutes; for RuleCold there is none and Value is 0.
	Within    bool           // Within tells that no published time is exceeded; a time equal to it is not exceeded.
}

// ReadyToEat holds a span of inside temperatures against the published hours for
// raw, ready-to-eat product. onlyStaph says that Staphylococcus aureus is the only
// pathogen of concern, which the hazard analysis decides.
//
// Ever above 21.1 °C: at most 2 h (3 h) between 10 and 57.2 °C, or at most 4 h of
// which no more than 2 h between 21.1 and 57.2 °C. Never above 21.1 °C: at most 5 h
// (12 h) above 10 °C; these hours carry [formula.Unconfirmed] and may not be used before
// they are confirmed. Times are those of [TimeAbove]; nothing is interpolated.
// All carry [OtherProduct]: the source is about fish.
//
// Source: fda-hazards-app4, summary of Table A-2.
func ReadyToEat(readings []Reading, begin, end time.Time, onlyStaph bool) (Hours, error) {
	all, err := pieces(readings, begin, end)
	if err != nil {
		return Hours{}, err
	}
	cool, warm := minutesBetween(all, Cool, Hot), minutesBetween(all, Warm, Hot)
	out := Hours{
		Rule:      RuleCold,
		AboveCool: result(cool, quantity.Minute, AboveFormula, "fda-hazards-app4", formula.Caution{Code: BetweenReadings}),
		AboveWarm: result(warm, quantity.Minute, AboveFormula, "fda-hazards-app4", formula.Caution{Code: BetweenReadings}),
		Within:    true,
	}
	cautions := []formula.Caution{{Code: OtherProduct}}
	allowed := 0.0
	switch {
	case everAbove(all, readings, begin, end, Warm):
		out.Rule = RuleWarm
		allowed = pick(onlyStaph, warmStaphHours, warmHours) * 60
		out.Within = cool <= allowed
		if warm <= longWarmHours*60 && longHours*60 > allowed {
			allowed = longHours * 60
			out.Within = cool <= allowed
		}
	case everAbove(all, readings, begin, end, Cool):
		out.Rule = RuleCool
		allowed = pick(onlyStaph, coolStaphHours, coolHours) * 60
		out.Within = cool <= allowed
		cautions = append(cautions, formula.Caution{Code: formula.Unconfirmed, Unusable: true})
	default:
		cautions = append(cautions, formula.Caution{Code: formula.Unconfirmed, Unusable: true})
	}
	out.Allowed = result(allowed, quantity.Minute, HoursFormula, "fda-hazards-app4", cautions...)
	return out, nil
}

// everAbove tells whether product was above a threshold in the span, a reading at
// its very ends included.
func everAbove(all []piece, readings []Reading, begin, end time.Time, threshold float64) bool {
	for _, p := range all {
		if p.warm > threshold {
			return true
		}
	}
	for _, r := range readings {
		if !r.At.Before(begin) && !r.At.After(end) && r.Celsius > threshold {
			return true
		}
	}
	return false
}

func pick(first bool, a, b float64) float64 {
	if first {
		return a
	}
	return b
}
