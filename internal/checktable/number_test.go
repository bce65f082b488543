package checktable

import (
	"math"
	"testing"
)

func TestHalfDigit(t *testing.T) {
	for printed, want := range map[string]float64{"12.50": 0.005, "3": 0.5, "9.88e-05": 5e-8, "0.2": 0.05} {
		row := Row{"a": printed}
		if got := row.HalfDigit(t, "a"); math.Abs(got-want) > want*1e-6 {
			t.Errorf("%s: %v, want %v", printed, got, want)
		}
	}
	if (Row{"a": "9.88e-05"}).Number(t, "a") != 9.88e-05 {
		t.Error("not read")
	}
}
