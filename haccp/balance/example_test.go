package balance_test

import (
	"fmt"

	"linewarden/haccp/balance"
)

func ExampleYield() {
	r, err := balance.Yield(62.5, 125)
	fmt.Println(r.Value, r.Unit, err)
	// Output: 50 % <nil>
}

func ExampleChain() {
	stages, err := balance.Chain([]balance.Stage{{Name: "leaf", Kilogram: 125}, {Name: "fillet", Kilogram: 62.5}, {Name: "gel", Kilogram: 30}})
	if err != nil {
		panic(err)
	}
	for _, s := range stages {
		fmt.Println(s.Name, s.OfStep.Value, s.OfStart.Value)
	}
	// Output:
	// leaf 100 100
	// fillet 50 50
	// gel 48 24
}

func ExampleDifference() {
	in := []balance.Weighing{{Name: "leaf", Kilogram: 100, Uncertainty: 0.2}}
	out := []balance.Weighing{{Name: "fillet", Kilogram: 55, Uncertainty: 0.1}, {Name: "rind", Kilogram: 43, Uncertainty: 0.1}}
	b, err := balance.Difference(in, out)
	fmt.Printf("%.1f kg, %.1f %%, more than the scales leave open: %v %v\n", b.Difference.Value, b.Percent.Value, b.Significant, err)
	// Output: 2.0 kg, 2.0 %, more than the scales leave open: true <nil>
}
