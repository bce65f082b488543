package growth_test

import (
	"fmt"
	"time"

	"linewarden/haccp/growth"
)

func at(hour, minute int) time.Time { return time.Date(2026, 11, 2, hour, minute, 0, 0, time.UTC) }

var readings = []growth.Reading{{At: at(8, 0), Celsius: 12}, {At: at(8, 40), Celsius: 14}, {At: at(9, 30), Celsius: 8}}

func ExampleElapsed() {
	r, err := growth.Elapsed(at(8, 0), at(8, 45))
	fmt.Println(r.Value, r.Unit, err)
	// Output: 45 min <nil>
}

func ExampleTimeAbove() {
	r, err := growth.TimeAbove(readings, at(8, 0), at(9, 0), growth.Cool, growth.Hot)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 60 min <nil>
}

func ExampleReadyToEat() {
	h, err := growth.ReadyToEat(readings, at(8, 0), at(9, 0), false)
	fmt.Println(h.Rule, h.AboveCool.Value, "of", h.Allowed.Value, h.Allowed.Unit, h.Within, "usable:", h.Allowed.Usable(), err)
	// Output: cool 60 of 300 min true usable: false <nil>
}

func ExampleTableHours() {
	r, err := growth.TableHours(growth.Listeria, 12)
	fmt.Println(r.Value, r.Unit, "usable:", r.Usable(), err)
	// Output: 7 h usable: false <nil>
}

func ExampleGrowthMinimum() {
	r, err := growth.GrowthMinimum(growth.Salmonella)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 5.2 °C <nil>
}

func ExampleGrowthRate() {
	r, err := growth.GrowthRate(10)
	fmt.Printf("%.5f %s %v\n", r.Value, r.Unit, err)
	// Output: 0.04097 ln/h <nil>
}

func ExampleDoublingTime() {
	r, err := growth.DoublingTime(10)
	fmt.Printf("%.1f %s %v\n", r.Value, r.Unit, err)
	// Output: 16.9 h <nil>
}

func ExampleGrowth() {
	e, err := growth.Growth(readings, at(8, 0), at(9, 0))
	fmt.Printf("%.3f, at most %.3f %s %v\n", e.Line.Value, e.Warmer.Value, e.Warmer.Unit, err)
	// Output: 0.032, at most 0.038 log10 <nil>
}
