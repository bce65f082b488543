package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/quantity"
)

// The kinds of records about materials and instruments. Every record that names a lot of a material carries
// "material:CODE" among its keys, one about an instrument "instrument:ID".
const (
	KindMaterialReceived  = "material.received"
	KindMaterialApproved  = "material.approved" // signed
	KindMaterialRejected  = "material.rejected" // signed
	KindMaterialCounted   = "material.counted"
	KindInstrumentChecked = "instrument.checked"
	KindInstrumentOut     = "instrument.out-of-service"
	KindInstrumentBack    = "instrument.in-service"
)

// The kinds of commands about materials that are not reports.
const (
	AskMaterialApprove = "material.approve" // *MaterialRuled
	AskMaterialReject  = "material.reject"  // *MaterialRuled
)

// MaterialRuled is the body of a signed approval or rejection of a lot of a material.
type MaterialRuled struct {
	material.Ruling
	Signature Signature `json:"signature"`
}

// ToolAt is an instrument that a report about a lot names.
type ToolAt struct {
	ID         string    `json:"id"` // of the record
	At         time.Time `json:"at"`
	Instrument string    `json:"instrument"`
}

// supplies is what the state holds about materials and instruments.
type supplies struct {
	materials table[*material.Lot]
	tools     table[*instrument.Tool]
}

func newSupplies() supplies {
	return supplies{newTable[*material.Lot](), newTable[*instrument.Tool]()}
}

// keepSupplies is how long after its newest record what is over of a material or instrument stays in the state: longer
// than any lot of product waits for its release.
const keepSupplies = 400 * 24 * time.Hour

// MaterialLot returns a lot of a material.
func (s *State) MaterialLot(code string) (*material.Lot, bool) { return s.materials.get(code) }

// MaterialLots returns the lots of materials that the state holds, in the order of their codes.
func (s *State) MaterialLots() []*material.Lot {
	var out []*material.Lot
	for _, l := range s.materials.all() {
		out = append(out, l)
	}
	return out
}

// Tool returns how an instrument stands by its records; nil where there are none.
func (s *State) Tool(id string) *instrument.Tool {
	t, _ := s.tools.get(id)
	return t
}

// used is a lot of a material as a report names it.
type used struct {
	code, material string
	use            material.Use
}

// usesOf lists the lots of materials that the body of a report names.
func usesOf(e *Event, body any) []used {
	var out []used
	add := func(code, name string, amount *quantity.Value, u material.Use) {
		if code == "" {
			return
		}
		u.ID, u.At, u.Material, u.Part = e.ID, e.At, name, len(out)
		if amount != nil {
			if a, err := material.AmountOf(*amount); err == nil {
				u.Amount = &a
			}
		}
		u.Named = u.Amount == nil && e.Kind == KindLotEntered
		out = append(out, used{code, name, u})
	}
	switch b := body.(type) {
	case *Bath:
		add(b.MaterialLot, b.Chemical, b.Amount, material.Use{Place: b.Place})
		for i := range b.First {
			x := &b.First[i]
			add(x.MaterialLot, x.Chemical, &x.Amount, material.Use{Place: b.Place})
		}
	case *LotMoved:
		for i := range b.Materials {
			m := &b.Materials[i]
			add(m.Lot, m.Material, m.Amount, material.Use{Lot: b.Lot, Step: b.Step, Place: b.Place})
		}
	}
	return out
}

// materialCodes lists the lots of materials and the instrument that a body names, sorted.
func materialCodes(body any) []string {
	var out []string
	switch b := body.(type) {
	case *material.Received:
		out = []string{"material:" + b.Lot}
	case *MaterialRuled:
		out = []string{"material:" + b.Lot}
	case *material.Counted:
		out = []string{"material:" + b.Lot}
	case *instrument.Checked:
		out = []string{"instrument:" + b.Instrument}
	case *instrument.Service:
		out = []string{"instrument:" + b.Instrument}
	case *Bath, *LotMoved:
		for _, u := range usesOf(&Event{}, b) {
			out = with(out, "material:"+u.code)
		}
	}
	return out
}

// aboutMaterials gives the keys of a record that names lots of materials or an instrument.
func aboutMaterials(body any) []string { return materialCodes(body) }

// sameMaterials reports whether an amended report names the lots of materials that the old one named.
func sameMaterials(old, now any) bool { return slices.Equal(materialCodes(old), materialCodes(now)) }

// changeMaterial changes a lot of a material by one record.
func (s *State) changeMaterial(code string, change func(*material.Lot)) {
	next := &material.Lot{Code: code}
	if old, ok := s.materials.get(code); ok {
		next = old.Clone()
	}
	change(next)
	if next.Empty() { // all that was said of it was withdrawn
		s.materials.delete(code)
		return
	}
	next.Touched = s.Size
	s.materials.set(code, next)
}

// foldUses notes what a report, or its amended body, took of lots of materials.
func (s *State) foldUses(e *Event, body any) {
	for _, u := range usesOf(e, body) {
		s.changeMaterial(u.code, func(l *material.Lot) {
			if e.Seq != s.Size { // amended
				l.Uses = slices.DeleteFunc(slices.Clone(l.Uses), func(x material.Use) bool { return x.ID == e.ID && x.Part == u.use.Part })
			}
			l.Take(u.use)
		})
	}
}

// dropUses takes out what a voided report took of lots of materials.
func (s *State) dropUses(old *Event) {
	for _, u := range usesOf(old, old.Body) {
		s.changeMaterial(u.code, func(l *material.Lot) { l.Drop(old.ID) })
	}
}

// foldSupply folds a record about a material or an instrument, or the amended body of one.
func (s *State) foldSupply(e *Event, body any, c changes) {
	switch b := body.(type) {
	case *material.Received:
		s.changeMaterial(b.Lot, func(l *material.Lot) {
			l.Receive(material.Receipt{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.Name, Body: b})
			l.Judged = s.Size
		})
		s.trimMaterials(e.At)
	case *MaterialRuled:
		s.changeMaterial(b.Lot, func(l *material.Lot) {
			l.Rule(material.Ruled{Seq: e.Seq, At: e.At, By: e.By.Name, Approved: e.Kind == KindMaterialApproved, Reason: b.Reason})
			l.Judged = s.Size
		})
	case *material.Counted:
		s.changeMaterial(b.Lot, func(l *material.Lot) {
			x := material.Count{ID: e.ID, At: e.At, By: e.By.Name, Reason: b.Reason}
			if a, err := material.AmountOf(b.Quantity); err == nil {
				x.Amount = &a
			}
			l.Recount(x)
		})
	case *instrument.Checked:
		s.changeTool(b.Instrument, e.At, c, func(t *instrument.Tool) {
			t.AddCheck(instrument.Check{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.Name, Body: b})
		})
	case *instrument.Service:
		s.changeTool(b.Instrument, e.At, c, func(t *instrument.Tool) {
			t.AddChange(instrument.Change{ID: e.ID, At: e.At, Out: e.Kind == KindInstrumentOut, Reason: b.Reason})
		})
	}
}

// dropSupply takes out what a voided report said about a material or an instrument.
func (s *State) dropSupply(old *Event, c changes) {
	switch b := old.Body.(type) {
	case *material.Received:
		s.changeMaterial(b.Lot, func(l *material.Lot) { l.Drop(old.ID); l.Judged = s.Size })
	case *material.Counted:
		s.changeMaterial(b.Lot, func(l *material.Lot) { l.Drop(old.ID) })
	case *instrument.Checked:
		s.changeTool(b.Instrument, old.At, c, func(t *instrument.Tool) { t.Drop(old.ID) })
	case *instrument.Service:
		s.changeTool(b.Instrument, old.At, c, func(t *instrument.Tool) { t.Drop(old.ID) })
	}
}

// changeTool changes an instrument by one record of a moment.
func (s *State) changeTool(id string, at time.Time, c changes, change func(*instrument.Tool)) {
	next := &instrument.Tool{ID: id}
	if old, ok := s.tools.get(id); ok {
		next = old.Clone()
	}
	change(next)
	next.Touched = s.Size
	next.Trim(keepSupplies)
	s.tools.set(id, next)
	s.rejudgeTool(id, at, c)
}

// trimMaterials forgets lots of materials about which nothing was recorded for so long before a delivery that no lot of
// product can rest on them.
func (s *State) trimMaterials(at time.Time) {
	var gone []string
	for code, l := range s.materials.all() {
		if l.Last().Before(at.Add(-keepSupplies)) {
			gone = append(gone, code)
		}
	}
	for _, code := range gone {
		s.materials.delete(code)
	}
}

// weighed notes the instrument that a report about the lot names.
func (l *LotState) weighed(e *Event, body any) {
	var id string
	switch b := body.(type) {
	case *LotReceived:
		id = b.Instrument
	case *LotMoved:
		id = b.Instrument
	case *LotRemoved:
		id = b.Instrument
	default:
		return
	}
	l.Tools = slices.DeleteFunc(slices.Clone(l.Tools), func(t ToolAt) bool { return t.ID == e.ID })
	if id != "" {
		l.Tools = append(l.Tools, ToolAt{e.ID, e.At, id})
	}
}
