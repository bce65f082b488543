package quantity

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"linewarden/internal/checktable"
)

func TestParseDecimalKeepsWhatWasTyped(t *testing.T) {
	for _, s := range []string{"0", "0.0", "0.00", "1.50", "-1.50", "7", "100", "0.02", "-0.001", "999999999999999999",
		"-999999999999999999", "0.00000000000000001", "99999999999999999.9", "1.00000000000000000"} {
		d, err := ParseDecimal(s)
		if err != nil {
			t.Errorf("%s: %v", s, err)
		}
		if d.String() != s {
			t.Errorf("typed %s, printed %s", s, d)
		}
	}
}

func TestParseDecimalRefuses(t *testing.T) {
	for s, want := range map[string]string{
		"": "nothing typed", "   ": "nothing typed", "NaN": "not a number", "nan": "not a number",
		"Inf": "not a number", "-Infinity": "not a number", "+inf": "not a number", "1e309": "power of ten", "1E5": "power of ten",
		"-2.5e-3": "power of ten", "1,50": "use a point", "1,234.5": "use a point", "+1.5": "plus sign", " 1.5": "spaces",
		"1.5 ": "spaces", "1 500": "spaces", "1\u00a0500": "spaces", "-0": "minus zero", "-0.00": "minus zero", "007": "zeros before", "00.5": "zeros before",
		"-01": "zeros before", ".5": "before the point", "-.5": "before the point", "5.": "after the point", "1.2.3": "one point", "--1": "minus",
		"1-2": "minus", "1234567890123456789": "18 digits", "0.123456789012345678": "18 digits", "0x10": "decimal digits",
		"1.5 mg/L": "unit goes", "abc": "only digits", "١٢": "only digits", "１": "only digits", "-": "no digits", ".": "no digits",
		strings.Repeat("9", 4000): "18 digits", "1\x00": "only digits", "1_000": "only digits",
	} {
		_, err := ParseDecimal(s)
		if !errors.Is(err, ErrDecimal) || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40q: error %v lacks %q", s, err, want)
		}
		if err != nil && len(err.Error()) > 250 {
			t.Errorf("%.40q: message of %d bytes", s, len(err.Error()))
		}
	}
}

func TestRoundPublished(t *testing.T) {
	places := map[string]int{"2": 2, "3": 3, "6": 6}
	checktable.Load(t, "nist-sp811/rounding.csv").Each(t, func(t *testing.T, row checktable.Row) {
		d := MustDecimal(row.Get(t, "typed"))
		want := row.Get(t, "rounded")
		n, ok := places[row.Get(t, "decimals")]
		if !ok {
			t.Fatalf("decimals %s not foreseen by the test", row["decimals"])
		}
		if got := d.Round(n).String(); got != want {
			t.Errorf("%s to %d decimals: %s, published %s", d, n, got, want)
		}
		if got, err := fromRat(d.rat(), n); err != nil || got.String() != want {
			t.Errorf("fraction %s to %d decimals: %s (%v), published %s", d, n, got, err, want)
		}
	})
}

// text draws a number of the grammar, often with few digits.
func text(t *rapid.T) string {
	return rapid.StringMatching(`-?(0|[1-9][0-9]{0,7})(\.[0-9]{1,9})?`).Filter(func(s string) bool {
		return !strings.HasPrefix(s, "-") || strings.Trim(s, "-0.") != ""
	}).Draw(t, "text")
}

func draw(t *rapid.T) Decimal { return MustDecimal(text(t)) }

func TestParsePrintIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := text(t)
		if got := MustDecimal(s).String(); got != s {
			t.Fatalf("typed %s, printed %s", s, got)
		}
	})
}

// exact reads a number with math/big alone.
func exact(t interface{ Fatalf(string, ...any) }, s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("math/big does not read %q", s)
	}
	return r
}

func TestOrderAgainstMathBig(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := text(t), text(t)
		da, db := MustDecimal(a), MustDecimal(b)
		want := exact(t, a).Cmp(exact(t, b))
		if da.Cmp(db) != want || db.Cmp(da) != -want {
			t.Fatalf("%s against %s: %d and %d, math/big %d", a, b, da.Cmp(db), db.Cmp(da), want)
		}
		if da.Sign() != exact(t, a).Sign() {
			t.Fatalf("sign of %s: %d", a, da.Sign())
		}
	})
}

func TestCmpFarApart(t *testing.T) {
	order := []string{"-999999999999999999", "-1.00000000000000001", "-1", "-0.00000000000000001", "0.00000000000000000",
		"0.00000000000000001", "1", "1.00000000000000001", "99999999999999999.9", "999999999999999999"}
	for i, a := range order {
		for j, b := range order {
			want := exact(t, a).Cmp(exact(t, b))
			if got := MustDecimal(a).Cmp(MustDecimal(b)); got != want {
				t.Errorf("%d/%d: %s against %s: %d in place of %d", i, j, a, b, got, want)
			}
		}
	}
	a, b := MustDecimal("999999999999999999"), MustDecimal("0.00000000000000001")
	if n := testing.AllocsPerRun(100, func() { a.Cmp(b) }); n != 0 {
		t.Errorf("Cmp allocates %v times", n)
	}
}

// halfEven rounds as the text books say, by way of the floor, so that it shares
// nothing with the code under test.
func halfEven(r *big.Rat, places int) *big.Rat {
	scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	x := new(big.Rat).Mul(r, scale)
	floor := new(big.Int).Div(x.Num(), x.Denom())
	rest := new(big.Rat).Sub(x, new(big.Rat).SetInt(floor))
	c := rest.Cmp(big.NewRat(1, 2))
	if c > 0 || c == 0 && new(big.Int).And(floor, big.NewInt(1)).Sign() != 0 {
		floor.Add(floor, big.NewInt(1))
	}
	return new(big.Rat).Quo(new(big.Rat).SetInt(floor), scale)
}

func TestRoundHalfEven(t *testing.T) {
	for in, want := range map[string]string{"0.5": "0", "1.5": "2", "2.5": "2", "-0.5": "0", "-1.5": "-2", "-2.5": "-2", "2.51": "3", "-0.4": "0"} {
		if got := MustDecimal(in).Round(0).String(); got != want {
			t.Errorf("%s rounded is %s, wanted %s", in, got, want)
		}
	}
	if got := MustDecimal("1.5").Round(3).String(); got != "1.5" {
		t.Errorf("rounding invented resolution: %s", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := text(t)
		places := rapid.IntRange(0, 9).Draw(t, "places")
		if rapid.Bool().Draw(t, "tie") && places < 8 && strings.Count(s, ".") == 0 {
			s += "." + strings.Repeat("3", places) + "5"
		}
		if d, err := ParseDecimal(s); err == nil {
			got := d.Round(places)
			if exact(t, got.String()).Cmp(halfEven(exact(t, s), places)) != 0 {
				t.Fatalf("%s to %d decimals: %s", s, places, got)
			}
			if _, err := ParseDecimal(got.String()); err != nil {
				t.Fatalf("%s does not read back: %v", got, err)
			}
		}
	})
}

func TestAddSubExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := draw(t), draw(t)
		sum, err := a.Add(b)
		if err != nil {
			t.Fatal(err)
		}
		diff, err := a.Sub(b)
		if err != nil {
			t.Fatal(err)
		}
		ra, rb := exact(t, a.String()), exact(t, b.String())
		if exact(t, sum.String()).Cmp(new(big.Rat).Add(ra, rb)) != 0 || exact(t, diff.String()).Cmp(new(big.Rat).Sub(ra, rb)) != 0 {
			t.Fatalf("%s and %s: sum %s, difference %s", a, b, sum, diff)
		}
		if sum.Scale() != max(a.Scale(), b.Scale()) {
			t.Fatalf("%s + %s = %s: wrong number of decimals", a, b, sum)
		}
		if _, err := ParseDecimal(diff.String()); err != nil {
			t.Fatalf("%s does not read back: %v", diff, err)
		}
	})
	if _, err := MustDecimal("999999999999999999").Add(MustDecimal("1")); !errors.Is(err, ErrDigits) {
		t.Errorf("19 digits: %v", err)
	}
	if _, err := MustDecimal("100000000000000000").Sub(MustDecimal("0.01")); !errors.Is(err, ErrDigits) {
		t.Errorf("20 digits: %v", err)
	}
}

func TestFromFloat(t *testing.T) {
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if _, err := FromFloat(f, 2); !errors.Is(err, ErrDecimal) {
			t.Errorf("%v: %v", f, err)
		}
	}
	if _, err := FromFloat(math.MaxFloat64, 0); !errors.Is(err, ErrDigits) {
		t.Error(err)
	}
	if _, err := FromFloat(1, 18); err == nil {
		t.Error("18 decimals taken")
	}
	if d, err := FromFloat(-0.001, 2); err != nil || d.String() != "0.00" {
		t.Errorf("%s, %v", d, err)
	}
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-1e9, 1e9).Draw(t, "f")
		if rapid.Bool().Draw(t, "tie") {
			f = math.Trunc(f) / 8
		}
		places := rapid.IntRange(0, 8).Draw(t, "places")
		d, err := FromFloat(f, places)
		if err != nil {
			t.Fatal(err)
		}
		if exact(t, d.String()).Cmp(halfEven(new(big.Rat).SetFloat64(f), places)) != 0 || d.Scale() != places {
			t.Fatalf("%v to %d decimals: %s", f, places, d)
		}
	})
}

func TestDecimalJSON(t *testing.T) {
	var d Decimal
	if err := json.Unmarshal([]byte(`"1.50"`), &d); err != nil || d.String() != "1.50" {
		t.Fatal(d, err)
	}
	if b, err := json.Marshal(d); err != nil || string(b) != `"1.50"` {
		t.Errorf("%s, %v", b, err)
	}
	for _, bad := range []string{`1.50`, `1`, `true`, `null`, `["1"]`, `"1,5"`, `"-0"`, `""`} {
		if err := d.UnmarshalJSON([]byte(bad)); !errors.Is(err, ErrDecimal) {
			t.Errorf("%s: %v", bad, err)
		}
	}
	if err := d.UnmarshalJSON([]byte(`1.50`)); !strings.Contains(err.Error(), `give it as a string, e.g. "1.50"`) {
		t.Error(err)
	}
	if d.String() != "1.50" {
		t.Errorf("a refused number changed the decimal to %s", d)
	}
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"1.50", "-0", "1e309", "1,5", " 1", "999999999999999999", "0.00000000000000001", "NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDecimal(s)
		if want := inGrammar(s); want != (err == nil) {
			t.Fatalf("%q: grammar says %v, error is %v", s, want, err)
		}
		if err == nil && (d.String() != s || exact(t, s).Cmp(d.rat()) != 0) {
			t.Fatalf("typed %q, printed %q", s, d)
		}
		if err != nil && (!errors.Is(err, ErrDecimal) || len(err.Error()) > 300) {
			t.Fatalf("%q: %v", s, err)
		}
	})
}

func TestSmallParts(t *testing.T) {
	zero, d := MustDecimal("0.0"), MustDecimal("-2.50")
	if zero.Neg().String() != "0.0" || !zero.IsZero() || zero.Sign() != 0 || (Decimal{}).String() != "0" {
		t.Errorf("zero: %s, %s", zero.Neg(), Decimal{})
	}
	if d.Neg().String() != "2.50" || d.Scale() != 2 || d.Float64() != -2.5 || d.IsZero() {
		t.Errorf("%s: negative %s, scale %d, float %v", d, d.Neg(), d.Scale(), d.Float64())
	}
	if d == MustDecimal("-2.5") || d.Cmp(MustDecimal("-2.5")) != 0 {
		t.Error("-2.5 and -2.50 must be one number written in two ways")
	}
	var back Decimal
	if b, err := d.MarshalText(); err != nil || back.UnmarshalText(b) != nil || back != d {
		t.Errorf("text %s, %v, back %s", b, err, back)
	}
	if err := back.UnmarshalText([]byte("1e3")); !errors.Is(err, ErrDecimal) || back != d {
		t.Errorf("%v, %s", err, back)
	}
	defer func() {
		if recover() == nil {
			t.Error("MustDecimal took a bad number")
		}
	}()
	MustDecimal("1,5")
}
