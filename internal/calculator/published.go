package calculator

import (
	"fmt"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/guidance"
	"linewarden/haccp/quantity"
)

func publications() []Calculator {
	var quantities, uses []string
	for _, f := range guidance.All() {
		if q := string(f.Quantity); !slices.Contains(quantities, q) {
			quantities = append(quantities, q)
		}
		if u := string(f.Use); !slices.Contains(uses, u) {
			uses = append(uses, u)
		}
	}
	return []Calculator{{
		Name: "guidance", Asks: "Which figures are published for a quantity, by whom and for what?",
		Inputs: inputs(choice("quantity", "what is measured; free and total chlorine are two things", quantities...), choice("use", "what the figure is about", uses...).or(string(guidance.WashWater)),
			choice("jurisdiction", "whose guidance; left out: of all", "US", "Canada").opt(), anyNumber("value", "a value to hold beside them, in the unit of the quantity").opt()),
		Example: call("quantity=ph", "use=wash_water", "jurisdiction=Canada", "value=7.2"),
		Gives:   call("CFIA: Use of chlorinated wash water, 2018: 6.0 to 7.0 pH (chlorinated water for washing fresh-cut produce; Canada)", "7.2 beside it: calc.above-figure"),
		run:     published,
	}}
}

func published(v *values) (answer, error) {
	var a answer
	for _, f := range guidance.For(quantity.ID(v.word("quantity")), guidance.Use(v.word("use"))) {
		if v.has("jurisdiction") && !f.IsOf(v.word("jurisdiction")) {
			continue
		}
		r := formula.Result{Source: f.Key}
		a.rows = append(a.rows, Row{Label: f.Source, Result: r, Plain: fmt.Sprintf("%s %s (%s; %s)", span(f), f.Unit, f.About, f.Place)})
		if !v.has("value") {
			continue
		}
		d, err := v.decimal("value")
		if err != nil {
			return answer{}, err
		}
		side, err := f.Outside(f.Quantity, d, f.Unit)
		if err != nil {
			return answer{}, err
		}
		is := map[int]string{-1: "calc.below-figure", 0: "calc.within-figure", 1: "calc.above-figure"}[side]
		a.rows = append(a.rows, Row{Label: d.String() + " beside it", Result: r, Is: is})
	}
	if len(a.rows) == 0 {
		return answer{}, fmt.Errorf("nothing is listed on %s for %s there", v.word("quantity"), v.word("use"))
	}
	return a.with(PublishedNotPlan), nil
}

// span writes the ends of a figure, with what it counts.
func span(f guidance.Figure) string {
	low, hasLow := f.Min()
	high, hasHigh := f.Max()
	switch {
	case hasLow && hasHigh:
		return low.String() + " to " + high.String()
	case hasLow:
		return "at least " + low.String()
	}
	return "at most " + high.String()
}
