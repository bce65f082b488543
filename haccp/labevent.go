package haccp

import (
	"time"
)

// The kinds of records about samples of lots; their bodies are those of package laboratory. They are reports, and carry
// the keys of their lot.
const (
	KindLotSampled     = "lot.sampled"     // *laboratory.Sampled
	KindSamplePassed   = "sample.passed"   // *laboratory.Passed
	KindSampleReceived = "sample.received" // *laboratory.Received
	KindResult         = "result.reported" // *laboratory.Reported
)

// GroundResult is the ground of a case opened by results outside the specification.
const GroundResult = "result"

// The codes of findings about samples and results.
const (
	FindingSampleThere     = "sample-known-already"
	FindingUnknownSample   = "unknown-sample"      // its taking was not recorded before
	FindingSampleNotThere  = "sample-not-received" // no receipt by a laboratory was recorded before; stops nothing
	FindingOtherMethod     = "other-method"        // than the specification names
	FindingOtherLaboratory = "other-laboratory"
	FindingNoRetestReason  = "retest-without-reason"
	FindingBeforeSample    = "finished-before-sample"
	FindingNotInSpec       = "test-not-in-specification"
)

// TestedCase is the case opened for the results of one test of one sample.
type TestedCase struct {
	Sample    string   `json:"sample"`
	Test      string   `json:"test"`
	Deviation string   `json:"deviation"`
	Results   []string `json:"results,omitempty"` // ids of the records that were outside when it was opened
}

// OutOfSpecification is a case of results outside the specification that is not closed and stands as the facts are.
type OutOfSpecification struct {
	Deviation   string    `json:"deviation"`
	Number      int64     `json:"number"`
	Lot         string    `json:"lot"`
	Sample      string    `json:"sample"`
	Test        string    `json:"test"`
	TestName    string    `json:"test_name"`
	Pathogen    bool      `json:"pathogen,omitempty"`
	Presumptive bool      `json:"presumptive,omitempty"` // when the case was opened
	Found       time.Time `json:"found"`                 // recorded_at of its opening
}

// OutOfSpecification lists the results outside the specification that stand, in the order of their cases. It looks at
// the cases of the state only.
func (s *State) OutOfSpecification() []OutOfSpecification {
	var out []OutOfSpecification
	for _, d := range s.Cases() {
		if d.Ground != GroundResult || d.IsClosed || d.Now.Begin.IsZero() || d.Result == nil {
			continue
		}
		out = append(out, OutOfSpecification{Deviation: d.Deviation, Number: d.Number, Lot: d.Lot, Sample: d.Result.Sample, Test: d.Result.Test,
			TestName: d.Result.Name, Pathogen: d.Critical, Presumptive: d.Result.Presumptive, Found: d.Found})
	}
	return out
}

// ResultCase says in the opening of a case which results were outside.
type ResultCase struct {
	By          []string `json:"by"`   // ids of those who reported them, sorted: none of them closes the case
	Name        string   `json:"name"` // of the test
	Presumptive bool     `json:"presumptive,omitempty"`
	Results     []string `json:"results"` // ids of the records, sorted
	Rule        string   `json:"rule"`    // of the specification, as people read it
	Sample      string   `json:"sample"`
	Test        string   `json:"test"`
}
