package calculator

import (
	"math"

	"linewarden/haccp/trend"
)

func drifts() []Calculator {
	least := anyNumber("lower", "lower limit of the specification").opt()
	most := anyNumber("upper", "upper limit of the specification").opt()
	target := anyNumber("target", "its target").opt()
	kindIn := choice("sigma-from", "point to point (Cp, Cpk), or overall (Pp, Ppk)", "within", "overall")
	return []Calculator{
		{
			Name: "summary", Asks: "What are mean, scatter and ends of a series?",
			Inputs:  inputs(series),
			Example: call("values=10000001,10000003,10000002"),
			Gives:   call("values: 3", "mean: 10000002", "standard deviation: 1", "lowest: 10000001", "highest: 10000003", "mean moving range: 1.5", "sigma from point to point: 1.32934", "lag-1 autocorrelation: -0.5"),
			run: func(v *values) (answer, error) {
				s, err := trend.Summarize(v.list("values"))
				return summary(s), err
			},
		},
		{
			Name: "trend", Asks: "Does a series rise or fall?",
			Inputs:  inputs(series, list("times", "time of each value in one unit, rising; left out: 1, 2, 3 …", plain, math.Inf(-1), math.Inf(1)).opt(), confidence),
			Example: call("values=1.2,1.5,1.1,1.8,2.0,1.9,2.3,2.2"),
			Gives:   call("pairs that rise less pairs that fall, S: 20", "Z: 2.35064", "probability of so much by chance: 0.0187411", "the same, exact: 0.0141369", "tau-b: 0.714286", "slope: 0.155", "at time zero: 1.1525", "slope, lowest: 0.0692967", "slope, highest: 0.262985"),
			run:     drift,
		},
		{
			Name: "capability", Asks: "How capable is a series of its specification?",
			Inputs:  inputs(series, least, most, target, kindIn, confidence),
			Example: call("values=49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1", "lower=44", "upper=58", "sigma-from=overall"),
			Gives:   call("Pp: 1.14725", "Pp, lowest: 0.628419", "Pp, highest: 1.66791", "Ppl: 1.11611", "Ppl, lowest: 0.560651", "Ppl, highest: 1.67157", "Ppu: 1.17839", "Ppu, lowest: 0.596125", "Ppu, highest: 1.76065", "Ppk: 1.11611", "Ppk, lowest: 0.560651", "Ppk, highest: 1.67157", "outside the limits were it normal: 0.0610269 %"),
			run: func(v *values) (answer, error) {
				r, err := trend.CapabilityOf(v.list("values"), v.sigmaKind(), v.specification(), v.part("confidence"))
				return capability(r), err
			},
		},
		{
			Name: "capability-of-figures", Asks: "How capable is a process of known mean and sigma?",
			Inputs:  inputs(anyNumber("mean", "mean of the process"), sigmaIn, whole("n", "values they rest on", 2, 1000000000), least, most, target, kindIn, confidence),
			Example: call("mean=16", "sigma=2", "n=50", "lower=8", "upper=20", "sigma-from=within"),
			Gives:   call("Cp: 1", "Cp, lowest: 0.802482", "Cp, highest: 1.19713", "Cpl: 1.33333", "Cpl, lowest: 1.05365", "Cpl, highest: 1.61302", "Cpu: 0.666667", "Cpu, lowest: 0.505551", "Cpu, highest: 0.827782", "Cpk: 0.666667", "Cpk, lowest: 0.505551", "Cpk, highest: 0.827782", "outside the limits were it normal: 2.27818 %"),
			run: func(v *values) (answer, error) {
				r, err := trend.Capability(v.f("mean"), v.f("sigma"), v.n("n"), v.sigmaKind(), v.specification(), v.part("confidence"))
				return capability(r), err
			},
		},
	}
}

func summary(s trend.Summary) answer {
	const key = "nist-strd-univariate"
	a := rows(row("values", count(s.N, summaryFormula, key)))
	add := func(label string, v float64) { a.rows = append(a.rows, row(label, made(v, "", summaryFormula, key))) }
	add("mean", s.Mean)
	if s.N > 1 {
		add("standard deviation", s.SD)
	}
	add("lowest", s.Min)
	add("highest", s.Max)
	if s.N > 1 {
		add("mean moving range", s.MovingRange)
		add("sigma from point to point", s.MovingRangeSD)
	}
	if s.HasLag1 {
		add("lag-1 autocorrelation", s.Lag1)
	}
	return a
}

func drift(v *values) (answer, error) {
	y := v.list("values")
	t := make([]float64, len(y))
	for i := range t {
		t[i] = float64(i + 1)
	}
	if v.has("times") {
		t = v.list("times")
	}
	m, err := trend.MannKendall(y)
	if err != nil {
		return answer{}, err
	}
	s, err := trend.TheilSen(t, y, v.part("confidence"))
	if err != nil {
		return answer{}, err
	}
	const key = "epa-unified-2009"
	a := rows(row("pairs that rise less pairs that fall, S", count(m.S, kendallFormula, key)), row("Z", made(m.Z, "", kendallFormula, key)),
		row("probability of so much by chance", made(m.P, "", kendallFormula, key)))
	if m.HasExact {
		a.rows = append(a.rows, row("the same, exact", made(m.Exact, "", kendallFormula, key)))
	}
	a.rows = append(a.rows, row("tau-b", made(m.TauB, "", kendallFormula, key)), row("slope", made(s.Value, "", theilSenFormula, key)), row("at time zero", made(s.Intercept, "", theilSenFormula, key)))
	if s.IntervalKnown {
		a.rows = append(a.rows, row("slope, lowest", made(s.Lowest, "", theilSenFormula, key)), row("slope, highest", made(s.Higher, "", theilSenFormula, key)))
	}
	return a.with(ChartNoLimit), nil
}

func (v *values) sigmaKind() trend.SigmaKind {
	if v.word("sigma-from") == "within" {
		return trend.Within
	}
	return trend.Overall
}

func (v *values) specification() trend.Specification {
	return trend.Specification{Lower: v.either("lower", trend.NoLimit), Upper: v.either("upper", trend.NoLimit), Target: v.either("target", trend.NoLimit)}
}

func capability(r trend.CapabilityResult) answer {
	const key = "nist-ehandbook"
	var a answer
	p := map[bool]string{true: "C", false: "P"}[r.Sigma == trend.Within]
	for _, i := range []struct {
		name  string
		index trend.Index
	}{{"p", r.Cp}, {"pl", r.CpLower}, {"pu", r.CpUpper}, {"pk", r.Cpk}, {"pm", r.Cpm}} {
		if i.index.Known {
			a.rows = append(a.rows, row(p+i.name, made(i.index.Value, "", capabilityFormula, key)), row(p+i.name+", lowest", made(i.index.Lowest, "", capabilityFormula, key)),
				row(p+i.name+", highest", made(i.index.Higher, "", capabilityFormula, key)))
		}
	}
	a.rows = append(a.rows, row("outside the limits were it normal", made(100*r.OutOfLimits, "%", capabilityFormula, key)))
	return few(a, r.Provisional)
}
