package material

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/quantity"
)

// Stock says where what was received of a lot went: Received - Used + Adjusted = Left, exactly. An amount that was not
// stated, or stated in another dimension than the lot is kept in, enters none of these and is listed.
type Stock struct {
	Received, Used, Adjusted, Left Amount
	// Known says that every amount since the last count is in these sums, and that there is something to begin with.
	Known      bool
	Unmeasured []string // ids of the records whose amount is not in the sums
	Counts     []Adjustment
}

// Adjustment is a count with what the records said just before it.
type Adjustment struct {
	ID     string
	At     time.Time
	By     string
	Book   Amount
	Found  Amount
	Off    Amount // Found less Book
	Reason string
}

// movement is one thing that changes the stock.
type movement struct {
	at     time.Time
	rank   int // of one moment: received, then used, then counted
	id     string
	amount *Amount
	count  *Count
}

// Stock adds up the records of the lot.
func (l *Lot) Stock() Stock {
	all := l.movements()
	s := Stock{}
	unit := unitOf(all)
	s.Received.Unit, s.Used.Unit, s.Adjusted.Unit, s.Left.Unit = unit, unit, unit, unit
	begun, missed := false, false
	for _, m := range all {
		if m.amount == nil || m.amount.Unit != unit {
			s.Unmeasured = append(s.Unmeasured, m.id)
			missed = true
			continue
		}
		switch {
		case m.count != nil:
			a := Adjustment{m.id, m.at, m.count.By, s.Left, *m.amount, Amount{m.amount.N - s.Left.N, unit}, m.count.Reason}
			s.Counts = append(s.Counts, a)
			s.Adjusted.N += a.Off.N
			s.Left, begun, missed = *m.amount, true, false
		case m.rank == 0:
			s.Received.N += m.amount.N
			s.Left.N += m.amount.N
			begun = true
		default:
			s.Used.N += m.amount.N
			s.Left.N -= m.amount.N
		}
	}
	s.Known = begun && !missed
	return s
}

// movements lists what changes the stock, in the order of its times.
func (l *Lot) movements() []movement {
	var all []movement
	for _, r := range l.Receipts {
		m := movement{at: r.At, id: r.ID}
		if r.Body.Quantity != nil {
			if a, err := AmountOf(*r.Body.Quantity); err == nil {
				m.amount = &a
			}
		}
		all = append(all, m)
	}
	for i := range l.Uses {
		u := &l.Uses[i]
		if u.Named {
			continue
		}
		all = append(all, movement{u.At, 1, u.ID, u.Amount, nil})
	}
	for i := range l.Counts {
		c := &l.Counts[i]
		all = append(all, movement{c.At, 2, c.ID, c.Amount, c})
	}
	slices.SortStableFunc(all, func(a, b movement) int {
		return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.rank, b.rank), cmp.Compare(a.id, b.id))
	})
	return all
}

// unitOf is the unit the lot is kept in: that of its first receipt or count with an amount, else of its first use.
func unitOf(all []movement) quantity.Unit {
	var used quantity.Unit
	for _, m := range all {
		switch {
		case m.amount == nil:
		case m.rank != 1:
			return m.amount.Unit
		case used == "":
			used = m.amount.Unit
		}
	}
	return used
}

// Gone reports whether nothing is left of the lot.
func (s *Stock) Gone() bool { return s.Known && s.Left.N <= 0 }
