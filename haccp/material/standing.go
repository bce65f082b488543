package material

import (
	"slices"
	"time"

	"linewarden/haccp/plan"
)

// What may stand against using a lot of a material.
const (
	Unknown       = "material-lot-unknown"  // no receipt of it by then
	NotOfPlan     = "material-not-of-plan"  // the plan has no such material
	OtherMaterial = "material-lot-of-other" // it was received as another material
	NotApproved   = "material-not-approved"
	Rejected      = "material-rejected"
	Expired       = "material-expired"
	RejectedSince = "material-rejected-since" // rejected after it was used
	NotNamed      = "material-lot-not-named"
)

// The states of a lot of a material.
const (
	StateReceived = "received" // waits for approval
	StateApproved = "approved"
	StateRejected = "rejected"
	StateExpired  = "expired"
	StateUsedUp   = "used up"
)

// ruledAt is the newest approval or rejection signed by a moment.
func (l *Lot) ruledAt(at time.Time) *Ruled {
	for i, r := range slices.Backward(l.Rulings) {
		if !r.At.After(at) {
			return &l.Rulings[i]
		}
	}
	return nil
}

// Against lists what stands against using the lot as a material at a moment, which lies on a day of the plant. A nil lot
// was never heard of.
func Against(l *Lot, p *plan.Plan, material string, at time.Time, day plan.Date) []string {
	if p.Material(material) == nil {
		return []string{NotOfPlan}
	}
	if l == nil || !slices.ContainsFunc(l.Receipts, func(r Receipt) bool { return !r.At.After(at) }) {
		return []string{Unknown}
	}
	var out []string
	if l.Material() != material {
		out = append(out, OtherMaterial)
	}
	switch r := l.ruledAt(at); {
	case r == nil:
		out = append(out, NotApproved)
	case !r.Approved:
		out = append(out, Rejected)
	}
	if x := l.Expiry(); x != "" && x < day {
		out = append(out, Expired)
	}
	return out
}

// Since lists what came to stand against a use after it was made, as far as is known now.
func Since(l *Lot, at time.Time) []string {
	if l == nil || len(l.Rulings) == 0 {
		return nil
	}
	if last := l.Rulings[len(l.Rulings)-1]; !last.Approved && last.At.After(at) {
		return []string{RejectedSince}
	}
	return nil
}

// State says how the lot stands on a day.
func (l *Lot) State(at time.Time, day plan.Date) string {
	if s := l.Stock(); s.Gone() {
		return StateUsedUp
	}
	r := l.ruledAt(at)
	x := l.Expiry()
	switch {
	case r != nil && !r.Approved:
		return StateRejected
	case x != "" && x < day:
		return StateExpired
	case r == nil:
		return StateReceived
	}
	return StateApproved
}
