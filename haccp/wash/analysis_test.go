package wash

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

// value returns the value of a result that says where it comes from.
func value(t testing.TB, r formula.Result, err error) float64 {
	t.Helper()
	r = must(t, r, err)
	if r.Formula == "" || r.Version == 0 || r.Unit == "" {
		t.Fatalf("a result without formula or unit: %+v", r)
	}
	if _, ok := checktable.Sources(t)[r.Source]; !ok {
		t.Fatalf("source %q is not in sources.tsv", r.Source)
	}
	return r.Value
}

func TestIodometric(t *testing.T) {
	checktable.Load(t, "standard-methods-chlorine/iodometric.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := IodometricTotal(Titration{row.Number(t, "ml"), row.Number(t, "blank_ml"), row.Number(t, "normality")}, row.Number(t, "sample_ml"))
		checktable.Near(t, "total chlorine", value(t, r, err), row.Number(t, "mg_per_l"), 0.01)
	})
}

func TestEquivalents(t *testing.T) {
	checktable.Load(t, "usp29-hypochlorite/equivalent.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := HypochloriteEquivalent(row.Number(t, "ml"), row.Number(t, "normality"))
		checktable.Near(t, "mg NaOCl", value(t, r, err), row.Number(t, "mg"), row.HalfDigit(t, "mg"))
	})
	checktable.Load(t, "aoac-935-09/equivalent.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := ChlorineEquivalent(row.Number(t, "ml"), row.Number(t, "normality"))
		checktable.Near(t, "mg Cl2", value(t, r, err), row.Number(t, "mg"), row.HalfDigit(t, "mg"))
	})
}

func TestAvailableChlorineAssay(t *testing.T) {
	checktable.Load(t, "available-chlorine-assay/example.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := AvailableChlorine(Titration{ThiosulfateML: row.Number(t, "ml"), Normality: row.Number(t, "normality")}, row.Number(t, "sample_ml"))
		checktable.Near(t, "% w/v", value(t, r, err), row.Number(t, "percent_wv"), 0.01)
	})
}

func TestIodate(t *testing.T) {
	checktable.Load(t, "iodate-procedure/standards.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := IodateStandard(row.Number(t, "normality"))
		if row.Get(t, "what") == "normality" {
			r, err = ThiosulfateNormality(row.Number(t, "standard_ml"), row.Number(t, "normality"), row.Number(t, "taken_ml"))
		}
		checktable.Near(t, row.Get(t, "what"), value(t, r, err), row.Number(t, "value"), row.Number(t, "tolerance"))
	})
}

// The note gives 3.8 % as Cl2 and 39.5 g/L as NaOCl, a ratio of 1.04 by two digits;
// the molar masses give 1.05.
func TestBleachAssay(t *testing.T) {
	checktable.Load(t, "bleach-titration/assay.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s, err := TradePercent(row.Number(t, "cl2_percent_wv"), 1.06)
		if err != nil {
			t.Fatal(err)
		}
		weight, err := s.NaOCl()
		grams := value(t, weight, err) * 10 * 1.06
		checktable.Near(t, "g NaOCl per L over g Cl2", row.Number(t, "naocl_g_per_l")/(10*row.Number(t, "cl2_percent_wv")), 1.05, 0.02)
		checktable.Near(t, "g NaOCl per L", grams, row.Number(t, "naocl_g_per_l"), 0.02*38)
	})
	checktable.Load(t, "chlorine-stoichiometry/ratio.csv").Each(t, func(t *testing.T, row checktable.Row) {
		checktable.Near(t, "NaOCl by Cl2", naOClGPerMol/cl2GPerMol, row.Number(t, "value"), row.Number(t, "tolerance"))
	})
}

func TestPartition(t *testing.T) {
	checktable.Load(t, "standard-methods-chlorine/dpd-fas.csv").Each(t, func(t *testing.T, row checktable.Row) {
		p, err := PartitionDPD(DPDTitration{row.Number(t, "a"), row.Number(t, "b"), row.Number(t, "c"), row.Number(t, "sample_ml")})
		for column, r := range map[string]formula.Result{"free": p.Free, "mono": p.Monochloramine, "di": p.Dichloramine,
			"combined": p.Combined, "total": p.Total} {
			checktable.Near(t, column, value(t, r, err), row.Number(t, column), 1e-6)
		}
		combined, err := Combined(p.Total.Value, p.Free.Value)
		checktable.Near(t, "combined by difference", value(t, combined, err), p.Combined.Value, 1e-9)
	})
	checktable.Load(t, "standard-methods-chlorine/fas.csv").Each(t, func(t *testing.T, row checktable.Row) {
		byStrength := row.Number(t, "normality") * iodometric / row.Number(t, "sample_ml")
		checktable.Near(t, "mg/L of 1 mL", byStrength, row.Number(t, "mg_per_l_per_ml"), 0.0005)
	})
}

func TestPartitionAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0, 5).Draw(t, "a")
		b := a + rapid.Float64Range(0, 5).Draw(t, "trace")
		c := b + rapid.Float64Range(0, 5).Draw(t, "iodide")
		p, err := PartitionDPD(DPDTitration{a, b, c, rapid.Float64Range(75, 200).Draw(t, "sample")})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(p.Free.Value+p.Monochloramine.Value+p.Dichloramine.Value-p.Total.Value) > 1e-9 ||
			math.Abs(p.Combined.Value+p.Free.Value-p.Total.Value) > 1e-9 {
			t.Fatalf("%+v", p)
		}
	})
}

// Total below free is a fault of the data; it must not become zero combined chlorine.
func TestNegativeCombinedIsAFault(t *testing.T) {
	r, err := Combined(50, 50.1)
	if !errors.Is(err, formula.ErrData) || r.Formula != "" {
		t.Errorf("combined %+v, error %v", r, err)
	}
	if r, err := Combined(50, 50); err != nil || r.Value != 0 {
		t.Errorf("equal readings: %+v, %v", r, err)
	}
	for _, bad := range []DPDTitration{{1.2, 1.1, 1.7, 100}, {1.2, 1.5, 1.4, 100}} {
		if _, err := PartitionDPD(bad); !errors.Is(err, formula.ErrData) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if _, err := IodometricTotal(Titration{1, 1.1, 0.01}, 200); !errors.Is(err, formula.ErrData) {
		t.Errorf("blank over sample: %v", err)
	}
}

func TestDilutedRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Method{Low: 0.1, High: 5}
		read := rapid.Float64Range(m.Low, m.High).Draw(t, "read")
		parts := rapid.Float64Range(1, 100).Draw(t, "parts")
		r, err := Diluted(read, 10, 10*parts, m)
		if err != nil || math.Abs(r.Value/parts-read) > 1e-9 {
			t.Fatal(r, err)
		}
	})
}

func TestRetestDiluted(t *testing.T) {
	lowest := math.Inf(1)
	checktable.Load(t, "photometer-manuals/levels.csv").Each(t, func(t *testing.T, row checktable.Row) {
		lowest = min(lowest, row.Number(t, "above"))
		if expected := row.Number(t, "above") + 1; !RetestDiluted(0, expected, false) {
			t.Errorf("nothing read where %v mg/L should be, and no re-test asked", expected)
		}
	})
	checktable.Near(t, "level of bleaching", bleachMgPerL, lowest, 0)
	for _, c := range []struct {
		read, expected float64
		diluted, want  bool
	}{
		{0, 100, false, true}, {49, 100, false, true}, {51, 100, false, false}, {0, 100, true, false},
		{0, 8, false, false}, {0, 0, false, false},
	} {
		if got := RetestDiluted(c.read, c.expected, c.diluted); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

func TestORP(t *testing.T) {
	checktable.Load(t, "lgma-water/orp.csv").Each(t, func(t *testing.T, row checktable.Row) {
		checktable.Near(t, "mg/L", enoughMgPerL, row.Number(t, "mg_per_l"), 0)
		checktable.Near(t, "mV", enoughMillivolt, row.Number(t, "millivolt"), 0)
		checktable.Near(t, "pH", orpLowPH, row.Number(t, "ph_low"), 0)
		checktable.Near(t, "pH", orpHighPH, row.Number(t, "ph_high"), 0)
	})
	checktable.Load(t, "epa-330-4/range.csv").Each(t, func(t *testing.T, row checktable.Row) {
		checktable.Near(t, "mg/L", noneMgPerL, row.Number(t, "above"), 0)
	})
	for _, c := range []struct {
		mv, free, ph float64
		want         ORPVerdict
	}{
		{700, 1, 6.5, ORPAgrees}, {650, 100, 7.5, ORPAgrees}, {649, 1, 6.5, ORPLow}, {400, 100, 7, ORPLow},
		{650, 0, 7, ORPHigh}, {800, 0.05, 9, ORPHigh}, {300, 0, 7, ORPAgrees}, {600, 0.5, 7, ORPNotJudged},
		{400, 100, 8.5, ORPNotJudged}, {400, 100, 5, ORPNotJudged},
	} {
		if got, err := ORPPlausible(c.mv, c.free, c.ph); err != nil || got.Verdict != c.want || got.Cautions[0].Code != formula.Unconfirmed {
			t.Errorf("%+v: %+v, %v", c, got, err)
		}
	}
}

func TestAnalysisOutOfRange(t *testing.T) {
	nan := math.NaN()
	m := Method{Low: 0.1, High: 5}
	for name, err := range map[string]error{
		"no normality":       second(IodometricTotal(Titration{10, 0, 0}, 100)),
		"no sample":          second(IodometricTotal(Titration{10, 0, 0.1}, 0)),
		"too much":           second(IodometricTotal(Titration{1000, 0, 2}, 0.01)),
		"stronger than any":  second(AvailableChlorine(Titration{100, 0, 0.1}, 1)),
		"assay, no sample":   second(AvailableChlorine(Titration{10, 0, 0.1}, nan)),
		"equivalent":         second(ChlorineEquivalent(-1, 0.1)),
		"equivalent NaOCl":   second(HypochloriteEquivalent(1, 3)),
		"normality":          second(ThiosulfateNormality(50, 0.1, 0)),
		"iodate":             second(IodateStandard(0)),
		"combined":           second(Combined(-1, 0)),
		"read over range":    second(Diluted(5.1, 10, 100, m)),
		"read under range":   second(Diluted(0.05, 10, 100, m)),
		"made up to less":    second(Diluted(1, 10, 9, m)),
		"a method backwards": second(Diluted(1, 10, 10, Method{5, 1})),
	} {
		if !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := PartitionDPD(DPDTitration{1, 1, 1, 0}); !errors.Is(err, formula.ErrRange) {
		t.Error(err)
	}
	if _, err := PartitionDPD(DPDTitration{1, 1, 21, 100}); !errors.Is(err, formula.ErrRange) {
		t.Error(err)
	}
	for _, c := range [][3]float64{{3000, 1, 7}, {700, -1, 7}, {700, 1, 15}, {nan, 1, 7}} {
		if _, err := ORPPlausible(c[0], c[1], c[2]); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v: %v", c, err)
		}
	}
}

// The share of HOCl by Morris is not that by van 't Hoff from one constant.
func TestMorrisIsNotVantHoff(t *testing.T) {
	checktable.Load(t, "vant-hoff-hocl/pka.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := PKa(row.Number(t, "celsius"))
		checktable.Near(t, "distance", value(t, r, err)-row.Number(t, "pka"), 0.050, 0.001)
	})
}

func second(_ formula.Result, err error) error { return err }

func show(r formula.Result, err error) { fmt.Printf("%.3f %s %v\n", r.Value, r.Unit, err) }

func ExampleIodometricTotal() {
	show(IodometricTotal(Titration{ThiosulfateML: 18.6, BlankML: 0.1, Normality: 0.01}, 200))
	// Output: 32.791 mg/L <nil>
}

func ExampleAvailableChlorine() {
	show(AvailableChlorine(Titration{ThiosulfateML: 36, Normality: 0.1}, 1))
	// Output: 12.763 g Cl2/100 mL <nil>
}

func ExampleChlorineEquivalent() {
	show(ChlorineEquivalent(1, 0.1))
	// Output: 3.545 mg <nil>
}

func ExampleHypochloriteEquivalent() {
	show(HypochloriteEquivalent(1, 0.1))
	// Output: 3.722 mg <nil>
}

func ExampleThiosulfateNormality() {
	show(ThiosulfateNormality(50, 0.1, 49.6))
	// Output: 0.101 eq/L <nil>
}

func ExampleIodateStandard() {
	show(IodateStandard(0.1))
	// Output: 3.567 g/L <nil>
}

func ExamplePartitionDPD() {
	p, _ := PartitionDPD(DPDTitration{AfterDPD: 1.20, AfterTrace: 1.55, AfterIodide: 1.70, SampleML: 100})
	fmt.Printf("free %.2f, combined %.2f, total %.2f %s\n", p.Free.Value, p.Combined.Value, p.Total.Value, p.Total.Unit)
	// Output: free 1.20, combined 0.50, total 1.70 mg/L
}

func ExampleCombined() {
	show(Combined(103, 95))
	_, err := Combined(90, 95)
	fmt.Println(err)
	// Output:
	// 8.000 mg/L <nil>
	// combined chlorine: total 90 mg/L is less than free 95 mg/L, which cannot be in one sample: test both again: the values contradict each other
}

func ExampleDiluted() {
	show(Diluted(2.1, 2, 100, Method{Low: 0.1, High: 5}))
	// Output: 105.000 mg/L <nil>
}

func ExampleRetestDiluted() {
	fmt.Println(RetestDiluted(0.3, 100, false))
	// Output: true
}

func ExampleORPPlausible() {
	c, _ := ORPPlausible(720, 0, 6.8)
	fmt.Println(c.Verdict)
	// Output: high-for-chlorine
}
