package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// OverAt is a reading above a ceiling of the plan for the water of a bath, by the version in force then.
type OverAt struct {
	ID       string      `json:"id"`
	At       time.Time   `json:"at"`
	Filling  string      `json:"filling,omitempty"` // as named by the reading
	Quantity string      `json:"quantity"`
	Value    string      `json:"value"`
	Above    plan.Amount `json:"above"`
}

func orderOver(a, b *OverAt) int { return byTime(a.At, b.At, a.ID+a.Quantity, b.ID+b.Quantity) }

// foldOver notes a reading above a ceiling: the water is due to be changed (RULES 3.1).
func (s *State) foldOver(e *Event, r *Reading) {
	v := s.versionAt(e.At)
	if v == nil || v.places[r.Place] == nil {
		return
	}
	for _, c := range v.places[r.Place].FillingEnd.Readings {
		for i := range r.Entries {
			x := &r.Entries[i]
			if x.Quantity != c.Quantity || !above(x.Result(), c) {
				continue
			}
			p := PlaceState{ID: r.Place}
			if old, ok := s.places.get(r.Place); ok {
				p = *old
			}
			p.Over = keep(insert(p.Over, OverAt{ID: e.ID, At: e.At, Filling: r.Filling, Quantity: c.Quantity, Value: x.Result().String(), Above: c.Above}, orderOver),
				actHorizon, func(o *OverAt) time.Time { return o.At })
			s.setPlace(&p)
			break
		}
	}
}

// above reports whether a value, or the worse end of a band, lies above a ceiling.
func above(v quantity.Value, c plan.Ceiling) bool {
	q, err := quantity.Get(quantity.ID(c.Quantity))
	if err != nil {
		return false
	}
	unit := quantity.Unit(c.Above.Unit)
	if unit == "" {
		unit = q.DefaultUnit()
	}
	f := q.Judge(v, nil, &quantity.Bound{Value: c.Above.Value, Unit: unit})
	return f.Decided() && !f.In()
}

// dropOver forgets what a reading said that was voided or amended.
func (s *State) dropOver(place, id string) {
	p, ok := s.places.get(place)
	if !ok || !slices.ContainsFunc(p.Over, func(o OverAt) bool { return o.ID == id }) {
		return
	}
	next := *p
	next.Over = slices.DeleteFunc(slices.Clone(p.Over), func(o OverAt) bool { return o.ID == id })
	s.setPlace(&next)
}

// overIn says, for each quantity, the newest reading above its ceiling in a filling up to a moment.
func (s *State) overIn(place, filling string, at time.Time) []string {
	p, ok := s.places.get(place)
	if !ok {
		return nil
	}
	c := control.Context{Fillings: p.fillings(), Named: namedBy}
	var out, seen []string
	for _, o := range slices.Backward(p.Over) {
		if o.At.After(at) || slices.Contains(seen, o.Quantity) || c.FillingOf(&control.Sample{At: o.At, Filling: o.Filling}) != filling {
			continue
		}
		seen = append(seen, o.Quantity)
		out = append(out, o.Quantity+" "+o.Value+" above "+o.Above.String())
	}
	return out
}
