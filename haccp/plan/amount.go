package plan

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"linewarden/haccp/quantity"
)

// Amount is a decimal with its unit, as a plan states it: in a plan file "50 mg/L", in a record
// an object of value and unit. pH and counts of nothing have an empty unit.
type Amount struct {
	Value quantity.Decimal
	Unit  string
}

// String returns the amount as typed.
func (a Amount) String() string { return strings.TrimSpace(a.Value.String() + " " + a.Unit) }

// UnmarshalText reads "50 mg/L".
func (a *Amount) UnmarshalText(b []byte) error {
	num, unit, _ := strings.Cut(strings.TrimSpace(string(b)), " ")
	v, err := quantity.ParseDecimal(num)
	if err != nil {
		return fmt.Errorf("%q is no amount: write a number, a space and a unit, such as \"50 mg/L\": %w", b, err)
	}
	a.Value, a.Unit = v, strings.TrimSpace(unit)
	return nil
}

// MarshalJSON writes {"unit": ..., "value": ...}.
func (a Amount) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Unit  string           `json:"unit"`
		Value quantity.Decimal `json:"value"`
	}{a.Unit, a.Value})
}

// UnmarshalJSON reads {"unit": ..., "value": ...}.
func (a *Amount) UnmarshalJSON(b []byte) error {
	var v struct {
		Unit  string            `json:"unit"`
		Value *quantity.Decimal `json:"value"`
	}
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	if v.Value == nil {
		return errors.New("the amount has no value")
	}
	a.Value, a.Unit = *v.Value, v.Unit
	return nil
}

// String returns the limit as people read it, such as "free_chlorine 50 mg/L to 200 mg/L (critical)".
func (l Limit) String() string {
	bounds := l.span()
	switch {
	case l.YesNo != nil && *l.YesNo:
		bounds = "yes"
	case l.YesNo != nil:
		bounds = "no"
	}
	return l.Quantity + " " + bounds + " (" + string(l.Kind) + ")"
}

// span returns the bounds in words.
func (l Limit) span() string {
	switch {
	case l.Min != nil && l.Max != nil:
		return l.Min.String() + " to " + l.Max.String()
	case l.Min != nil:
		return "at least " + l.Min.String()
	case l.Max != nil:
		return "at most " + l.Max.String()
	}
	return ""
}
