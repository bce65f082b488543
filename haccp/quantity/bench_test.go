package quantity

import (
	"testing"

	"github.com/cockroachdb/apd/v3"
	govalues "github.com/govalues/decimal"
	shopspring "github.com/shopspring/decimal"
)

// dayTexts are numbers as a day at the bath brings them.
var dayTexts = []string{"1.50", "0.02", "7.0", "6.85", "100", "12.4", "41.0", "-0.5", "1413", "0.125"}

// BenchmarkLibraries parses two texts and compares them, with each library that
// was thought of and with the type of this package.
func BenchmarkLibraries(b *testing.B) {
	pair := func(i int) (string, string) {
		return dayTexts[i%len(dayTexts)], dayTexts[(i+3)%len(dayTexts)]
	}
	sum := 0
	run := func(name string, f func(x, y string) int) {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				x, y := pair(i)
				sum += f(x, y)
			}
		})
	}
	run("govalues", func(x, y string) int {
		d, _ := govalues.Parse(x)
		e, _ := govalues.Parse(y)
		return d.Cmp(e)
	})
	run("apd", func(x, y string) int {
		d, _, _ := apd.NewFromString(x)
		e, _, _ := apd.NewFromString(y)
		return d.Cmp(e)
	})
	run("shopspring", func(x, y string) int {
		d, _ := shopspring.NewFromString(x)
		e, _ := shopspring.NewFromString(y)
		return d.Cmp(e)
	})
	run("this", func(x, y string) int {
		d, _ := ParseDecimal(x)
		e, _ := ParseDecimal(y)
		return d.Cmp(e)
	})
	if sum == 0 {
		b.Log("sum is nought")
	}
}

func BenchmarkCompareCold(b *testing.B) {
	x, y := govalues.MustParse("1.50"), govalues.MustParse("1.5")
	ax, _, _ := apd.NewFromString("1.50")
	ay, _, _ := apd.NewFromString("1.5")
	sx, sy := shopspring.RequireFromString("1.50"), shopspring.RequireFromString("1.5")
	dx, dy := MustDecimal("1.50"), MustDecimal("1.5")
	for name, f := range map[string]func() int{
		"govalues": func() int { return x.Cmp(y) }, "apd": func() int { return ax.Cmp(ay) },
		"shopspring": func() int { return sx.Cmp(sy) }, "this": func() int { return dx.Cmp(dy) },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if f() != 0 {
					b.Fatal("1.50 is not 1.5")
				}
			}
		})
	}
}

func BenchmarkParseValue(b *testing.B) {
	text := []byte(`{"unit":"mg/L","value":"1.50"}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseValue(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkJudgeOverUnits(b *testing.B) {
	q, err := Get(Temperature)
	if err != nil {
		b.Fatal(err)
	}
	v, limit := Exact(MustDecimal("41.1"), Fahrenheit), &Bound{Value: MustDecimal("5"), Unit: Celsius}
	b.ReportAllocs()
	for b.Loop() {
		if q.Judge(v, nil, limit) != AboveMax {
			b.Fatal("41.1 °F is above 5 °C")
		}
	}
}
