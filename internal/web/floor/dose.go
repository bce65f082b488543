package floor

import "time"

// Dose says how much of a product one addition may be, by what was measured: for the filling, the lot and the additions
// that the server knew, for one addition, and until a moment.
type Dose struct {
	Quantity   string      `json:"quantity"`
	Unit       string      `json:"unit"`
	Least      string      `json:"least"`  // below it there is no dose
	PHMin      string      `json:"ph_min"` // outside these there is no dose
	PHMax      string      `json:"ph_max"`
	Rows       [][2]string `json:"rows"` // measured up to, amount; rising
	AmountUnit string      `json:"amount_unit"`
	Product    string      `json:"product"`
	Procedure  string      `json:"procedure"`
	Until      time.Time   `json:"until"`
}
