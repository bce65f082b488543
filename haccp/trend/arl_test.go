package trend_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"linewarden/haccp/trend"
	"linewarden/internal/checktable"
)

// runLength simulates a chart on independent normal values of mean shift until
// it signals, and returns the mean run length with its standard error. It draws
// fewer runs where they are long.
func runLength(shift, expected float64, seed uint64, start func() func(x float64) bool) (mean, se float64) {
	random := rand.New(rand.NewPCG(seed, 77))
	runs := int(min(4000, max(150, 500_000/expected)))
	var m trend.Moments
	for range runs {
		signal, n := start(), 1
		for !signal(random.NormFloat64() + shift) {
			n++
		}
		if err := m.Add(float64(n)); err != nil {
			return 0, 0
		}
	}
	s := m.Summary()
	return s.Mean, s.SD / math.Sqrt(float64(runs))
}

// checkRunLength compares a simulated run length with the published one.
func checkRunLength(t *testing.T, row checktable.Row, column string, seed uint64, start func() func(x float64) bool) {
	t.Helper()
	mean, se := runLength(num(t, row.Get(t, "shift")), num(t, row.Get(t, column)), seed, start)
	near(t, "run length, "+column, mean, row.Get(t, column), 3.5*se+half(row.Get(t, column)))
}

func TestRunLengthOfRules(t *testing.T) {
	sets := map[string]trend.Signals{
		"rule1":      trend.WesternElectric1,
		"rules1and2": trend.WesternElectric1 | trend.WesternElectric2,
		"rules1and3": trend.WesternElectric1 | trend.WesternElectric3,
		"rules1and4": trend.WesternElectric1 | trend.WesternElectric4,
	}
	seed := uint64(0)
	checktable.Load(t, "champ-woodall-1987/arl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		for column, set := range sets {
			checkRunLength(t, row, column, seed, func() func(float64) bool {
				r, err := trend.NewRules(set, 0, 1, trend.PartialWindow)
				if err != nil {
					t.Fatal(err)
				}
				return func(x float64) bool {
					fired, err := r.Add(x)
					return err != nil || fired != 0
				}
			})
		}
		seed++
	})
}

// Each rule alone, and what the sets cost in false alarms.
func TestRunLengthOfEachRule(t *testing.T) {
	checktable.Load(t, "runs-rules/arl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		var set trend.Signals
		for code := range strings.FieldsSeq(row.Get(t, "rules")) {
			set |= codes[code]
		}
		text := row.Get(t, "arl")
		mean, se := runLength(num(t, row.Get(t, "shift")), num(t, text), 11, func() func(float64) bool {
			r, err := trend.NewRules(set, 0, 1, trend.PartialWindow)
			if err != nil {
				t.Fatal(err)
			}
			return func(x float64) bool {
				fired, err := r.Add(x)
				return err != nil || fired != 0
			}
		})
		near(t, "run length of "+row.Get(t, "rules"), mean, text, 4*se+0.0025*num(t, text))
	})
}

func TestRunLengthsOfOtherCharts(t *testing.T) {
	checktable.Load(t, "arl-vectors/others.csv").Each(t, func(t *testing.T, row checktable.Row) {
		a, b := num(t, row.Get(t, "k_or_lambda")), num(t, row.Get(t, "h_or_width"))
		start := func() func(float64) bool {
			c, err := trend.NewCUSUM(0, a, b, 0)
			if err != nil {
				t.Fatal(err)
			}
			return func(x float64) bool {
				p, err := c.Add(x)
				return err != nil || p.AboveSignal || p.BelowSignal && row.Get(t, "sides") == "2"
			}
		}
		if row.Get(t, "chart") == "ewma" {
			start = func() func(float64) bool {
				e, err := trend.NewEWMA(trend.Asymptotic, 0, 1, a, b)
				if err != nil {
					t.Fatal(err)
				}
				return func(x float64) bool {
					p, err := e.Add(x)
					return err != nil || p.Signal
				}
			}
		}
		mean, se := runLength(num(t, row.Get(t, "shift")), num(t, row.Get(t, "arl")), 13, start)
		near(t, "run length", mean, row.Get(t, "arl"), 3.5*se+0.2*min(1, se))
	})
}

func TestRunLengthOfCUSUM(t *testing.T) {
	charts := map[string][2]float64{"h4": {4, 0}, "h4fir": {4, 2}, "h5": {5, 0}, "h477": {4.77, 0}}
	checktable.Load(t, "lucas-crosier-1982/arl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		// The paper's digits against the ones worked with more.
		near(t, "h 4", num(t, row.Get(t, "h4")), row.Get(t, "printed"), 1.01*half(row.Get(t, "printed")))
		near(t, "h 4, head start", num(t, row.Get(t, "h4fir")), row.Get(t, "printed_fir"), 1.01*half(row.Get(t, "printed_fir")))
		for column, c := range charts {
			checkRunLength(t, row, column, 3, func() func(float64) bool {
				chart, err := trend.NewCUSUM(0, 0.5, c[0], c[1])
				if err != nil {
					t.Fatal(err)
				}
				return func(x float64) bool {
					p, err := chart.Add(x)
					return err != nil || p.AboveSignal || p.BelowSignal
				}
			})
		}
	})
}

func TestRunLengthOfEWMA(t *testing.T) {
	charts := map[string][2]float64{
		"lambda50": {0.5, 3.071}, "lambda03": {0.03, 2.437}, "lambda20": {0.2, 2.962}, "lambda10": {0.1, 2.814}, "lambda30": {0.3, 3},
	}
	checktable.Load(t, "lucas-saccucci-1990/arl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		near(t, "lambda 0.5", num(t, row.Get(t, "lambda50")), row.Get(t, "printed_50"), 1.01*half(row.Get(t, "printed_50")))
		near(t, "lambda 0.03", num(t, row.Get(t, "lambda03")), row.Get(t, "printed_03"), 1.01*half(row.Get(t, "printed_03")))
		for column, c := range charts {
			checkRunLength(t, row, column, 5, func() func(float64) bool {
				chart, err := trend.NewEWMA(trend.Asymptotic, 0, 1, c[0], c[1])
				if err != nil {
					t.Fatal(err)
				}
				return func(x float64) bool {
					p, err := chart.Add(x)
					return err != nil || p.Signal
				}
			})
		}
	})
}
