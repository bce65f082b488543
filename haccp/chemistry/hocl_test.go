package chemistry_test

import (
	"strconv"
	"testing"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/checktable"
)

func amount(text string) *plan.Amount {
	var a plan.Amount
	if err := a.UnmarshalText([]byte(text)); err != nil {
		panic(err)
	}
	return &a
}

func dec(text string) *quantity.Decimal {
	d := quantity.MustDecimal(text)
	return &d
}

// bath is a plan with a bath and a method for each input.
func bath(floor string) *plan.Plan {
	p := &plan.Plan{Places: []plan.Place{{ID: "bath", Kind: plan.Bath}}, Methods: []plan.Method{
		{ID: "titration", Quantity: "free_chlorine", Unit: "ppm", Low: dec("0"), High: dec("300"), PPMMeans: "mg/L as Cl2"},
		{ID: "meter", Quantity: "ph", Unit: "pH", Low: dec("2"), High: dec("12")},
		{ID: "probe", Quantity: "temperature", Unit: "°C", Low: dec("-10"), High: dec("60")}}}
	if floor != "" {
		p.Places[0].PHFloor = amount(floor)
	}
	return p
}

func exact(id quantity.ID, value string, unit quantity.Unit, method string) control.Measured {
	return control.Measured{Quantity: string(id), Value: quantity.Exact(quantity.MustDecimal(value), unit), Method: method}
}

func sample(free, ph, celsius string) []control.Measured {
	return []control.Measured{exact(quantity.FreeChlorine, free, quantity.MgPerL, "titration"), exact(quantity.PH, ph, quantity.PHUnit, "meter"),
		exact(quantity.Temperature, celsius, quantity.Celsius, "probe"), exact(quantity.Salt, "0", quantity.GramPerL, "")}
}

// In a sample of 100 mg/L free chlorine the acid in mg/L is its share in percent: the printed shares come out, to
// half their last digit and what is rounded here.
//
// src: morris-1966 equation of pKa
func TestHOClOfASampleIsThePublishedShare(t *testing.T) {
	checktable.Load(t, "morris-1966/hocl-share.csv").Each(t, func(t *testing.T, row checktable.Row) {
		ph := strconv.FormatFloat(row.Number(t, "ph"), 'f', -1, 64)
		if row.Number(t, "ph") < 6 {
			t.Skip("below the floor of this bath")
		}
		for celsius := 0; celsius <= 30; celsius += 5 {
			column := "at" + strconv.Itoa(celsius)
			v, reason := chemistry.HOCl(bath("6.0 pH"), "bath", sample("100", ph, strconv.Itoa(celsius)), 3)
			if reason != "" {
				t.Fatal(reason)
			}
			d, _ := v.Number()
			checktable.Near(t, column, d.Float64(), row.Number(t, column), row.HalfDigit(t, column)+0.0005)
		}
	})
}

func TestHOClOfASampleByWhite(t *testing.T) {
	checktable.Load(t, "white-hocl/ph7.csv").Each(t, func(t *testing.T, row checktable.Row) {
		v, reason := chemistry.HOCl(bath("6.0 pH"), "bath", sample("100", "7.0", strconv.Itoa(int(row.Number(t, "celsius")))), 3)
		d, _ := v.Number()
		if reason != "" {
			t.Fatal(reason)
		}
		checktable.Near(t, "share", d.Float64(), row.Number(t, "percent"), 0.15)
	})
}

// What the acid is where an input is missing, censored, of a bad method, or below the floor. The values are the
// equation of Morris 1966 at pH 7 and 25 °C: pKa 7.5366, share 77.48 %.
func TestHOClIsNotHad(t *testing.T) {
	without := func(id quantity.ID) []control.Measured {
		var out []control.Measured
		for _, m := range sample("120", "7.0", "25") {
			if m.Quantity != string(id) {
				out = append(out, m)
			}
		}
		return out
	}
	with := func(m control.Measured) []control.Measured { return append(without(quantity.ID(m.Quantity)), m) }
	censored := func(id quantity.ID, v quantity.Value) []control.Measured {
		return with(control.Measured{Quantity: string(id), Value: v})
	}
	d := quantity.MustDecimal
	for name, x := range map[string]struct {
		floor   string
		entries []control.Measured
		value   string
		reason  string
	}{
		"all inputs":              {"6.0 pH", sample("120", "7.0", "25"), "93.0 mg/L", ""},
		"in ppm":                  {"6.0 pH", with(exact(quantity.FreeChlorine, "120", quantity.PPM, "titration")), "93.0 mg/L", ""},
		"in fahrenheit":           {"6.0 pH", with(exact(quantity.Temperature, "77", quantity.Fahrenheit, "probe")), "93.0 mg/L", ""},
		"no chlorine":             {"6.0 pH", without(quantity.FreeChlorine), "", control.ReasonMissingInput},
		"no pH":                   {"6.0 pH", without(quantity.PH), "", control.ReasonMissingInput},
		"no temperature":          {"6.0 pH", without(quantity.Temperature), "", control.ReasonMissingInput},
		"no salt":                 {"6.0 pH", without(quantity.Salt), "93.0 mg/L", ""},
		"chlorine below range":    {"6.0 pH", censored(quantity.FreeChlorine, quantity.Below(d("10"), quantity.MgPerL)), "< 7.7 mg/L", ""},
		"chlorine over range":     {"6.0 pH", censored(quantity.FreeChlorine, quantity.Above(d("300"), quantity.MgPerL)), "> 232.4 mg/L", ""},
		"a band of chlorine":      {"6.0 pH", censored(quantity.FreeChlorine, quantity.Band(d("50"), d("100"), quantity.MgPerL)), "38.7–77.5 mg/L", ""},
		"pH below range":          {"6.0 pH", censored(quantity.PH, quantity.Below(d("7.0"), quantity.PHUnit)), "", control.ReasonBelowFloor},
		"a band of pH":            {"6.0 pH", censored(quantity.PH, quantity.Band(d("6.5"), d("7.0"), quantity.PHUnit)), "", control.ReasonInputNoNumber},
		"temperature below range": {"6.0 pH", censored(quantity.Temperature, quantity.Below(d("5"), quantity.Celsius)), "", control.ReasonInputNoNumber},
		"a method of no plan":     {"6.0 pH", with(exact(quantity.PH, "7.0", quantity.PHUnit, "litmus")), "", control.ReasonMethod},
		"a method of another":     {"6.0 pH", with(exact(quantity.PH, "7.0", quantity.PHUnit, "probe")), "", control.ReasonMethod},
		"beyond the method":       {"6.0 pH", with(exact(quantity.FreeChlorine, "301", quantity.MgPerL, "titration")), "", control.ReasonMethod},
		"below the floor":         {"6.5 pH", sample("120", "6.49", "25"), "", control.ReasonBelowFloor},
		"at the floor":            {"6.5 pH", sample("120", "6.5", "25"), "109.9 mg/L", ""},
		"no floor, pH below 6.0":  {"", sample("120", "5.9", "25"), "", control.ReasonBelowFloor},
		"too warm":                {"6.0 pH", sample("120", "7.0", "41"), "", control.ReasonOutsideFormula},
	} {
		t.Run(name, func(t *testing.T) {
			v, reason := chemistry.HOCl(bath(x.floor), "bath", x.entries, 1)
			got := ""
			if !v.IsZero() {
				got = v.String()
			}
			if got != x.value || reason != x.reason {
				t.Errorf("%q (%s), want %q (%s)", got, reason, x.value, x.reason)
			}
		})
	}
}
