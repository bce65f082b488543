package quantity

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

func bound(s string) *Bound {
	if s == "" {
		return nil
	}
	return &Bound{Value: num(s), Unit: MgPerL}
}

func TestJudge(t *testing.T) {
	exactly := func(s string) Value { return Exact(num(s), MgPerL) }
	below := func(s string) Value { return Below(num(s), MgPerL) }
	above := func(s string) Value { return Above(num(s), MgPerL) }
	band := func(a, b string) Value { return Band(num(a), num(b), MgPerL) }
	for _, c := range []struct {
		v        Value
		min, max string
		want     Finding
	}{
		{exactly("1.0"), "1.00", "", Inside}, // inclusive, as decimals
		{exactly("0.99"), "1", "", BelowMin},
		{exactly("2.000"), "1", "2", Inside},
		{exactly("2.01"), "1", "2", AboveMax},
		{band("50", "100"), "50", "", Inside},
		{band("50", "100"), "51", "", BelowMin},
		{band("50", "100"), "", "100", Inside},
		{band("50", "100"), "", "99", AboveMax},
		{band("50", "100"), "60", "200", BelowMin},
		{band("50", "100"), "60", "90", BelowMin},
		{below("0.02"), "", "0.02", Inside}, // everything under 0.02 is under the bound
		{below("0.02"), "", "0.01", AboveMax},
		{below("0.02"), "0.01", "", BelowMin},
		{below("0.02"), "0", "", Inside}, // no chlorine at all would be inside too
		{below("5"), "0", "4", AboveMax},
		{below("5"), "1", "10", BelowMin},
		{above("10"), "", "20", OverRange},
		{above("10"), "", "5", OverRange},
		{above("10"), "1", "20", OverRange},
		{above("10"), "10", "", Inside},
		{above("10"), "1", "", Inside},
		{above("10"), "50", "", NeedsDilution},
		{above("10"), "50", "100", OverRange},
		{exactly("1"), "", "", NoBound},
		{Answer(true), "1", "", NotNumber},
		{Value{}, "1", "", NotNumber},
		{Exact(num("1"), NTU), "1", "", NoWay},
	} {
		q := get(t, FreeChlorine)
		got := q.Judge(c.v, bound(c.min), bound(c.max))
		if got != c.want {
			t.Errorf("%v in [%s, %s]: %s, wanted %s", c.v, c.min, c.max, got, c.want)
		}
		in, decided := q.Inside(c.v, bound(c.min), bound(c.max))
		if in != (c.want == Inside) || decided != (c.want <= OverRange) {
			t.Errorf("%v in [%s, %s]: in %v, decided %v", c.v, c.min, c.max, in, decided)
		}
	}
}

func TestJudgeOverUnits(t *testing.T) {
	q := get(t, Temperature)
	cold := &Bound{Value: num("5"), Unit: Celsius}
	if f := q.Judge(Exact(num("41"), Fahrenheit), nil, cold); f != Inside {
		t.Errorf("41 °F against at most 5 °C: %s", f)
	}
	if f := q.Judge(Exact(num("41.1"), Fahrenheit), nil, cold); f != AboveMax {
		t.Errorf("41.1 °F against at most 5 °C: %s", f)
	}
	floor := &Bound{Value: num("-58"), Unit: Fahrenheit} // the physical minimum, -50 °C
	if f := q.Judge(Below(num("0"), Celsius), floor, nil); f != Inside {
		t.Errorf("< 0 °C against at least -58 °F: %s", f)
	}
	if f := get(t, Salt).Judge(Exact(num("3"), PercentMass), &Bound{Value: num("30"), Unit: GramPerL}, nil); f != NoWay {
		t.Errorf("salt over units: %s", f)
	}
}

// TestJudgeIsNeverKind holds Judge against its meaning: a value found inside has
// no number it may stand for that is outside; an over-range value is the one
// exception, never inside an upper bound.
func TestJudgeIsNeverKind(t *testing.T) {
	q := get(t, FreeChlorine)
	small := rapid.StringMatching(`(0|[1-9][0-9]?)(\.[0-9]{1,2})?`)
	rapid.Check(t, func(t *rapid.T) {
		v := drawValue(t, MgPerL)
		var lower, upper *Bound
		if rapid.Bool().Draw(t, "has min") {
			lower = bound(small.Draw(t, "min"))
		}
		if rapid.Bool().Draw(t, "has max") {
			upper = bound(small.Draw(t, "max"))
		}
		in, decided := q.Inside(v, lower, upper)
		if in && !decided {
			t.Fatal("inside, yet not decided")
		}
		if !in {
			return
		}
		for _, r := range standsFor(v) {
			if lower != nil && r.Cmp(lower.Value.rat()) < 0 || upper != nil && r.Cmp(upper.Value.rat()) > 0 {
				t.Fatalf("%v is judged inside, yet may be %s", v, r.FloatString(4))
			}
		}
	})
}

// standsFor gives numbers that v may be.
func standsFor(v Value) []*big.Rat {
	low, high := v.Ends()
	near := big.NewRat(1, 1000000)
	switch v.Kind() {
	case KindBelow:
		under := new(big.Rat).Sub(low.rat(), near)
		if under.Sign() < 0 {
			return nil
		}
		return []*big.Rat{new(big.Rat), under}
	case KindAbove:
		return []*big.Rat{new(big.Rat).Add(high.rat(), near), big.NewRat(20000, 1)}
	}
	return []*big.Rat{low.rat(), high.rat()}
}

func TestWorse(t *testing.T) {
	q := get(t, FreeChlorine)
	worst := []Value{ // from the best to the worst for a limit of 1 to 4
		Exact(num("3"), MgPerL), Exact(num("0.9"), MgPerL), Exact(num("4.2"), PPM), Band(num("0.5"), num("2"), MgPerL),
		Below(num("0.5"), MgPerL), Exact(num("20"), MgPerL), Above(num("5"), MgPerL), Above(num("10"), MgPerL),
	}
	lower, upper := bound("1"), bound("4")
	for i, a := range worst {
		for j, b := range worst {
			want := 0
			if i > j {
				want = 1
			} else if i < j {
				want = -1
			}
			if got := q.Worse(a, b, lower, upper); got != want {
				t.Errorf("%v against %v: %d, wanted %d", a, b, got, want)
			}
		}
	}
	if got := q.Worse(Exact(num("2"), MgPerL), Exact(num("1"), MgPerL), lower, upper); got != 0 {
		t.Errorf("two inside values: %d", got)
	}
	if got := q.Worse(Exact(num("0.1"), MgPerL), Answer(true), lower, nil); got != 1 {
		t.Errorf("outside against not judged: %d", got)
	}
}

func TestWorseIsAnOrder(t *testing.T) {
	q := get(t, FreeChlorine)
	lower, upper := bound("10"), bound("40")
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := drawValue(t, MgPerL), drawValue(t, PPM), drawValue(t, MgPerL)
		if q.Worse(a, b, lower, upper) != -q.Worse(b, a, lower, upper) {
			t.Fatalf("%v and %v: not one order both ways", a, b)
		}
		if q.Worse(a, b, lower, upper) >= 0 && q.Worse(b, c, lower, upper) >= 0 && q.Worse(a, c, lower, upper) < 0 {
			t.Fatalf("%v, %v, %v: not transitive", a, b, c)
		}
	})
}
