package depletion_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"linewarden/haccp/depletion"
)

// points pairs times with levels.
func points(pairs ...float64) []depletion.Point {
	var out []depletion.Point
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, depletion.Point{Minutes: pairs[i], Free: pairs[i+1]})
	}
	return out
}

// exact is a curve without scatter, n readings every step minutes.
func exact(n int, step float64, level func(t float64) float64) []depletion.Point {
	var out []depletion.Point
	for i := range n {
		t := float64(i) * step
		out = append(out, depletion.Point{Minutes: t, Free: level(t)})
	}
	return out
}

func TestRecoversTheLawBehindExactReadings(t *testing.T) {
	for name, c := range map[string]struct {
		level func(float64) float64
		model depletion.Model
		k     float64
		off   float64
		limit float64
		cross float64 // of the limit
	}{
		"line":         {func(t float64) float64 { return 40 - 0.1*t }, depletion.Line, 0, 0, 20, 200},
		"first order":  {func(t float64) float64 { return 60 * math.Exp(-0.006*t) }, depletion.FirstOrder, 0.006, 0, 20, math.Log(3) / 0.006},
		"left over":    {func(t float64) float64 { return 15 + 45*math.Exp(-0.01*t) }, depletion.Offset, 0.01, 15, 20, math.Log(9) / 0.01},
		"leaf besides": {func(t float64) float64 { return -10 + 60*math.Exp(-0.005*t) }, depletion.Offset, 0.005, -10, 12, math.Log(60./22) / 0.005},
	} {
		t.Run(name, func(t *testing.T) {
			f, err := depletion.Predict(depletion.Input{Points: exact(9, 20, c.level), Critical: c.limit})
			if err != nil {
				t.Fatal(err)
			}
			if f.Model != c.model || math.Abs(f.K-c.k) > 1e-6 || math.Abs(f.Offset-c.off) > 1e-3 {
				t.Errorf("fitted %+v", f)
			}
			x := f.Critical
			if x.State != depletion.Ahead || x.Expected > int(c.cross) || x.Expected < int(c.cross)-1 {
				t.Errorf("crossing %+v, truth %v", x, c.cross)
			}
		})
	}
}

func TestOneBadPointMovesNothing(t *testing.T) {
	// Readings of a steady fall with scatter of about 0.3 mg/L.
	good := points(10, 58.2, 40, 50.9, 70, 44.6, 100, 39.3, 130, 34.1, 160, 30.2, 190, 26.2, 220, 23.3)
	want, err := depletion.Predict(depletion.Input{Points: good, Operating: 18, Critical: 12})
	if err != nil {
		t.Fatal(err)
	}
	for i := range len(good) - 1 {
		for _, wrong := range []float64{0, good[i].Free / 2, good[i].Free * 1.5} {
			bad := append([]depletion.Point(nil), good...)
			bad[i].Free = wrong
			f, err := depletion.Predict(depletion.Input{Points: bad, Operating: 18, Critical: 12})
			if err != nil {
				t.Fatalf("point %d as %v: %v", i, wrong, err)
			}
			if f.SetAside != i || math.Abs(float64(f.Operating.Expected-want.Operating.Expected)) > 12 {
				t.Errorf("point %d as %v: %+v, without it %+v", i, wrong, f, want.Operating)
			}
		}
	}
}

func TestReasons(t *testing.T) {
	for name, c := range map[string]struct {
		points []depletion.Point
		want   error
	}{
		"none":         {nil, depletion.TooFew},
		"three":        {points(0, 50, 30, 45, 60, 40), depletion.TooFew},
		"same time":    {points(0, 50, 30, 45, 30, 45, 60, 40), depletion.TooFew},
		"rising":       {points(0, 40, 30, 45, 60, 50, 90, 56), depletion.NotFalling},
		"flat":         {points(0, 40, 30, 40, 60, 40, 90, 40), depletion.NotFalling},
		"scattered":    {points(0, 50, 30, 30, 60, 55, 90, 35, 120, 45), depletion.TooScattered},
		"newest wrong": {points(0, 60, 20, 55.1, 40, 50.2, 60, 45.3, 80, 40.1, 100, 60), depletion.NewestDoesNotFit},
		"newest low":   {points(0, 60, 20, 55.1, 40, 50.2, 60, 45.3, 80, 40.1, 100, 9), depletion.NewestDoesNotFit},
		"unordered":    {points(0, 60, 40, 50, 20, 55, 60, 45), depletion.ErrInput},
		"negative":     {points(0, 60, 40, -1, 50, 55, 60, 45), depletion.ErrInput},
		"no number":    {points(0, 60, 40, math.NaN(), 50, 55, 60, 45), depletion.ErrInput},
	} {
		f, err := depletion.Predict(depletion.Input{Points: c.points, Critical: 20})
		if !errors.Is(err, c.want) || f != (depletion.Forecast{}) {
			t.Errorf("%s: %v, want %v (%+v)", name, err, c.want, f)
		}
	}
	var why depletion.Reason
	if _, err := depletion.Predict(depletion.Input{}); !errors.As(err, &why) || why != depletion.TooFew {
		t.Errorf("the reason is not typed: %v", err)
	}
}

func TestLeafIsTheClock(t *testing.T) {
	// 0.05 mg/L per kg; the feed stood still between the third and fourth reading.
	in := depletion.Input{LeafKnown: true, LeafRate: 4, Critical: 20}
	for _, p := range [][2]float64{{0, 0}, {20, 80}, {40, 160}, {90, 170}, {110, 260}} {
		in.Points = append(in.Points, depletion.Point{Minutes: p[0], Leaf: p[1], Free: 45 - 0.05*p[1]})
	}
	f, err := depletion.Predict(in)
	if err != nil {
		t.Fatal(err)
	}
	// 32 mg/L now, 12 mg/L to go are 240 kg, 60 min at 4 kg/min.
	if f.Clock != depletion.Leaf || f.Critical.Expected < 168 || f.Critical.Expected > 170 {
		t.Errorf("%+v", f)
	}
	in.LeafRate = 8
	fast, err := depletion.Predict(in)
	if err != nil || fast.Critical.Expected >= f.Critical.Expected {
		t.Errorf("twice the feed: %+v, %v", fast, err)
	}
}

// With no feed stated the faster of the mean and the latest is taken: the
// crossing comes sooner. Leaf that did not move is no clock.
func TestFeedNotStated(t *testing.T) {
	in := depletion.Input{LeafKnown: true, Critical: 20}
	for _, p := range [][2]float64{{0, 0}, {20, 40}, {40, 80}, {60, 120}, {80, 240}} { // 2 kg/min, then 6; 3 on average
		in.Points = append(in.Points, depletion.Point{Minutes: p[0], Leaf: p[1], Free: 45 - 0.05*p[1]})
	}
	f, err := depletion.Predict(in)
	// 33 mg/L now, 13 to go are 260 kg, 43.3 min at 6 kg/min.
	if err != nil || f.Clock != depletion.Leaf || f.Critical.Expected != 123 {
		t.Errorf("%+v, %v", f, err)
	}
	// 2 kg/min at last, 3.5 on average.
	in.Points = nil
	for _, p := range [][2]float64{{0, 0}, {20, 120}, {40, 160}, {60, 240}, {80, 280}} {
		in.Points = append(in.Points, depletion.Point{Minutes: p[0], Leaf: p[1], Free: 45 - 0.05*p[1]})
	}
	// 31 mg/L now, 11 to go are 220 kg, 62.9 min at 3.5 kg/min.
	if f, err = depletion.Predict(in); err != nil || f.Critical.Expected != 142 {
		t.Errorf("%+v, %v", f, err)
	}
	for i := range in.Points {
		in.Points[i].Leaf = 50
	}
	if f, err = depletion.Predict(in); err != nil || f.Clock != depletion.Minutes {
		t.Errorf("leaf that did not move: %+v, %v", f, err)
	}
}

func ExampleForecast_NextTest() {
	f := depletion.Forecast{Newest: 160, Operating: depletion.Crossing{State: depletion.Ahead, Earliest: 199, Expected: 202}}
	scheduled := 220
	if m, ok := f.NextTest(); ok && m < scheduled {
		fmt.Println("test at minute", m, "in place of", scheduled)
	}
	// Output: test at minute 199 in place of 220
}

func TestStates(t *testing.T) {
	fall := exact(6, 20, func(t float64) float64 { return 50 - 0.1*t })
	for _, c := range []struct {
		operating, critical float64
		states              [2]depletion.State
		next                int
		ok                  bool
	}{
		{0, 0, [2]depletion.State{}, 0, false},
		{45, 30, [2]depletion.State{depletion.Below, depletion.Ahead}, 100, true},
		{35, 30, [2]depletion.State{depletion.Ahead, depletion.Ahead}, 149, true},
		{0, 30, [2]depletion.State{depletion.NoLimit, depletion.Ahead}, 199, true},
		{2, 1, [2]depletion.State{depletion.Beyond, depletion.Beyond}, 0, false},
	} {
		f, err := depletion.Predict(depletion.Input{Points: fall, Operating: c.operating, Critical: c.critical})
		if err != nil {
			t.Fatal(err)
		}
		next, ok := f.NextTest()
		if got := [2]depletion.State{f.Operating.State, f.Critical.State}; got != c.states || ok != c.ok || next != c.next {
			t.Errorf("%v, %v: %v, next %v %v", c.operating, c.critical, got, next, ok)
		}
	}
}

// A method that reads in steps of 1 mg/L may by chance fall on a line: the step
// keeps the interval honest.
func TestTheStepOfTheMethodWidensTheInterval(t *testing.T) {
	in := depletion.Input{Points: points(0, 40, 30, 37, 60, 34, 90, 31), Critical: 20}
	sure, err := depletion.Predict(in)
	if err != nil {
		t.Fatal(err)
	}
	in.Step = 1
	wide, err := depletion.Predict(in)
	if err != nil {
		t.Fatal(err)
	}
	if wide.Critical.Earliest >= sure.Critical.Earliest || wide.Critical.Expected != sure.Critical.Expected {
		t.Errorf("%+v against %+v", wide.Critical, sure.Critical)
	}
}

func ExamplePredict() {
	f, err := depletion.Predict(depletion.Input{
		Points: []depletion.Point{
			{Minutes: 10, Free: 58.2}, {Minutes: 40, Free: 50.9}, {Minutes: 70, Free: 44.6},
			{Minutes: 100, Free: 39.3}, {Minutes: 130, Free: 34.1}, {Minutes: 160, Free: 30.2},
		},
		Operating: 25, Critical: 20, Step: 0.1,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	next, _ := f.NextTest()
	fmt.Println(f.Operating, "test by minute", next)
	// Output: {ahead 195 202 214} test by minute 195
}

func BenchmarkPredict50(b *testing.B) {
	in := depletion.Input{Operating: 12, Critical: 8}
	for i := range 50 {
		t := float64(i) * 3
		in.Points = append(in.Points, depletion.Point{Minutes: t, Free: 5 + 45*math.Exp(-t/80) + 0.3*math.Sin(float64(7*i))})
	}
	for b.Loop() {
		if _, err := depletion.Predict(in); err != nil {
			b.Fatal(err)
		}
	}
}
