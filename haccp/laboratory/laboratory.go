// Package laboratory holds what is recorded about samples of a lot and their results, and decides what the results
// say by the specification of the product.
//
// A File is the laboratory's part of a lot: samples taken, handed over and received, and results as they were typed.
// What it says does not depend on the order in which it was heard of. Every result stands: a further result of a
// unit never takes the place of one that is outside, it only settles one that could not be decided. The package does
// no input or output and reads no clock.
package laboratory

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/quantity"
)

// Body is the body of a record about a sample of a lot.
type Body interface {
	// OfLot returns the code of the lot.
	OfLot() string
	// OfSample returns the id of the sample, unique within its lot.
	OfSample() string
}

// Sampled is the body of a sample taken from a lot; the envelope says when and by whom.
type Sampled struct {
	Each    *quantity.Value `json:"each,omitempty"` // mass or volume of one unit
	Lot     string          `json:"lot"`
	Note    string          `json:"note,omitempty"`
	Place   string          `json:"place,omitempty"`   // of the plan
	Product string          `json:"product,omitempty"` // id of the specification; empty: the only one of the plan
	Sample  string          `json:"sample"`            // as written on the label
	TakenBy string          `json:"taken_by,omitempty"`
	Tests   []string        `json:"tests,omitempty"` // ids of the tests asked for; empty: all of the specification
	Units   int64           `json:"units"`           // how many were drawn
	Where   string          `json:"where,omitempty"` // in words, such as the boxes it was drawn from
}

// Passed is the body of a sample handed over.
type Passed struct {
	Condition   string          `json:"condition,omitempty"`
	Lot         string          `json:"lot"`
	Note        string          `json:"note,omitempty"`
	Sample      string          `json:"sample"`
	Seal        string          `json:"seal,omitempty"`
	Temperature *quantity.Value `json:"temperature,omitempty"`
	To          string          `json:"to"` // person, carrier or laboratory
}

// Received is the body of a sample received by a laboratory.
type Received struct {
	Condition   string          `json:"condition,omitempty"`
	Laboratory  string          `json:"laboratory"`
	Lot         string          `json:"lot"`
	Note        string          `json:"note,omitempty"`
	Sample      string          `json:"sample"`
	Seal        string          `json:"seal,omitempty"`
	Temperature *quantity.Value `json:"temperature,omitempty"`
	// Unfit says why it was not fit to be tested: its results then show nothing good.
	Unfit string `json:"unfit,omitempty"`
}

// Reported is the body of the results of one test of one sample.
type Reported struct {
	Analyst     string    `json:"analyst,omitempty"`
	Attached    *Attached `json:"attached,omitempty"`
	Finished    time.Time `json:"finished"` // when the test was finished
	Laboratory  string    `json:"laboratory"`
	Lot         string    `json:"lot"`
	Method      string    `json:"method"`
	Note        string    `json:"note,omitempty"`
	Presumptive bool      `json:"presumptive,omitempty"` // a positive that is not confirmed yet
	Retest      string    `json:"retest,omitempty"`      // why units were tested again
	Sample      string    `json:"sample"`
	Test        string    `json:"test"`
	Units       []Unit    `json:"units"`
}

// Unit is the result of one unit of a sample.
type Unit struct {
	// In is the amount that was examined, of a test for what is found or not.
	In *quantity.Value `json:"in,omitempty"`
	// Unit numbers the units of the sample from 1.
	Unit int64 `json:"unit"`
	// Value is as typed; yes says found, of a test for what is found or not.
	Value quantity.Value `json:"value"`
}

// Attached names a report of the laboratory that is kept elsewhere.
type Attached struct {
	Hash   string `json:"hash"` // SHA-256 of the file, hex
	Name   string `json:"name"`
	Number string `json:"number,omitempty"`
}

// OfLot returns the lot of the sample.
func (b *Sampled) OfLot() string { return b.Lot }

// OfSample returns the id of the sample.
func (b *Sampled) OfSample() string { return b.Sample }

// OfLot returns the lot of the sample.
func (b *Passed) OfLot() string { return b.Lot }

// OfSample returns the id of the sample.
func (b *Passed) OfSample() string { return b.Sample }

// OfLot returns the lot of the sample.
func (b *Received) OfLot() string { return b.Lot }

// OfSample returns the id of the sample.
func (b *Received) OfSample() string { return b.Sample }

// OfLot returns the lot of the sample.
func (b *Reported) OfLot() string { return b.Lot }

// OfSample returns the id of the sample.
func (b *Reported) OfSample() string { return b.Sample }

// Act is one record about a sample, with who reported it. Exactly one of the bodies is set.
type Act struct {
	ID       string    `json:"id"`
	Seq      int64     `json:"seq"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`   // id
	Name     string    `json:"name"` // printed
	Sampled  *Sampled  `json:"sampled,omitempty"`
	Passed   *Passed   `json:"passed,omitempty"`
	Received *Received `json:"received,omitempty"`
	Reported *Reported `json:"reported,omitempty"`
}

// File is what is recorded about the samples of one lot, by at, then id. It is not changed: Put and Drop give a new one.
type File []Act

// Put returns the file with a record in its place; a body amended since takes the place of the old.
func (f File) Put(a Act, b Body) File {
	switch b := b.(type) {
	case *Sampled:
		a.Sampled = b
	case *Passed:
		a.Passed = b
	case *Received:
		a.Received = b
	case *Reported:
		a.Reported = b
	default:
		return f
	}
	out := append(f.Drop(a.ID), a)
	slices.SortFunc(out, func(x, y Act) int { return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.ID, y.ID)) })
	return out
}

// Drop returns the file without a record that was voided.
func (f File) Drop(id string) File {
	return slices.DeleteFunc(slices.Clone(f), func(a Act) bool { return a.ID == id })
}

// Sample is what is recorded about one sample.
type Sample struct {
	ID      string
	Taken   *Act  // nil: its taking is not recorded
	Custody []Act // handed over and received
	Reports []Act // results
}

// body returns the body that an act has.
func (a *Act) body() Body {
	switch {
	case a.Sampled != nil:
		return a.Sampled
	case a.Passed != nil:
		return a.Passed
	case a.Received != nil:
		return a.Received
	}
	return a.Reported
}

// Samples gathers the file by sample, in the order in which they were taken or first heard of.
func (f File) Samples() []Sample {
	var out []Sample
	at := map[string]int{}
	for i := range f {
		a := &f[i]
		id := a.body().OfSample()
		n, ok := at[id]
		if !ok {
			n = len(out)
			at[id], out = n, append(out, Sample{ID: id})
		}
		s := &out[n]
		switch {
		case a.Sampled != nil && s.Taken == nil:
			s.Taken = a
		case a.Reported != nil:
			s.Reports = append(s.Reports, *a)
		case a.Sampled == nil:
			s.Custody = append(s.Custody, *a)
		}
	}
	return out
}

// Sample returns a sample by its id; false where nothing is recorded about it.
func (f File) Sample(id string) (Sample, bool) {
	for _, s := range f.Samples() {
		if s.ID == id {
			return s, true
		}
	}
	return Sample{}, false
}

// FirstTaken is when the first sample was taken; zero where none is recorded.
func (f File) FirstTaken() time.Time {
	for i := range f {
		if f[i].Sampled != nil {
			return f[i].At
		}
	}
	return time.Time{}
}

// Products lists the products that the samples name, each once, sorted.
func (f File) Products() []string {
	var out []string
	for i := range f {
		if b := f[i].Sampled; b != nil && b.Product != "" {
			out = append(out, b.Product)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Asks reports whether a sample was taken for a test. One whose taking is not recorded asks for what it has results of.
func (s *Sample) Asks(test string) bool {
	if s.Taken != nil && (len(s.Taken.Sampled.Tests) == 0 || slices.Contains(s.Taken.Sampled.Tests, test)) {
		return true
	}
	return slices.ContainsFunc(s.Reports, func(a Act) bool { return a.Reported.Test == test })
}

// Unfit says why the sample was not fit to be tested when it was received; empty: it was, or nothing is recorded.
func (s *Sample) Unfit() string {
	for i := range s.Custody {
		if r := s.Custody[i].Received; r != nil && r.Unfit != "" {
			return r.Unfit
		}
	}
	return ""
}

// Arrived reports whether a laboratory recorded the receipt of the sample.
func (s *Sample) Arrived() bool {
	return slices.ContainsFunc(s.Custody, func(a Act) bool { return a.Received != nil })
}

// Has reports whether the sample has a result already of a unit and test that a report gives one of.
func (s *Sample) Has(b *Reported) bool {
	return slices.ContainsFunc(s.Reports, func(a Act) bool {
		return a.Reported.Test == b.Test && slices.ContainsFunc(a.Reported.Units, func(x Unit) bool {
			return slices.ContainsFunc(b.Units, func(y Unit) bool { return x.Unit == y.Unit })
		})
	})
}
