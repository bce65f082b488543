package guidance_test

import (
	"fmt"

	"linewarden/haccp/guidance"
	"linewarden/haccp/quantity"
)

func ExampleFor() {
	for _, f := range guidance.For(quantity.FreeChlorine, guidance.WashWater) {
		low, _ := f.Min()
		fmt.Println("at least", low, f.Unit, "free:", f.About)
	}
	// Output:
	// at least 100 mg/L free: recirculated packinghouse water
	// at least 10 mg/L free: no transfer of E. coli O157:H7 seen in a trial with cut lettuce
}

func ExampleAll() {
	fmt.Println(guidance.All()[0].Source)
	// Output: FDA, USDA, CDC: Guide to Minimize Microbial Food Safety Hazards for Fresh Fruits and Vegetables, 1998, section II
}

func ExampleFigure_Outside() {
	guide := guidance.For(quantity.TotalChlorine, guidance.WashWater)[0]
	side, err := guide.Outside(quantity.TotalChlorine, quantity.MustDecimal("250"), quantity.MgPerL)
	fmt.Println(side, err)
	// Output: 1 <nil>
}

func ExampleFigure_IsOf() {
	guide := guidance.For(quantity.TotalChlorine, guidance.WashWater)[0]
	fmt.Println(guide.IsOf("US"), guide.IsOf("Canada"))
	// Output: true false
}

func ExampleFigure_Max() {
	guide := guidance.For(quantity.TotalChlorine, guidance.WashWater)[0]
	high, ok := guide.Max()
	fmt.Println(high, guide.Unit, guide.Basis(), ok)
	// Output: 200 mg/L as Cl2 by volume true
}
