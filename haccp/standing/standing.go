// Package standing gives readings as they stand after what changed them.
package standing

import (
	"cmp"
	"slices"

	"linewarden/haccp"
)

// Reading is a reading as it stands: the event that it was recorded by, and its present body.
type Reading struct {
	Event *haccp.Event
	Body  *haccp.Reading
}

// Readings are those that were not voided, by id.
type Readings map[string]*Reading

// Take adds a reading, or what changed one that was taken before; other events change nothing.
func (r Readings) Take(e *haccp.Event) {
	switch b := e.Body.(type) {
	case *haccp.Reading:
		r[e.ID] = &Reading{e, b}
	case *haccp.Amended:
		if body, ok := b.New.(*haccp.Reading); ok && r[b.Target] != nil {
			r[b.Target].Body = body
		}
	case *haccp.Voided:
		delete(r, b.Target)
	}
}

// Sorted gives those that keep says yes to, in order of time.
func (r Readings) Sorted(keep func(*Reading) bool) []Reading {
	out := make([]Reading, 0, len(r))
	for _, x := range r {
		if keep(x) {
			out = append(out, *x)
		}
	}
	slices.SortFunc(out, func(a, b Reading) int {
		return cmp.Or(a.Event.At.Compare(b.Event.At), cmp.Compare(a.Event.Seq, b.Event.Seq))
	})
	return out
}
