package calculator

import (
	"math"

	"linewarden/haccp/growth"
)

// warmReadings are times with inside temperatures.
func warmReadings(about string, low, high float64) Input {
	return table("readings", about, moment("time", ""), num("temperature", "", temperature, low, high))
}

func (v *values) productReadings() []growth.Reading {
	var out []growth.Reading
	for _, r := range v.rows("readings") {
		out = append(out, growth.Reading{At: r[0].at, Celsius: r[1].number})
	}
	return out
}

func warmth() []Calculator {
	return append(timeWarm(), growing()...)
}

func timeWarm() []Calculator {
	inside := warmReadings("time and inside temperature of the product", -50, 200)
	return []Calculator{
		{
			Name: "elapsed", Asks: "How long was it from shredding to sealing?",
			Inputs:  inputs(spanIn...),
			Example: call("begin=2026-03-31T23:50:00Z", "end=2026-04-01T00:35:00Z"), Gives: call("elapsed: 45 min"),
			run: func(v *values) (answer, error) { return one("elapsed")(growth.Elapsed(v.at("begin"), v.at("end"))) },
		},
		{
			Name: "time-above", Asks: "How long may product have been above a temperature?",
			Inputs: append(inputs(inside), append(inputs(spanIn...), num("above", "lower threshold", temperature, -50, 200),
				num("below", "upper threshold; left out: none", temperature, -50, 200).opt())...),
			Example: call("readings=0/8,30/12,60/9", "begin=0", "end=60", "above=10"), Gives: call("time above: 60 min"),
			run: func(v *values) (answer, error) {
				return one("time above")(growth.TimeAbove(v.productReadings(), v.at("begin"), v.at("end"), v.f("above"), v.either("below", math.Inf(1))))
			},
		},
		{
			Name: "hours-ready-to-eat", Asks: "Which published hours go with the time product was warm?",
			Inputs:  append(inputs(inside), append(inputs(spanIn...), choice("only-staph", "whether Staphylococcus aureus is the only pathogen of concern, as the hazard analysis says", yesWord, noWord))...),
			Example: call("readings=08:00/18,09:00/24,10:00/9", "begin=08:00", "end=10:00", "only-staph=no"),
			Gives:   call("rule: calc.rule-warm", "time from 10 to 57.2 °C: 120 min", "time from 21.1 to 57.2 °C: 120 min", "published time: 240 min", "within the published time: calc.yes"),
			run:     readyToEat,
		},
		{
			Name: "table-hours", Asks: "Which hours does the published table print for an organism?",
			Inputs:  inputs(organism(), num("temperature", "inside temperature", temperature, -50, 57.2)),
			Example: call("organism=Listeria monocytogenes", "temperature=4"), Gives: call("hours: 168 h"),
			run: func(v *values) (answer, error) {
				return one("hours")(growth.TableHours(growth.Organism(v.word("organism")), v.f("temperature")))
			},
		},
	}
}

func organism() Input {
	return choice("organism", "name of the pathogen", names([]growth.Organism{growth.EColi, growth.Salmonella, growth.Listeria,
		growth.Staphylococcus, growth.BacillusCereus, growth.Yersinia})...)
}

func readyToEat(v *values) (answer, error) {
	h, err := growth.ReadyToEat(v.productReadings(), v.at("begin"), v.at("end"), v.word("only-staph") == yesWord)
	if err != nil {
		return answer{}, err
	}
	out := rows(Row{Label: "rule", Is: "calc.rule-" + string(h.Rule)},
		row("time from 10 to 57.2 °C", h.AboveCool), row("time from 21.1 to 57.2 °C", h.AboveWarm))
	if h.Rule == growth.RuleCold {
		return out, nil
	}
	within := Row{Label: "within the published time", Result: h.Allowed, Is: yes(h.Within)}
	if !h.Allowed.Usable() {
		within.Is = "calc.not-usable"
	}
	out.rows = append(out.rows, row("published time", h.Allowed), within)
	return out, nil
}

func growing() []Calculator {
	return []Calculator{
		{
			Name: "growth-minimum", Asks: "At which temperature does an organism begin to grow?",
			Inputs:  inputs(organism()),
			Example: call("organism=Listeria monocytogenes"), Gives: call("lowest temperature of growth: -0.4 °C"),
			run: func(v *values) (answer, error) {
				return one("lowest temperature of growth")(growth.GrowthMinimum(growth.Organism(v.word("organism"))))
			},
		},
		{
			Name: "growth-rate", Asks: "How fast does E. coli O157:H7 grow on cut leafy greens?",
			Inputs:  inputs(num("temperature", "inside temperature", temperature, 1.21, 25)),
			Example: call("temperature=15"), Gives: call("growth rate: 0.100743 ln/h", "doubling time: 6.88037 h"),
			run: func(v *values) (answer, error) {
				r, err := growth.GrowthRate(v.f("temperature"))
				if err != nil {
					return answer{}, err
				}
				d, err := growth.DoublingTime(v.f("temperature"))
				return rows(row("growth rate", r), row("doubling time", d)), err
			},
		},
		{
			Name: "growth", Asks: "How much may E. coli O157:H7 have grown while product was warm?",
			Inputs:  append(inputs(warmReadings("time and inside temperature of the product", -50, 25)), spanIn...),
			Example: call("readings=0/10,60/20,120/15", "begin=0", "end=120"),
			Gives:   call("growth on straight lines: 0.107185 log10", "growth by the warmer reading: 0.1624 log10"),
			run: func(v *values) (answer, error) {
				e, err := growth.Growth(v.productReadings(), v.at("begin"), v.at("end"))
				return rows(row("growth on straight lines", e.Line), row("growth by the warmer reading", e.Warmer)), err
			},
		},
	}
}
