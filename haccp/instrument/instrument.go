// Package instrument holds how the instruments of a plant stand, as plain values: when each was checked and with what
// result, and when it was out of service.
//
// How an instrument stands at a moment follows from the times of the records, not from when they were heard of.
package instrument

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/quantity"
)

// The results of a check.
const (
	Pass     = "pass"
	Fail     = "fail"
	Adjusted = "adjusted" // found off, adjusted, and checked again as good
)

// Results lists the results of a check.
func Results() []string { return []string{Pass, Fail, Adjusted} }

// Checked is the body of a check of an instrument.
type Checked struct {
	Instrument string    `json:"instrument"`
	NextDue    time.Time `json:"next_due,omitzero"` // not stated: after the plan's interval
	Note       string    `json:"note,omitempty"`
	Points     []Point   `json:"points,omitempty"`
	Result     string    `json:"result"`
	Standard   string    `json:"standard,omitempty"` // reference it was held against, with its lot or certificate
}

// Point is what an instrument showed of a reference.
type Point struct {
	Found     quantity.Value  `json:"found"`          // before anything was adjusted
	Left      *quantity.Value `json:"left,omitempty"` // after it was adjusted
	Quantity  string          `json:"quantity"`
	Reference quantity.Value  `json:"reference"`
}

// Service is the body of an instrument taken out of service or put back.
type Service struct {
	Instrument string `json:"instrument"`
	Note       string `json:"note,omitempty"`
	Reason     string `json:"reason,omitempty"`
}

// The standings of an instrument.
const (
	InDate       = "in date"
	Overdue      = "overdue"
	Failed       = "failed"
	NeverChecked = "never checked"
	OutOfService = "out of service"
	NotPlanned   = "no check planned" // the plan asks for no check of it, and nothing is wrong with it
)

// Good reports whether readings of an instrument that stands so show control.
func Good(standing string) bool { return standing == InDate || standing == NotPlanned }

// Tool is an instrument as its records have it. Lists are in the order of their times, then ids.
type Tool struct {
	ID      string   `json:"id"`
	Checks  []Check  `json:"checks,omitempty"`
	Service []Change `json:"service,omitempty"`
	Touched int64    `json:"touched"` // seq of the last record about it
}

// Check is a check that was made.
type Check struct {
	ID   string    `json:"id"`
	Seq  int64     `json:"seq"`
	At   time.Time `json:"at"`
	By   string    `json:"by"` // printed name
	Body *Checked  `json:"body"`
}

// Change takes an instrument out of service, or puts it back.
type Change struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at"`
	Out    bool      `json:"out,omitempty"`
	Reason string    `json:"reason,omitempty"`
}

// Clone returns a tool that may be changed without changing t.
func (t *Tool) Clone() *Tool {
	own := *t
	own.Checks, own.Service = slices.Clone(t.Checks), slices.Clone(t.Service)
	return &own
}

// AddCheck adds a check, or puts its amended body in the place of the old.
func (t *Tool) AddCheck(c Check) {
	t.Checks = slices.DeleteFunc(t.Checks, func(x Check) bool { return x.ID == c.ID })
	t.Checks = append(t.Checks, c)
	// Of two of one moment the one that failed counts.
	slices.SortFunc(t.Checks, func(a, b Check) int {
		return cmp.Or(a.At.Compare(b.At), rank(a.Body.Result == Fail)-rank(b.Body.Result == Fail), cmp.Compare(a.ID, b.ID))
	})
}

// AddChange adds a change of service.
func (t *Tool) AddChange(c Change) {
	t.Service = append(t.Service, c)
	// Times typed to the minute are often the same: it goes out before it comes back.
	slices.SortFunc(t.Service, func(a, b Change) int {
		return cmp.Or(a.At.Compare(b.At), rank(!a.Out)-rank(!b.Out), cmp.Compare(a.ID, b.ID))
	})
}

func rank(last bool) int {
	if last {
		return 1
	}
	return 0
}

// Drop takes out what a report said.
func (t *Tool) Drop(id string) {
	t.Checks = slices.DeleteFunc(t.Checks, func(x Check) bool { return x.ID == id })
	t.Service = slices.DeleteFunc(t.Service, func(x Change) bool { return x.ID == id })
}

// Last returns the newest check made by a moment, nil where there is none.
func (t *Tool) Last(at time.Time) *Check {
	if t == nil {
		return nil
	}
	for i := range slices.Backward(t.Checks) {
		if !t.Checks[i].At.After(at) {
			return &t.Checks[i]
		}
	}
	return nil
}

// Out returns the change that took it out of service and holds at a moment, nil where it is in service.
func (t *Tool) Out(at time.Time) *Change {
	if t == nil {
		return nil
	}
	for i := range slices.Backward(t.Service) {
		if c := &t.Service[i]; !c.At.After(at) {
			if c.Out {
				return c
			}
			return nil
		}
	}
	return nil
}

// Due returns when the next check is due after the newest one made by a moment: as that check says, else after the
// interval. Zero: never checked, or no interval.
func (t *Tool) Due(every time.Duration, at time.Time) time.Time {
	last := t.Last(at)
	switch {
	case last == nil:
		return time.Time{}
	case !last.Body.NextDue.IsZero():
		return last.Body.NextDue
	case every > 0:
		return last.At.Add(every)
	}
	return time.Time{}
}

// Standing says how an instrument stands at a moment; every is the plan's interval between checks, 0 for none. A nil
// tool was never heard of.
func (t *Tool) Standing(every time.Duration, at time.Time) string {
	last := t.Last(at)
	due := t.Due(every, at)
	switch {
	case t.Out(at) != nil:
		return OutOfService
	case last != nil && last.Body.Result == Fail:
		return Failed
	case !due.IsZero() && at.After(due):
		return Overdue
	case every <= 0:
		return NotPlanned
	case last == nil:
		return NeverChecked
	}
	return InDate
}

// Trim drops checks and changes older than a horizon before the newest check, but for the last ones before it.
func (t *Tool) Trim(horizon time.Duration) {
	if len(t.Checks) == 0 {
		return
	}
	edge := t.Checks[len(t.Checks)-1].At.Add(-horizon)
	for len(t.Checks) > 1 && t.Checks[1].At.Before(edge) {
		t.Checks = t.Checks[1:]
	}
	for len(t.Service) > 1 && t.Service[1].At.Before(edge) {
		t.Service = t.Service[1:]
	}
}
