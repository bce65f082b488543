package quantity_test

import (
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/quantity"
)

// What is written is read back as it was; a band is not a number.
func TestParseText(t *testing.T) {
	units := []quantity.Unit{quantity.MgPerL, quantity.PHUnit, quantity.Celsius, quantity.MicroSPerCm, quantity.CubicMetre, quantity.PercentMass,
		quantity.USGallon, quantity.CFUPer100cm2, quantity.MPNPer100ml, quantity.Second, ""}
	rapid.Check(t, func(t *rapid.T) {
		d, err := quantity.ParseDecimal(rapid.StringMatching(`-?(0|[1-9][0-9]{0,5})(\.[0-9]{1,4})?`).Filter(func(s string) bool {
			_, err := quantity.ParseDecimal(s)
			return err == nil
		}).Draw(t, "number"))
		if err != nil {
			t.Fatal(err)
		}
		kind := rapid.SampledFrom([]func(quantity.Decimal, quantity.Unit) quantity.Value{quantity.Exact, quantity.Below, quantity.Above}).Draw(t, "kind")
		v := kind(d, rapid.SampledFrom(units).Draw(t, "unit"))
		if got, ok := quantity.ParseText(v.String()); !ok || got != v {
			t.Fatalf("%q is read as %v (%v)", v.String(), got, ok)
		}
	})
	for _, text := range []string{"", "–", "50–100 mg/L", "-5 to 3 °C", "soon", "< mg/L", "pH 6.8 mg/L"} {
		if v, ok := quantity.ParseText(text); ok {
			t.Errorf("%q is read as %v", text, v)
		}
	}
	if v, ok := quantity.ParseText("no"); !ok || v != quantity.Answer(false) {
		t.Errorf("an answer is read as %v", v)
	}
}
