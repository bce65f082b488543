package laboratory

import (
	"slices"

	"linewarden/haccp/plan"
)

// How a test of a specification stands for a lot.
const (
	Missing    = "missing" // no sample was taken for it
	Pending    = "pending" // a sample waits for results, or they are not evaluated
	Failing    = "failing" // a sample does not conform
	Conforming = "conforming"
)

// Status is how one test of a specification stands for a lot.
type Status struct {
	Test      string     `json:"test"`
	Name      string     `json:"name"`
	Rule      string     `json:"rule"` // as people read it
	Required  bool       `json:"required"`
	Pathogen  bool       `json:"pathogen,omitempty"`
	Status    string     `json:"status" enum:"missing,pending,failing,conforming"`
	Decisions []Decision `json:"decisions"` // a sample each
}

// Statuses says how every test of a specification stands. All samples of the lot count: one that does not conform makes
// the test fail, whatever the others say, and one that waits makes it wait.
func (f File) Statuses(p *plan.Product) []Status {
	samples := f.Samples()
	out := make([]Status, 0, len(p.Tests))
	for i := range p.Tests {
		t := &p.Tests[i]
		x := Status{Test: t.ID, Name: t.Name, Rule: t.String(), Required: !t.Informative, Pathogen: t.Pathogen, Status: Missing, Decisions: []Decision{}}
		for j := range samples {
			if samples[j].Asks(t.ID) {
				x.add(Judge(t, t.ID, &samples[j]))
			}
		}
		out = append(out, x)
	}
	return out
}

// rank orders how much a decision weighs in the status of its test.
var rank = []string{Missing, Conforming, Pending, Failing}

func (x *Status) add(d Decision) {
	x.Decisions = append(x.Decisions, d)
	now := map[string]string{Conforms: Conforming, DoesNot: Failing, NotEvaluated: Pending}[d.Verdict]
	if slices.Index(rank, now) > slices.Index(rank, x.Status) {
		x.Status = now
	}
}

// Alarm is a decision that opens a case: a required test that does not conform, or a pathogen that was found.
type Alarm struct {
	Decision
	Test     *plan.ProductTest
	Pathogen bool
}

// Alarms lists the decisions of a lot that open a case, sample by sample in the order of the tests.
func (f File) Alarms(p *plan.Product) []Alarm {
	var out []Alarm
	samples := f.Samples()
	for i := range samples {
		for j := range p.Tests {
			t := &p.Tests[j]
			if d := Judge(t, t.ID, &samples[i]); d.Verdict == DoesNot && !t.Informative || t.Pathogen && d.Positive && t.AbsentIn != nil {
				out = append(out, Alarm{Decision: d, Test: t, Pathogen: t.Pathogen})
			}
		}
	}
	return out
}

// Decisions says what the results of a sample say, for every test that it was taken for.
func (s *Sample) Decisions(p *plan.Product) []Decision {
	var out []Decision
	for i := range p.Tests {
		if t := &p.Tests[i]; s.Asks(t.ID) {
			out = append(out, Judge(t, t.ID, s))
		}
	}
	return out
}

// Waits reports whether a decision waits for results: there are too few, or they decide nothing. Those of a sample that
// was not fit wait for nothing.
func (d *Decision) Waits() bool {
	return d.Verdict == NotEvaluated && d.Why != WhyUnfit && d.Why != WhyNoTest
}
