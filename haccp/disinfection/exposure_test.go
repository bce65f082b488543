package disinfection

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
)

var eight = time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)

func after(minutes float64) time.Time {
	return eight.Add(time.Duration(minutes * float64(time.Minute)))
}

// A stay between two tests, worked by hand: 120 falling to 100 mg/L in 20 min; from
// minute 5 (115) to minute 15 (105) the area is 1,100, the lower reading 1,000.
func TestCt(t *testing.T) {
	readings := []Reading{{after(20), 100}, {after(0), 120}, {after(60), 90}, {after(-30), 400}}
	got, err := Ct(readings, after(5), after(15))
	near(t, got.Trapezoid, err, 1100, 1e-9)
	near(t, got.Lowest, err, 1000, 1e-9)
	if got.Readings != 2 || got.LongestGap != 20*time.Minute || !got.Trapezoid.Has(BetweenTests) {
		t.Errorf("%+v", got)
	}
	// 10 min before and 10 min after the middle test: (110+100)/2*10 + (100+97.5)/2*10; 100*10 + 90*10.
	got, err = Ct(readings, after(10), after(30))
	near(t, got.Trapezoid, err, 1050+987.5, 1e-9)
	near(t, got.Lowest, err, 1900, 1e-9)
	if got.Readings != 3 || got.LongestGap != 40*time.Minute {
		t.Errorf("%+v", got)
	}
	got, err = Ct(readings, after(20), after(20))
	near(t, got.Trapezoid, err, 0, 0)
	near(t, got.Lowest, err, 0, 0)
	got, err = Ct(readings, after(7), after(7))
	near(t, got.Lowest, err, 0, 0)
	if got.Trapezoid.Has(BetweenTests) {
		t.Error("no time passes")
	}
}

// Of two readings at one moment the lower counts, whichever comes first.
func TestCtTies(t *testing.T) {
	readings := []Reading{{after(0), 100}, {after(10), 80}, {after(10), 60}, {after(20), 100}}
	for range 2 {
		got, err := Ct(readings, after(0), after(20))
		near(t, got.Trapezoid, err, 1600, 1e-9)
		near(t, got.Lowest, err, 1200, 1e-9)
		slices.Reverse(readings)
	}
}

func TestCtRefuses(t *testing.T) {
	around := []Reading{{after(0), 100}, {after(20), 100}}
	for name, c := range map[string]struct {
		readings   []Reading
		begin, end time.Time
		want       error
	}{
		"nothing":        {nil, after(0), after(10), ErrNotBracketed},
		"none before":    {around[1:], after(10), after(15), ErrNotBracketed},
		"none after":     {around[:1], after(10), after(15), ErrNotBracketed},
		"begins early":   {around, after(-1), after(15), ErrNotBracketed},
		"ends late":      {around, after(5), after(20.1), ErrNotBracketed},
		"backwards":      {around, after(5), after(4), formula.ErrData},
		"too long":       {around, after(0), after(24*60 + 1), formula.ErrRange},
		"below zero":     {append([]Reading{{after(1), -0.1}}, around...), after(5), after(10), formula.ErrRange},
		"no number":      {append([]Reading{{after(1), math.NaN()}}, around...), after(5), after(10), formula.ErrRange},
		"undiluted dose": {append([]Reading{{after(1), 20001}}, around...), after(5), after(10), formula.ErrRange},
	} {
		if _, err := Ct(c.readings, c.begin, c.end); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func drawReadings(t *rapid.T) []Reading {
	var out []Reading
	for range rapid.IntRange(2, 12).Draw(t, "readings") {
		out = append(out, Reading{after(rapid.Float64Range(0, 600).Draw(t, "minute")), rapid.Float64Range(0, 300).Draw(t, "level")})
	}
	return append(out, Reading{after(0), 100}, Reading{after(600), rapid.Float64Range(0, 300).Draw(t, "last")})
}

// However a stay is cut, the Ct of its parts adds up to its own; the careful value
// never exceeds the other; and a higher level anywhere lowers neither.
func TestCtProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		readings := drawReadings(t)
		cuts := []time.Time{}
		for range rapid.IntRange(2, 6).Draw(t, "cuts") {
			cuts = append(cuts, after(rapid.Float64Range(0, 600).Draw(t, "cut")))
		}
		slices.SortFunc(cuts, time.Time.Compare)
		whole, err := Ct(readings, cuts[0], cuts[len(cuts)-1])
		if err != nil {
			t.Fatal(err)
		}
		line, lowest := 0.0, 0.0
		for i := 1; i < len(cuts); i++ {
			part, err := Ct(readings, cuts[i-1], cuts[i])
			if err != nil {
				t.Fatal(err)
			}
			line += part.Trapezoid.Value
			lowest += part.Lowest.Value
		}
		close := func(a, b float64) bool { return math.Abs(a-b) <= 1e-6+1e-9*math.Abs(a) }
		if !close(whole.Trapezoid.Value, line) || !close(whole.Lowest.Value, lowest) {
			t.Fatalf("whole %v and %v, parts %v and %v", whole.Trapezoid.Value, whole.Lowest.Value, line, lowest)
		}
		if whole.Lowest.Value > whole.Trapezoid.Value+1e-6 || whole.Lowest.Value < 0 {
			t.Fatalf("careful value %v above %v", whole.Lowest.Value, whole.Trapezoid.Value)
		}
		raised := slices.Clone(readings)
		raised[rapid.IntRange(0, len(raised)-1).Draw(t, "raised")].MgPerL += 10
		more, err := Ct(raised, cuts[0], cuts[len(cuts)-1])
		if err != nil || more.Trapezoid.Value < whole.Trapezoid.Value-1e-6 || more.Lowest.Value < whole.Lowest.Value-1e-6 {
			t.Fatalf("a higher level made less Ct: %v, %v", more, err)
		}
	})
}

// Colder water, a higher pH and more chlorine never ask for less Ct; a higher log
// asks for more; lines between printed cells never leave the careful look-up.
func TestGiardiaMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := Water{rapid.Float64Range(0.5, 25).Draw(t, "celsius"), rapid.Float64Range(6, 9).Draw(t, "ph"), rapid.Float64Range(0.4, 3).Draw(t, "chlorine")}
		harder := Water{rapid.Float64Range(0.5, w.Celsius).Draw(t, "colder"), rapid.Float64Range(w.PH, 9).Draw(t, "higher"), rapid.Float64Range(w.MgPerL, 3).Draw(t, "more")}
		log := rapid.Float64Range(0.5, 3).Draw(t, "log")
		for name, f := range map[string]func(Water, float64) (formula.Result, error){"look-up": GiardiaLookup, "lines": GiardiaInterpolated, "regression": GiardiaRegression} {
			a, err1 := f(w, log)
			b, err2 := f(harder, log)
			c, err3 := f(w, log/2)
			if err := errors.Join(err1, err2, err3); err != nil {
				t.Fatal(err)
			}
			if b.Value < a.Value-1e-9 || c.Value > a.Value {
				t.Fatalf("%s: %v asks for %v, %v for %v; half the log for %v", name, w, a.Value, harder, b.Value, c.Value)
			}
		}
		careful, _ := GiardiaLookup(w, log)
		lines, _ := GiardiaInterpolated(w, log)
		if lines.Value > careful.Value+1e-9 {
			t.Fatalf("%v: %v on lines, %v looked up", w, lines.Value, careful.Value)
		}
	})
}

// A series is the sum of its segments, whatever their order, and cutting one in
// two changes nothing.
func TestSeriesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var segments []Segment
		for range rapid.IntRange(1, 6).Draw(t, "segments") {
			segments = append(segments, Segment{rapid.Float64Range(0, 1000).Draw(t, "ct"), rapid.Float64Range(1, 500).Draw(t, "required")})
		}
		whole, err := SeriesRatio(segments)
		if err != nil {
			t.Fatal(err)
		}
		first := segments[0]
		part := rapid.Float64Range(0, 1).Draw(t, "part") * first.Ct
		cut, err := SeriesRatio(append([]Segment{{part, first.Required}, {first.Ct - part, first.Required}}, segments[1:]...))
		if err != nil || math.Abs(cut.Value-whole.Value) > 1e-9*(1+whole.Value) {
			t.Fatalf("%v, cut %v, %v", whole.Value, cut.Value, err)
		}
		slices.Reverse(segments)
		back, err := SeriesRatio(segments)
		if err != nil || math.Abs(back.Value-whole.Value) > 1e-9*(1+whole.Value) {
			t.Fatalf("%v, reversed %v, %v", whole.Value, back.Value, err)
		}
	})
}

// Rate from Ct and log, then the kill of that Ct: the log again.
func TestChickWatsonRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log, c, minutes := rapid.Float64Range(0.1, 6).Draw(t, "log"), rapid.Float64Range(0.1, 200).Draw(t, "c"), rapid.Float64Range(0.1, 500).Draw(t, "minutes")
		k, err := RateFromCt(c*minutes, log)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ChickWatson(k.Value, c, 1, minutes)
		if err != nil || math.Abs(got.Value-log) > 1e-9 {
			t.Fatalf("%v, %v, want %v", got.Value, err, log)
		}
	})
}

func TestBatchContact(t *testing.T) {
	got, err := BatchContact(after(0), after(0.5), after(2), after(2.75))
	if err != nil || got.Shortest.Value != 1.5 || got.Longest.Value != 2.75 {
		t.Errorf("%+v, %v", got, err)
	}
	for name, c := range map[string][4]float64{
		"in reversed":    {1, 0, 2, 3},
		"out reversed":   {0, 1, 3, 2},
		"nothing common": {0, 3, 2, 4},
	} {
		if _, err := BatchContact(after(c[0]), after(c[1]), after(c[2]), after(c[3])); !errors.Is(err, formula.ErrData) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := BatchContact(after(0), after(1), after(2), after(24*60+1)); !errors.Is(err, formula.ErrRange) {
		t.Errorf("a day and more: %v", err)
	}
}
