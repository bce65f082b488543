// Package shift is the handover of a line at the change of shift: who hands what stands open to whom, and that the
// other accepted it.
//
// It holds the bodies of the records and their fold, as pure functions on values. What stands open is looked up by
// whoever decides the handover and is written into its record, so that both sides can be held to the same list.
package shift

import (
	"slices"
	"time"
)

// Keep is how many of the newest handovers stay known.
const Keep = 30

// MaxListed is how many things of one kind a handover lists; More counts the rest.
const MaxListed = 100

// Ahead is how far ahead a check that comes due is handed over.
const Ahead = time.Hour

// Open is what stands open at a moment.
type Open struct {
	Alerts     []string `json:"alerts,omitempty"`     // not cleared, by id
	Clocks     []Clock  `json:"clocks,omitempty"`     // of lots that run
	Deviations []string `json:"deviations,omitempty"` // not closed, by id
	Dues       []Due    `json:"dues,omitempty"`       // checks and re-tests due, late or missed, or due soon
	Holds      []string `json:"holds,omitempty"`      // lots on hold
	More       int64    `json:"more,omitempty"`       // what was left out of the lists
}

// Clock is a running clock of a lot.
type Clock struct {
	LimitAt time.Time `json:"limit_at"`
	Lot     string    `json:"lot"`
	Point   string    `json:"point"`
}

// Due is a check at a place that is due.
type Due struct {
	Check string    `json:"check"`
	Due   time.Time `json:"due"`
	Place string    `json:"place"`
	State string    `json:"state"`
}

// HandedOver is the body of shift.handed-over; who gave it stands in the envelope.
type HandedOver struct {
	Handover string `json:"handover"`       // its id
	Line     string `json:"line,omitempty"` // none: of the whole site
	Note     string `json:"note,omitempty"`
	Open     Open   `json:"open"`
	To       string `json:"to"`                // id of the person
	ToName   string `json:"to_name,omitempty"` // printed name, as known then
}

// Accepted is the body of shift.accepted; who accepted stands in the envelope.
type Accepted struct {
	Handover string `json:"handover"`
	Note     string `json:"note,omitempty"`
}

// Handover is a handover as its records leave it.
type Handover struct {
	HandedOver
	Seq        int64     `json:"seq"`
	At         time.Time `json:"at"`
	By         string    `json:"by"`      // id of the person
	ByName     string    `json:"by_name"` // printed name
	AcceptedAt time.Time `json:"accepted_at,omitzero"`
	Reply      string    `json:"reply,omitempty"` // note of who accepted
	Replaced   bool      `json:"replaced,omitempty"`
}

// Waits reports whether it was not accepted yet, nor was another handover of the line made since.
func (h *Handover) Waits() bool { return h.AcceptedAt.IsZero() && !h.Replaced }

// HandOver gives the handovers, oldest first, with one more. Another of the same line that waits is replaced by it.
func HandOver(list []Handover, h Handover) []Handover {
	out := slices.Clone(list)
	for i := range out {
		if out[i].Line == h.Line && out[i].Waits() {
			out[i].Replaced = true
		}
	}
	out = append(out, h)
	return out[max(0, len(out)-Keep):]
}

// Accept gives the handovers with one accepted.
func Accept(list []Handover, b *Accepted, at time.Time) []Handover {
	out := slices.Clone(list)
	for i := range out {
		if out[i].HandedOver.Handover == b.Handover {
			out[i].AcceptedAt, out[i].Reply = at, b.Note
		}
	}
	return out
}

// Cut bounds the lists.
func (o *Open) Cut() {
	o.Alerts = cut(o.Alerts, &o.More)
	o.Clocks = cut(o.Clocks, &o.More)
	o.Deviations = cut(o.Deviations, &o.More)
	o.Dues = cut(o.Dues, &o.More)
	o.Holds = cut(o.Holds, &o.More)
}

func cut[T any](list []T, more *int64) []T {
	if len(list) <= MaxListed {
		return list
	}
	*more += int64(len(list) - MaxListed)
	return list[:MaxListed]
}

// Find gives a handover by its id.
func Find(list []Handover, id string) (Handover, bool) {
	i := slices.IndexFunc(list, func(h Handover) bool { return h.HandedOver.Handover == id })
	if i < 0 {
		return Handover{}, false
	}
	return list[i], true
}
