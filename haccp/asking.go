package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/material"
)

// The answers to one item of what is asked before a step or an addition.
const (
	AskedGood    = "in order"
	AskedMissing = "missing"
	AskedRefused = "refused"
)

// Asked is one item of the answer to a question before a step or an addition.
type Asked struct {
	Item    string            `json:"item"`    // lot, place, line, filling, material, instrument, point or chemical
	Subject string            `json:"subject"` // its code or id
	State   string            `json:"state"`
	Code    string            `json:"code,omitempty"` // what stands against it, as in findings
	Data    map[string]string `json:"data,omitempty"`
}

// Allowed reports whether nothing is missing or refused.
func Allowed(items []Asked) bool {
	return !slices.ContainsFunc(items, func(a Asked) bool { return a.State != AskedGood })
}

// AskedOutside is the code of a control point that is outside at the place of the step.
const AskedOutside = "point-outside"

// subjects names, for the data of a finding, the item that it is about, the narrowest first.
var subjects = [][2]string{{"material_lot", "material"}, {"instrument", "instrument"}, {"filling", "filling"}, {"place", "place"}, {"line", "line"},
	{"chemical", "chemical"}, {"material", "material"}, {"point", "point"}, {"lot", "lot"}}

// askedOf turns a finding into the item it is about.
func askedOf(f Finding, otherwise, subject string) Asked {
	a := Asked{Item: otherwise, Subject: subject, State: AskedRefused, Code: f.Code, Data: f.Data}
	for _, s := range subjects {
		if x := f.Data[s[0]]; x != "" {
			a.Item, a.Subject = s[1], x
			break
		}
	}
	if f.Code == material.NotNamed {
		a.State = AskedMissing
	}
	return a
}

// withGood adds the items that nothing stands against.
func withGood(items []Asked, item string, subjects ...string) []Asked {
	for _, s := range subjects {
		if s != "" && !slices.ContainsFunc(items, func(a Asked) bool { return a.Item == item && a.Subject == s }) {
			items = append(items, Asked{Item: item, Subject: s, State: AskedGood})
		}
	}
	return items
}

// asking is what decides a question: nothing it finds is recorded.
func (s *State) asking(kind string, ask any, f Facts, now time.Time) *deciding {
	return &deciding{State: s.Fork(), cmd: &Command{Kind: kind, At: now, AtKnown: AtServer, Ask: ask}, facts: f, now: now, changes: changes{}}
}

// AskStep answers, item by item, whether a step may start with a lot: the lot, the place with its line, filling and
// control points, the materials and the instruments. It refuses only what is malformed, and records nothing.
func (s *State) AskStep(b *LotMoved, instruments []string, f Facts, now time.Time) ([]Asked, error) {
	d := s.asking(AskLotEnter, b, f, now)
	if err := d.checkMoved(b, KindLotEntered); err != nil {
		return nil, err
	}
	for _, id := range instruments {
		if d.everInstrument(id) == nil {
			return nil, unknownInstrument(id)
		}
	}
	out := d.askedStep(b)
	v := d.versionAt(now)
	for _, id := range instruments {
		if v == nil || id == b.Instrument {
			continue
		}
		for _, x := range d.toolFindings(v, id) {
			out = append(out, askedOf(x, "instrument", id))
		}
	}
	out = withGood(out, "lot", b.Lot)
	out = withGood(out, "place", b.Place)
	for i := range b.Materials {
		out = withGood(out, "material", b.Materials[i].Lot)
	}
	return withGood(out, "instrument", append(slices.Clip(instruments), b.Instrument)...), nil
}

// askedStep lists what stands against starting a step now.
func (d *deciding) askedStep(b *LotMoved) []Asked {
	var out []Asked
	for _, f := range d.movedFindings(b) {
		out = append(out, askedOf(f, "lot", b.Lot))
	}
	for _, p := range d.PointStates(d.now) {
		if p.Place == b.Place && p.State == control.StateOutside {
			out = append(out, Asked{Item: "point", Subject: p.Point, State: AskedRefused, Code: AskedOutside, Data: map[string]string{"point": p.Point, "place": b.Place}})
		}
	}
	return out
}

// AskAddition answers, item by item, whether a product may be added to a bath: its place and filling, the product and
// the lot of the material. It refuses only what is malformed, and records nothing.
func (s *State) AskAddition(b *Bath, now time.Time) ([]Asked, error) {
	d := s.asking(KindAdded, b, Facts{}, now)
	if err := d.checkBath(b, KindAdded); err != nil {
		return nil, err
	}
	var out []Asked
	for _, f := range d.bathFindings(b) {
		out = append(out, askedOf(f, "place", b.Place))
	}
	if p, ok := d.places.get(b.Place); ok {
		for _, g := range p.gaps() {
			if !now.Before(g.From) && (g.To.IsZero() || now.Before(g.To)) {
				out = append(out, Asked{Item: "place", Subject: b.Place, State: AskedRefused, Code: FindingPlaceNotInUse, Data: map[string]string{"place": b.Place}})
			}
		}
	}
	out = withGood(out, "place", b.Place)
	out = withGood(out, "chemical", b.Chemical)
	return withGood(out, "material", b.MaterialLot), nil
}
