package brine

import (
	"math"
	"testing"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

func must(t testing.TB, r formula.Result, err error) float64 {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if r.Formula == "" || r.Version == 0 || r.Source == "" || r.Unit == "" {
		t.Fatalf("a result that does not say where it comes from: %+v", r)
	}
	if _, ok := checktable.Sources(t)[r.Source]; !ok {
		t.Fatalf("source %q is not in sources.tsv", r.Source)
	}
	return r.Value
}

func TestSpecificVolumes(t *testing.T) {
	checktable.Load(t, "rogers-pitzer-1982/specific-volume.csv").Each(t, func(t *testing.T, row checktable.Row) {
		m := row.Number(t, "molality")
		percent := 100 * m * NaClGPerMol / (1000 + m*NaClGPerMol)
		r, err := Density(percent, row.Number(t, "celsius"))
		checktable.Near(t, "volume", 1000/must(t, r, err), row.Number(t, "volume"), 1e-6)
	})
}

func TestWaterOfKell(t *testing.T) {
	checktable.Load(t, "kell-1975/water.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Density(0, row.Number(t, "celsius"))
		checktable.Near(t, "density", must(t, r, err), row.Number(t, "density"), 0.01)
	})
}

// Three densities of the print stand apart. The density at 2 % (1012.2) contradicts
// the same row: 20.250 g/L over 2 % is 1012.5, and so is ours (off by 0.30). At
// 16 and 26 % ours is 0.12 higher and 0.12 lower: another set of measurements,
// and beyond 22.6 % our volume is drawn on. The slopes differ by at most 0.03.
func TestDensityAtTwentyDegrees(t *testing.T) {
	apart := map[string]float64{"2": 0.31, "16": 0.13, "26": 0.13}
	checktable.Load(t, "poradnik-1974/nacl-density.csv").Each(t, func(t *testing.T, row checktable.Row) {
		percent, printed := row.Number(t, "percent"), row.Number(t, "at20")
		tolerance := 0.1
		if wider, ok := apart[row.Get(t, "percent")]; ok {
			tolerance = wider
		}
		r, err := Density(percent, 20)
		ours := must(t, r, err)
		checktable.Near(t, "density", ours, printed, tolerance)
		r, err = GramsPerLitre(percent, 20)
		checktable.Near(t, "grams", must(t, r, err), row.Number(t, "g_per_l"), 0.13*percent/100+0.0005)
		checktable.Near(t, "mol/L by the print's own molar mass", must(t, r, err)/58.45, row.Number(t, "mol_per_l"), 0.001)
		warm, err := Density(percent, 20.5)
		cold, err2 := Density(percent, 19.5)
		checktable.Near(t, "slope", must(t, cold, err2)-must(t, warm, err), row.Number(t, "slope"), 0.03)
	})
}

// The column of that print headed 15 degrees is one for 10 degrees: it lies 0.7
// to 3 kg/m3 above the density at 15 and within 0.35 of that at 10, and it
// contradicts the print's own slope. Whoever takes it for 15 degrees reads a
// brine 0.1 to 0.4 % too weak.
func TestColumnHeadedFifteenIsNotFifteen(t *testing.T) {
	checktable.Load(t, "poradnik-1974/nacl-density.csv").Each(t, func(t *testing.T, row checktable.Row) {
		percent, headed := row.Number(t, "percent"), row.Number(t, "headed_15")
		at15, err := Density(percent, 15)
		at10, err2 := Density(percent, 10)
		if off := headed - must(t, at15, err); off < 0.7 || off > 3 {
			t.Errorf("the column headed 15 lies %v above the density at 15", off)
		}
		checktable.Near(t, "the column headed 15, at 10 degrees", must(t, at10, err2), headed, 0.35)
		bySlope := row.Number(t, "at20") + 5*row.Number(t, "slope")
		if headed-bySlope < 0.5 {
			t.Errorf("the column headed 15 (%v) agrees with the print's own slope (%v)", headed, bySlope)
		}
		checktable.Near(t, "density at 15 by the print's own slope", must(t, at15, err), bySlope, 0.5)
	})
}

func TestOtherDensityTables(t *testing.T) {
	checktable.Load(t, "toolbox-nacl/density.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Density(row.Number(t, "percent"), 20)
		checktable.Near(t, "density", must(t, r, err)/1000, row.Number(t, "density"), row.HalfDigit(t, "density")+0.00003)
	})
	checktable.Load(t, "cracow-nacl/density18.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Density(row.Number(t, "percent"), 18)
		checktable.Near(t, "density", must(t, r, err)/1000, row.Number(t, "density"), 0.0008)
	})
	checktable.Load(t, "laliberte-2009/nacl-density.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Density(row.Number(t, "percent"), row.Number(t, "celsius"))
		checktable.Near(t, "density", must(t, r, err), row.Number(t, "density"), 1.0)
	})
}

func TestSalometerByDefinition(t *testing.T) {
	scales := map[string]Scale{"saturated": Saturated, "canning": Canning}
	checktable.Load(t, "salometer-note/degrees.csv").Each(t, func(t *testing.T, row checktable.Row) {
		scale := scales[row.Get(t, "scale")]
		r, err := SalometerPercent(row.Number(t, "degrees"), scale, SixtyF)
		checktable.Near(t, "percent", must(t, r, err), row.Number(t, "percent"), row.Number(t, "tolerance"))
		back, err := Salometer(r.Value, scale, SixtyF)
		checktable.Near(t, "degrees", must(t, back, err), row.Number(t, "degrees"), 1e-9)
	})
}

func TestBrineTable(t *testing.T) {
	checktable.Load(t, "hilderbrand-1973/brine.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := SalometerPercent(row.Number(t, "degrees"), Saturated, SixtyF)
		percent := must(t, r, err)
		checktable.Near(t, "percent", percent, row.Number(t, "percent"), 0.001)
		d, err := Density(percent, SixtyF)
		w, err2 := Density(0, SixtyF)
		checktable.Near(t, "specific gravity", must(t, d, err)/must(t, w, err2), row.Number(t, "sg"), 0.001)
		lb, err := PoundsPerUSGallon(percent, SixtyF)
		checktable.Near(t, "lb per gallon", must(t, lb, err), row.Number(t, "lb_per_gal"), 0.01)
	})
}

func TestSaturatedBrine(t *testing.T) {
	checktable.Load(t, "cheese-brine/saturated.csv").Each(t, func(t *testing.T, row checktable.Row) {
		var got float64
		switch what := row.Get(t, "what"); what {
		case "sg":
			r, err := Density(MaxPercent, 20)
			got = must(t, r, err) / water(20)
		case "lb_per_gal":
			r, err := PoundsPerUSGallon(MaxPercent, 20)
			got = must(t, r, err)
		case "percent_of_35.9_per_100_g_water":
			got = 100 * 35.9 / 135.9
			checktable.Near(t, "saturation", MaxPercent, got, 0.05)
		default:
			t.Fatal(what)
		}
		checktable.Near(t, row.Get(t, "what"), got, row.Number(t, "value"), row.Number(t, "tolerance"))
	})
}

func TestConductivityOfNaCl(t *testing.T) {
	checktable.Load(t, "crc-conductivity/nacl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		percent, shown := row.Number(t, "percent"), row.Number(t, "ms_per_cm")
		r, err := Conductivity(percent, 20)
		checktable.Near(t, "conductivity", must(t, r, err), shown, 1e-9)
		back, err := PercentFromConductivity(shown, 20)
		checktable.Near(t, "percent", must(t, back, err), percent, 1e-9)
	})
}

// A saturated brine lies above everything the table reaches, and rises with
// temperature much as the linear coefficient says.
func TestConductivityOfSaturatedBrine(t *testing.T) {
	table := checktable.Load(t, "conductivity-manual/saturated-nacl.csv")
	at := map[string]float64{}
	for _, row := range table.Rows {
		at[row.Get(t, "celsius")] = row.Number(t, "ms_per_cm")
	}
	table.Each(t, func(t *testing.T, row checktable.Row) {
		celsius, shown := row.Number(t, "celsius"), row.Number(t, "ms_per_cm")
		if celsius != 25 {
			perDegree := 100 * (shown/at["25"] - 1) / (celsius - 25)
			checktable.Near(t, "rise in percent", perDegree, 100*linearPerCelsius, 0.3)
		}
		if celsius > conductHigh {
			return
		}
		if r, err := Conductivity(maxConductive, celsius); must(t, r, err) >= shown {
			t.Errorf("25 %% conducts %v, saturated brine %v", r.Value, shown)
		}
		if _, err := PercentFromConductivity(shown, celsius); err == nil {
			t.Error("a strength was read off a saturated brine")
		}
	})
}

func TestRefractiveIndex(t *testing.T) {
	checktable.Load(t, "crc-concentrative/refractive-index.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Refractometer(row.Number(t, "index"))
		checktable.Near(t, "percent", must(t, r, err), row.Number(t, "percent"), 1e-9)
		if !r.Has(formula.Unconfirmed) {
			t.Error("figures from memory are not marked")
		}
	})
}

func TestMohrTables(t *testing.T) {
	checktable.Load(t, "mohr-salt/factor.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := SaltMohr(Titration{SilverML: row.Number(t, "ml"), MolPerL: row.Number(t, "mol_per_l")}, 1)
		checktable.Near(t, "mg NaCl", must(t, r, err), row.Number(t, "mg_nacl"), row.HalfDigit(t, "mg_nacl"))
	})
	checktable.Load(t, "mohr-food/example.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := SaltInFoodMohr(Titration{SilverML: row.Number(t, "ml"), MolPerL: row.Number(t, "mol_per_l")}, row.Number(t, "grams"))
		checktable.Near(t, "percent", must(t, r, err), row.Number(t, "percent"), 0.01)
	})
	checktable.Load(t, "mohr-water/example.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := ChlorideMohr(Titration{SilverML: row.Number(t, "ml") + 0.25, BlankML: 0.25, MolPerL: row.Number(t, "mol_per_l")},
			row.Number(t, "sample_ml"))
		checktable.Near(t, "chloride", must(t, r, err), row.Number(t, "mg_per_l"), 1)
	})
}

func TestChlorideStandards(t *testing.T) {
	checktable.Load(t, "mohr-standards/solutions.csv").Each(t, func(t *testing.T, row checktable.Row) {
		gPerL := row.Number(t, "grams") / row.Number(t, "litres")
		got := gPerL / NaClGPerMol
		if row.Get(t, "what") == "mg_per_l_chloride" {
			r, err := NaClFromChloride(row.Number(t, "value"))
			checktable.Near(t, "NaCl of the standard", must(t, r, err), gPerL*1000, 1)
			got = gPerL * 1000 * ClGPerMol / NaClGPerMol
		}
		checktable.Near(t, row.Get(t, "what"), got, row.Number(t, "value"), row.Number(t, "tolerance"))
	})
	checktable.Load(t, "standard-methods-chloride/factors.csv").Each(t, func(t *testing.T, row checktable.Row) {
		var got float64
		if row.Get(t, "what") == "nacl_per_chloride" {
			r, err := NaClFromChloride(1)
			got = must(t, r, err)
		} else {
			r, err := ChlorideMohr(Titration{SilverML: 1, MolPerL: 0.0141}, 1)
			got = must(t, r, err)
		}
		checktable.Near(t, row.Get(t, "what"), got, row.Number(t, "value"), row.Number(t, "tolerance"))
	})
}

func TestPracticalSalinity(t *testing.T) {
	checktable.Load(t, "unesco-44/salinity.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := SalinityOfRatio(SeaWater, row.Number(t, "ratio"), row.Number(t, "celsius68"), row.Number(t, "decibar"))
		checktable.Near(t, "salinity", must(t, r, err), row.Number(t, "salinity"), row.Number(t, "tolerance"))
	})
	checktable.Load(t, "teos-10/sp-from-c.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Salinity(SeaWater, row.Number(t, "ms_per_cm"), row.Number(t, "celsius"), row.Number(t, "decibar"))
		checktable.Near(t, "salinity", must(t, r, err), row.Number(t, "salinity"), 1e-9)
	})
	checktable.Load(t, "unesco-44/surface.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := Salinity(SeaWater, row.Number(t, "ms_per_cm"), row.Number(t, "celsius"), 0)
		checktable.Near(t, "salinity", must(t, r, err), row.Number(t, "salinity"), 0.00005)
	})
}

// One file in circulation prints the third check value 2 too high.
func TestMisprintedCheckValue(t *testing.T) {
	checktable.Load(t, "unesco-44/misprint.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := SalinityOfRatio(SeaWater, row.Number(t, "ratio"), row.Number(t, "celsius68"), row.Number(t, "decibar"))
		got := must(t, r, err)
		checktable.Near(t, "salinity", got, row.Number(t, "right"), 1e-6)
		checktable.Near(t, "distance to the misprint", row.Number(t, "misprint")-got, 2, 1e-6)
	})
}

// Sea water's scale read off a plain salt bath is 2 to 5 % too high, so it is
// refused; the table of NaCl gives the true strength.
func TestSalinityIsNotSalt(t *testing.T) {
	checktable.Load(t, "unesco-44/not-nacl.csv").Each(t, func(t *testing.T, row checktable.Row) {
		conductivity, grams := row.Number(t, "ms_per_cm"), row.Number(t, "g_per_kg")
		for _, of := range []Water{0, SodiumChloride} {
			if _, err := Salinity(of, conductivity, 20, 0); !isNotSeaWater(err) {
				t.Fatalf("water %d: %v", of, err)
			}
		}
		r, err := Salinity(SeaWater, conductivity, 20, 0)
		wrong := must(t, r, err)
		checktable.Near(t, "salinity", wrong, row.Number(t, "salinity"), 0.01)
		if r.Unit != formula.One || !r.Has(SeaWaterOnly) {
			t.Errorf("salinity as %q with %v", r.Unit, r.Cautions)
		}
		if off := wrong/grams - 1; off < 0.015 || off > 0.05 {
			t.Errorf("the error is %.1f %%", 100*off)
		}
		p, err := PercentFromConductivity(conductivity, 20)
		checktable.Near(t, "g/kg", 10*must(t, p, err), grams, 1e-9)
	})
}

func TestCanningScaleIsAnotherBrine(t *testing.T) {
	a, err := SalometerPercent(70, Saturated, SixtyF)
	b, err2 := SalometerPercent(70, Canning, SixtyF)
	checktable.Near(t, "difference at 70 degrees", must(t, a, err)-must(t, b, err2), 0.9765, 1e-9)
	if _, err := SalometerPercent(70, 0, SixtyF); err == nil {
		t.Error("a salometer without a scale was read")
	}
}

func TestMassPerMass(t *testing.T) {
	r, err := MassPerMass(100, 10, 20)
	checktable.Near(t, "mg/kg of 100 mg/L in 10 % brine", must(t, r, err), 93.4, 0.05)
	r, err = MassPerMass(100, 0, 4)
	checktable.Near(t, "mg/kg of 100 mg/L in water", must(t, r, err), 100, 0.01)
	if math.Abs(r.Value-100) < 1e-9 {
		t.Error("water is not exactly 1")
	}
}
