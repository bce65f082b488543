package guidance

import (
	"errors"
	"strings"
	"testing"

	"linewarden/haccp/quantity"
	"linewarden/internal/checktable"
)

var tables = []string{
	"fda-produce-1998/limits.csv", "cfia-wash-2018/limits.csv", "ufifas-ch160/limits.csv", "luo-2011/limits.csv",
	"cfr21-178-1010/limits.csv", "cfr9-590-552/limits.csv", "tomato-rule-florida/limits.csv", "fda-tomato-2008/limits.csv",
	"cfr40-141-65/limits.csv", "fda-cut-leafy-2010/limits.csv",
}

// Every published row stands in the list as printed, and nothing else does.
func TestFigures(t *testing.T) {
	rows := 0
	for _, name := range tables {
		key, _, _ := strings.Cut(name, "/")
		table := checktable.Load(t, name)
		rows += len(table.Rows)
		table.Each(t, func(t *testing.T, row checktable.Row) {
			for _, f := range figures {
				if f.Key == key && string(f.Quantity) == row.Get(t, "quantity") && string(f.Use) == row.Get(t, "use") {
					if f.min != row.Get(t, "min") || f.max != row.Get(t, "max") || string(f.Unit) != row.Get(t, "unit") {
						t.Errorf("here %q to %q %s", f.min, f.max, f.Unit)
					}
					return
				}
			}
			t.Error("not in the list")
		})
	}
	if rows != len(figures) {
		t.Errorf("%d rows published, %d figures", rows, len(figures))
	}
}

func TestFiguresAreWhole(t *testing.T) {
	sources := checktable.Sources(t)
	for _, f := range All() {
		q, err := quantity.Get(f.Quantity)
		if err != nil || !q.HasUnit(f.Unit) {
			t.Errorf("%s: %v, unit %s", f.Source, err, f.Unit)
		}
		low, hasLow := f.Min()
		high, hasHigh := f.Max()
		if !hasLow && !hasHigh || hasLow && hasHigh && low.Cmp(high) >= 0 {
			t.Errorf("%s: from %q to %q", f.Source, f.min, f.max)
		}
		if f.About == "" || f.Place == "" || f.Source == "" || f.Use == "" {
			t.Errorf("a figure without all its words: %+v", f)
		}
		source, ok := sources[f.Key]
		if !ok {
			t.Errorf("%s: no source %q", f.Source, f.Key)
		}
		if second := strings.Contains(source.Confirmed, "second-hand"); second != f.SecondHand {
			t.Errorf("%s: second-hand %v, the list of sources says %q", f.Source, f.SecondHand, source.Confirmed)
		}
		// 21 CFR 112.48 is reserved since 2024; its content stands in 112.44(d).
		if strings.Contains(f.Source+f.Key, "112.48") {
			t.Errorf("%s cites a reserved section", f.Source)
		}
	}
}

// 100 mg/L total is inside the guide of 1998 while 1 mg/L of it may be free: a
// total is never held against a figure on free chlorine, nor the other way round.
func TestUnlikeBasesAreNotCompared(t *testing.T) {
	hundred := quantity.MustDecimal("100")
	for _, f := range For(quantity.FreeChlorine, WashWater) {
		if _, err := f.Outside(quantity.TotalChlorine, hundred, quantity.MgPerL); !errors.Is(err, quantity.ErrQuantity) {
			t.Errorf("%s: total against free: %v", f.Source, err)
		}
	}
	for _, f := range For(quantity.TotalChlorine, WashWater) {
		if _, err := f.Outside(quantity.FreeChlorine, hundred, quantity.MgPerL); !errors.Is(err, quantity.ErrQuantity) {
			t.Errorf("%s: free against total: %v", f.Source, err)
		}
		if f.Use == Surfaces || f.Use == EggEquipment {
			t.Errorf("%s: a rule for equipment among those for produce", f.Source)
		}
	}
	if _, err := For(quantity.PH, WashWater)[0].Outside(quantity.PH, hundred, quantity.MgPerL); !errors.Is(err, quantity.ErrUnit) {
		t.Errorf("pH in mg/L: %v", err)
	}
}

func TestOutside(t *testing.T) {
	guide := For(quantity.TotalChlorine, WashWater)[0]
	contact := For(quantity.ContactTime, WashWater)[0]
	cold := For(quantity.Temperature, ColdHolding)[0]
	for _, c := range []struct {
		f     Figure
		q     quantity.ID
		value string
		unit  quantity.Unit
		want  int
	}{
		{guide, quantity.TotalChlorine, "49.9", quantity.MgPerL, -1},
		{guide, quantity.TotalChlorine, "50", quantity.MgPerL, 0},
		{guide, quantity.TotalChlorine, "200.0", quantity.MgPerL, 0},
		{guide, quantity.TotalChlorine, "200.1", quantity.MgPerL, 1},
		{contact, quantity.ContactTime, "59", quantity.Second, -1},
		{contact, quantity.ContactTime, "120", quantity.Second, 0},
		{cold, quantity.Temperature, "41", quantity.Fahrenheit, 0},
		{cold, quantity.Temperature, "41.1", quantity.Fahrenheit, 1},
		{cold, quantity.Temperature, "-1", quantity.Celsius, 0},
	} {
		got, err := c.f.Outside(c.q, quantity.MustDecimal(c.value), c.unit)
		if err != nil || got != c.want {
			t.Errorf("%s %s against %s: %d, %v", c.value, c.unit, c.f.Source, got, err)
		}
	}
}

func TestIsOf(t *testing.T) {
	guide, canada, study := For(quantity.TotalChlorine, WashWater)[0], For(quantity.TotalChlorine, WashWater)[1], For(quantity.FreeChlorine, WashWater)[1]
	for _, c := range []struct {
		f    Figure
		code string
		want bool
	}{
		{guide, " USA ", true}, {guide, "CA", false}, {canada, "Canadá", true}, {canada, "US", false}, {study, "US", false}, {study, "", false},
	} {
		if got := c.f.IsOf(c.code); got != c.want {
			t.Errorf("%s of %q: %v", c.f.Source, c.code, got)
		}
	}
	if guide.Basis() != "as Cl2 by volume" {
		t.Errorf("basis %q", guide.Basis())
	}
}

func TestAllIsACopy(t *testing.T) {
	All()[0].Source = "changed"
	if All()[0].Source != FDAGuide {
		t.Error("the list can be changed from outside")
	}
}
