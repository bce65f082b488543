package wording

import (
	"testing"

	"linewarden/haccp/plan"
)

func TestRulesOfTestsInSpanish(t *testing.T) {
	amount := func(s string) *plan.Amount {
		var a plan.Amount
		if err := a.UnmarshalText([]byte(s)); err != nil {
			t.Fatal(err)
		}
		return &a
	}
	yes := true
	for want, x := range map[string]plan.ProductTest{
		"n 5, c 0, ausente en 25 g":           {N: 5, AbsentIn: amount("25 g")},
		"ausente en 1 g":                      {AbsentIn: amount("1 g")},
		"n 5, c 2, m 100 CFU/g, M 1000 CFU/g": {N: 5, C: 2, Limit: amount("100 CFU/g"), Most: amount("1000 CFU/g")},
		"como máximo 10 CFU/g":                {Limit: amount("10 CFU/g")},
		"de 3.8 a 4.4":                        {Min: amount("3.8 pH"), Max: amount("4.4 pH")},
		"al menos 0.46 % w/w":                 {Min: amount("0.46 % w/w")},
		"sí":                                  {YesNo: &yes},
	} {
		if got := Spanish.Rule(x.String()); got != want {
			t.Errorf("%q is worded %q, want %q", x.String(), got, want)
		}
	}
}
