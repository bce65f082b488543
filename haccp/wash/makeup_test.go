package wash

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/internal/checktable"
)

// product makes a strength or fails.
func product(t testing.TB) func(Strength, error) Strength {
	return func(s Strength, err error) Strength {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// words makes a strength from its word.
func words(word string, figure, gravity float64) (Strength, error) {
	switch word {
	case "trade":
		return TradePercent(figure, gravity)
	case "available":
		return AvailablePercent(figure, gravity)
	case "naocl":
		return NaOClPercent(figure, gravity)
	}
	return Strength{}, fmt.Errorf("no such word: %s", word)
}

func inWord(s Strength, word string) (formula.Result, error) {
	switch word {
	case "trade":
		return s.Trade()
	case "available":
		return s.Available()
	case "naocl":
		return s.NaOCl()
	}
	return formula.Result{}, fmt.Errorf("no such word: %s", word)
}

func TestStrengthWords(t *testing.T) {
	checktable.Load(t, "strength-words/strengths.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(words(row.Get(t, "word"), row.Number(t, "value"), row.Number(t, "gravity")))
		r, err := inWord(s, row.Get(t, "wanted"))
		checktable.Near(t, row.Get(t, "wanted"), value(t, r, err), row.Number(t, "is"), row.Number(t, "tolerance"))
	})
}

// A page in circulation takes 8.25 % NaOCl for 9.08 trade percent: it multiplies by
// the specific gravity twice or forgets the 1.05. Each word has a constructor of its
// own, so that the figure of one cannot be read as another.
func TestStrengthWordsAreNotMixed(t *testing.T) {
	checktable.Load(t, "strength-words/mixed-words.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(NaOClPercent(row.Number(t, "naocl"), row.Number(t, "gravity")))
		r, err := s.Trade()
		got := value(t, r, err)
		checktable.Near(t, "trade percent", got, row.Number(t, "right"), 0.01)
		if math.Abs(got-row.Number(t, "mixed")) < 0.4 {
			t.Errorf("the mixed value %v was reached", got)
		}
	})
}

func TestChlorometricDegrees(t *testing.T) {
	checktable.Load(t, "chlorometric-degree/degrees.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(ChlorometricDegrees(row.Number(t, "degrees"), 1.1))
		r, err := s.Trade()
		checktable.Near(t, "trade percent", value(t, r, err), row.Number(t, "trade"), row.Number(t, "tolerance"))
	})
}

// Pure Ca(OCl)2 (142.98 g/mol) frees two molecules of chlorine.
func TestCalciumHypochloriteLabel(t *testing.T) {
	checktable.Load(t, "calcium-hypochlorite-label/strength.csv").Each(t, func(t *testing.T, row checktable.Row) {
		least := row.Number(t, "available_min")
		if of := row.Number(t, "salt") * 2 * cl2GPerMol / 142.98; of < least {
			t.Errorf("the salt gives %v, the label says at least %v", of, least)
		}
		r, err := product(t)(Granular(least)).Available()
		checktable.Near(t, "available", value(t, r, err), least, 1e-9)
	})
}

func TestStrengthThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gravity := rapid.Float64Range(1, 1.3).Draw(t, "gravity")
		word := rapid.SampledFrom([]string{"trade", "available", "naocl"}).Draw(t, "word")
		figure := rapid.Float64Range(0.5, 15).Draw(t, "figure")
		s, err := words(word, figure, gravity)
		if err != nil {
			t.Fatal(err)
		}
		for _, other := range []string{"trade", "available", "naocl"} {
			r, err := inWord(s, other)
			if err != nil {
				t.Fatal(err)
			}
			again, err := words(other, r.Value, gravity)
			back, err2 := inWord(again, word)
			if err != nil || err2 != nil || math.Abs(back.Value-figure) > 1e-9 {
				t.Fatalf("%v %s came back as %v by %s (%v, %v)", figure, word, back.Value, other, err, err2)
			}
		}
	})
}

// litres states US gallons in litres.
func litres(t testing.TB, gallons float64) float64 {
	r, err := In(gallons, quantity.USGallon, quantity.Litre)
	return value(t, r, err)
}

func TestPublishedDoses(t *testing.T) {
	dose := func(t *testing.T, gallons, target float64, s Strength, unit quantity.Unit) float64 {
		needed, err := ProductNeeded(Bath{Litres: litres(t, gallons), VolumeIs: After}, target, s)
		r, err2 := In(value(t, needed, err), needed.Unit, unit)
		return value(t, r, err2)
	}
	checktable.Load(t, "kdhe-bleach/doses.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(TradePercent(row.Number(t, "trade"), 1.08))
		got := dose(t, row.Number(t, "gallons"), row.Number(t, "mg_per_l"), s, quantity.USFluidOunce)
		checktable.Near(t, "fl oz", got, row.Number(t, "floz"), row.Number(t, "tolerance"))
	})
	checktable.Load(t, "c651-arithmetic/doses.csv").Each(t, func(t *testing.T, row checktable.Row) {
		percent := row.Number(t, "percent")
		s := product(t)(Granular(65))
		if percent < 20 {
			s = product(t)(TradePercent(percent, 1.1))
		}
		got := dose(t, row.Number(t, "gallons"), row.Number(t, "mg_per_l"), s, quantity.Unit(row.Get(t, "unit")))
		checktable.Near(t, row.Get(t, "unit"), got, row.Number(t, "amount"), row.Number(t, "tolerance"))
	})
	checktable.Load(t, "five-gallons/dose.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(TradePercent(row.Number(t, "percent"), 1.08))
		checktable.Near(t, "fl oz", dose(t, row.Number(t, "gallons"), row.Number(t, "mg_per_l"), s, quantity.USFluidOunce), row.Number(t, "floz"), 0.01)
	})
	checktable.Load(t, "anr-8003/kitchen.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := product(t)(TradePercent(5.25, 1.08))
		got := dose(t, row.Number(t, "gallons"), row.Number(t, "mg_per_l"), s, quantity.Unit(row.Get(t, "unit")))
		checktable.Near(t, row.Get(t, "unit"), got, row.Number(t, "amount"), row.Number(t, "tolerance"))
	})
}

// An ounce in a gallon of water is 407 mg/L where the volumes add and 410 where the
// gallon is what it is made up to: the two bases are named, not mixed.
func TestVolumeBeforeAndAfter(t *testing.T) {
	s := product(t)(TradePercent(5.25, 1.08))
	for is, want := range map[VolumeIs]float64{After: 410.2, Before: 407.0} {
		r, err := LevelAfter(Bath{Litres: litres(t, 1), VolumeIs: is}, 29.5735, s)
		checktable.Near(t, "mg/L", value(t, r, err), want, 0.05)
	}
}

func TestDilutions(t *testing.T) {
	powder := func(t *testing.T, stock, wanted float64) float64 {
		r, err := ProductNeeded(Bath{Litres: 1}, wanted*10000, product(t)(Granular(stock)))
		return value(t, r, err)
	}
	checktable.Load(t, "cdc-appendix-e/dilutions.csv").Each(t, func(t *testing.T, row checktable.Row) {
		stock, wanted := row.Number(t, "stock"), row.Number(t, "wanted")
		if row.Get(t, "kind") == "powder" {
			checktable.Near(t, "g/L", powder(t, stock, wanted), row.Number(t, "value"), row.Number(t, "tolerance"))
			return
		}
		r, err := DilutionParts(stock, wanted)
		parts := value(t, r, err)
		checktable.Near(t, "parts of water", parts, row.Number(t, "value"), row.Number(t, "tolerance"))
		needed, err := ProductNeeded(Bath{Litres: parts}, wanted*10000, product(t)(TradePercent(stock, 1)))
		checktable.Near(t, "product for these parts, in mL", value(t, needed, err), 1000, 1e-6)
	})
	checktable.Load(t, "who-chlorine/powder.csv").Each(t, func(t *testing.T, row checktable.Row) {
		checktable.Near(t, "g/L", powder(t, row.Number(t, "stock"), row.Number(t, "wanted")), row.Number(t, "g_per_l"), 0.05)
	})
}

func TestDoseTable(t *testing.T) {
	checktable.Load(t, "dosing-arithmetic/doses.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s, err := TradePercent(row.Number(t, "percent"), 1.1)
		if row.Get(t, "kind") == "solid" {
			s, err = Granular(row.Number(t, "percent"))
		}
		if err != nil {
			t.Fatal(err)
		}
		volume, err := In(row.Number(t, "volume"), quantity.Unit(row.Get(t, "volume_unit")), quantity.Litre)
		needed, err2 := ProductNeeded(Bath{Litres: value(t, volume, err), VolumeIs: After}, row.Number(t, "mg_per_l"), s)
		got, err := In(value(t, needed, err2), needed.Unit, quantity.Unit(row.Get(t, "unit")))
		checktable.Near(t, "amount", value(t, got, err), row.Number(t, "amount"), row.HalfDigit(t, "amount"))
	})
}

var products = rapid.Custom(func(t *rapid.T) Strength {
	if rapid.Bool().Draw(t, "solid") {
		s, _ := Granular(rapid.Float64Range(20, 90).Draw(t, "percent"))
		return s
	}
	s, _ := TradePercent(rapid.Float64Range(1, 16).Draw(t, "trade"), rapid.Float64Range(1, 1.3).Draw(t, "gravity"))
	return s
})

var baths = rapid.Custom(func(t *rapid.T) Bath {
	return Bath{Litres: rapid.Float64Range(10, 50000).Draw(t, "litres"), VolumeIs: rapid.SampledFrom([]VolumeIs{Before, After}).Draw(t, "volume is"),
		FreeMgPerL: rapid.Float64Range(0, 150).Draw(t, "free")}
})

// amountOf is ProductNeeded in a property.
func amountOf(t *rapid.T, b Bath, target float64, s Strength) float64 {
	r, err := ProductNeeded(b, target, s)
	if err != nil {
		t.Fatal(err)
	}
	return r.Value
}

func TestDoseReachesTheTargetAndDilutionBringsItBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := baths.Draw(t, "bath"), products.Draw(t, "product")
		target := b.FreeMgPerL + rapid.Float64Range(0, 200).Draw(t, "rise")
		amount := amountOf(t, b, target, s)
		after, err := LevelAfter(b, amount, s)
		if err != nil || math.Abs(after.Value-target) > 1e-8 {
			t.Fatalf("target %v, reached %v (%v)", target, after.Value, err)
		}
		if b.FreeMgPerL < 0.1 {
			return
		}
		parts, err := DilutionParts(target, b.FreeMgPerL) // as any two strengths on one basis
		if target <= 100 && (err != nil || math.Abs(target/(1+parts.Value)-b.FreeMgPerL) > 1e-9) {
			t.Fatalf("diluted to %v of %v (%v)", target/(1+parts.Value), b.FreeMgPerL, err)
		}
	})
}

func TestProductNeededFollowsItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := baths.Draw(t, "bath"), products.Draw(t, "product")
		target := b.FreeMgPerL + rapid.Float64Range(5, 200).Draw(t, "rise")
		here := amountOf(t, b, target, s)
		larger, richer, stronger := b, b, s
		larger.Litres *= 1.01
		richer.FreeMgPerL++
		stronger.gPerL *= 1.01
		stronger.part *= 1.01
		if !(amountOf(t, larger, target, s) > here) || !(amountOf(t, richer, target, s) < here) ||
			!(amountOf(t, b, target+1, s) > here) || !(amountOf(t, b, target, stronger) < here) {
			t.Fatal("not monotone")
		}
	})
}

func TestWorstCaseIsAWorstCase(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, s := baths.Draw(t, "bath"), products.Draw(t, "product")
		tol := Tolerance{rapid.Float64Range(0, 20).Draw(t, "reading"), rapid.Float64Range(0, 20).Draw(t, "volume"),
			rapid.Float64Range(0, 20).Draw(t, "strength"), rapid.Float64Range(0, 20).Draw(t, "measure")}
		amount := amountOf(t, b, b.FreeMgPerL+rapid.Float64Range(0, 200).Draw(t, "rise"), s)
		after, err := LevelAfter(b, amount, s)
		worst, err2 := WorstLevelAfter(b, amount, s, tol)
		over, err3 := Overshoot(b, amount, s, tol, after.Value+1)
		if err != nil || err2 != nil || err3 != nil {
			t.Fatal(err, err2, err3)
		}
		if worst.Value < after.Value-1e-9 || math.Abs(max(0, worst.Value-after.Value-1)-over.Value) > 1e-9 {
			t.Fatalf("after %v, worst %v, over %v", after.Value, worst.Value, over.Value)
		}
		wider := tol
		wider.Strength++
		if more, _ := WorstLevelAfter(b, amount, s, wider); more.Value < worst.Value {
			t.Fatal("more tolerance, lower worst case")
		}
		if most := tol.most(b, s, worst.Value+5); b.VolumeIs == Before {
			if top := level(tol.worst(b, most, s)); math.Abs(top-worst.Value-5) > 1e-6 {
				t.Fatalf("the most that fits below %v reaches %v", worst.Value+5, top)
			}
		}
	})
}

func TestRates(t *testing.T) {
	checktable.Load(t, "adam-gordon-1999/rates.csv").Each(t, func(t *testing.T, row checktable.Row) {
		r, err := HypochloriteRate(row.Number(t, "celsius"), row.Number(t, "ionic"))
		checktable.Near(t, "k2", value(t, r, err), row.Number(t, "k2"), row.Number(t, "k2")/1000)
	})
	checktable.Load(t, "adam-gordon-1999/half-life.csv").Each(t, func(t *testing.T, row checktable.Row) {
		s := Storage{Trade: row.Number(t, "trade"), Celsius: row.Number(t, "celsius"), Ionic: row.Number(t, "ionic")}
		r, err := HalfLife(s)
		checktable.Near(t, "half-life", value(t, r, err), row.Number(t, "days"), 1)
		s.Days = r.Value
		half, err := Stored(s)
		checktable.Near(t, "strength after it", value(t, half, err), s.Trade/2, 1e-9)
		for part, uncertain := range map[float64]bool{0.99: false, 1.01: true} {
			around := s
			around.Days *= part
			if left, err := Stored(around); err != nil || left.Has(StorageUncertain) != uncertain {
				t.Errorf("after %v half-lives: %v, %v", part, left.Cautions, err)
			}
		}
	})
	checktable.Load(t, "hypochlorite-handbooks/half-life.csv").Each(t, func(t *testing.T, row checktable.Row) {
		trade := row.Number(t, "trade")
		ionic, err := HypochloriteIonicStrength(trade, 3)
		r, err2 := HalfLife(Storage{Trade: trade, Celsius: row.Number(t, "celsius"), Ionic: value(t, ionic, err)})
		if ratio := value(t, r, err2) / row.Number(t, "days"); ratio > 1.8 || ratio < 1/1.8 {
			t.Errorf("half-life %v days, handbooks %v", r.Value, row.Number(t, "days"))
		}
	})
}

// The law (at the ionic strength of a fresh product) leaves up to 6.4 % more than
// the table in a month and up to 6 % more or 5 % less in half a year at 80 °F and
// below. At 100 °F it leaves 21 % less at three months and 40 % less at six: there
// more than half is gone, and the value says that it is uncertain.
func TestStoredAgainstTheTable(t *testing.T) {
	checktable.Load(t, "bleach-breakdown/stored.csv").Each(t, func(t *testing.T, row checktable.Row) {
		celsius, days, printed := fromFahrenheit(row.Number(t, "fahrenheit")), row.Number(t, "days"), row.Number(t, "trade")
		table, err := StoredTable(celsius, days)
		checktable.Near(t, "the table as read", value(t, table, err), printed, 0.005)
		law, err := Stored(Storage{Trade: 12.5, Celsius: celsius, Days: days, Ionic: 3.6})
		tolerance := 0.07
		if law.Has(StorageUncertain) {
			tolerance = 0.41
		}
		checktable.Near(t, "law", value(t, law, err), printed, tolerance*printed)
		if off := math.Abs(law.Value/printed - 1); off > 0.07 && !law.Has(StorageUncertain) {
			t.Errorf("off by %.0f %% without a caution", 100*off)
		}
	})
	checktable.Load(t, "bleach-breakdown/household.csv").Each(t, func(t *testing.T, row checktable.Row) {
		start := product(t)(NaOClPercent(8.25, 1.10))
		trade, err := start.Trade()
		ionic, err2 := HypochloriteIonicStrength(value(t, trade, err), 2)
		law, err := Stored(Storage{Trade: trade.Value, Celsius: fromFahrenheit(row.Number(t, "fahrenheit")), Days: row.Number(t, "days"), Ionic: value(t, ionic, err2)})
		percent := 8.25 * value(t, law, err) / trade.Value
		checktable.Near(t, "% NaOCl", percent, row.Number(t, "percent"), 0.01*row.Number(t, "percent"))
	})
}

func TestStorageOnlyWeakens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Storage{Trade: rapid.Float64Range(1, 16).Draw(t, "trade"), Celsius: rapid.Float64Range(0, 54).Draw(t, "celsius"),
			Days: rapid.Float64Range(1, 700).Draw(t, "days"), Ionic: rapid.Float64Range(1, 5.9).Draw(t, "ionic")}
		at := func(s Storage) float64 {
			r, err := Stored(s)
			if err != nil {
				t.Fatal(err)
			}
			return r.Value
		}
		here := at(s)
		r, _ := Stored(s)
		if r.Has(StorageUncertain) != (here < s.Trade/2) || !r.Has(CleanProduct) || r.Has(formula.Extrapolated) != (s.Celsius < 15) {
			t.Fatalf("%v of %v left at %v °C with %v", here, s.Trade, s.Celsius, r.Cautions)
		}
		longer, warmer, saltier, stronger := s, s, s, s
		longer.Days++
		warmer.Celsius++
		saltier.Ionic += 0.1
		stronger.Trade += 0.1
		if !(here < s.Trade) || !(at(longer) < here) || !(at(warmer) < here) || !(at(saltier) < here) || !(at(stronger) > here) {
			t.Fatal("not monotone")
		}
		first, second := s, s
		first.Days /= 3
		second.Days -= first.Days
		second.Trade = at(first)
		if math.Abs(at(second)-here) > 1e-9 {
			t.Fatal("two storages are not one")
		}
	})
}

func TestStoredTableOnlyWeakens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, d := rapid.Float64Range(21.2, 36.7).Draw(t, "celsius"), rapid.Float64Range(0.5, 179).Draw(t, "days")
		at := func(c, d float64) float64 {
			r, err := StoredTable(c, d)
			if err != nil {
				t.Fatal(err)
			}
			return r.Value
		}
		if !(at(c, d+1) < at(c, d)) || !(at(c+1, d) < at(c, d)) {
			t.Fatal("not monotone")
		}
	})
}

func TestMeasuresThereAndBack(t *testing.T) {
	for _, kind := range []map[quantity.Unit]float64{inML, inGrams} {
		for a := range kind {
			for b := range kind {
				there, err := In(7, a, b)
				back, err2 := In(value(t, there, err), b, a)
				checktable.Near(t, string(a)+" by "+string(b), value(t, back, err2), 7, 1e-12*7)
			}
		}
	}
	volume, err := quantity.Get(quantity.Volume)
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range volume.Units() {
		exact, err := volume.Convert(quantity.MustDecimal("1"), u, quantity.Millilitre, 9)
		if err != nil {
			t.Fatal(err)
		}
		r, err := In(1, u, quantity.Millilitre)
		checktable.Near(t, "mL of 1 "+string(u), value(t, r, err), exact.Float64(), 1e-6)
	}
}

func TestMakeUpOutOfRange(t *testing.T) {
	s := product(t)(TradePercent(12.5, 1.16))
	bath := Bath{Litres: 1000, FreeMgPerL: 50}
	for name, err := range map[string]error{
		"no volume":            second(ProductNeeded(Bath{FreeMgPerL: 50}, 100, s)),
		"infinite volume":      second(ProductNeeded(Bath{Litres: math.Inf(1)}, 100, s)),
		"over the product":     second(ProductNeeded(bath, 19000, product(t)(TradePercent(1, 1)))),
		"amount":               second(LevelAfter(bath, -1, s)),
		"level over 20000":     second(LevelAfter(bath, 1e6, s)),
		"tolerance":            second(WorstLevelAfter(bath, 1, s, Tolerance{Reading: 51})),
		"maximum":              second(Overshoot(bath, 1, s, Tolerance{}, 0)),
		"trade":                third(TradePercent(26, 1.1)),
		"no strength":          third(TradePercent(0, 1.1)),
		"gravity":              third(AvailablePercent(10, 0.5)),
		"gravity as kg/m3":     third(NaOClPercent(10, 1160)),
		"degrees":              third(ChlorometricDegrees(math.NaN(), 1.1)),
		"granular":             third(Granular(10)),
		"parts":                second(DilutionParts(1, 2)),
		"no parts":             second(DilutionParts(1, 0)),
		"rate hot":             second(HypochloriteRate(56, 3)),
		"rate weak":            second(HypochloriteRate(25, 0.5)),
		"ionic strength":       second(HypochloriteIonicStrength(0, 1)),
		"stored long":          second(Stored(Storage{12.5, 25, 1000, 3.6})),
		"half-life":            second(HalfLife(Storage{0, 25, 0, 3.6})),
		"table cold":           second(StoredTable(10, 30)),
		"table long":           second(StoredTable(25, 200)),
		"measure below 0":      second(In(-1, quantity.Litre, quantity.Millilitre)),
		"measure of no number": second(In(math.NaN(), quantity.Gram, quantity.Gram)),
	} {
		if !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	solid := product(t)(Granular(65))
	for name, err := range map[string]error{
		"nothing to add":      second(ProductNeeded(bath, 40, s)),
		"no product":          second(ProductNeeded(bath, 100, Strength{})),
		"trade of a solid":    second(solid.Trade()),
		"NaOCl of nothing":    second(Strength{}.NaOCl()),
		"available of none":   second(Strength{}.Available()),
		"degrees of a solid":  second(solid.Chlorometric()),
		"mass of a volume":    second(In(1, quantity.Litre, quantity.Kilogram)),
		"measure not known":   second(In(1, "hogshead", quantity.Litre)),
		"level of no product": second(LevelAfter(bath, 1, Strength{})),
	} {
		if !errors.Is(err, formula.ErrData) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func third(_ Strength, err error) error { return err }

func ExampleTradePercent() {
	s, _ := TradePercent(12.5, 1.16)
	show(s.Available())
	show(s.NaOCl())
	// Output:
	// 10.776 % w/w as Cl2 <nil>
	// 11.313 % w/w as NaOCl <nil>
}

func ExampleAvailablePercent() {
	s, _ := AvailablePercent(10, 1.16)
	show(s.Trade())
	// Output: 11.600 g Cl2/100 mL <nil>
}

func ExampleNaOClPercent() {
	s, _ := NaOClPercent(8.25, 1.10)
	show(s.Trade())
	// Output: 8.644 g Cl2/100 mL <nil>
}

func ExampleChlorometricDegrees() {
	s, _ := ChlorometricDegrees(50, 1.2)
	show(s.Trade())
	show(s.Chlorometric())
	// Output:
	// 15.850 g Cl2/100 mL <nil>
	// 50.000 °Cl <nil>
}

func ExampleGranular() {
	s, _ := Granular(65)
	show(s.Available())
	fmt.Println(s.IsSolid(), s.Unit(), s.Known())
	// Output:
	// 65.000 % w/w as Cl2 <nil>
	// true g true
}

func ExampleStrength_Grams() {
	s, _ := TradePercent(12.5, 1.16)
	fmt.Printf("%.0f g\n", s.Grams(1000))
	// Output: 1160 g
}

func ExampleDilutionParts() {
	show(DilutionParts(3.5, 0.5))
	// Output: 6.000 1 <nil>
}

func ExampleProductNeeded() {
	s, _ := TradePercent(12.5, 1.16)
	show(ProductNeeded(Bath{Litres: 1000, FreeMgPerL: 60}, 100, s))
	// Output: 320.256 mL <nil>
}

func ExampleLevelAfter() {
	s, _ := TradePercent(12.5, 1.16)
	show(LevelAfter(Bath{Litres: 1000, FreeMgPerL: 60}, 320, s))
	// Output: 99.968 mg/L <nil>
}

func ExampleWorstLevelAfter() {
	s, _ := TradePercent(12.5, 1.16)
	show(WorstLevelAfter(Bath{Litres: 1000, FreeMgPerL: 60}, 320, s, Tolerance{Reading: 10, Volume: 5, Strength: 5, Measure: 2}))
	// Output: 111.057 mg/L <nil>
}

func ExampleOvershoot() {
	s, _ := TradePercent(12.5, 1.16)
	show(Overshoot(Bath{Litres: 1000, FreeMgPerL: 60}, 320, s, Tolerance{Reading: 10, Volume: 5, Strength: 5, Measure: 2}, 110))
	// Output: 1.057 mg/L <nil>
}

func ExampleHypochloriteRate() {
	r, _ := HypochloriteRate(25, 3)
	fmt.Printf("%.3e %s\n", r.Value, r.Unit)
	// Output: 2.839e-08 L/(mol s)
}

func ExampleHypochloriteIonicStrength() {
	show(HypochloriteIonicStrength(12.5, 3))
	// Output: 3.601 mol/L <nil>
}

func ExampleStored() {
	show(Stored(Storage{Trade: 12.5, Celsius: 25, Days: 30, Ionic: 3.6}))
	// Output: 10.782 g Cl2/100 mL <nil>
}

func ExampleHalfLife() {
	show(HalfLife(Storage{Trade: 12.5, Celsius: 37.8, Ionic: 3.6}))
	// Output: 33.284 d <nil>
}

func ExampleStoredTable() {
	show(StoredTable(26.67, 30))
	// Output: 9.929 g Cl2/100 mL <nil>
}

func ExampleIn() {
	show(In(1, quantity.USGallon, USCup))
	// Output: 16.000 US cup <nil>
}

func ExampleStrength_Trade() {
	s, _ := AvailablePercent(10.78, 1.16)
	show(s.Trade())
	// Output: 12.505 g Cl2/100 mL <nil>
}

func ExampleStrength_Available() {
	s, _ := NaOClPercent(8.25, 1.10)
	show(s.Available())
	// Output: 7.858 % w/w as Cl2 <nil>
}

func ExampleStrength_NaOCl() {
	s, _ := AvailablePercent(5, 1.08)
	show(s.NaOCl())
	// Output: 5.249 % w/w as NaOCl <nil>
}

func ExampleStrength_Chlorometric() {
	s, _ := TradePercent(15.85, 1.2)
	show(s.Chlorometric())
	// Output: 50.000 °Cl <nil>
}

func ExampleStrength_Unit() {
	liquid, _ := TradePercent(12.5, 1.16)
	solid, _ := Granular(65)
	fmt.Println(liquid.Unit(), solid.Unit(), solid.IsSolid(), Strength{}.Known())
	// Output: mL g true false
}
