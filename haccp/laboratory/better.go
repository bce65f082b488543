package laboratory

import (
	"slices"

	"linewarden/haccp/plan"
)

// Better reports whether the new body of a report on a sample makes anything better than the old one did: a unit that
// is nearer to inside, one that is gone, a positive that is only presumptive now, other tests asked for, a
// sample that was not fit and is now. tests gives a test by its id, nil where there is none.
func Better(old, now Body, tests func(id string) *plan.ProductTest) bool {
	switch o := old.(type) {
	case *Sampled:
		n, ok := now.(*Sampled)
		return !ok || n.Product != o.Product || n.Units != o.Units || !slices.Equal(n.Tests, o.Tests)
	case *Received:
		n, ok := now.(*Received)
		return !ok || o.Unfit != "" && n.Unfit == ""
	case *Reported:
		n, ok := now.(*Reported)
		return !ok || o.better(n, tests(o.Test))
	}
	return false
}

func (o *Reported) better(n *Reported, t *plan.ProductTest) bool {
	if t == nil || n.Presumptive && !o.Presumptive || len(o.Units) != len(n.Units) {
		return true
	}
	return slices.ContainsFunc(o.Units, func(u Unit) bool {
		i := slices.IndexFunc(n.Units, func(x Unit) bool { return x.Unit == u.Unit })
		if i < 0 {
			return true
		}
		was, is := sideOf(t, &u), sideOf(t, &n.Units[i])
		return is.low < was.low || is.high < was.high
	})
}
