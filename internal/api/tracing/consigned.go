package tracing

import (
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot"
)

// LotReceipt is a lot, or a part of one, that came in from outside.
type LotReceipt struct {
	Lot       string        `json:"lot"`
	At        time.Time     `json:"at"`
	Mass      string        `json:"kg,omitempty" doc:"Missing: not weighed."`
	Place     string        `json:"place,omitempty"`
	Product   string        `json:"product,omitempty"`
	Source    *haccp.Source `json:"source,omitempty"`
	Harvested time.Time     `json:"harvested,omitzero"`
	Record    string        `json:"record" doc:"Id of its record."`
}

// LotBoxes is a run of boxes filled from a lot.
type LotBoxes struct {
	Lot string `json:"lot"`
	lot.Boxes
}

// Consigned is what a consignee was sent.
type Consigned struct {
	Name      string `json:"name"`
	Shipments int    `json:"shipments"`
	Boxes     int64  `json:"boxes"`
	Mass      string `json:"kg"`
	Unweighed int    `json:"unweighed,omitempty" doc:"Shipments without a mass."`
}

// ConsignedOf adds shipments up by consignee, in the order of their names.
func ConsignedOf(shipments []haccp.Shipment) []Consigned {
	type sum struct {
		Consigned
		mass lot.Mass
	}
	by := map[string]*sum{}
	var names []string
	for _, x := range shipments {
		name := x.Body.Consignee.Name
		c := by[name]
		if c == nil {
			c = &sum{Consigned: Consigned{Name: name}}
			by[name], names = c, append(names, name)
		}
		c.Shipments++
		for _, b := range x.Body.Boxes {
			c.Boxes += b.To - b.From + 1
		}
		if m := genealogy.MassOf(&x); m != nil {
			c.mass += *m
		} else {
			c.Unweighed++
		}
	}
	slices.Sort(names)
	out := make([]Consigned, 0, len(names))
	for _, name := range names {
		c := by[name]
		c.Mass = c.mass.Decimal()
		out = append(out, c.Consigned)
	}
	return out
}
