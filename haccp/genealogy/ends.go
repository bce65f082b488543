package genealogy

import (
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/material"
)

// materials adds the lots of materials that went into what the lots were made of, and into the water they passed.
func (t *Trace) materials() {
	for _, code := range t.Back {
		l, ok := t.state.Lot(code)
		if !ok {
			continue
		}
		for i := range l.Materials {
			u := &l.Materials[i]
			if u.Lot == "" {
				continue
			}
			k := Link{To: lotKey(code), How: UsedIn, At: u.At}
			if u.Amount != nil {
				k.Amount = u.Amount.String()
			}
			t.used(u.Lot, u.Material, k, u.ID)
		}
		for _, d := range t.state.BathMaterials(l, t.facts, t.now) {
			t.used(d.Lot, d.Chemical, Link{To: lotKey(code), How: InWater, At: d.At}, d.ID)
		}
	}
}

// materialUses adds the lot of a material that the trace begins with and what it went into.
func (t *Trace) materialUses(m *material.Lot, shown map[string]bool) {
	t.used(m.Code, m.Material(), Link{}, "")
	direct := map[string]bool{}
	for i := range m.Uses {
		u := &m.Uses[i]
		if u.Lot == "" || !shown[u.Lot] {
			continue
		}
		direct[u.Lot] = true
		k := Link{To: lotKey(u.Lot), How: UsedIn, At: u.At}
		if u.Amount != nil {
			k.Amount = u.Amount.String()
		}
		t.used(m.Code, m.Material(), k, u.ID)
	}
	for _, code := range t.Begin {
		l, ok := t.state.Lot(code)
		if !ok || direct[code] {
			continue
		}
		for _, d := range t.state.BathMaterials(l, t.facts, t.now) {
			if d.Lot == m.Code {
				t.used(m.Code, m.Material(), Link{To: lotKey(code), How: InWater, At: d.At}, d.ID)
			}
		}
	}
}

// used adds a lot of a material with a link from it; without an end there is none.
func (t *Trace) used(code, name string, k Link, record string) {
	key := "material:" + code
	if !slices.ContainsFunc(t.Nodes, func(n Node) bool { return n.Key == key }) {
		n := Node{Key: key, Kind: Material, Code: code, Name: name, At: k.At, Begin: t.Subject.Kind == Material && t.Subject.Code == code}
		if l, ok := t.state.MaterialLot(code); ok {
			n.Name, n.State = l.Material(), l.State(t.now, t.state.DayOf(t.now))
			if len(l.Receipts) > 0 {
				n.From, n.At = l.Receipts[0].Body.Supplier, l.Receipts[0].At
			}
		}
		t.Nodes = append(t.Nodes, n)
	}
	if k.To != "" {
		k.From = key
		t.link(k, record)
	}
}

// boxes adds the boxes filled from the lots and those to whom product of them was sent.
func (t *Trace) boxes() {
	for _, code := range t.Ahead {
		l, ok := t.state.Lot(code)
		if !ok {
			continue
		}
		from := lotKey(code)
		if all := Joined(l.Boxes()); len(all) > 0 {
			key := "boxes:" + code
			n := Node{Key: key, Kind: Boxes, Code: code, State: l.State(), At: filledAt(&l.Lot), Boxes: all, Count: CountOf(all)}
			t.Nodes = append(t.Nodes, n)
			t.link(Link{From: from, To: key, How: FilledIn, At: n.At, Boxes: all}, "")
			from = key
		}
		sent, _, _ := sentOf(l)
		for i := range l.Shipments {
			t.shipped(from, &l.Shipments[i], sent[i])
		}
	}
}

func filledAt(l *lot.Lot) (at time.Time) {
	for i := range l.Acts {
		if len(l.Acts[i].Boxes) > 0 {
			return l.Acts[i].At
		}
	}
	return at
}

func (t *Trace) shipped(from string, x *haccp.Shipment, boxes []lot.Boxes) {
	key := "to:" + x.Body.Consignee.Name
	mass := massOf(x)
	i := slices.IndexFunc(t.Nodes, func(n Node) bool { return n.Key == key })
	if i < 0 {
		i = len(t.Nodes)
		t.Nodes = append(t.Nodes, Node{Key: key, Kind: Consignee, Code: x.Body.Consignee.Name, At: x.At})
	}
	n := &t.Nodes[i]
	if x.At.Before(n.At) {
		n.At = x.At
	}
	if mass != nil {
		sum := *mass
		if n.Mass != nil {
			sum += *n.Mass
		}
		n.Mass = &sum
	}
	k := Link{From: from, To: key, How: ShippedTo, At: x.At, Mass: mass, Boxes: boxes}
	n.Count += CountOf(k.Boxes)
	if d := x.Body.Document; d != nil {
		k.Documents = []string{d.Kind + " " + d.Number}
	}
	t.link(k, "")
}

// massOf is the mass of a shipment, nil where it was not weighed.
func massOf(x *haccp.Shipment) *lot.Mass {
	if x.Body.Mass == nil {
		return nil
	}
	m, err := lot.MassOf(*x.Body.Mass)
	if err != nil {
		return nil
	}
	return &m
}

// sentOf gives the boxes that each shipment of a lot took: those that it names, or, where it took all that was left and
// names none, those that no other names. here are those that none took; vague says that a shipment names no boxes, so that
// some of them may have left.
func sentOf(l *haccp.LotState) (sent [][]lot.Boxes, here []lot.Boxes, vague bool) {
	here = Joined(l.Boxes())
	sent = make([][]lot.Boxes, len(l.Shipments))
	all := -1
	for i := range l.Shipments {
		b := l.Shipments[i].Body
		for _, x := range b.Boxes {
			sent[i] = append(sent[i], lot.Boxes{Prefix: x.Prefix, From: x.From, To: x.To})
		}
		here = without(here, sent[i])
		switch {
		case len(b.Boxes) > 0:
		case b.All:
			all = i
		default:
			vague = true
		}
	}
	if all >= 0 {
		sent[all], here, vague = here, nil, false
	}
	return sent, here, vague && len(here) > 0
}

// Joined sorts runs of boxes and joins those that overlap or follow one another.
func Joined(runs []lot.Boxes) []lot.Boxes {
	all := slices.Clone(runs)
	slices.SortFunc(all, func(a, b lot.Boxes) int {
		switch {
		case a.Prefix != b.Prefix && a.Prefix < b.Prefix:
			return -1
		case a.Prefix != b.Prefix:
			return 1
		case a.From != b.From:
			return int(a.From - b.From)
		}
		return int(a.To - b.To)
	})
	var out []lot.Boxes
	for _, b := range all {
		if n := len(out); n > 0 && out[n-1].Prefix == b.Prefix && b.From <= out[n-1].To+1 {
			out[n-1].To = max(out[n-1].To, b.To)
			continue
		}
		out = append(out, b)
	}
	return out
}

// CountOf adds up the boxes of runs.
func CountOf(runs []lot.Boxes) (n int64) {
	for _, b := range runs {
		n += b.N()
	}
	return n
}
