package quantity_test

import (
	"fmt"

	"linewarden/haccp/quantity"
)

func Example() {
	q, err := quantity.Get(quantity.FreeChlorine)
	if err != nil {
		fmt.Println(err)
		return
	}
	v, err := quantity.ParseValue([]byte(`{"sign":"<","unit":"mg/L","value":"0.02"}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	limit := &quantity.Bound{Value: quantity.MustDecimal("1.0"), Unit: quantity.MgPerL}
	fmt.Println(v, "is", q.Judge(v, limit, nil))
	fmt.Println(q.Check(quantity.Exact(quantity.MustDecimal("1.5"), "mgl")))
	// Output:
	// < 0.02 mg/L is below the lower bound
	// unit: unknown unit "mgl" for free chlorine: allowed are mg/L, ppm
}
