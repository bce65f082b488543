package tracing

import (
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
	Shipments int64  `json:"shipments"`
	Boxes     int64  `json:"boxes"`
	Mass      string `json:"kg"`
	Unweighed int64  `json:"unweighed,omitempty" doc:"Shipments without a mass."`
}

// ConsignedOf adds the shipments of lots up by consignee, in the order of their names.
func ConsignedOf(lots []*haccp.LotState) []Consigned {
	out := []Consigned{}
	for _, x := range genealogy.Consignees(lots) {
		mass, _ := x.Mass.Number() // a sum is a plain number
		out = append(out, Consigned{Name: x.Name, Shipments: x.Shipments, Boxes: x.Boxes, Mass: mass.String(), Unweighed: x.Unweighed})
	}
	return out
}
