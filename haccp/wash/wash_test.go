package wash

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

func must(t testing.TB, r formula.Result, err error) formula.Result {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestPKaTable(t *testing.T) {
	checktable.Load(t, "morris-1966/pka.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := PKa(row.Number(t, "celsius"))
		r = must(t, r, err)
		checktable.Near(t, "pKa", r.Value, row.Number(t, "pka"), row.HalfDigit(t, "pka"))
		checktable.Near(t, "Ka", 1e8*math.Pow(10, -r.Value), row.Number(t, "ka_e8"), row.HalfDigit(t, "ka_e8"))
	})
}

func TestHOClShareTable(t *testing.T) {
	checktable.Load(t, "morris-1966/hocl-share.csv").Each(t, func(t *testing.T, row checktable.Row) {
		for celsius := 0; celsius <= 30; celsius += 5 {
			column := "at" + strconv.Itoa(celsius)
			r, err := HOClShare(Water{PH: row.Number(t, "ph"), Celsius: float64(celsius), Salt: SaltGPerL(0)})
			r = must(t, r, err)
			checktable.Near(t, column, r.Value, row.Number(t, column), row.HalfDigit(t, column))
		}
	})
}

// White's printed row is not made with exactly these coefficients: it differs by
// up to 0.06 points from the equation, more than its last digit and less than
// its stated tolerance.
func TestHOClShareWhite(t *testing.T) {
	checktable.Load(t, "white-hocl/ph7.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := HOClShare(Water{PH: 7, Celsius: row.Number(t, "celsius"), Salt: SaltGPerL(0)})
		checktable.Near(t, "share", must(t, r, err).Value, row.Number(t, "percent"), 0.15)
	})
}

func TestHOClShareProduceNote(t *testing.T) {
	checktable.Load(t, "produce-note/hocl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := HOClShare(Water{PH: row.Number(t, "ph"), Celsius: row.Number(t, "celsius"), Salt: SaltGPerL(0)})
		checktable.Near(t, "share", must(t, r, err).Value, row.Number(t, "percent"), 3)
	})
}

func TestMorrisAsQuoted(t *testing.T) {
	checktable.Load(t, "morris-1966/quoted.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := PKa(row.Number(t, "celsius"))
		r = must(t, r, err)
		got := r.Value
		switch row.Get(t, "what") {
		case "ka_e8":
			got = 1e8 * math.Pow(10, -r.Value)
		case "ph_of_90_percent":
			got = r.Value - math.Log10(9)
		}
		checktable.Near(t, row.Get(t, "what"), got, row.Number(t, "value"), row.Number(t, "tolerance"))
	})
}

func TestHydrolysisConstant(t *testing.T) {
	checktable.Load(t, "echa-chlorine/k1.csv").Each(t, func(t *testing.T, row checktable.Row) {
		checktable.Near(t, "K1", 1e4*hydrolysisK(row.Number(t, "celsius")), row.Number(t, "k1_e4"), 1e-9)
	})
}

func TestCl2ShareTable(t *testing.T) {
	checktable.Load(t, "echa-chlorine/cl2-share.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Cl2Share(row.Number(t, "ph"), 20, row.Number(t, "chloride_mol_per_l"))
		checktable.Near(t, "share", must(t, r, err).Value, row.Number(t, "percent"), row.HalfDigit(t, "percent"))
	})
}

func TestCautionsOfHOCl(t *testing.T) {
	type want struct {
		usable      bool
		has, hasNot []formula.Code
	}
	for name, c := range map[string]struct {
		w Water
		want
	}{
		"fresh at pH 6.0":              {Water{PH: 6, Celsius: 15, Salt: SaltGPerL(0)}, want{true, nil, []formula.Code{ChlorineGas, BelowPHFloor, DiluteEquation, SaltUnknown, formula.Extrapolated}}},
		"fresh below 6.0, no floor":    {Water{PH: 5.99, Celsius: 15, Salt: SaltGPerL(0)}, want{false, []formula.Code{ChlorineGas, BelowPHFloor}, nil}},
		"fresh below 6.0, lower floor": {Water{PH: 5.9, Celsius: 15, Salt: SaltGPerL(0), PHFloor: 5.5}, want{true, []formula.Code{ChlorineGas}, []formula.Code{BelowPHFloor}}},
		"at the plan's floor":          {Water{PH: 6.5, Celsius: 15, Salt: SaltGPerL(0), PHFloor: 6.5}, want{true, nil, []formula.Code{ChlorineGas, BelowPHFloor}}},
		"below the plan's floor":       {Water{PH: 6.49, Celsius: 15, Salt: SaltGPerL(0), PHFloor: 6.5}, want{false, []formula.Code{ChlorineGas, BelowPHFloor}, nil}},
		"brine":                        {Water{PH: 7, Celsius: 15, Salt: SaltGPerL(30), PHFloor: 6.5}, want{true, []formula.Code{ChlorineGas, DiluteEquation}, []formula.Code{SaltUnknown}}},
		"salt not known":               {Water{PH: 7, Celsius: 15, PHFloor: 6.5}, want{true, []formula.Code{ChlorineGas, DiluteEquation, SaltUnknown}, nil}},
		"colder than measured":         {Water{PH: 7, Celsius: 4.9, Salt: SaltGPerL(0)}, want{true, []formula.Code{formula.Extrapolated}, nil}},
		"warmer than measured":         {Water{PH: 7, Celsius: 35.1, Salt: SaltGPerL(0)}, want{true, []formula.Code{formula.Extrapolated}, nil}},
	} {
		t.Run(name, func(t *testing.T) {
			r, err := HOCl(50, c.w)
			r = must(t, r, err)
			if r.Usable() != c.usable {
				t.Errorf("usable %v with %v", r.Usable(), r.Cautions)
			}
			for _, code := range c.has {
				if !r.Has(code) {
					t.Errorf("no caution %s in %v", code, r.Cautions)
				}
			}
			for _, code := range c.hasNot {
				if r.Has(code) {
					t.Errorf("caution %s in %v", code, r.Cautions)
				}
			}
		})
	}
}

func TestOutOfRangeIsAnError(t *testing.T) {
	good := Water{PH: 7, Celsius: 15, Salt: SaltGPerL(0)}
	for name, change := range map[string]func(*Water){
		"ph":          func(w *Water) { w.PH = 14.1 },
		"negative ph": func(w *Water) { w.PH = -0.1 },
		"no ph":       func(w *Water) { w.PH = math.NaN() },
		"too cold":    func(w *Water) { w.Celsius = -0.1 },
		"fahrenheit":  func(w *Water) { w.Celsius = 59 },
		"salt":        func(w *Water) { w.Salt = SaltGPerL(321) },
		"floor":       func(w *Water) { w.PHFloor = 15 },
	} {
		w := good
		change(&w)
		_, err1 := HOClShare(w)
		_, err2 := HOCl(50, w)
		for _, err := range []error{err1, err2} {
			if !errors.Is(err, formula.ErrRange) {
				t.Errorf("%s: error %v", name, err)
			}
		}
	}
	for _, free := range []float64{-0.01, 20001, math.Inf(1), math.NaN()} {
		if _, err := HOCl(free, good); !errors.Is(err, formula.ErrRange) {
			t.Errorf("free chlorine %v: error %v", free, err)
		}
	}
	for _, c := range [][3]float64{{-1, 20, 0.5}, {7, 41, 0.5}, {7, 20, 6}, {7, 20, math.NaN()}} {
		if _, err := Cl2Share(c[0], c[1], c[2]); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v: error %v", c, err)
		}
	}
	if _, err := PKa(40.5); !errors.Is(err, formula.ErrRange) {
		t.Error(err)
	}
	if _, err := ChlorideMolPerL(-1); !errors.Is(err, formula.ErrRange) {
		t.Error(err)
	}
}

func TestHOClFollowsItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := Water{PH: rapid.Float64Range(4, 10).Draw(t, "ph"), Celsius: rapid.Float64Range(0, 39).Draw(t, "celsius")}
		free := rapid.Float64Range(0.01, 1000).Draw(t, "free")
		at := func(free float64, w Water) float64 {
			r, err := HOCl(free, w)
			if err != nil {
				t.Fatal(err)
			}
			return r.Value
		}
		here := at(free, w)
		if here <= 0 || here >= free {
			t.Fatalf("%v of %v", here, free)
		}
		up, warm := w, w
		up.PH += 0.1
		warm.Celsius++
		if !(at(free, up) < here) || !(at(free, warm) < here) || !(at(free*1.01, w) > here) {
			t.Fatalf("not monotone at %+v", w)
		}
	})
}

func TestCl2ShareFollowsItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ph := rapid.Float64Range(2, 9).Draw(t, "ph")
		celsius := rapid.Float64Range(0, 39).Draw(t, "celsius")
		chloride := rapid.Float64Range(0.0001, 5).Draw(t, "chloride")
		at := func(ph, celsius, chloride float64) float64 {
			r, err := Cl2Share(ph, celsius, chloride)
			if err != nil {
				t.Fatal(err)
			}
			return r.Value
		}
		here := at(ph, celsius, chloride)
		if !(at(ph+0.1, celsius, chloride) < here) || !(at(ph, celsius+1, chloride) < here) || !(at(ph, celsius, chloride*1.01) > here) {
			t.Fatal("not monotone")
		}
	})
}

func ExamplePKa() {
	r, _ := PKa(25)
	fmt.Printf("%.4f\n", r.Value)
	// Output: 7.5366
}

func ExampleHOClShare() {
	r, _ := HOClShare(Water{PH: 7, Celsius: 20, Salt: SaltGPerL(0)})
	fmt.Printf("%.2f %s\n", r.Value, r.Unit)
	// Output: 79.24 %
}

func ExampleHOCl() {
	r, _ := HOCl(100, Water{PH: 6.3, Celsius: 10, Salt: SaltGPerL(30), PHFloor: 6.5})
	fmt.Printf("%.1f %s, usable: %v\n", r.Value, r.Unit, r.Usable())
	for _, c := range r.Cautions {
		fmt.Println(c.Code)
	}
	// Output:
	// 96.1 mg/L, usable: false
	// below-ph-floor
	// chlorine-gas
	// dilute-equation
}

func ExampleCl2Share() {
	chloride, _ := ChlorideMolPerL(10)
	r, _ := Cl2Share(6, 20, chloride.Value)
	fmt.Printf("%.4f %s\n", r.Value, r.Unit)
	// Output: 0.0534 %
}

func ExampleChlorideMolPerL() {
	show(ChlorideMolPerL(58.443))
	// Output: 1.000 mol/L <nil>
}

func ExampleSaltGPerL() {
	fmt.Println(SaltGPerL(30).GPerL(), SaltGPerL(30).Known(), Salt{}.Known())
	// Output: 30 true false
}
