package quantity

import (
	"errors"
	"math/big"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"linewarden/internal/checktable"
)

var grammar = regexp.MustCompile(`\A-?(0|[1-9][0-9]*)(\.[0-9]+)?\z`)

// inGrammar says by way of a pattern what ParseDecimal must take.
func inGrammar(s string) bool {
	digits := strings.Count(s, "") - 1 - strings.Count(s, "-") - strings.Count(s, ".")
	minusZero := strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == ""
	return grammar.MatchString(s) && digits <= 18 && !minusZero
}

func get(t testing.TB, id ID) *Quantity {
	t.Helper()
	q, err := Get(id)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func TestTableHoldsTogether(t *testing.T) {
	for _, q := range All() {
		if got := get(t, q.ID()); got != q || q.Name() == "" {
			t.Errorf("%s: found %v, name %q", q.ID(), got, q.Name())
		}
		if q.IsYesNo() != (len(q.Units()) == 0) || q.IsYesNo() != (q.DefaultUnit() == "") {
			t.Errorf("%s: yes/no and units contradict", q.ID())
		}
		for _, u := range q.Units() {
			low, high, base, err := q.Range(u)
			if err != nil || low.Cmp(high) >= 0 || !q.Convertible(u, base) {
				t.Errorf("%s in %s: range %s to %s %s, %v", q.ID(), u, low, high, base, err)
			}
			if known, ok := ParseUnit(string(u)); !ok || known != u {
				t.Errorf("unit %s is not found by its own name: %s", u, known)
			}
			if unitForm([]byte(u)) != nil {
				t.Errorf("unit %q has no form that decodes", u)
			}
		}
	}
	if len(All()) != 22 {
		t.Errorf("%d quantities", len(All()))
	}
	if _, err := Get("flavour"); !errors.Is(err, ErrQuantity) || !strings.Contains(err.Error(), "free_chlorine") {
		t.Error(err)
	}
}

// convertsTo checks a published factor: one "from" is so many "to".
func convertsTo(t *testing.T, row checktable.Row) {
	q := get(t, ID(row.Get(t, "quantity")))
	want := MustDecimal(row.Get(t, "factor"))
	from, to := Unit(row.Get(t, "from")), Unit(row.Get(t, "to"))
	got, err := q.Convert(MustDecimal("1"), from, to, want.Scale())
	if err != nil {
		t.Fatal(err)
	}
	if got != want {
		t.Errorf("1 %s is %s %s, published %s", from, got, to, want)
	}
}

func TestFactorsPublished(t *testing.T) {
	checktable.Load(t, "nist-sp811/factors.csv").Each(t, convertsTo)
}

func TestExactFactorsPublished(t *testing.T) {
	checktable.Load(t, "nist-hb44/exact.csv").Each(t, func(t *testing.T, row checktable.Row) {
		convertsTo(t, row)
		q, want := get(t, ID(row["quantity"])), MustDecimal(row["factor"])
		if c, err := q.Compare(MustDecimal("1"), Unit(row["from"]), want, Unit(row["to"])); err != nil || c != 0 {
			t.Errorf("1 %s is not exactly %s %s: %d, %v", row["from"], want, row["to"], c, err)
		}
	})
}

func TestGallonIs231CubicInches(t *testing.T) {
	// Handbook 44, Appendix C: 231 cubic inches, with the inch of 2.54 cm exactly.
	cubicInch := new(big.Rat).SetFrac64(254*254*254, 1000000*1000) // in L
	want := cubicInch.Mul(cubicInch, big.NewRat(231, 1))
	if got := get(t, Volume).find(USGallon).base(MustDecimal("1")); got.Cmp(want) != 0 {
		t.Errorf("gallon of %s L, wanted %s", got, want)
	}
}

func TestTemperaturesPublished(t *testing.T) {
	check := func(id ID) func(t *testing.T, row checktable.Row) {
		return func(t *testing.T, row checktable.Row) {
			id := id
			if id == "" {
				id = ID(row.Get(t, "quantity"))
			}
			want := MustDecimal(row.Get(t, "celsius"))
			got, err := get(t, id).Convert(MustDecimal(row.Get(t, "fahrenheit")), Fahrenheit, Celsius, want.Scale())
			if err != nil || got != want {
				t.Errorf("%s °F is %s °C (%v), published %s", row["fahrenheit"], got, err, want)
			}
		}
	}
	checktable.Load(t, "nist-hb44/temperature.csv").Each(t, check(Temperature))
	checktable.Load(t, "fda-temperatures/pairs.csv").Each(t, check(""))
}

func TestConversionsThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := rapid.SampledFrom(table).Draw(t, "quantity")
		if q.IsYesNo() {
			return
		}
		from := rapid.SampledFrom(q.Units()).Draw(t, "from")
		to := rapid.SampledFrom(q.Units()).Draw(t, "to")
		d := MustDecimal(rapid.StringMatching(`[1-9][0-9]{0,4}(\.[0-9]{1,2})?`).Draw(t, "d"))
		if !q.Convertible(from, to) {
			if _, err := q.Convert(d, from, to, 3); !errors.Is(err, ErrConvert) {
				t.Fatalf("%s from %s to %s: %v", q.ID(), from, to, err)
			}
			return
		}
		// Nine decimals: a factor of at most 1e6 leaves three right ones on the way back.
		there, err := q.Convert(d, from, to, 9)
		if errors.Is(err, ErrDigits) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		back, err := q.Convert(there, to, from, d.Scale())
		if err != nil || back.Cmp(d) != 0 {
			t.Fatalf("%s: %s %s is %s %s is %s (%v)", q.ID(), d, from, there, to, back, err)
		}
		c, err := q.Compare(d, from, d, from)
		if err != nil || c != 0 {
			t.Fatalf("%s %s against itself: %d, %v", d, from, c, err)
		}
	})
}

func TestConvertRefuses(t *testing.T) {
	one := MustDecimal("1")
	for _, c := range []struct {
		id       ID
		from, to Unit
		kind     error
		text     string
	}{
		{Salt, GramPerL, PercentMass, ErrConvert, "density"},
		{Turbidity, NTU, FNU, ErrConvert, "light"},
		{Count, CFUPerG, CFUPerMl, ErrConvert, "different kinds"},
		{Count, CFUPerMl, MPNPerMl, ErrConvert, "different kinds"},
		{Mass, "stone", Kilogram, ErrUnit, "kg, g, lb, t, oz"},
		{Temperature, Celsius, Kelvin, ErrUnit, "°C, °F"},
		{Temperature, "degC", Celsius, ErrUnit, `write it as "°C"`},
		{YesNo, Second, Second, ErrUnit, "true or false"},
		{HOCl, PPM, MgPerL, ErrUnit, "mg/L"},
	} {
		_, err := get(t, c.id).Convert(one, c.from, c.to, 2)
		if !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s from %s to %s: %v", c.id, c.from, c.to, err)
		}
		if _, err := get(t, c.id).Compare(one, c.from, one, c.to); !errors.Is(err, c.kind) {
			t.Errorf("compare %s in %s and %s: %v", c.id, c.from, c.to, err)
		}
	}
}

func TestCompareOverUnits(t *testing.T) {
	for _, c := range []struct {
		id    ID
		a     string
		aUnit Unit
		b     string
		bUnit Unit
		want  int
	}{
		{Temperature, "41", Fahrenheit, "5.0", Celsius, 0},
		{Temperature, "41.01", Fahrenheit, "5", Celsius, 1},
		{Temperature, "-40", Celsius, "-40.0", Fahrenheit, 0},
		{TemperatureDifference, "9", Fahrenheit, "5", Kelvin, 0},
		{TemperatureDifference, "5.6", Kelvin, "5.60", Celsius, 0},
		{FreeChlorine, "100", PPM, "100.0", MgPerL, 0},
		{ContactTime, "2", Minute, "119", Second, 1},
		{Elapsed, "1.5", Hour, "90", Minute, 0},
		{Conductivity, "1.413", MilliSPerCm, "1413", MicroSPerCm, 0},
		{UV254, "45", PerM, "0.45", PerCm, 0},
		{Count, "100", CFUPer100ml, "1", CFUPerMl, 0}, // from the meaning of the units, no source
		{Count, "1000", CFUPerL, "1", CFUPerMl, 0},
		{Count, "100", CFUPer100cm2, "1", CFUPerCm2, 0},
		{Count, "100", MPNPer100ml, "1", MPNPerMl, 0},
	} {
		got, err := get(t, c.id).Compare(MustDecimal(c.a), c.aUnit, MustDecimal(c.b), c.bUnit)
		if err != nil || got != c.want {
			t.Errorf("%s %s against %s %s: %d (%v), wanted %d", c.a, c.aUnit, c.b, c.bUnit, got, err, c.want)
		}
	}
	q, a, b := get(t, FreeChlorine), MustDecimal("1.5"), MustDecimal("1.50")
	if n := testing.AllocsPerRun(100, func() { _, _ = q.Compare(a, MgPerL, b, PPM) }); n != 0 {
		t.Errorf("Compare in units alike allocates %v times", n)
	}
}

func TestPPMIsDeclaredByTheMethod(t *testing.T) {
	for _, id := range []ID{FreeChlorine, TotalChlorine, CombinedChlorine} {
		if q := get(t, id); !q.MethodDeclared(PPM) || q.MethodDeclared(MgPerL) {
			t.Errorf("%s: ppm must be declared by the method, mg/L need not", id)
		}
	}
	if get(t, COD).HasUnit(PPM) {
		t.Error("ppm taken for chemical oxygen demand")
	}
}

func TestParseUnit(t *testing.T) {
	for s, want := range map[string]Unit{"degC": Celsius, "º C": Celsius, "°c": Celsius, "F": Fahrenheit, "µS/cm": MicroSPerCm,
		"μS/cm": MicroSPerCm, "MG/L": MgPerL, "mg / l": MgPerL, "ml": Millilitre, "l": Litre, "gal": USGallon, "m³": CubicMetre,
		"cm⁻¹": PerCm, "%": PercentMass, "PPM": PPM, "cfu/100ml": CFUPer100ml, "PH": PHUnit, "mS/cm": MilliSPerCm} {
		if got, ok := ParseUnit(s); !ok || got != want {
			t.Errorf("%q: %q, %v", s, got, ok)
		}
	}
	for _, s := range []string{"", "MS/cm", "MV", "M", "furlong", "ppb"} {
		if got, ok := ParseUnit(s); ok {
			t.Errorf("%q read as %q", s, got)
		}
	}
}
