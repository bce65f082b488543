package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/control"
)

// actHorizon is how far back of the newest act (a filling, a start, a fix) acts stay in the state. It is
// longer than Horizon, so that the readings of a window always find the filling they belong to.
const actHorizon = 4 * Horizon

// keep drops what is older than the horizon before the newest of a sorted list, but never the last one
// before it, so that what was going on when the horizon begins stays known.
func keep[T any](list []T, horizon time.Duration, at func(*T) time.Time) []T {
	if len(list) == 0 {
		return list
	}
	edge := at(&list[len(list)-1]).Add(-horizon - slack)
	if at(&list[0]).After(edge) {
		return list
	}
	edge = edge.Add(slack)
	n := 0
	for n+1 < len(list) && !at(&list[n+1]).After(edge) {
		n++
	}
	return slices.Clone(list[n:])
}

// insert returns a new list with v in its place in the order of less.
func insert[T any](list []T, v T, order func(a, b *T) int) []T {
	i := len(list)
	for i > 0 && order(&list[i-1], &v) > 0 {
		i--
	}
	if i == len(list) {
		return append(slices.Clip(list), v)
	}
	out := make([]T, 0, len(list)+1)
	out = append(append(out, list[:i]...), v)
	return append(out, list[i:]...)
}

func byTime(a, b time.Time, ida, idb string) int {
	return cmp.Or(a.Compare(b), cmp.Compare(ida, idb))
}

func orderBath(a, b *BathAct) int { return byTime(a.At, b.At, a.ID, b.ID) }
func orderLine(a, b *LineAct) int { return byTime(a.At, b.At, a.ID, b.ID) }
func orderFix(a, b *FixAt) int    { return byTime(a.At, b.At, a.ID, b.ID) }

// keepBath trims the log of a bath to the horizon, but keeps the filling in the bath and all that was
// done to it.
func keepBath(list []BathAct) []BathAct {
	kept := keep(list, actHorizon, func(a *BathAct) time.Time { return a.At })
	first := len(list) - len(kept)
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].Kind == KindFilled {
			first = min(first, i)
			break
		}
	}
	return list[first:]
}

// fillingsOf derives the fillings of a bath from what was done to it.
func fillingsOf(log []BathAct) []control.Filling {
	var out []control.Filling
	for i := range log {
		a := &log[i]
		last := len(out) - 1
		switch a.Kind {
		case KindFilled:
			if last >= 0 && out[last].To.IsZero() {
				out[last].To = a.At
			}
			out = append(out, control.Filling{ID: a.ID, From: a.At})
		case KindDrained:
			if last >= 0 && out[last].To.IsZero() {
				out[last].To = a.At
			}
		}
	}
	return out
}

// fillingAt returns the filling in the bath at a moment.
func fillingAt(fillings []control.Filling, at time.Time) (control.Filling, bool) {
	for _, f := range slices.Backward(fillings) {
		if !f.From.After(at) {
			return f, f.To.IsZero() || at.Before(f.To)
		}
	}
	return control.Filling{}, false
}

// Run is a span in which a line ran.
type Run struct {
	From    time.Time
	To      time.Time // zero: still running
	Product []string  // places that held product at To
	Reason  string    // of the stop
}

// runsOf derives the runs of a line from its starts and stops. A start during a run and a stop
// outside one change nothing.
func runsOf(acts []LineAct) []Run {
	var out []Run
	for i := range acts {
		a := &acts[i]
		running := len(out) > 0 && out[len(out)-1].To.IsZero()
		switch {
		case a.Start && !running:
			out = append(out, Run{From: a.At})
		case !a.Start && running:
			r := &out[len(out)-1]
			r.To, r.Product, r.Reason = a.At, a.Product, a.Reason
		}
	}
	return out
}
