// Package recall holds the rules of traceability exercises: what one begins with, what following the product backward
// and forward came upon, how much of the mass the records account for, and how long it took from the start to the signed
// end. The bodies of its records and the state of an exercise stand here; package haccp decides and folds them.
//
// An exercise changes nothing about lots. Whether product is withdrawn is decided by the person responsible under the
// law of the place; nothing here decides it.
package recall

import (
	"strconv"
	"time"

	"linewarden/haccp/quantity"
)

// The kinds of things an exercise begins with. A field lot is a lot that was received.
const (
	FromLot      = "lot"
	FromBox      = "box"
	FromMaterial = "material"
)

// Kinds lists what an exercise may begin with.
func Kinds() []string { return []string{FromLot, FromBox, FromMaterial} }

// Subject is what a trace begins with.
type Subject struct {
	Kind string `json:"kind"`
	// Code of the lot or of the lot of a material; of a box what stands before its number, which may be nothing.
	Code   string `json:"code,omitempty"`
	Number int64  `json:"number,omitempty"` // of a box
}

// Name is how people call it: the code, or that of a box with its number.
func (s Subject) Name() string {
	if s.Kind == FromBox {
		return s.Code + strconv.FormatInt(s.Number, 10)
	}
	return s.Code
}

// Started is the body of the start of an exercise.
type Started struct {
	Exercise string  `json:"exercise"`
	Reason   string  `json:"reason"`
	Subject  Subject `json:"subject"`
}

// Finished is what the end of an exercise records, beside the signature.
type Finished struct {
	Conclusion string `json:"conclusion"` // what the signer makes of it: gaps found, what is to be done
	Exercise   string `json:"exercise"`
	Result     Result `json:"result"`
	TookMS     int64  `json:"took_ms"` // from the start to this record
}

// Most bounds every list of a result; counts are whole.
const Most = 200

// Result is what a trace came upon, as the records said at the head that was signed.
type Result struct {
	Backward Backward `json:"backward"`
	Balance  Balance  `json:"balance"`
	Forward  Forward  `json:"forward"`
	Lots     []string `json:"lots"`               // that it begins with, at most Most
	Material *Stock   `json:"material,omitempty"` // where it begins with a lot of a material
}

// Backward is what the lots were made of.
type Backward struct {
	FieldLots   []string        `json:"field_lots,omitempty"` // received from outside
	Instruments int64           `json:"instruments"`          // that measured on them or where they were
	Lots        int64           `json:"lots"`                 // those it begins with among them
	Materials   []string        `json:"materials,omitempty"`  // lots of materials, in them or in the water they passed
	People      int64           `json:"people"`               // who reported on them
	Received    *quantity.Value `json:"received,omitempty"`   // of the field lots together, as far as weighed
	Sources     []string        `json:"sources,omitempty"`    // farms and suppliers
	Unknown     []string        `json:"unknown,omitempty"`    // lots that are named and not recorded
}

// Forward is what became of the lots.
type Forward struct {
	Boxes      int64       `json:"boxes"`
	Consignees []Consignee `json:"consignees,omitempty"`
	Lots       int64       `json:"lots"` // those it begins with among them
	Shipments  int64       `json:"shipments"`
}

// Consignee is what somebody was sent.
type Consignee struct {
	Boxes     int64          `json:"boxes"`
	Mass      quantity.Value `json:"mass"`
	Name      string         `json:"name"`
	Shipments int64          `json:"shipments"`
	Unweighed int64          `json:"unweighed,omitempty"` // shipments without a mass
}

// Stock is where a lot of a material went: received + adjusted - used = left.
type Stock struct {
	Adjusted   string `json:"adjusted"` // differences found at counts, added up
	Left       string `json:"left"`
	Received   string `json:"received"`
	Unit       string `json:"unit"`
	Unmeasured int64  `json:"unmeasured,omitempty"` // records without an amount, in none of the sums
	Used       string `json:"used"`
}

// Exercise is an exercise as it stands.
type Exercise struct {
	ID      string    `json:"id"`
	Seq     int64     `json:"seq"` // of its start
	Started time.Time `json:"started"`
	By      string    `json:"by"` // printed name
	Reason  string    `json:"reason"`
	Subject Subject   `json:"subject"`
	End     *End      `json:"end,omitempty"` // nil: not finished
}

// End is how an exercise was finished.
type End struct {
	ID         string    `json:"id"` // of the record
	Seq        int64     `json:"seq"`
	At         time.Time `json:"at"`
	By         string    `json:"by"` // printed name of the signer
	Role       string    `json:"role"`
	Conclusion string    `json:"conclusion"`
	TookMS     int64     `json:"took_ms"`
	Result     Result    `json:"result"`
}

// Open reports whether it is not finished.
func (x *Exercise) Open() bool { return x.End == nil }

// Took is how long it took, or runs by now.
func (x *Exercise) Took(now time.Time) time.Duration {
	if x.End != nil {
		return time.Duration(x.End.TookMS) * time.Millisecond
	}
	return now.Sub(x.Started)
}

// Keep is how long a finished exercise stays in the state after a newer one began: beyond a yearly round, so that the
// last one can always be shown. Older ones are found by their records.
const Keep = 800 * 24 * time.Hour

// Faded reports whether a finished exercise is older than is kept, seen from the start of a newer one.
func (x *Exercise) Faded(at time.Time) bool { return x.End != nil && x.End.At.Before(at.Add(-Keep)) }
