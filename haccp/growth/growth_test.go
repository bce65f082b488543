package growth

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

var eight = time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)

func after(minutes float64) time.Time {
	return eight.Add(time.Duration(minutes * float64(time.Minute)))
}

func number(t *testing.T, row checktable.Row, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row.Get(t, column), 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}

func near(t *testing.T, got formula.Result, err error, want, allowed float64) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.Value-want) > allowed || math.IsNaN(got.Value) {
		t.Errorf("%s gives %.6f %s, want %v (allowed %v)", got.Formula, got.Value, got.Unit, want, allowed)
	}
	if got.Version != Version || got.Unit == "" {
		t.Errorf("the result lacks its unit or version: %+v", got)
	}
}

func TestElapsed(t *testing.T) {
	got, err := Elapsed(after(0), after(42.5))
	near(t, got, err, 42.5, 1e-9)
	if _, err := Elapsed(after(1), after(0)); !errors.Is(err, formula.ErrData) {
		t.Errorf("backwards: %v", err)
	}
	if _, err := Elapsed(after(0), after(60*24*60+1)); !errors.Is(err, formula.ErrRange) {
		t.Errorf("more than 60 days: %v", err)
	}
}

// Worked by hand: the stretch from 8 to 12 °C counts whole, that from 12 to 10 °C
// too; exactly 10 °C is not above it.
func TestTimeAbove(t *testing.T) {
	readings := []Reading{{after(60), 10}, {after(0), 8}, {after(20), 12}, {after(90), 10}}
	got, err := TimeAbove(readings, after(0), after(90), Cool, Hot)
	near(t, got, err, 60, 1e-9)
	got, err = TimeAbove(readings, after(10), after(30), Cool, Hot)
	near(t, got, err, 20, 1e-9)
	got, err = TimeAbove(readings, after(60), after(90), Cool, Hot)
	near(t, got, err, 0, 0)
	got, err = TimeAbove(readings, after(0), after(90), 12, math.Inf(1))
	near(t, got, err, 0, 0)
	// Through the band between two readings: it was in it, however short.
	got, err = TimeAbove([]Reading{{after(0), 5}, {after(30), 60}}, after(0), after(30), Cool, Hot)
	near(t, got, err, 30, 1e-9)
	got, err = TimeAbove([]Reading{{after(0), 57.2}, {after(30), 60}}, after(0), after(30), Cool, Hot)
	near(t, got, err, 0, 0)
	// The warmest of several at one moment counts.
	got, err = TimeAbove([]Reading{{after(0), 5}, {after(10), 25}, {after(10), 5}, {after(20), 5}}, after(0), after(20), Warm, Hot)
	near(t, got, err, 20, 1e-9)
}

func TestSpansAreRefused(t *testing.T) {
	around := []Reading{{after(0), 8}, {after(60), 8}}
	for name, c := range map[string]struct {
		readings   []Reading
		begin, end time.Time
		want       error
	}{
		"nothing":    {nil, after(0), after(1), ErrNotBracketed},
		"none early": {around, after(-1), after(1), ErrNotBracketed},
		"none late":  {around, after(0), after(61), ErrNotBracketed},
		"backwards":  {around, after(2), after(1), formula.ErrData},
		"no number":  {append([]Reading{{after(1), math.NaN()}}, around...), after(0), after(1), formula.ErrRange},
		"fire":       {append([]Reading{{after(1), 201}}, around...), after(0), after(1), formula.ErrRange},
	} {
		if _, err := TimeAbove(c.readings, c.begin, c.end, Cool, Hot); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := ReadyToEat(c.readings, c.begin, c.end, false); !errors.Is(err, c.want) {
			t.Errorf("hours, %s: %v", name, err)
		}
		if _, err := Growth(c.readings, c.begin, c.end); !errors.Is(err, c.want) {
			t.Errorf("growth, %s: %v", name, err)
		}
	}
	if _, err := TimeAbove(around, after(0), after(1), 20, 20); !errors.Is(err, formula.ErrData) {
		t.Errorf("an empty band: %v", err)
	}
}

// The published hours are those of the code.
func TestPublishedHours(t *testing.T) {
	want := map[string][3]float64{ // above 10 °C, above 21.1 °C, only S. aureus
		"warm": {warmHours, 0, warmStaphHours}, "warm, alternative": {longHours, longWarmHours, 0}, "cool": {coolHours, 0, coolStaphHours},
	}
	checktable.Load(t, "fda-hazards-app4/summary.csv").Each(t, func(t *testing.T, row checktable.Row) {
		w, ok := want[row.Get(t, "rule")]
		if !ok {
			t.Fatal("a rule this program does not know")
		}
		for i, column := range []string{"hours_above_50F", "hours_above_70F", "hours_only_staph"} {
			text := row.Get(t, column)
			if text == "" && w[i] == 0 {
				continue
			}
			if number(t, row, column) != w[i] {
				t.Errorf("%s: %v here", column, w[i])
			}
		}
	})
}

// steps is product at each of the temperatures for its minutes, changed at once.
func steps(pairs ...[2]float64) (readings []Reading, end float64) {
	for _, p := range pairs {
		readings = append(readings, Reading{after(end + 1e-4), p[0]}, Reading{after(end + p[1]), p[0]})
		end += p[1]
	}
	readings[0].At = eight
	return readings, end
}

func TestReadyToEat(t *testing.T) {
	for name, c := range map[string]struct {
		pairs   [][2]float64
		staph   bool
		rule    Rule
		allowed float64
		within  bool
	}{
		"cold":                        {[][2]float64{{9.9, 3000}}, false, RuleCold, 0, true},
		"exactly 10 °C":               {[][2]float64{{10, 3000}}, false, RuleCold, 0, true},
		"cool, 5 h":                   {[][2]float64{{15, 300}}, false, RuleCool, 300, true},
		"cool, over 5 h":              {[][2]float64{{15, 301}}, false, RuleCool, 300, false},
		"exactly 21.1 °C":             {[][2]float64{{21.1, 300}}, false, RuleCool, 300, true},
		"cool, staph":                 {[][2]float64{{15, 720}}, true, RuleCool, 720, true},
		"cool, staph, over 12 h":      {[][2]float64{{15, 721}}, true, RuleCool, 720, false},
		"warm, 2 h":                   {[][2]float64{{22, 120}}, false, RuleWarm, 240, true},
		"warm, over 2 h":              {[][2]float64{{22, 121}}, false, RuleWarm, 120, false},
		"warm, staph, 3 h":            {[][2]float64{{22, 180}}, true, RuleWarm, 180, true},
		"warm, staph, over 3 h":       {[][2]float64{{22, 181}}, true, RuleWarm, 180, false},
		"4 h, 2 h of them warm":       {[][2]float64{{22, 119}, {15, 120}}, false, RuleWarm, 240, true},
		"over 4 h, 2 h of them warm":  {[][2]float64{{22, 119}, {15, 122}}, false, RuleWarm, 240, false},
		"4 h, over 2 h of them warm":  {[][2]float64{{22, 121}, {15, 100}}, false, RuleWarm, 120, false},
		"a moment warm cuts 5 h to 4": {[][2]float64{{15, 150}, {21.2, 0.01}, {15, 130}}, false, RuleWarm, 240, false},
		"hot counts for nothing":      {[][2]float64{{60, 600}}, false, RuleWarm, 240, true},
	} {
		readings, end := steps(c.pairs...)
		got, err := ReadyToEat(readings, after(0), after(end), c.staph)
		if err != nil || got.Rule != c.rule || got.Within != c.within || got.Allowed.Value != c.allowed {
			t.Errorf("%s: %s, %v allowed, within %v, %v above 10, %v above 21.1: %v", name, got.Rule, got.Allowed.Value, got.Within, got.AboveCool.Value, got.AboveWarm.Value, err)
		}
		// What was read in the source may be used; what is from memory may not.
		if got.Allowed.Usable() != (got.Rule == RuleWarm) || !got.Allowed.Has(OtherProduct) {
			t.Errorf("%s: cautions %v", name, got.Allowed.Cautions)
		}
	}
	got, err := ReadyToEat([]Reading{{after(0), 25}}, after(0), after(0), false)
	if err != nil || got.Rule != RuleWarm || !got.Within {
		t.Errorf("one moment: %+v, %v", got, err)
	}
}

// Every printed line, at its ends and in the gap before it: a temperature between
// two lines has the hours of the warmer one, never a value between theirs.
func TestTableHours(t *testing.T) {
	names := map[string]Organism{"Escherichia coli, pathogenic": EColi}
	printed := map[Organism][]float64{}
	checktable.Load(t, "fda-hazards-app4/table-a2.csv").Each(t, func(t *testing.T, row checktable.Row) {
		o := Organism(row.Get(t, "organism"))
		if n, ok := names[string(o)]; ok {
			o = n
		}
		hours := number(t, row, "hours")
		printed[o] = append(printed[o], hours)
		ends := []float64{number(t, row, "from_f")}
		if row.Get(t, "to_f") == "" {
			ends = append(ends, ends[0]+20)
		} else {
			ends = append(ends, number(t, row, "to_f"))
		}
		if len(printed[o]) > 1 {
			ends = append(ends, ends[0]-0.5) // the gap
		}
		for _, f := range ends {
			got, err := TableHours(o, (f-32)*5/9)
			near(t, got, err, hours, 0)
			if got.Usable() {
				t.Error("figures from memory may not be used")
			}
		}
	})
	for o, row := range tableA2 {
		if len(printed[o]) != len(row.bands) {
			t.Errorf("%s: %d lines here, %d published", o, len(row.bands), len(printed[o]))
		}
		if _, err := TableHours(o, (row.from-32)*5/9-0.1); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s below its first line: %v", o, err)
		}
		if _, err := TableHours(o, 57.3); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%s, hot: %v", o, err)
		}
		for c := (row.from - 32) * 5 / 9; c < 40; c += 0.1 {
			if got, err := TableHours(o, c); err != nil || !slices.Contains(printed[o], got.Value) {
				t.Fatalf("%s at %v °C: %v h is not printed (%v)", o, c, got.Value, err)
			}
		}
	}
	if _, err := TableHours("mould", 20); err == nil {
		t.Error("an organism that is not in the table")
	}
}

func TestGrowthMinimum(t *testing.T) {
	table := checktable.Load(t, "usda-growth-minimum/minimum.csv")
	table.Each(t, func(t *testing.T, row checktable.Row) {
		got, err := GrowthMinimum(Organism(row.Get(t, "organism")))
		near(t, got, err, number(t, row, "celsius"), 0)
	})
	if len(table.Rows) != len(minimum) {
		t.Errorf("%d published, %d here", len(table.Rows), len(minimum))
	}
	if _, err := GrowthMinimum(BacillusCereus); err == nil {
		t.Error("no figure was published for it")
	}
}

func TestGrowthRate(t *testing.T) {
	checktable.Load(t, "mckellar-delaquis-2011/rate.csv").Each(t, func(t *testing.T, row checktable.Row) {
		got, err := GrowthRate(number(t, row, "celsius"))
		near(t, got, err, number(t, row, "rate"), 0.00001)
		if !got.Has(UnitSecondHand) || !got.Has(NoLag) || got.Has(formula.Extrapolated) {
			t.Errorf("cautions %v", got.Cautions)
		}
	})
	got, err := GrowthRate(1.2)
	near(t, got, err, 0, 0)
	if !got.Has(formula.Extrapolated) {
		t.Error("below 5 °C is beyond the use of the model")
	}
	for _, celsius := range []float64{25.1, math.NaN(), -50.1} {
		if _, err := GrowthRate(celsius); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v °C: %v", celsius, err)
		}
	}
}

// The unit of the rate is not in the abstract. Growth on cut lettuce at 15 °C,
// published by others, was 2.3 to 3.2 log in 2 d. In natural logarithms the model
// gives 2.10, 0.2 below; taken as log10 it would give 4.84, far above.
func TestGrowthAgainstLettuce(t *testing.T) {
	checktable.Load(t, "li-2001/lettuce.csv").Each(t, func(t *testing.T, row checktable.Row) {
		minutes, celsius := number(t, row, "days")*24*60, number(t, row, "celsius")
		got, err := Growth([]Reading{{after(0), celsius}, {after(minutes), celsius}}, after(0), after(minutes))
		near(t, got.Line, err, 2.10, 0.005)
		near(t, got.Warmer, err, got.Line.Value, 1e-9)
		if low := number(t, row, "low"); got.Line.Value > number(t, row, "high") || got.Line.Value < low-0.3 {
			t.Errorf("%v log, seen %v and more", got.Line.Value, low)
		}
		if asLog10 := got.Line.Value * math.Ln10; asLog10 < number(t, row, "high")+1 {
			t.Errorf("as log10 an hour it would be %v, which does not rule that unit out", asLog10)
		}
	})
}

// At 10 °C numbers double in 16.9 h (worked out from the rate).
func TestDoublingTime(t *testing.T) {
	got, err := DoublingTime(10)
	near(t, got, err, 16.9, 0.05)
	for _, celsius := range []float64{1.2, 0, 26} {
		if _, err := DoublingTime(celsius); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v °C: %v", celsius, err)
		}
	}
}

func TestGrowthIsRefusedWarm(t *testing.T) {
	readings := []Reading{{after(0), 8}, {after(60), 25.1}, {after(120), 8}, {after(180), 8}}
	if _, err := Growth(readings, after(10), after(20)); !errors.Is(err, formula.ErrRange) {
		t.Errorf("%v", err)
	}
	if _, err := Growth(readings, after(120), after(180)); err != nil {
		t.Errorf("the warm reading does not bear on this span: %v", err)
	}
}

// The mean rate along a line, against a sum over ten thousand steps.
func TestMeanRate(t *testing.T) {
	for _, c := range [][2]float64{{5, 15}, {15, 5}, {-4, 10}, {1.2, 6}, {-4, 0}, {8, 8}} {
		const n = 10000
		sum := 0.0
		for i := range n {
			sum += rate(c[0] + (c[1]-c[0])*(float64(i)+0.5)/n)
		}
		if got := meanRate(c[0], c[1]); math.Abs(got-sum/n) > 1e-8 {
			t.Errorf("from %v to %v: %v, by steps %v", c[0], c[1], got, sum/n)
		}
	}
}

// Parts of a span add up to the whole, in time above a threshold and in growth;
// the careful value is never below the line; warmer product never grows less nor
// spends less time warm.
func TestSpanProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := []Reading{{after(0), rapid.Float64Range(-2, 24).Draw(t, "first")}, {after(600), rapid.Float64Range(-2, 24).Draw(t, "last")}}
		for range rapid.IntRange(0, 8).Draw(t, "readings") {
			readings = append(readings, Reading{after(rapid.Float64Range(0, 600).Draw(t, "minute")), rapid.Float64Range(-2, 24).Draw(t, "celsius")})
		}
		cuts := []time.Time{after(0), after(600)}
		for range rapid.IntRange(1, 4).Draw(t, "cuts") {
			cuts = append(cuts, after(rapid.Float64Range(0, 600).Draw(t, "cut")))
		}
		slices.SortFunc(cuts, time.Time.Compare)
		measure := func(readings []Reading, begin, end time.Time) [3]float64 {
			above, err1 := TimeAbove(readings, begin, end, Cool, Hot)
			grown, err2 := Growth(readings, begin, end)
			if err := errors.Join(err1, err2); err != nil {
				t.Fatal(err)
			}
			return [3]float64{above.Value, grown.Line.Value, grown.Warmer.Value}
		}
		whole := measure(readings, cuts[0], cuts[len(cuts)-1])
		var parts [3]float64
		for i := 1; i < len(cuts); i++ {
			for j, v := range measure(readings, cuts[i-1], cuts[i]) {
				parts[j] += v
			}
		}
		warmed := slices.Clone(readings)
		warmed[rapid.IntRange(0, len(warmed)-1).Draw(t, "warmed")].Celsius++
		more := measure(warmed, cuts[0], cuts[len(cuts)-1])
		for j := range whole {
			if math.Abs(whole[j]-parts[j]) > 1e-6 {
				t.Fatalf("%d: whole %v, parts %v", j, whole[j], parts[j])
			}
			if more[j] < whole[j]-1e-9 {
				t.Fatalf("%d: a warmer reading made %v of %v", j, more[j], whole[j])
			}
		}
		if whole[2] < whole[1]-1e-9 {
			t.Fatalf("the careful growth %v is below %v", whole[2], whole[1])
		}
	})
}
