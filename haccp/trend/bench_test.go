package trend_test

import (
	"testing"

	"linewarden/haccp/trend"
)

const million = 1_000_000

func readings() []float64 {
	x := make([]float64, million)
	state := uint64(1)
	for i := range x {
		sum := 0.0
		for range 4 {
			state = state*6364136223846793005 + 1442695040888963407
			sum += float64(state>>11)/(1<<53) - 0.5
		}
		x[i] = 50 + 3*sum
	}
	return x
}

var sink float64

// The bare loop over the same readings.
func BenchmarkBaselineMillion(b *testing.B) {
	x := readings()
	b.ReportAllocs()
	for b.Loop() {
		sum := 0.0
		for _, v := range x {
			sum += v
		}
		sink = sum
	}
}

func BenchmarkRulesAndEWMAMillion(b *testing.B) {
	x := readings()
	b.ReportAllocs()
	for b.Loop() {
		r, err := trend.NewRules(trend.WesternElectric|trend.Nelson, 50, 1.7, trend.FullWindow)
		if err != nil {
			b.Fatal(err)
		}
		e, err := trend.NewEWMA(trend.TimeVarying, 50, 1.7, 0.2, 3)
		if err != nil {
			b.Fatal(err)
		}
		signals := 0
		for _, v := range x {
			fired, err := r.Add(v)
			if err != nil {
				b.Fatal(err)
			}
			p, err := e.Add(v)
			if err != nil {
				b.Fatal(err)
			}
			if fired != 0 || p.Signal {
				signals++
			}
		}
		sink = float64(signals)
	}
}
