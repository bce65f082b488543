// Package material holds the lots of ingredients, processing aids and packaging as plain values: what was received,
// whether it was approved, what of it was used where, and what is left.
//
// A lot is what the records about it say, in whatever order they came: its standing at a moment and its stock follow
// from the times of the records, not from when they were heard of.
package material

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Received is the body of a delivery, or a part of one, of a material.
type Received struct {
	Certificate *Certificate    `json:"certificate,omitempty"`
	Expiry      plan.Date       `json:"expiry,omitempty"` // the last day on which it may be used
	Lot         string          `json:"lot"`              // the plant's own code, unique among materials
	Material    string          `json:"material"`         // as the plan names it
	Note        string          `json:"note,omitempty"`
	Quantity    *quantity.Value `json:"quantity,omitempty"` // mass, volume or pieces
	Strength    *Strength       `json:"strength,omitempty"` // of a chlorine product
	Supplier    string          `json:"supplier"`
	SupplierLot string          `json:"supplier_lot,omitempty"`
}

// Certificate is a certificate of analysis that stands elsewhere, known again by its hash.
type Certificate struct {
	Hash string `json:"hash"` // SHA-256 of the file, in hexadecimal
	Name string `json:"name"` // of the file, or number of the paper
}

// Ruling is the body of an approval or rejection, beside the signature.
type Ruling struct {
	Lot      string `json:"lot"`
	Material string `json:"material"`
	Reason   string `json:"reason"` // what was looked at, or what is wrong with it
}

// Counted is the body of a stock that was counted, with the reason why it is not what the records say.
type Counted struct {
	Lot      string         `json:"lot"`
	Quantity quantity.Value `json:"quantity"`
	Reason   string         `json:"reason"`
}

// Lot is a lot of a material as its records have it. Lists are in the order of their times, then ids.
type Lot struct {
	Code     string    `json:"code"`
	Receipts []Receipt `json:"receipts,omitempty"`
	Rulings  []Ruled   `json:"rulings,omitempty"` // in the order of signing
	Counts   []Count   `json:"counts,omitempty"`
	Uses     []Use     `json:"uses,omitempty"`
	Touched  int64     `json:"touched"` // seq of the last record about it
	Judged   int64     `json:"judged"`  // seq of the last record that may change how it stands
}

// Receipt is a delivery of the lot.
type Receipt struct {
	ID   string    `json:"id"`
	Seq  int64     `json:"seq"`
	At   time.Time `json:"at"`
	By   string    `json:"by"` // printed name
	Body *Received `json:"body"`
}

// Ruled is a signed approval or rejection.
type Ruled struct {
	Seq      int64     `json:"seq"`
	At       time.Time `json:"at"`
	By       string    `json:"by"` // printed name
	Approved bool      `json:"approved,omitempty"`
	Reason   string    `json:"reason"`
}

// Count is a stock as it was counted.
type Count struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at"`
	By     string    `json:"by"` // printed name
	Amount *Amount   `json:"amount,omitempty"`
	Reason string    `json:"reason"`
}

// Use is an addition to a bath or a step of a lot that took something of it.
type Use struct {
	ID       string    `json:"id"`
	At       time.Time `json:"at"`
	Material string    `json:"material,omitempty"` // as the report named it
	Amount   *Amount   `json:"amount,omitempty"`   // nil: not stated
	Lot      string    `json:"lot,omitempty"`      // of product
	Step     string    `json:"step,omitempty"`
	Place    string    `json:"place,omitempty"`
	// Named says that it was named when a step began, without an amount: what was used of it is said when the step ends.
	Named bool `json:"named,omitempty"`
	Part  int  `json:"part,omitempty"` // which of the uses its report tells of, from 0
}

// Clone returns a lot that may be changed without changing l.
func (l *Lot) Clone() *Lot {
	own := *l
	own.Receipts, own.Rulings = slices.Clip(l.Receipts), slices.Clip(l.Rulings)
	own.Counts, own.Uses = slices.Clip(l.Counts), slices.Clip(l.Uses)
	return &own
}

// put places v where its time and id want it and takes out what had its id before; the list is made anew.
func put[T any](list []T, v T, key func(*T) (time.Time, string)) []T {
	at, id := key(&v)
	list = slices.DeleteFunc(slices.Clone(list), func(x T) bool { _, other := key(&x); return other == id })
	i, _ := slices.BinarySearchFunc(list, v, func(x, _ T) int {
		xat, xid := key(&x)
		return cmp.Or(xat.Compare(at), cmp.Compare(xid, id))
	})
	return slices.Insert(list, i, v)
}

func receiptKey(r *Receipt) (time.Time, string) { return r.At, r.ID }
func countKey(c *Count) (time.Time, string)     { return c.At, c.ID }
func useKey(u *Use) (time.Time, string)         { return u.At, u.ID + " " + strconv.Itoa(u.Part) }

// Receive adds a delivery, or puts its amended body in the place of the old.
func (l *Lot) Receive(r Receipt) { l.Receipts = put(l.Receipts, r, receiptKey) }

// Rule adds an approval or rejection.
func (l *Lot) Rule(r Ruled) { l.Rulings = append(slices.Clip(l.Rulings), r) }

// Recount adds a counted stock, or puts its amended body in the place of the old.
func (l *Lot) Recount(c Count) { l.Counts = put(l.Counts, c, countKey) }

// Take adds a use. Drop takes out the uses of a report before its amended body gives others.
func (l *Lot) Take(u Use) {
	if n := len(l.Uses); n > 0 && l.Uses[n-1].At.Before(u.At) { // nearly always
		l.Uses = append(l.Uses[:n:n], u)
		return
	}
	l.Uses = put(l.Uses, u, useKey)
}

// Drop takes out what a report said.
func (l *Lot) Drop(id string) {
	l.Receipts = slices.DeleteFunc(slices.Clone(l.Receipts), func(r Receipt) bool { return r.ID == id })
	l.Counts = slices.DeleteFunc(slices.Clone(l.Counts), func(c Count) bool { return c.ID == id })
	l.Uses = slices.DeleteFunc(slices.Clone(l.Uses), func(u Use) bool { return u.ID == id })
}

// Empty reports whether nothing is known of the lot.
func (l *Lot) Empty() bool { return len(l.Receipts)+len(l.Rulings)+len(l.Counts)+len(l.Uses) == 0 }

// Last is the time of the newest record about it.
func (l *Lot) Last() time.Time {
	var last time.Time
	for _, m := range l.movements() {
		last = m.at // in order
	}
	for _, r := range l.Rulings {
		if r.At.After(last) {
			last = r.At
		}
	}
	return last
}

// Material returns the material it was received as, "" where no receipt is known.
func (l *Lot) Material() string {
	if len(l.Receipts) == 0 {
		return ""
	}
	return l.Receipts[0].Body.Material
}

// Expiry returns the earliest last day of use that a receipt states; "" where none does.
func (l *Lot) Expiry() plan.Date {
	var first plan.Date
	for _, r := range l.Receipts {
		if x := r.Body.Expiry; x != "" && (first == "" || x < first) {
			first = x
		}
	}
	return first
}

// Strength returns the newest strength that was stated, nil where none was.
func (l *Lot) Strength() *Strength {
	for _, r := range slices.Backward(l.Receipts) {
		if r.Body.Strength != nil {
			return r.Body.Strength
		}
	}
	return nil
}

// Certified reports whether a certificate was received with it.
func (l *Lot) Certified() bool {
	return slices.ContainsFunc(l.Receipts, func(r Receipt) bool { return r.Body.Certificate != nil })
}
