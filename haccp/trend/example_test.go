package trend_test

import (
	"fmt"

	"linewarden/haccp/trend"
)

// flow is the series of NIST/SEMATECH e-Handbook 6.3.2.2.
var flow = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

func show(err error) {
	if err != nil {
		fmt.Println(err)
	}
}

func ExampleMoments() {
	var m trend.Moments
	for _, v := range flow {
		show(m.Add(v))
	}
	s := m.Summary()
	fmt.Printf("%d values, mean %.2f, sd %.4f\n", s.N, s.Mean, s.SD)
	// Output: 10 values, mean 50.81, sd 2.0339
}

func ExampleSummarize() {
	s, err := trend.Summarize(flow)
	show(err)
	fmt.Printf("%.2f to %.2f, sigma from point to point %.4f\n", s.Min, s.Max, s.MovingRangeSD)
	// Output: 47.60 to 53.60, sigma from point to point 1.6641
}

func ExampleIndividuals() {
	c, err := trend.Individuals(flow)
	show(err)
	fmt.Printf("%.4f to %.4f, provisional: %v\n", c.Values.Lower, c.Values.Upper, c.Provisional)
	// Output: 45.8176 to 55.8024, provisional: true
}

func ExampleIndividualsBySD() {
	c, err := trend.IndividualsBySD(flow)
	show(err)
	fmt.Printf("sigma %.4f\n", c.Values.Sigma)
	// Output: sigma 2.0910
}

func ExampleChartConstants() {
	c, err := trend.ChartConstants(5)
	show(err)
	fmt.Printf("d2 %.3f, A2 %.3f, D4 %.3f\n", c.D2, c.A2, c.RangeHigh)
	// Output: d2 2.326, A2 0.577, D4 2.114
}

func ExampleSubgroupCharts() {
	means, ranges, err := trend.SubgroupCharts(74.00118, 0.02276, 5)
	show(err)
	fmt.Printf("means %.3f to %.3f, ranges up to %.3f\n", means.Lower, means.Upper, ranges.Upper)
	// Output: means 73.988 to 74.014, ranges up to 0.048
}

func ExampleShareChart() {
	l, err := trend.ShareChart([]int{12, 15, 8, 10, 4, 7}, 50)
	show(err)
	fmt.Printf("%.3f, %.3f to %.3f\n", l.Centre, l.Lower, l.Upper)
	// Output: 0.187, 0.021 to 0.352
}

func ExampleCountChart() {
	l, err := trend.CountChart([]int{21, 24, 16, 12, 15, 5})
	show(err)
	fmt.Printf("%.1f, %.2f to %.2f\n", l.Centre, l.Lower, l.Upper)
	// Output: 15.5, 3.69 to 27.31
}

func ExampleNewEWMA() {
	e, err := trend.NewEWMA(trend.Asymptotic, 50, 2.0539, 0.3, 3)
	show(err)
	for _, v := range flow {
		p, err := e.Add(v)
		show(err)
		if p.Signal {
			fmt.Println("signal at", v)
		}
	}
	p, err := e.Add(60)
	show(err)
	fmt.Printf("%s: %.2f above %.2f: %v\n", e.Form(), p.Value, p.Upper, p.Signal)
	// Output: asymptotic limits: 54.39 above 52.59: true
}

func ExampleNewCUSUM() {
	c, err := trend.NewCUSUM(50, 1, 5, 0)
	show(err)
	for i, v := range flow {
		p, err := c.Add(v)
		show(err)
		if p.AboveSignal || p.BelowSignal {
			fmt.Printf("point %d: high %.1f\n", i+1, p.High)
		}
	}
	// Output:
	// point 9: high 5.8
	// point 10: high 6.9
}

func ExampleNewCUSUMSigmas() {
	c, err := trend.NewCUSUMSigmas(325, 0.635, 0.5, 6.6077, 0)
	show(err)
	p, err := c.Add(330)
	show(err)
	fmt.Printf("%.4f %v\n", p.High, p.AboveSignal)
	// Output: 4.6825 true
}

func ExampleNewRules() {
	r, err := trend.NewRules(trend.WesternElectric|trend.Nelson, 50.81, 1.6641, trend.FullWindow)
	show(err)
	for _, v := range []float64{50.1, 56.0} {
		fired, err := r.Add(v)
		show(err)
		fmt.Println(fired)
	}
	// Output:
	// none
	// Western Electric 1, Nelson 1
}

func ExampleCapability() {
	r, err := trend.Capability(16, 2, 50, trend.Within, trend.Specification{Lower: 8, Upper: 20, Target: trend.NoLimit}, 0.95)
	show(err)
	fmt.Printf("Cpk %.2f (%.2f to %.2f)\n", r.Cpk.Value, r.Cpk.Lowest, r.Cpk.Higher)
	// Output: Cpk 0.67 (0.51 to 0.83)
}

func ExampleCapabilityOf() {
	r, err := trend.CapabilityOf(flow, trend.Overall, trend.Specification{Lower: 44, Upper: 58, Target: trend.NoLimit}, 0.95)
	show(err)
	fmt.Printf("Ppk %.2f (%.2f to %.2f), provisional: %v\n", r.Cpk.Value, r.Cpk.Lowest, r.Cpk.Higher, r.Provisional)
	// Output: Ppk 1.12 (0.56 to 1.67), provisional: true
}

func ExampleMannKendall() {
	m, err := trend.MannKendall([]float64{1.2, 1.5, 1.1, 1.8, 2.0, 1.9, 2.3, 2.2})
	show(err)
	fmt.Printf("S %d, p %.4f\n", m.S, m.Exact)
	// Output: S 20, p 0.0141
}

func ExampleTheilSen() {
	s, err := trend.TheilSen([]float64{1, 2, 3, 4, 5, 6, 7, 8}, []float64{1.2, 1.5, 1.1, 1.8, 2.0, 1.9, 2.3, 2.2}, 0.95)
	show(err)
	fmt.Printf("%.3f a day (%.3f to %.3f)\n", s.Value, s.Lowest, s.Higher)
	// Output: 0.155 a day (0.069 to 0.263)
}

func ExampleLimits_Outside() {
	c, err := trend.Individuals(flow)
	show(err)
	fmt.Println(c.Values.Outside(55.80), c.Values.Outside(55.81))
	// Output: false true
}

func ExampleRules_Window() {
	full, err := trend.NewRules(trend.WesternElectric2, 0, 1, trend.FullWindow)
	show(err)
	partial, err := trend.NewRules(trend.WesternElectric2, 0, 1, trend.PartialWindow)
	show(err)
	for _, r := range []*trend.Rules{full, partial} {
		_, err := r.Add(2.1)
		show(err)
		fired, err := r.Add(2.2)
		show(err)
		fmt.Printf("%s: %s\n", r.Window(), fired)
	}
	// Output:
	// full window: none
	// partial window: Western Electric 2
}
