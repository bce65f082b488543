package haccp

import (
	"time"

	"linewarden/haccp/quantity"
)

// The kinds of records about lots. Each carries "lot:CODE" of every lot it names, and "lots", among its keys.
const (
	KindLotReceived  = "lot.received"
	KindLotEntered   = "lot.entered"   // its first part came to a step at at, its last at until
	KindLotLeft      = "lot.left"      // its first part left a step at at, its last at until
	KindLotFed       = "lot.fed"       // split, merged, topped up, reworked: product went from lots into lots
	KindLotRemoved   = "lot.removed"   // mass left it for good, or its stock was counted
	KindPlaceEmptied = "place.emptied" // a place that carries product over was found empty
	KindLotFlagged   = "lot.flagged"   // written by the timetable: a running clock nears or passes its limit
	KindLotHeld      = "lot.held"
	KindLotEvaluated = "lot.evaluated" // signed
	KindLotReviewed  = "lot.reviewed"  // signed
	KindLotDisposed  = "lot.disposed"  // signed
	KindLotShipped   = "lot.shipped"
)

// LotReceived is the body of a lot, or a part of one, that came in from outside.
type LotReceived struct {
	Condition   string          `json:"condition,omitempty"`
	Document    *Document       `json:"document,omitempty"`
	Harvested   time.Time       `json:"harvested,omitzero"`
	Instrument  string          `json:"instrument,omitempty"` // the scale
	Lot         string          `json:"lot"`
	Mass        *quantity.Value `json:"mass,omitempty"`
	Note        string          `json:"note,omitempty"`
	Place       string          `json:"place,omitempty"`
	Product     string          `json:"product,omitempty"` // commodity and variety, or what it is
	Source      *Source         `json:"source,omitempty"`
	Step        string          `json:"step"`
	Temperature *quantity.Value `json:"temperature,omitempty"`
}

// Source says where a lot came from, as 21 CFR 1.1330 and 1.1345 ask.
type Source struct {
	Address   string `json:"address,omitempty"`
	Field     string `json:"field,omitempty"`     // growing area
	Harvester string `json:"harvester,omitempty"` // business that harvested it
	Lot       string `json:"lot,omitempty"`       // code the source gave it
	Name      string `json:"name"`                // farm or immediate previous source
	Phone     string `json:"phone,omitempty"`
}

// Document names a paper or file that goes with a record.
type Document struct {
	Hash   string `json:"hash,omitempty"` // SHA-256 of an attached file, hex
	Kind   string `json:"kind"`           // such as bill of lading
	Number string `json:"number"`
}

// LotMoved is the body of a lot coming to a step or leaving it.
type LotMoved struct {
	Asked       bool            `json:"asked,omitempty"` // entered: leave was asked first
	Boxes       []BoxRange      `json:"boxes,omitempty"` // left: boxes filled
	Crew        int64           `json:"crew,omitempty"`  // how many people worked on it
	Filling     string          `json:"filling,omitempty"`
	Instrument  string          `json:"instrument,omitempty"`
	Lot         string          `json:"lot"`
	Mass        *quantity.Value `json:"mass,omitempty"` // in the place at once, or as weighed on leaving; it enters no balance
	Materials   []MaterialUse   `json:"materials,omitempty"`
	Note        string          `json:"note,omitempty"`
	Place       string          `json:"place"`
	Step        string          `json:"step"`
	Temperature *quantity.Value `json:"temperature,omitempty"` // of the product
}

// BoxRange is a run of numbered boxes, both ends included.
type BoxRange struct {
	From   int64           `json:"from"`
	Mass   *quantity.Value `json:"mass,omitempty"` // of all of them together
	Prefix string          `json:"prefix,omitempty"`
	To     int64           `json:"to"`
}

// MaterialUse is a lot of an ingredient, processing aid or packaging used in a step.
type MaterialUse struct {
	Amount   *quantity.Value `json:"amount,omitempty"`
	Lot      string          `json:"lot"`
	Material string          `json:"material"`
}

// The ways in which product goes from lots into lots.
const (
	FedSplit    = "split"
	FedMerged   = "merged"
	FedToppedUp = "topped-up"
	FedHeel     = "heel"      // left in a hopper, weighed into the next
	FedReopened = "re-opened" // from bags opened again
	FedReworked = "reworked"
	FedFed      = "fed" // any other
)

// LotFed is the body of product that went from lots into lots. One side has exactly one lot.
type LotFed struct {
	From  []LotPart `json:"from"`
	How   string    `json:"how"`
	Note  string    `json:"note,omitempty"`
	Place string    `json:"place,omitempty"`
	Step  string    `json:"step,omitempty"`
	To    []LotPart `json:"to"`
}

// LotPart is the share of one lot in a feed.
type LotPart struct {
	All  bool            `json:"all,omitempty"` // from: nothing is left of it
	Lot  string          `json:"lot"`
	Mass *quantity.Value `json:"mass,omitempty"` // not weighed: left out
}

// What is removed from a lot.
const (
	RemovedTrim   = "trim"
	RemovedWaste  = "waste"
	RemovedSample = "sample"
	RemovedStock  = "stock" // nothing was removed: this much was counted as still there
)

// LotRemoved is the body of mass that left a lot for good, or of its stock as counted.
type LotRemoved struct {
	Instrument string          `json:"instrument,omitempty"`
	Lot        string          `json:"lot"`
	Mass       *quantity.Value `json:"mass,omitempty"`
	Note       string          `json:"note,omitempty"`
	Step       string          `json:"step,omitempty"`
	What       string          `json:"what"`
}

// PlaceEmptied is the body of a place that carries product over and was found empty.
type PlaceEmptied struct {
	Note  string `json:"note,omitempty"`
	Place string `json:"place"`
}

// What a flag says of a running clock.
const (
	FlagNear = "near limit"
	FlagOver = "over limit"
)

// LotFlagged is the body of a running clock that nears its limit or has passed it.
type LotFlagged struct {
	Limit       string    `json:"limit"`
	LimitAt     time.Time `json:"limit_at"` // when the clock reaches the limit
	Lot         string    `json:"lot"`
	Of          string    `json:"of"` // the lot whose gel is oldest
	PlanVersion int       `json:"plan_version"`
	Point       string    `json:"point"`
	Start       time.Time `json:"start"`
	What        string    `json:"what"`
}

// LotHeld is the body of holds: every lot that one cause put on hold at once. The cause is a case, or a person
// with a reason.
type LotHeld struct {
	Deviation string    `json:"deviation,omitempty"`
	Lots      []HeldLot `json:"lots"` // sorted by lot
	Reason    string    `json:"reason,omitempty"`
}

// HeldLot says how a lot came to be on hold, as it was computed then. The times are those for which the cause
// touched it.
type HeldLot struct {
	From     time.Time `json:"from,omitzero"`
	How      string    `json:"how,omitempty"`
	Lot      string    `json:"lot"`
	Place    string    `json:"place,omitempty"`
	Released bool      `json:"released,omitempty"` // it had been released, and not shipped
	// Shipped says that nothing of it was left to hold: the record says since when it is known that what left is affected.
	Shipped bool      `json:"shipped,omitempty"`
	To      time.Time `json:"to,omitzero"`
	Via     string    `json:"via,omitempty"`
}

// LotEvaluated is the signed evaluation of a lot under a case (RULES 5.6), or of a gap in the evidence
// (RULES 6.2).
type LotEvaluated struct {
	Basis     string    `json:"basis"`
	Decision  string    `json:"decision"`
	Deviation string    `json:"deviation,omitempty"`
	Facts     string    `json:"facts"` // what was looked at
	From      time.Time `json:"from,omitzero"`
	// Instrument, Material and MaterialLot name what was evaluated where one of these was not in order.
	Instrument  string    `json:"instrument,omitempty"`
	Lot         string    `json:"lot"`
	Material    string    `json:"material,omitempty"`
	MaterialLot string    `json:"material_lot,omitempty"`
	Place       string    `json:"place,omitempty"`
	Point       string    `json:"point,omitempty"`
	Signature   Signature `json:"signature"`
	To          time.Time `json:"to,omitzero"`
}

// supply reports whether the evaluation is of a material or an instrument.
func (b *LotEvaluated) supply() bool {
	return b.Instrument != "" || b.Material != "" || b.MaterialLot != ""
}

// LotReviewed is the signed review of a lot's records.
type LotReviewed struct {
	Findings  string    `json:"findings,omitempty"`
	Lot       string    `json:"lot"`
	Signature Signature `json:"signature"`
}

// LotDisposed is one person's signature on what becomes of a lot. Where the plan asks for several people, it
// takes effect with the last of them.
type LotDisposed struct {
	// Confirmed lists what the system does not check and the signer confirms.
	Confirmed []string `json:"confirmed,omitempty"`
	// Covers lists the cases that the signer was shown, with the time for which each touched the lot then. A case
	// that touches it for longer later is not covered (RULES 5.4).
	Covers    []CaseOver      `json:"covers,omitempty"`
	Into      string          `json:"into,omitempty"` // reworked: the new lot
	Lot       string          `json:"lot"`
	Mass      *quantity.Value `json:"mass,omitempty"`
	Outcome   string          `json:"outcome"`
	Reason    string          `json:"reason"`
	Signature Signature       `json:"signature"`
	Where     string          `json:"where,omitempty"` // diverted to, destroyed how and where
}

// CaseOver is a case with the time for which it touches a lot.
type CaseOver struct {
	Deviation string    `json:"deviation"`
	From      time.Time `json:"from"`
	To        time.Time `json:"to,omitzero"` // zero: open
}

// LotShipped is the body of product that left the plant.
type LotShipped struct {
	All       bool            `json:"all,omitempty"`   // nothing of the lot is left
	Asked     bool            `json:"asked,omitempty"` // leave was asked first
	Boxes     []BoxRange      `json:"boxes,omitempty"`
	Carrier   string          `json:"carrier,omitempty"`
	Consignee Party           `json:"consignee"`
	Document  *Document       `json:"document,omitempty"`
	Lot       string          `json:"lot"`
	Mass      *quantity.Value `json:"mass,omitempty"`
	Note      string          `json:"note,omitempty"`
}

// Party is who product went to.
type Party struct {
	Address string `json:"address,omitempty"`
	Name    string `json:"name"`
	Phone   string `json:"phone,omitempty"`
}
