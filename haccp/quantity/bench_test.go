package quantity

import "testing"

// dayTexts are numbers as a day at the bath brings them.
var dayTexts = []string{"1.50", "0.02", "7.0", "6.85", "100", "12.4", "41.0", "-0.5", "1413", "0.125"}

func BenchmarkParseAndCompare(b *testing.B) {
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		d, err := ParseDecimal(dayTexts[i%len(dayTexts)])
		if err != nil {
			b.Fatal(err)
		}
		e, err := ParseDecimal(dayTexts[(i+3)%len(dayTexts)])
		if err != nil || d.Cmp(e) == 0 && d != e {
			b.Fatal(d, e, err)
		}
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

func BenchmarkJudge(b *testing.B) {
	q := get(b, Temperature)
	v, limit := Exact(MustDecimal("41.1"), Fahrenheit), &Bound{Value: MustDecimal("5"), Unit: Celsius}
	same := &Bound{Value: MustDecimal("41"), Unit: Fahrenheit}
	for name, bound := range map[string]*Bound{"units alike": same, "over units": limit} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if q.Judge(v, nil, bound) != AboveMax {
					b.Fatal("41.1 °F is above 5 °C")
				}
			}
		})
	}
}
