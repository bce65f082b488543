package formula

import (
	"errors"
	"fmt"
	"math"
	"testing"
)

func ExampleWithin() {
	fmt.Println(Within("temperature", 59, 0, 40, "°C"))
	fmt.Println(Within("ph", 15, 0, 14, "pH"))
	// Output:
	// temperature 59 °C is outside the range of the formula: 0 to 40 is wanted
	// ph 15 is outside the range of the formula: 0 to 14 is wanted
}

func ExamplePositive() {
	fmt.Println(Positive("volume", 0, "L"))
	fmt.Println(Positive("volume", 10, "L"))
	// Output:
	// volume 0 L is outside the range of the formula: more than 0 is wanted
	// <nil>
}

func ExampleResult_Usable() {
	r := Result{Value: 96, Cautions: []Caution{{Code: "below-ph-floor", Unusable: true}}}
	fmt.Println(r.Usable(), r.Has("below-ph-floor"), r.Has(Extrapolated))
	// Output: false true false
}

func TestNoNumberLiesInNoRange(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1} {
		if err := Positive("x", v, "L"); !errors.Is(err, ErrRange) {
			t.Errorf("%v: %v", v, err)
		}
	}
	if err := Within("x", math.NaN(), math.Inf(-1), math.Inf(1), ""); !errors.Is(err, ErrRange) {
		t.Error(err)
	}
	var r *RangeError
	if !errors.As(Within("ph", 15, 0, 14, "pH"), &r) || r.Input != "ph" {
		t.Errorf("%+v", r)
	}
}
