package dosing

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

// A dose made up to a numeric maximum of the standard is inside; one part in a
// thousand more is over it.
func TestPermittedMaximum(t *testing.T) {
	checktable.Load(t, "codex-gsfa-ascorbic/limits.csv").Each(t, func(t *testing.T, row checktable.Row) {
		permitted := row.Number(t, "mg_per_kg") / 10000
		b := Batch{GelKg: 200, Target: permitted, Of: Whole, Purity: 99}
		needed, err := Needed(b)
		if err != nil {
			t.Fatal(err)
		}
		perKg := 1000 * needed.Value * 0.99 / (b.GelKg + needed.Value/1000)
		checktable.Near(t, "mg/kg", perKg, row.Number(t, "mg_per_kg"), 1e-9)
		at, err := Check(b, needed.Value, 5, permitted)
		over, err2 := Check(b, needed.Value*1.001, 5, permitted)
		if err != nil || err2 != nil || at.Verdict != Inside || over.Verdict != OverMaximum {
			t.Errorf("at it %s, over it %s (%v, %v)", at.Verdict, over.Verdict, err, err2)
		}
	})
}

func TestSourceIsListed(t *testing.T) {
	if _, ok := checktable.Sources(t)[source]; !ok {
		t.Errorf("source %q is not in sources.tsv", source)
	}
}

func TestTolerance(t *testing.T) {
	b := Batch{GelKg: 100, Target: 0.1, Of: Gel, Purity: 100}
	for grams, want := range map[float64]Verdict{95: Inside, 105: Inside, 94.9: Below, 105.1: Above, 100: Inside, 0: Below, 120.1: OverMaximum} {
		f, err := Check(b, grams, 5, 0.12)
		if err != nil || f.Verdict != want {
			t.Errorf("%v g: %+v, %v", grams, f, err)
		}
		checktable.Near(t, "found", f.Found.Value, grams/1000, 1e-12)
		checktable.Near(t, "deviation", f.Deviation.Value, grams-100, 1e-9)
	}
}

func TestNeededIsInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := Batch{GelKg: rapid.Float64Range(0.1, 20000).Draw(t, "kg"), Target: rapid.Float64Range(0.001, 4.9).Draw(t, "target"),
			Of: rapid.SampledFrom([]Of{Gel, Whole}).Draw(t, "of"), Purity: rapid.Float64Range(50, 99).Draw(t, "purity")}
		grams := func(b Batch) float64 {
			r, err := Needed(b)
			if err != nil {
				t.Fatal(err)
			}
			return r.Value
		}
		here := grams(b)
		f, err := Check(b, here, 0, b.Target)
		if err != nil || f.Verdict != Inside || math.Abs(f.Found.Value-b.Target) > 1e-9 {
			t.Fatalf("%+v %v", f, err)
		}
		more, higher, purer := b, b, b
		more.GelKg *= 1.01
		higher.Target += 0.01
		purer.Purity++
		if !(grams(more) > here) || !(grams(higher) > here) || !(grams(purer) < here) {
			t.Fatal("not monotone")
		}
	})
}

func TestRefusals(t *testing.T) {
	good := Batch{GelKg: 100, Target: 0.1, Of: Gel, Purity: 99}
	for name, change := range map[string]func(*Batch){
		"no gel":        func(b *Batch) { b.GelKg = 0 },
		"gel in grams":  func(b *Batch) { b.GelKg = 200000 },
		"no target":     func(b *Batch) { b.Target = 0 },
		"target mg/kg":  func(b *Batch) { b.Target = 500 },
		"no purity":     func(b *Batch) { b.Purity = 0 },
		"purity part":   func(b *Batch) { b.Purity = 0.99 },
		"no number":     func(b *Batch) { b.GelKg = math.NaN() },
		"target no one": func(b *Batch) { b.Target = math.NaN() },
	} {
		b := good
		change(&b)
		_, err := Needed(b)
		_, err2 := Check(b, 100, 5, 0)
		if !errors.Is(err, formula.ErrRange) || !errors.Is(err2, formula.ErrRange) {
			t.Errorf("%s: %v, %v", name, err, err2)
		}
	}
	for _, c := range [][3]float64{{-1, 5, 0}, {100001, 5, 0}, {100, -1, 0}, {100, 5, -1}, {math.NaN(), 5, 0}} {
		if _, err := Check(good, c[0], c[1], c[2]); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v: %v", c, err)
		}
	}
	good.Of = 0
	if _, err := Needed(good); !errors.Is(err, formula.ErrData) {
		t.Error(err)
	}
}

func ExampleNeeded() {
	r, _ := Needed(Batch{GelKg: 180, Target: 0.2, Of: Whole, Purity: 99})
	fmt.Printf("%.1f %s\n", r.Value, r.Unit)
	// Output: 364.4 g
}

func ExampleCheck() {
	f, _ := Check(Batch{GelKg: 180, Target: 0.2, Of: Whole, Purity: 99}, 340, 5, 0.3)
	fmt.Printf("%s: %.4f %s, %.1f %% from the target\n", f.Verdict, f.Found.Value, f.Found.Unit, f.Deviation.Value)
	// Output: below: 0.1866 %, -6.7 % from the target
}
