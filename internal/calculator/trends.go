package calculator

import (
	"fmt"
	"math"
	"strings"

	"linewarden/haccp/formula"
	"linewarden/haccp/trend"
)

// Formulas of charts and trends, as they stand in answers.
const (
	chartFormula      formula.ID = "control-chart"
	ewmaFormula       formula.ID = "ewma"
	cusumFormula      formula.ID = "cusum-tabular"
	rulesFormula      formula.ID = "runs-rules"
	summaryFormula    formula.ID = "summary"
	capabilityFormula formula.ID = "capability"
	theilSenFormula   formula.ID = "theil-sen"
	kendallFormula    formula.ID = "mann-kendall"
)

var (
	anyNumber  = func(name, about string) Input { return num(name, about, plain, math.Inf(-1), math.Inf(1)) }
	series     = list("values", "the series in the order of time, all in one unit", plain, math.Inf(-1), math.Inf(1))
	centreIn   = anyNumber("centre", "centre of the process")
	sigmaIn    = above("sigma", "standard deviation of single values of the process", plain, math.Inf(1))
	confidence = num("confidence", "of the intervals", percent, 50, 99.9).or("95")
)

// few adds the caution of limits on few points.
func few(a answer, provisional bool) answer {
	if provisional {
		a = a.with(Provisional)
	}
	return a.with(ChartNoLimit)
}

// limits are the rows of a chart.
func limits(name string, l trend.Limits, source string) []Row {
	return []Row{row(name+", centre", made(l.Centre, "", chartFormula, source)), row(name+", lower limit", made(l.Lower, "", chartFormula, source)),
		row(name+", upper limit", made(l.Upper, "", chartFormula, source))}
}

// points is the row of points with something, counted from 1.
func points(label string, found []string, id formula.ID, source string) Row {
	text := strings.Join(found, "; ")
	if text == "" {
		return Row{Label: label, Result: formula.Result{Formula: id, Version: 1, Source: source}, Is: "calc.none"}
	}
	return Row{Label: label, Result: formula.Result{Formula: id, Version: 1, Source: source}, Plain: text}
}

// outside lists the points beyond the limits of a chart.
func outside(l trend.Limits, x []float64) (found []string) {
	for i, v := range x {
		if l.Outside(v) {
			found = append(found, fmt.Sprint(i+1))
		}
	}
	return found
}

func charts() []Calculator { return append(shewhart(), movingCharts()...) }

func shewhart() []Calculator {
	rejects := list("counts", "counted in each sample", plain, 0, 1e9)
	return []Calculator{
		{
			Name: "individuals-chart", Asks: "Which control limits have single values?",
			Inputs:  inputs(series, choice("sigma-from", "moving ranges, or the overall standard deviation where the series is known to hold no shift", "moving-range", "overall").or("moving-range")),
			Example: call("values=49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1"),
			Gives:   call("values, centre: 50.81", "values, lower limit: 45.8176", "values, upper limit: 55.8024", "ranges, centre: 1.87778", "ranges, lower limit: 0", "ranges, upper limit: 6.13382", "values outside: calc.none"),
			run:     individuals,
		},
		{
			Name: "share-chart", Asks: "Which control limits has the share of rejects?",
			Inputs:  inputs(rejects, whole("size", "size of every sample", 1, 1000000000)),
			Example: call("counts=12,15,8,10,4,7,16,9,14,10,5,6,17,12,22,8,10,5,13,11,20,18,24,15,9,12,7,13,9,6", "size=50"),
			Gives:   call("shares, centre: 0.231333", "shares, lower limit: 0.0524275", "shares, upper limit: 0.410239", "outside: 15; 23"),
			run:     shareChart,
		},
		{
			Name: "count-chart", Asks: "Which control limits has a count of faults?",
			Inputs:  inputs(rejects),
			Example: call("counts=21,24,16,12,15,5,28,20,31,25,20,24,16,19,10,17,13,22,18,39,30,24,16,19,17,15"),
			Gives:   call("counts, centre: 19.8462", "counts, lower limit: 6.48145", "counts, upper limit: 33.2109", "outside: 6; 20"),
			run: func(v *values) (answer, error) {
				counts, err := v.counts("counts")
				if err != nil {
					return answer{}, err
				}
				l, err := trend.CountChart(counts)
				a := rows(append(limits("counts", l, "montgomery-qcc"), points("outside", outside(l, v.list("counts")), chartFormula, "montgomery-qcc"))...)
				return few(a, len(counts) < trend.Few), err
			},
		},
		{
			Name: "subgroup-chart", Asks: "Which control limits have means and ranges of small samples?",
			Inputs:  inputs(anyNumber("mean", "grand mean"), above("range", "mean range", plain, math.Inf(1)), whole("size", "size of every sample", 2, 10)),
			Example: call("mean=74", "range=0.02", "size=5"),
			Gives:   call("means, centre: 74", "means, lower limit: 73.9885", "means, upper limit: 74.0115", "ranges, centre: 0.02", "ranges, lower limit: 0", "ranges, upper limit: 0.04229", "d2: 2.32593", "d3: 0.864082", "c4: 0.939986"),
			run: func(v *values) (answer, error) {
				means, ranges, err := trend.SubgroupCharts(v.f("mean"), v.f("range"), v.n("size"))
				if err != nil {
					return answer{}, err
				}
				c, err := trend.ChartConstants(v.n("size"))
				const key = "chart-constants"
				a := rows(append(limits("means", means, key), limits("ranges", ranges, key)...)...)
				a.rows = append(a.rows, row("d2", made(c.D2, "", chartFormula, key)), row("d3", made(c.D3, "", chartFormula, key)), row("c4", made(c.C4, "", chartFormula, key)))
				return a.with(ChartNoLimit), err
			},
		},
	}
}

func individuals(v *values) (answer, error) {
	x := v.list("values")
	chart := trend.Individuals
	if v.word("sigma-from") == "overall" {
		chart = trend.IndividualsBySD
	}
	c, err := chart(x)
	if err != nil {
		return answer{}, err
	}
	const key = "nist-ehandbook"
	r := limits("values", c.Values, key)
	if v.word("sigma-from") != "overall" {
		r = append(r, limits("ranges", c.Ranges, key)...)
	}
	return few(rows(append(r, points("values outside", outside(c.Values, x), chartFormula, key))...), c.Provisional), nil
}

func shareChart(v *values) (answer, error) {
	counts, err := v.counts("counts")
	if err != nil {
		return answer{}, err
	}
	l, err := trend.ShareChart(counts, v.n("size"))
	if err != nil {
		return answer{}, err
	}
	shares := make([]float64, len(counts))
	for i, c := range counts {
		shares[i] = float64(c) / v.f("size")
	}
	a := rows(append(limits("shares", l, "montgomery-qcc"), points("outside", outside(l, shares), chartFormula, "montgomery-qcc"))...)
	return few(a, len(counts) < trend.Few), nil
}

// counts are whole numbers.
func (v *values) counts(name string) ([]int, error) {
	var out []int
	for i, f := range v.list(name) {
		if f != math.Trunc(f) {
			return nil, fmt.Errorf("%s: value %d (%v) is no whole number", name, i+1, f)
		}
		out = append(out, int(f))
	}
	return out, nil
}

func movingCharts() []Calculator {
	return []Calculator{
		{
			Name: "ewma", Asks: "Does the weighted moving average of a series leave its limits?",
			Inputs: inputs(series, centreIn, sigmaIn, above("lambda", "weight of the newest value", plain, 1), above("width", "width of the limits in sigmas of the average", plain, 100).or("3"),
				choice("limits", "asymptotic, or widening with time from the first point", "asymptotic", "time-varying")),
			Example: call("values=52.0,47.0,53.0,49.3,50.1,47.0,51.0,50.1,51.2,50.5,49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1", "centre=50", "sigma=2.0539", "lambda=0.3", "limits=asymptotic"),
			Gives:   call("last average: 51.9882", "lower limit there: 47.4116", "upper limit there: 52.5884", "limits drawn: asymptotic limits", "signals: calc.none"),
			run:     ewma,
		},
		{
			Name: "cusum", Asks: "Does the cumulative sum of a series signal a shift?",
			Inputs: inputs(series, anyNumber("target", "target of the process"), num("k", "slack, half the shift to find", plain, 0, math.Inf(1)), above("h", "decision interval", plain, math.Inf(1)),
				num("head-start", "head start of both sums", plain, 0, math.Inf(1)).or("0"), above("sigma", "standard deviation; given, k, h and head start are in sigmas", plain, math.Inf(1)).opt()),
			Example: call("values=324.925,324.675,324.725,324.350,325.350,325.225,324.125,324.525,325.225,324.600,324.625,325.150,328.325,327.250", "target=325", "k=0.3175", "h=4.1959"),
			Gives:   call("last sum above: 4.94", "last sum below: 0", "signals: 14 above"),
			run:     cusum,
		},
		{
			Name: "runs-rules", Asks: "Which runs rules does a series break?",
			Inputs: inputs(series, centreIn, sigmaIn, choice("set", "four rules of Western Electric or eight of Nelson", "western-electric", "nelson"),
				choice("window", "whether a rule of k of n may signal before n points are there", "full", "partial").or("full")),
			Example: call("values=0.1,2.1,-0.5,2.2,0.3", "centre=0", "sigma=1", "set=western-electric"),
			Gives:   call("signals: 4 Western Electric 2"),
			run:     runsRules,
		},
	}
}

func ewma(v *values) (answer, error) {
	form := trend.Asymptotic
	if v.word("limits") == "time-varying" {
		form = trend.TimeVarying
	}
	chart, err := trend.NewEWMA(form, v.f("centre"), v.f("sigma"), v.f("lambda"), v.f("width"))
	if err != nil {
		return answer{}, err
	}
	var last trend.EWMAPoint
	var found []string
	for i, x := range v.list("values") {
		if last, err = chart.Add(x); err != nil {
			return answer{}, err
		}
		if last.Signal {
			found = append(found, fmt.Sprint(i+1))
		}
	}
	const key = "nist-ehandbook"
	return rows(row("last average", made(last.Value, "", ewmaFormula, key)), row("lower limit there", made(last.Lower, "", ewmaFormula, key)), row("upper limit there", made(last.Upper, "", ewmaFormula, key)),
		Row{Label: "limits drawn", Result: made(0, "", ewmaFormula, key), Plain: string(chart.Form())}, points("signals", found, ewmaFormula, key)).with(ChartNoLimit), nil
}

func cusum(v *values) (answer, error) {
	var chart *trend.CUSUM
	var err error
	if v.has("sigma") {
		chart, err = trend.NewCUSUMSigmas(v.f("target"), v.f("sigma"), v.f("k"), v.f("h"), v.f("head-start"))
	} else {
		chart, err = trend.NewCUSUM(v.f("target"), v.f("k"), v.f("h"), v.f("head-start"))
	}
	if err != nil {
		return answer{}, err
	}
	var last trend.CUSUMPoint
	var found []string
	for i, x := range v.list("values") {
		if last, err = chart.Add(x); err != nil {
			return answer{}, err
		}
		if last.AboveSignal {
			found = append(found, fmt.Sprintf("%d above", i+1))
		}
		if last.BelowSignal {
			found = append(found, fmt.Sprintf("%d below", i+1))
		}
	}
	const key = "nist-ehandbook"
	return rows(row("last sum above", made(last.High, "", cusumFormula, key)), row("last sum below", made(last.Low, "", cusumFormula, key)),
		points("signals", found, cusumFormula, key)).with(ChartNoLimit), nil
}

func runsRules(v *values) (answer, error) {
	sets, window := trend.WesternElectric, trend.FullWindow
	if v.word("set") == "nelson" {
		sets = trend.Nelson
	}
	if v.word("window") == "partial" {
		window = trend.PartialWindow
	}
	r, err := trend.NewRules(sets, v.f("centre"), v.f("sigma"), window)
	if err != nil {
		return answer{}, err
	}
	var found []string
	for i, x := range v.list("values") {
		s, err := r.Add(x)
		if err != nil {
			return answer{}, err
		}
		if s != 0 {
			found = append(found, fmt.Sprintf("%d %s", i+1, s))
		}
	}
	return rows(points("signals", found, rulesFormula, "runs-rules")).with(ChartNoLimit), nil
}
