package genealogy

import (
	"slices"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/lot/recall"
	"linewarden/haccp/material"
)

// Result puts together what an exercise records: both ways and the balance, whatever way the trace shows.
func (t *Trace) Result() recall.Result {
	r := recall.Result{Lots: first(t.Begin), Backward: t.backward(), Forward: t.forward()}
	total := t.book.Total(t.Ahead)
	r.Balance = recall.Weigh(&total)
	if t.Subject.Kind == recall.FromMaterial {
		if l, ok := t.state.MaterialLot(t.Subject.Code); ok {
			r.Material = stockOf(l)
		}
	}
	return r
}

func stockOf(l *material.Lot) *recall.Stock {
	s := l.Stock()
	return &recall.Stock{Unit: string(s.Left.Unit), Received: s.Received.Decimal(), Used: s.Used.Decimal(), Adjusted: s.Adjusted.Decimal(), Left: s.Left.Decimal(),
		Unmeasured: int64(len(s.Unmeasured))}
}

func (t *Trace) backward() recall.Backward {
	b := recall.Backward{Lots: int64(len(t.Back))}
	var people, tools, materials, sources []string
	var sum lot.Mass
	weighed := false
	for _, code := range t.Back {
		l, ok := t.state.Lot(code)
		if !ok {
			continue
		}
		people = append(people, l.People...)
		tools = append(tools, t.state.Instruments(l, t.facts, t.now)...)
		for i := range l.Materials {
			if c := l.Materials[i].Lot; c != "" {
				materials = append(materials, c)
			}
		}
		for _, d := range t.state.BathMaterials(l, t.facts, t.now) {
			materials = append(materials, d.Lot)
		}
		if len(l.Received) == 0 {
			continue
		}
		b.FieldLots = append(b.FieldLots, code)
		if l.Source != nil && l.Source.Name != "" {
			sources = append(sources, l.Source.Name)
		}
		if m := received(&l.Lot); m != nil {
			sum, weighed = sum+*m, true
		}
	}
	if weighed {
		v := recall.Kilograms(sum)
		b.Received = &v
	}
	b.People, b.Instruments = int64(len(distinct(people))), int64(len(distinct(tools)))
	b.FieldLots, b.Materials, b.Sources, b.Unknown = first(b.FieldLots), first(distinct(materials)), first(distinct(sources)), first(t.Unknown)
	return b
}

func (t *Trace) forward() recall.Forward {
	f := recall.Forward{Lots: int64(len(t.Ahead))}
	for _, code := range t.Ahead {
		if l, ok := t.state.Lot(code); ok {
			f.Boxes += CountOf(Joined(l.Boxes()))
		}
	}
	var lots []*haccp.LotState
	for _, code := range t.Ahead {
		if l, ok := t.state.Lot(code); ok {
			lots = append(lots, l)
			f.Shipments += int64(len(l.Shipments))
		}
	}
	f.Consignees = first(Consignees(lots))
	return f
}

// Consignees adds the shipments of lots up by who got them, in the order of their names.
func Consignees(lots []*haccp.LotState) []recall.Consignee {
	type sum struct {
		recall.Consignee
		mass  lot.Mass
		boxes []lot.Boxes
	}
	by := map[string]*sum{}
	var names []string
	for _, l := range lots {
		sent, _, _ := sentOf(l)
		for i := range l.Shipments {
			x := &l.Shipments[i]
			name := x.Body.Consignee.Name
			c := by[name]
			if c == nil {
				c = &sum{Consignee: recall.Consignee{Name: name}}
				by[name], names = c, append(names, name)
			}
			c.Shipments++
			c.boxes = append(c.boxes, sent[i]...)
			if m := massOf(x); m != nil {
				c.mass += *m
			} else {
				c.Unweighed++
			}
		}
	}
	slices.Sort(names)
	out := make([]recall.Consignee, 0, len(names))
	for _, name := range names {
		c := by[name]
		c.Mass, c.Boxes = recall.Kilograms(c.mass), CountOf(Joined(c.boxes))
		out = append(out, c.Consignee)
	}
	return out
}

func distinct(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}

// first gives at most as many as a record lists.
func first[T any](list []T) []T { return list[:min(len(list), recall.Most)] }
