package disinfection_test

import (
	"fmt"
	"time"

	"linewarden/haccp/disinfection"
)

func ExampleCt() {
	at := func(minute int) time.Time { return time.Date(2026, 11, 2, 8, minute, 0, 0, time.UTC) }
	tests := []disinfection.Reading{{At: at(0), MgPerL: 120}, {At: at(20), MgPerL: 100}}
	e, err := disinfection.Ct(tests, at(5), at(15))
	if err != nil {
		panic(err)
	}
	fmt.Printf("%.0f %s, at the lower test %.0f\n", e.Trapezoid.Value, e.Trapezoid.Unit, e.Lowest.Value)
	// Output: 1100 mg·min/L, at the lower test 1000
}

func ExampleBatchContact() {
	at := func(second int) time.Time { return time.Date(2026, 11, 2, 8, 0, second, 0, time.UTC) }
	c, err := disinfection.BatchContact(at(0), at(20), at(110), at(125))
	if err != nil {
		panic(err)
	}
	fmt.Printf("%.2f to %.2f %s\n", c.Shortest.Value, c.Longest.Value, c.Longest.Unit)
	// Output: 1.50 to 2.08 min
}

func ExampleDetention() {
	r, err := disinfection.Detention(2000, 400)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 5 min <nil>
}

func ExampleFlumeContact() {
	r, err := disinfection.FlumeContact(2000, 400, disinfection.PoorBaffling)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 1.5 min <nil>
}

func ExampleSegmentCt() {
	r, err := disinfection.SegmentCt(100, 1.5)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 150 mg·min/L <nil>
}

func ExampleGiardiaLookup() {
	r, err := disinfection.GiardiaLookup(disinfection.Water{Celsius: 6, PH: 6.7, MgPerL: 0.9}, 3)
	fmt.Println(r.Value, r.Unit, r.Usable(), err)
	// Output: 149 mg·min/L false <nil>
}

func ExampleGiardiaInterpolated() {
	r, err := disinfection.GiardiaInterpolated(disinfection.Water{Celsius: 6, PH: 6.7, MgPerL: 0.9}, 3)
	fmt.Printf("%.1f %v\n", r.Value, err)
	// Output: 126.5 <nil>
}

func ExampleGiardiaRegression() {
	r, err := disinfection.GiardiaRegression(disinfection.Water{Celsius: 6, PH: 6.7, MgPerL: 0.9}, 3)
	fmt.Printf("%.0f %v\n", r.Value, err)
	// Output: 134 <nil>
}

func ExampleVirusLookup() {
	r, err := disinfection.VirusLookup(12, 7.5, 4)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 6 mg·min/L <nil>
}

func ExampleInactivationRatio() {
	r, err := disinfection.InactivationRatio(disinfection.Segment{Ct: 65, Required: 145})
	fmt.Printf("%.3f %v\n", r.Value, err)
	// Output: 0.448 <nil>
}

func ExampleSeriesRatio() {
	r, err := disinfection.SeriesRatio([]disinfection.Segment{{Ct: 65, Required: 145}, {Ct: 50.4, Required: 137}})
	fmt.Printf("%.3f %v\n", r.Value, err)
	// Output: 0.816 <nil>
}

func ExampleGiardiaLog() {
	r, err := disinfection.GiardiaLog(0.448)
	fmt.Printf("%.2f %s %v\n", r.Value, r.Unit, err)
	// Output: 1.34 log10 <nil>
}

func ExampleChickWatson() {
	r, err := disinfection.ChickWatson(0.04764, 0.8, 1, 81.25)
	fmt.Printf("%.2f %s %v\n", r.Value, r.Unit, err)
	// Output: 1.34 log10 <nil>
}

func ExampleRateFromCt() {
	r, err := disinfection.RateFromCt(145, 3)
	fmt.Printf("%.5f %s %v\n", r.Value, r.Unit, err)
	// Output: 0.04764 L/(mg·min) <nil>
}
