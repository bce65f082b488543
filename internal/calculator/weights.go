package calculator

import (
	"linewarden/haccp/balance"
	"linewarden/haccp/dosing"
)

func weights() []Calculator {
	return append([]Calculator{
		{
			Name: "yield", Asks: "What is the yield of a step?",
			Inputs:  inputs(num("part", "what came out", kilograms, 0, 1e6), above("whole", "what it came from", kilograms, 1e6)),
			Example: call("part=412kg", "whole=1000kg"), Gives: call("yield: 41.2 %"),
			run: func(v *values) (answer, error) { return one("yield")(balance.Yield(v.f("part"), v.f("whole"))) },
		},
		{
			Name: "yield-chain", Asks: "What is left at each stage from leaf to gel?",
			Inputs:  inputs(table("stages", "name and mass of each stage, in order", label("name", ""), num("mass", "", kilograms, 0, 1e6))),
			Example: call("stages=leaf/1000,fillet/600,gel/540"),
			Gives:   call("leaf, of the stage before: 100 %", "leaf, of the first: 100 %", "fillet, of the stage before: 60 %", "fillet, of the first: 60 %", "gel, of the stage before: 90 %", "gel, of the first: 54 %"),
			run: func(v *values) (answer, error) {
				var stages []balance.Stage
				for _, r := range v.rows("stages") {
					stages = append(stages, balance.Stage{Name: r[0].text, Kilogram: r[1].number})
				}
				chain, err := balance.Chain(stages)
				var a answer
				for _, s := range chain {
					a.rows = append(a.rows, row(s.Name+", of the stage before", s.OfStep), row(s.Name+", of the first", s.OfStart))
				}
				return a, err
			},
		},
		{
			Name: "mass-balance", Asks: "How much of the mass of a step does nothing explain?",
			Inputs:  inputs(weighings("in", "leaf, water and additives that went in"), weighings("out", "product, trimmings, samples and known losses that came out")),
			Example: call("in=leaf/500/0.5,water/20/0.1", "out=gel/300/0.3,trimmings/210/0.5"),
			Gives:   call("went in: 520 kg", "came out: 510 kg", "difference: 10 kg", "difference: 1.92308 %", "standard uncertainty of the difference: 0.774597 kg", "larger than twice its uncertainty: calc.yes"),
			run:     massBalance,
		},
	}, antioxidant()...)
}

// weighings are weights with their standard uncertainty.
func weighings(name, about string) Input {
	return table(name, about+": name, mass and its standard uncertainty (left out: not known)", label("name", ""),
		num("mass", "", kilograms, 0, 1e6), num("uncertainty", "", kilograms, 0, 1e6).opt())
}

func (v *values) weighings(name string) []balance.Weighing {
	var out []balance.Weighing
	for _, r := range v.rows(name) {
		w := balance.Weighing{Name: r[0].text, Kilogram: r[1].number}
		if len(r) > 2 {
			w.Uncertainty = r[2].number
		}
		out = append(out, w)
	}
	return out
}

func massBalance(v *values) (answer, error) {
	b, err := balance.Difference(v.weighings("in"), v.weighings("out"))
	if err != nil {
		return answer{}, err
	}
	in, out := b.Difference, b.Difference
	in.Value, out.Value = b.In, b.Out
	a := rows(row("went in", in), row("came out", out), row("difference", b.Difference), row("difference", b.Percent))
	if b.Difference.Has(balance.WeighingUnknown) {
		return a, nil
	}
	a.rows = append(a.rows, row("standard uncertainty of the difference", b.Uncertainty),
		Row{Label: "larger than twice its uncertainty", Result: b.Uncertainty, Is: yes(b.Significant)})
	return a, nil
}

var batch = inputs(above("gel", "mass of gel before the addition", kilograms, 100000), above("target", "antioxidant wanted", percent, 5),
	choice("of", "what the target is a part of: the gel, or gel and antioxidant together", "gel", "whole"), num("purity", "purity of the antioxidant as weighed", percent, 50, 100))

func (v *values) batch() dosing.Batch {
	b := dosing.Batch{GelKg: v.f("gel"), Target: v.f("target"), Of: dosing.Gel, Purity: v.f("purity")}
	if v.word("of") == "whole" {
		b.Of = dosing.Whole
	}
	return b
}

func antioxidant() []Calculator {
	return []Calculator{
		{
			Name: "antioxidant-needed", Asks: "How much antioxidant does a batch take?",
			Inputs:  inputs(batch...),
			Example: call("gel=200", "target=0.1", "of=gel", "purity=99"), Gives: call("antioxidant to weigh in: 202.02 g"),
			run: func(v *values) (answer, error) { return one("antioxidant to weigh in")(dosing.Needed(v.batch())) },
		},
		{
			Name: "antioxidant-check", Asks: "Was the right amount of antioxidant weighed in?",
			Inputs: append(inputs(batch...), num("weighed", "what was weighed in", grams, 0, 1e7), num("tolerance", "tolerance in percent of the target", percent, 0, 100),
				num("maximum", "permitted maximum in the target's terms; 0 where there is none", percent, 0, 100)),
			Example: call("gel=200", "target=0.1", "of=gel", "purity=99", "weighed=210", "tolerance=5", "maximum=0.15"),
			Gives:   call("found: antioxidant.inside", "antioxidant: 0.10395 %", "distance from the target: 3.95 %"),
			run: func(v *values) (answer, error) {
				f, err := dosing.Check(v.batch(), v.f("weighed"), v.f("tolerance"), v.f("maximum"))
				return rows(Row{Label: "found", Result: f.Found, Is: "antioxidant." + string(f.Verdict)}, row("antioxidant", f.Found), row("distance from the target", f.Deviation)), err
			},
		},
	}
}
