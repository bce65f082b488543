package genealogy

import (
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/lot/recall"
)

// Recall lists the product that had been released or had left the plant when it became known that a case affects it. What is to
// be done about it is decided by the person responsible, under the law of the place.
type Recall struct {
	Deviation  string             `json:"deviation"`
	Number     int64              `json:"number"`
	Word       string             `json:"word"` // deviation or nonconformity
	Ground     string             `json:"ground"`
	Point      string             `json:"point,omitempty"`
	Place      string             `json:"place,omitempty"`
	Found      time.Time          `json:"found"`
	Closed     bool               `json:"closed,omitempty"`
	Lots       []RecallLot        `json:"lots"`
	Consignees []recall.Consignee `json:"consignees"`
	Open       int                `json:"open"` // lots for which nobody has signed yet what it means
}

// RecallLot is one lot of a recall list.
type RecallLot struct {
	Lot       string        `json:"lot"`
	Product   string        `json:"product,omitempty"`
	State     string        `json:"state"`
	How       string        `json:"how"` // how the case touches it
	Place     string        `json:"place,omitempty"`
	From      time.Time     `json:"from"` // since when it counts as touched
	To        time.Time     `json:"to,omitzero"`
	Known     time.Time     `json:"known_since"`
	Answered  bool          `json:"answered"`                     // somebody has signed since what that means
	Boxes     []lot.Boxes   `json:"boxes"`                        // all that were filled
	Here      []lot.Boxes   `json:"here"`                         // those that no shipment took
	Vague     bool          `json:"some_may_have_left,omitempty"` // a shipment names no boxes
	Left      string        `json:"left_kg"`                      // mass that did not leave by the books
	Shipments []RecallShare `json:"shipments"`
}

// RecallShare is a shipment of a lot.
type RecallShare struct {
	At        time.Time       `json:"at"`
	Consignee haccp.Party     `json:"consignee"`
	Document  *haccp.Document `json:"document,omitempty"`
	Carrier   string          `json:"carrier,omitempty"`
	Boxes     []lot.Boxes     `json:"boxes"`
	KG        string          `json:"kg,omitempty"` // missing: not weighed
	Seq       int64           `json:"seq"`          // of its record
}

// RecallOf lists what a case affects of released and shipped product, with the facts that State.AtLargeNeeds asks for; false
// for a case that the state does not hold.
func RecallOf(s *haccp.State, id string, f haccp.Facts) (Recall, bool) {
	d, ok := s.Case(id)
	if !ok {
		return Recall{}, false
	}
	out := Recall{Deviation: id, Number: d.Number, Word: d.Word(), Ground: d.Ground, Point: d.Point, Place: d.Place, Found: d.Found, Closed: d.IsClosed,
		Lots: []RecallLot{}, Consignees: []recall.Consignee{}}
	var lots []*haccp.LotState
	for _, x := range s.AtLarge(id, f) {
		l := RecallLot{Lot: x.Lot.Code, Product: x.Lot.Product, State: x.Lot.State(), How: x.Touch.How, Place: x.Touch.Place, From: x.Touch.From, To: x.Touch.To,
			Known: x.KnownSince(), Answered: x.Answered, Boxes: Joined(x.Lot.Boxes()), Here: []lot.Boxes{}, Shipments: []RecallShare{}}
		if l.Boxes == nil {
			l.Boxes = []lot.Boxes{}
		}
		sent, here, vague := sentOf(x.Lot)
		for i := range x.Lot.Shipments {
			k := &x.Lot.Shipments[i]
			share := RecallShare{At: k.At, Consignee: k.Body.Consignee, Document: k.Body.Document, Carrier: k.Body.Carrier, Boxes: Joined(sent[i]), KG: kilograms(massOf(k)), Seq: k.Seq}
			if share.Boxes == nil {
				share.Boxes = []lot.Boxes{}
			}
			l.Shipments = append(l.Shipments, share)
		}
		l.Here, l.Vague = append(l.Here, here...), vague
		l.Left = s.WithLots([]string{l.Lot}, f).LotBook().Balance(l.Lot).Left.Decimal()
		if !l.Answered {
			out.Open++
		}
		lots = append(lots, x.Lot)
		out.Lots = append(out.Lots, l)
	}
	out.Consignees = append(out.Consignees, Consignees(lots)...)
	return out, true
}

// without takes runs of boxes out of others.
func without(runs, gone []lot.Boxes) []lot.Boxes {
	for _, g := range gone {
		var rest []lot.Boxes
		for _, b := range runs {
			if b.Prefix != g.Prefix || g.To < b.From || g.From > b.To {
				rest = append(rest, b)
				continue
			}
			if g.From > b.From {
				rest = append(rest, lot.Boxes{Prefix: b.Prefix, From: b.From, To: g.From - 1})
			}
			if g.To < b.To {
				rest = append(rest, lot.Boxes{Prefix: b.Prefix, From: g.To + 1, To: b.To})
			}
		}
		runs = rest
	}
	return runs
}

// RecallCases lists the cases that may affect released or shipped product: those that lots at large are touched by, and those
// named in records about lots that had left, the latest first.
func RecallCases(s *haccp.State) []string {
	seen := map[string]bool{}
	for _, x := range s.LotsAtLarge() {
		seen[x.Case.Deviation] = true
	}
	for _, l := range s.Lots() {
		for _, h := range l.Holds {
			if h.Deviation != "" && (h.Shipped || h.Released) {
				seen[h.Deviation] = true
			}
		}
	}
	var out []string
	for _, d := range slices.Backward(s.HeldCases()) {
		if seen[d.Deviation] {
			out = append(out, d.Deviation)
		}
	}
	return out
}
