package calculator

import (
	"fmt"

	"linewarden/haccp/depletion"
	"linewarden/haccp/formula"
)

const forecastSource = unpublished

// fallen is a figure of a forecast or of a curve through readings.
func fallen(v float64, unit string) formula.Result {
	r := made(v, unit, depletion.FormulaID, forecastSource)
	r.Version = depletion.FormulaVersion
	return r
}

func forecasts() []Calculator {
	points := table("readings", "minutes since the last addition and free chlorine of each test", num("minutes", "", minutes, 0, 1e6), num("free", "", chlorineMgL, 0, 20000))
	withLeaf := table("readings", "minutes since the last addition, free chlorine and, where known for all, kg of leaf washed since", num("minutes", "", minutes, 0, 1e6),
		num("free", "", chlorineMgL, 0, 20000), num("leaf", "", kilograms, 0, 1e6).opt())
	return []Calculator{
		{
			Name: "depletion", Asks: "When does the free chlorine of a bath fall to a level, and when is the next test?",
			Inputs: inputs(withLeaf, above("operating", "upper one of two levels to look for", chlorineMgL, 20000).opt(), above("critical", "lower one", chlorineMgL, 20000).opt(),
				above("step", "smallest step of the method", chlorineMgL, 1000).opt(), above("repeatability", "standard deviation of the method", chlorineMgL, 1000).opt(),
				num("leaf-rate", "kg of leaf a minute to come; left out: the higher of the mean and the latest rate", plain, 0, 1e6).opt()),
			Example: call("readings=10/58.2,40/50.9,70/44.6,100/39.3,130/34.1,160/30.2", "operating=25", "critical=20", "step=0.1"),
			Gives:   call("curve: first order, by minutes", "level at the addition: 60.7576 mg/L", "scatter of the readings: 0.154326 mg/L", "readings used: 6", "operating level: calc.crossing-ahead", "operating level, earliest minute: 195 min", "operating level, expected minute: 202 min", "operating level, latest minute: 214 min", "critical level: calc.crossing-ahead", "critical level, earliest minute: 238 min", "critical level, expected minute: 252 min", "critical level, latest minute: 284 min", "test again by minute, or sooner if scheduled sooner: 195 min"),
			run:     forecast,
		},
		{
			Name: "decay", Asks: "Which curve of first order goes through readings of chlorine?",
			Inputs: inputs(points, choice("by", "least squares on the readings, a line through their logarithms, or the demand so far in place of the level", "least-squares", "logarithms", "demand").or("least-squares"),
				num("at", "minute at which to tell the level", minutes, 0, 1e6).opt(), above("until", "level to which it falls", chlorineMgL, 20000).opt()),
			Example: call("readings=0/99.6,10/64.3,20/41.0,40/16.9,60/6.9", "at=25", "until=50"),
			Gives:   call("fitted by: least squares on the readings", "level at minute 0: 99.7092 mg/L", "its standard error: 0.178827 mg/L", "rate: 0.0442912 1/min", "its standard error: 0.000173238 1/min", "half-life: 15.6498 min", "level then: 32.9496 mg/L", "its standard uncertainty: 0.121689 mg/L", "Ct until then: 1507.29 mg·min/L", "falls to the level at minute: 15.584 min"),
			run:     decay,
		},
	}
}

func forecast(v *values) (answer, error) {
	in := depletion.Input{Operating: v.either("operating", 0), Critical: v.either("critical", 0), Step: v.either("step", 0),
		Repeatability: v.either("repeatability", 0), LeafRate: v.either("leaf-rate", 0), LeafKnown: true}
	for _, r := range v.rows("readings") {
		p := depletion.Point{Minutes: r[0].number, Free: r[1].number}
		if len(r) > 2 {
			p.Leaf = r[2].number
		} else {
			in.LeafKnown = false
		}
		in.Points = append(in.Points, p)
	}
	if in.Operating == 0 && in.Critical == 0 {
		return answer{}, fmt.Errorf("give operating, critical or both, such as operating=60")
	}
	f, err := depletion.Predict(in)
	if err != nil {
		return answer{}, err
	}
	a := rows(Row{Label: "curve", Result: fallen(0, ""), Plain: string(f.Model) + ", by " + string(f.Clock)}, row("level at the addition", fallen(f.Start, "mg/L")),
		row("scatter of the readings", fallen(f.SD, "mg/L")), row("readings used", fallen(float64(f.Used), "")))
	if f.SetAside >= 0 {
		a.rows = append(a.rows, row("reading set aside as not fitting", fallen(float64(f.SetAside+1), "")))
	}
	crossing := func(label string, c depletion.Crossing) {
		if c.State == depletion.NoLimit {
			return
		}
		a.rows = append(a.rows, Row{Label: label, Result: fallen(0, ""), Is: "calc.crossing-" + string(c.State)})
		for _, m := range []struct {
			name   string
			minute int
		}{{"earliest", c.Earliest}, {"expected", c.Expected}, {"latest", c.Latest}} {
			if m.minute > 0 {
				a.rows = append(a.rows, row(label+", "+m.name+" minute", fallen(float64(m.minute), "min")))
			}
		}
	}
	crossing("operating level", f.Operating)
	crossing("critical level", f.Critical)
	if m, ok := f.NextTest(); ok {
		a.rows = append(a.rows, row("test again by minute, or sooner if scheduled sooner", fallen(float64(m), "min")))
	}
	return a.with(NoEvidence), nil
}

func decay(v *values) (answer, error) {
	var points []depletion.Point
	for _, r := range v.rows("readings") {
		points = append(points, depletion.Point{Minutes: r[0].number, Free: r[1].number})
	}
	fit := map[string]func([]depletion.Point) (depletion.Decay, error){"least-squares": depletion.FitDecay, "logarithms": depletion.FitLogarithms, "demand": depletion.FitDemand}[v.word("by")]
	d, err := fit(points)
	if err != nil {
		return answer{}, err
	}
	start := "level at minute 0"
	if v.word("by") == "demand" {
		start = "final demand"
	}
	a := rows(Row{Label: "fitted by", Result: fallen(0, ""), Plain: string(d.Method)}, row(start, fallen(d.Start, "mg/L")), row("its standard error", fallen(d.StartSE, "mg/L")),
		row("rate", fallen(d.K, "1/min")), row("its standard error", fallen(d.KSE, "1/min")), row("half-life", fallen(d.HalfLife(), "min")))
	if v.has("at") {
		level, u := d.Level(v.f("at"))
		a.rows = append(a.rows, row("level then", fallen(level, "mg/L")), row("its standard uncertainty", fallen(u, "mg/L")))
		ct, err := d.Exposure(0, v.f("at"))
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row("Ct until then", fallen(ct, "mg·min/L")))
	}
	if v.has("until") {
		m, err := d.TimeTo(v.f("until"))
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row("falls to the level at minute", fallen(m, "min")))
	}
	return a.with(NoEvidence), nil
}
