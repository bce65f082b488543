// Package libraries measures the decimal libraries that package quantity could
// stand on. It is a module of its own, so that the ones not chosen stay out of
// the program's go.mod: go test -bench . in this folder.
package libraries

import (
	"testing"

	"github.com/cockroachdb/apd/v3"
	govalues "github.com/govalues/decimal"
	shopspring "github.com/shopspring/decimal"
)

// texts are numbers as a day at the bath brings them.
var texts = []string{"1.50", "0.02", "7.0", "6.85", "100", "12.4", "41.0", "-0.5", "1413", "0.125"}

// parseAndCompare holds, for each library, two texts parsed and compared.
var parseAndCompare = map[string]func(x, y string) (int, error){
	"govalues": func(x, y string) (int, error) {
		d, err := govalues.Parse(x)
		if err != nil {
			return 0, err
		}
		e, err := govalues.Parse(y)
		return d.Cmp(e), err
	},
	"apd": func(x, y string) (int, error) {
		d, _, err := apd.NewFromString(x)
		if err != nil {
			return 0, err
		}
		e, _, err := apd.NewFromString(y)
		return d.Cmp(e), err
	},
	"shopspring": func(x, y string) (int, error) {
		d, err := shopspring.NewFromString(x)
		if err != nil {
			return 0, err
		}
		e, err := shopspring.NewFromString(y)
		return d.Cmp(e), err
	},
}

func TestLibrariesAgree(t *testing.T) {
	for _, x := range texts {
		for _, y := range texts {
			want, err := parseAndCompare["apd"](x, y)
			if err != nil {
				t.Fatal(err)
			}
			for name, f := range parseAndCompare {
				if got, err := f(x, y); err != nil || got != want {
					t.Errorf("%s: %s against %s: %d, %v", name, x, y, got, err)
				}
			}
		}
	}
}

func BenchmarkParseAndCompare(b *testing.B) {
	for name, f := range parseAndCompare {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if _, err := f(texts[i%len(texts)], texts[(i+3)%len(texts)]); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
