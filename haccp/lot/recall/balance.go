package recall

import (
	"errors"
	"fmt"
	"math/bits"

	"linewarden/haccp/lot"
	"linewarden/haccp/quantity"
)

// Balance says how much of the mass of some lots the records account for. Exactly:
//
//	in = removed + counted + uncounted + unexplained
//
// with removed the sum over what it was: shipped, trim, samples, destroyed. Astray is what nobody can say of where it
// went or came from, loss and gain added up without regard to sign.
type Balance struct {
	Astray      quantity.Value            `json:"astray"`
	Counted     quantity.Value            `json:"counted"` // stock that was counted or weighed
	In          quantity.Value            `json:"in"`      // received, and taken from other lots
	Removed     map[string]quantity.Value `json:"removed,omitempty"`
	Share       string                    `json:"share_percent,omitempty"` // accounted for, of in; empty: nothing came in
	Uncounted   quantity.Value            `json:"uncounted"`               // left by the books, and not counted
	Unexplained quantity.Value            `json:"unexplained"`             // with its sign: below zero more was found than came in
	Unweighed   int64                     `json:"unweighed,omitempty"`     // records without a mass: in none of the sums
}

// Weigh words the balance of some lots together. Mass is accounted for where a record says where it went, or where it
// was counted as still there: the share is (in - astray - uncounted) / in, in percent with one decimal, cut off and not
// rounded up, so that 100.0 means all of it.
func Weigh(t *lot.Total) Balance {
	in := t.Received + t.Crossing
	out := Balance{Astray: Kilograms(t.Astray), Counted: Kilograms(t.Counted), In: Kilograms(in), Uncounted: Kilograms(t.Uncounted),
		Unexplained: Kilograms(t.Unexplained()), Unweighed: int64(len(t.Unweighed)), Share: share(in-t.Astray-max(t.Uncounted, 0), in)}
	for what, m := range t.Removed {
		if out.Removed == nil {
			out.Removed = map[string]quantity.Value{}
		}
		out.Removed[what] = Kilograms(m)
	}
	return out
}

// share gives part of all in percent with one decimal, cut off; nothing where there is no all.
func share(part, all lot.Mass) string {
	if all <= 0 {
		return ""
	}
	part = min(max(part, 0), all)
	high, low := bits.Mul64(uint64(part), 1000)
	tenths, _ := bits.Div64(high, low, uint64(all)) // high < all, since part is at most all
	return fmt.Sprintf("%d.%d", tenths/10, tenths%10)
}

// Kilograms writes a mass as a value of a record.
func Kilograms(m lot.Mass) quantity.Value {
	return quantity.Exact(quantity.MustDecimal(m.Decimal()), quantity.Kilogram)
}

// ErrSum says that the members of a balance do not add up.
var ErrSum = errors.New("the members of the balance do not add up")

// Check refuses a balance whose members do not add up exactly.
func (b *Balance) Check() error {
	parts := []quantity.Value{b.Counted, b.Uncounted, b.Unexplained}
	for _, v := range b.Removed {
		parts = append(parts, v)
	}
	var sum quantity.Decimal
	for _, v := range parts {
		n, ok := v.Number()
		if !ok || v.Unit() != quantity.Kilogram {
			return ErrSum
		}
		var err error
		if sum, err = sum.Add(n); err != nil {
			return fmt.Errorf("add up a balance: %w", err)
		}
	}
	if in, ok := b.In.Number(); !ok || b.In.Unit() != quantity.Kilogram || in.Cmp(sum) != 0 {
		return ErrSum
	}
	return nil
}
