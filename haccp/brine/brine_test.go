package brine

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

func isNotSeaWater(err error) bool { return errors.Is(err, ErrNotSeaWater) }

var percents = rapid.Float64Range(0, MaxPercent)

// value fails the property when f does.
func value(t *rapid.T, r formula.Result, err error) float64 {
	if err != nil {
		t.Fatal(err)
	}
	return r.Value
}

func TestDensityRisesWithSaltAndFallsWithHeat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0, MaxPercent-0.05).Draw(t, "percent")
		c := rapid.Float64Range(5, 49).Draw(t, "celsius")
		here, err := Density(p, c)
		more, err2 := Density(p+0.05, c)
		warm, err3 := Density(p, c+1)
		if !(value(t, more, err2) > value(t, here, err)) || !(value(t, warm, err3) < here.Value) {
			t.Fatalf("at %v %%, %v °C: %v, more salt %v, warmer %v", p, c, here.Value, more.Value, warm.Value)
		}
	})
}

func TestThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, c := percents.Draw(t, "percent"), rapid.Float64Range(0, 50).Draw(t, "celsius")
		d, err := Density(p, c)
		back, err2 := PercentFromDensity(value(t, d, err), c)
		g, err3 := GramsPerLitre(p, c)
		back2, err4 := PercentFromGramsPerLitre(value(t, g, err3), c)
		for _, got := range []float64{value(t, back, err2), value(t, back2, err4)} {
			if math.Abs(got-p) > 1e-8 {
				t.Fatalf("%v %% came back as %v", p, got)
			}
		}
	})
}

func TestSalometerThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(0, 35).Draw(t, "celsius")
		scale := rapid.SampledFrom([]Scale{Saturated, Canning}).Draw(t, "scale")
		degrees := rapid.Float64Range(10, 90).Draw(t, "degrees")
		p, err := SalometerPercent(degrees, scale, c)
		back, err2 := Salometer(value(t, p, err), scale, c)
		if got := value(t, back, err2); math.Abs(got-degrees) > 1e-6 {
			t.Fatalf("%v degrees came back as %v", degrees, got)
		}
	})
}

// A float in a colder brine stands higher, so the same reading is less salt.
func TestSalometerInAColdBrine(t *testing.T) {
	cold, err := SalometerPercent(40, Saturated, 4)
	at60, err2 := SalometerPercent(40, Saturated, SixtyF)
	warm, err3 := SalometerPercent(40, Saturated, 30)
	if !(must(t, cold, err) < must(t, at60, err2)) || !(must(t, warm, err3) > at60.Value) {
		t.Errorf("cold %v, at 60 °F %v, warm %v", cold.Value, at60.Value, warm.Value)
	}
	if !cold.Has(CorrectedTemperature) || at60.Has(CorrectedTemperature) {
		t.Error("caution of temperature")
	}
}

func TestConductivityThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0.05, 25).Draw(t, "percent")
		c := rapid.Float64Range(10, 30).Draw(t, "celsius")
		k, err := Conductivity(p, c)
		back, err2 := PercentFromConductivity(value(t, k, err), c)
		if got := value(t, back, err2); math.Abs(got-p) > 1e-8 {
			t.Fatalf("%v %% came back as %v", p, got)
		}
		if p < 24.9 {
			if more, err := Conductivity(p+0.1, c); !(value(t, more, err) > k.Value) {
				t.Fatalf("not rising at %v %%", p)
			}
		}
	})
}

func TestSalinityRisesWithConductivity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(12, 50).Draw(t, "mS/cm")
		c := rapid.Float64Range(15, 35).Draw(t, "celsius")
		here, err := Salinity(SeaWater, k, c, 0)
		more, err2 := Salinity(SeaWater, k*1.01, c, 0)
		if errors.Is(err2, formula.ErrRange) {
			t.Skip("above 42")
		}
		if !(value(t, more, err2) > value(t, here, err)) {
			t.Fatal("not rising")
		}
	})
}

var baths = rapid.Custom(func(t *rapid.T) Bath {
	return Bath{Litres: rapid.Float64Range(1, 50000).Draw(t, "litres"), Percent: rapid.Float64Range(0, 20).Draw(t, "percent"),
		Celsius: rapid.Float64Range(0, 40).Draw(t, "celsius")}
})

func TestSaltReachesTheTargetAndWaterBringsItBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := baths.Draw(t, "bath")
		target := rapid.Float64Range(b.Percent, 26).Draw(t, "target")
		purity := rapid.Float64Range(90, 100).Draw(t, "purity")
		dose, err := SaltNeeded(b, target, purity)
		kg := value(t, dose.Result, err)
		after, err := PercentAfter(b, kg, purity, 0)
		if got := value(t, after, err); math.Abs(got-target) > 1e-9 {
			t.Fatalf("target %v, reached %v", target, got)
		}
		if kg < 0 || dose.LitresAfter < b.Litres*0.999999 {
			t.Fatalf("%v kg made %v of %v L", kg, dose.LitresAfter, b.Litres)
		}
		if b.Percent < 0.01 || target < b.Percent+0.01 {
			return
		}
		full := Bath{Litres: dose.LitresAfter, Percent: target, Celsius: b.Celsius}
		water, err := WaterNeeded(full, b.Percent)
		back, err2 := PercentAfter(full, 0, 100, value(t, water.Result, err))
		if got := value(t, back, err2); math.Abs(got-b.Percent) > 1e-9 {
			t.Fatalf("started at %v, diluted to %v", b.Percent, got)
		}
	})
}

func TestSaltNeededFollowsItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := baths.Draw(t, "bath")
		target := rapid.Float64Range(b.Percent+0.1, 25).Draw(t, "target")
		kg := func(b Bath, target, purity float64) float64 {
			d, err := SaltNeeded(b, target, purity)
			return value(t, d.Result, err)
		}
		here := kg(b, target, 98)
		fuller, saltier := b, b
		fuller.Litres *= 1.01
		saltier.Percent += 0.05
		if !(kg(fuller, target, 98) > here) || !(kg(b, target+0.1, 98) > here) || !(kg(saltier, target, 98) < here) || !(kg(b, target, 99) < here) {
			t.Fatal("not monotone")
		}
	})
}

// Thirty grams of salt added to a litre of water do not make 3 %: they make 2.9 %
// of a little more than a litre.
func TestSaltTakesUpRoom(t *testing.T) {
	dose, err := SaltNeeded(Bath{Litres: 1000, Celsius: 15}, 3, 100)
	kg := must(t, dose.Result, err)
	checktable.Near(t, "kg", kg, 999.1*3/97, 0.01)
	if kg <= 30 || dose.LitresAfter <= 1005 || dose.LitresAfter >= 1000+kg/2.165 {
		t.Errorf("%v kg, %v L", kg, dose.LitresAfter)
	}
}

func TestRefusals(t *testing.T) {
	bath := Bath{Litres: 100, Percent: 3, Celsius: 15}
	nan := math.NaN()
	for name, err := range map[string]error{
		"density of too much salt":   second(Density(27, 20)),
		"density of negative salt":   second(Density(-1, 20)),
		"density without number":     second(Density(nan, 20)),
		"too hot":                    second(Density(10, 51)),
		"lighter than water":         second(PercentFromDensity(990, 20)),
		"heavier than brine":         second(PercentFromDensity(1300, 20)),
		"grams":                      second(PercentFromGramsPerLitre(400, 20)),
		"pounds":                     second(PoundsPerUSGallon(30, 20)),
		"mass per mass":              second(MassPerMass(-1, 3, 20)),
		"salometer over 100":         second(SalometerPercent(101, Saturated, 15)),
		"salometer off its scale":    second(Salometer(26.3, Canning, SixtyF)),
		"salometer in cold water":    second(SalometerPercent(0, Saturated, 4)),
		"index below water":          second(Refractometer(1.3)),
		"conductivity over":          second(PercentFromConductivity(230, 20)),
		"conductivity cold":          second(PercentFromConductivity(30, 5)),
		"conductivity of 26 %":       second(Conductivity(26, 20)),
		"salinity under 2":           second(Salinity(SeaWater, 1, 20, 0)),
		"salinity over 42":           second(Salinity(SeaWater, 90, 20, 0)),
		"salinity hot":               second(Salinity(SeaWater, 50, 45, 0)),
		"no volume":                  second2(SaltNeeded(Bath{Celsius: 15}, 3, 100)),
		"impure salt":                second2(SaltNeeded(bath, 5, 50)),
		"target over saturation":     second2(SaltNeeded(bath, 27, 100)),
		"more salt than dissolves":   second(PercentAfter(bath, 1000, 100, 0)),
		"target of water 0":          second2(WaterNeeded(bath, 0)),
		"strength of silver nitrate": second(SaltMohr(Titration{SilverML: 1}, 1)),
		"no sample":                  second(SaltMohr(Titration{SilverML: 1, MolPerL: 0.1}, 0)),
		"impossible salt":            second(SaltMohr(Titration{SilverML: 100, MolPerL: 0.1}, 1)),
		"impossible food":            second(SaltInFoodMohr(Titration{SilverML: 100, MolPerL: 1}, 1)),
		"chloride":                   second(NaClFromChloride(-1)),
	} {
		if !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, err := range map[string]error{
		"salt cannot lower":  second2(SaltNeeded(bath, 2, 100)),
		"water cannot raise": second2(WaterNeeded(bath, 4)),
		"blank over sample":  second(ChlorideMohr(Titration{SilverML: 1, BlankML: 2, MolPerL: 0.1}, 10)),
		"no scale":           second(Salometer(5, 0, 15)),
	} {
		if !errors.Is(err, formula.ErrData) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func second(_ formula.Result, err error) error { return err }

func second2(_ Dose, err error) error { return err }

func show(r formula.Result, err error) { fmt.Printf("%.2f %s %v\n", r.Value, r.Unit, err) }

func ExampleDensity() {
	show(Density(10, 20))
	// Output: 1070.75 kg/m3 <nil>
}

func ExamplePercentFromDensity() {
	show(PercentFromDensity(1022.2, 15))
	// Output: 3.19 % w/w <nil>
}

func ExampleGramsPerLitre() {
	show(GramsPerLitre(3, 15))
	// Output: 30.63 g/L <nil>
}

func ExamplePercentFromGramsPerLitre() {
	show(PercentFromGramsPerLitre(30, 15))
	// Output: 2.94 % w/w <nil>
}

func ExamplePoundsPerUSGallon() {
	show(PoundsPerUSGallon(10.558, SixtyF))
	// Output: 0.95 lb/US gal <nil>
}

func ExampleMassPerMass() {
	show(MassPerMass(100, 10, 20))
	// Output: 93.39 mg/kg <nil>
}

func ExampleSalometerPercent() {
	show(SalometerPercent(20, Saturated, SixtyF))
	show(SalometerPercent(20, Canning, SixtyF))
	// Output:
	// 5.28 % w/w <nil>
	// 5.00 % w/w <nil>
}

func ExampleSalometer() {
	show(Salometer(5.279, Saturated, SixtyF))
	// Output: 20.00 °SAL <nil>
}

func ExampleChlorideMohr() {
	show(ChlorideMohr(Titration{SilverML: 12.45, BlankML: 0.20, MolPerL: 0.1}, 10))
	// Output: 4342.99 mg/L <nil>
}

func ExampleSaltMohr() {
	show(SaltMohr(Titration{SilverML: 5.30, BlankML: 0.10, MolPerL: 0.1}, 1))
	// Output: 30.39 g/L <nil>
}

func ExampleSaltInFoodMohr() {
	show(SaltInFoodMohr(Titration{SilverML: 12, MolPerL: 0.1}, 2))
	// Output: 3.51 % w/w <nil>
}

func ExampleNaClFromChloride() {
	show(NaClFromChloride(1000))
	// Output: 1648.46 mg/L <nil>
}

func ExampleRefractometer() {
	show(Refractometer(1.3505))
	// Output: 10.00 % w/w <nil>
}

func ExampleConductivity() {
	show(Conductivity(3, 20))
	// Output: 44.05 mS/cm <nil>
}

func ExamplePercentFromConductivity() {
	show(PercentFromConductivity(44, 20))
	// Output: 3.00 % w/w <nil>
}

func ExampleSalinity() {
	show(Salinity(SeaWater, 42.914, 15/t68PerT90, 0))
	_, err := Salinity(SodiumChloride, 42.914, 15, 0)
	fmt.Println(err)
	// Output:
	// 35.00 1 <nil>
	// practical salinity is defined for sea water only: for a salt bath use its density, a titration or the conductivity table of NaCl
}

func ExampleSalinityOfRatio() {
	show(SalinityOfRatio(SeaWater, 1.2, 20, 2000))
	// Output: 37.25 1 <nil>
}

func ExampleSaltNeeded() {
	d, _ := SaltNeeded(Bath{Litres: 1000, Percent: 0, Celsius: 15}, 3, 99)
	fmt.Printf("%.1f %s, then %.0f L\n", d.Value, d.Unit, d.LitresAfter)
	// Output: 31.2 kg, then 1009 L
}

func ExamplePercentAfter() {
	show(PercentAfter(Bath{Litres: 1000, Celsius: 15}, 31.22, 99, 0))
	// Output: 3.00 % w/w <nil>
}

func ExampleWaterNeeded() {
	d, _ := WaterNeeded(Bath{Litres: 1000, Percent: 3.5, Celsius: 15}, 3)
	fmt.Printf("%.0f %s, then %.0f L\n", d.Value, d.Unit, d.LitresAfter)
	// Output: 171 kg, then 1171 L
}
