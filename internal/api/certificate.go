package api

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Certificate is the certificate of analysis of a released lot: what it was held against, every result, who released
// it, and the checkpoint under which all of that can be checked in an export of the log.
type Certificate struct {
	Site          string            `json:"site"`
	Plant         string            `json:"plant"`
	Demo          bool              `json:"demo,omitempty" doc:"Plant and limits are invented."`
	Lot           string            `json:"lot"`
	Product       string            `json:"product,omitempty" doc:"Id of the specification. Missing: the plan has none, and the results were confirmed by signature."`
	ProductName   string            `json:"product_name,omitempty"`
	Specification int               `json:"specification" doc:"Version of the plan that the specification stands in."`
	Made          time.Time         `json:"made,omitzero"`
	Boxes         []lot.Boxes       `json:"boxes"`
	Tests         []CertificateTest `json:"tests"`
	Confirmed     []string          `json:"confirmed" doc:"What the system did not check and the signers confirmed."`
	Evaluated     []CertificateCase `json:"evaluated" doc:"Cases under which the lot was evaluated before its release."`
	Release       []CertificateSign `json:"release"`
	Issued        time.Time         `json:"issued"`
	Head          haccp.Head        `json:"head"`
	Checkpoint    string            `json:"checkpoint" doc:"Signed note (C2SP) of the head."`
	Key           string            `json:"key"`
}

// CertificateTest is one test of the specification with its results.
type CertificateTest struct {
	Test     string              `json:"test"`
	Name     string              `json:"name"`
	Rule     string              `json:"rule"`
	Basis    string              `json:"basis,omitempty" doc:"Source of the limit, or the plant's decision."`
	Required bool                `json:"required"`
	Decision string              `json:"decision" enum:"missing,pending,failing,conforming"`
	Results  []CertificateResult `json:"results"`
}

// CertificateResult is the result of one unit, as typed.
type CertificateResult struct {
	Sample     string               `json:"sample"`
	Unit       int64                `json:"unit"`
	Value      quantity.Value       `json:"value" doc:"true: found."`
	In         *quantity.Value      `json:"in,omitempty" doc:"Amount examined."`
	Method     string               `json:"method"`
	Laboratory string               `json:"laboratory"`
	Analyst    string               `json:"analyst,omitempty"`
	Finished   time.Time            `json:"finished"`
	Retest     string               `json:"retest,omitempty" doc:"Why the unit was tested again."`
	Attached   *laboratory.Attached `json:"attached,omitempty"`
	Record     int64                `json:"record" doc:"Seq of its record."`
}

// CertificateCase is a case under which the lot was evaluated.
type CertificateCase struct {
	Deviation string    `json:"deviation"`
	Number    int64     `json:"number,omitempty" doc:"Missing: closed, and no longer among the open cases."`
	Decision  string    `json:"decision" enum:"no-effect,fit,not-fit"`
	Basis     string    `json:"basis"`
	By        string    `json:"by"`
	At        time.Time `json:"at"`
}

// CertificateSign is a signature on the release.
type CertificateSign struct {
	Name      string     `json:"name"`
	Role      string     `json:"role"`
	Meaning   string     `json:"meaning"`
	Statement string     `json:"statement"`
	Language  string     `json:"language"`
	At        time.Time  `json:"at"`
	Record    int64      `json:"record"`
	Head      haccp.Head `json:"head" doc:"Of the log as it was signed at."`
}

func (q *call) certificate() (Certificate, error) {
	s, _, l, err := q.gathered(q.param("lot"))
	if err != nil {
		return Certificate{}, err
	}
	signed := l.Disposed()
	state := l.State()
	if signed == nil || signed.Body.Outcome != plan.Release || state != haccp.LotReleased && state != haccp.LotShippedAs {
		return Certificate{}, &haccp.Refusal{Kind: haccp.ErrConflict, Field: "lot", Code: "not-certified", Data: map[string]string{"state": state},
			Message: "there is a certificate only of a released lot: this one is " + state}
	}
	head := q.api.Site.Head()
	note, err := q.api.Evidence.Checkpoint(q.UserContext())
	if err != nil {
		return Certificate{}, err
	}
	out := Certificate{Site: s.Site.Site, Plant: s.Site.Name, Demo: s.Site.Demo, Lot: l.Code, Made: l.Born(), Boxes: list(l.Boxes()), Tests: []CertificateTest{},
		Confirmed: []string{}, Evaluated: []CertificateCase{}, Release: []CertificateSign{}, Issued: q.now, Head: headOf(head), Checkpoint: note, Key: q.api.Evidence.Key()}
	p, version := s.Specification(l, signed.At)
	out.Specification = version
	if p != nil {
		out.Product, out.ProductName = p.ID, p.Name
		out.Tests = certifiedTests(l, p)
	}
	out.sign(s, l, signed)
	return out, nil
}

func certifiedTests(l *haccp.LotState, p *plan.Product) []CertificateTest {
	out := []CertificateTest{}
	for i, x := range l.Laboratory.Statuses(p) {
		t := CertificateTest{Test: x.Test, Name: x.Name, Rule: x.Rule, Required: x.Required, Decision: x.Status, Results: []CertificateResult{}, Basis: p.Tests[i].Basis.Source}
		if p.Tests[i].Decision != "" {
			t.Basis = p.Tests[i].Decision
		}
		for j := range l.Laboratory {
			a := &l.Laboratory[j]
			if a.Reported == nil || a.Reported.Test != x.Test {
				continue
			}
			for _, u := range a.Reported.Units {
				b := a.Reported
				t.Results = append(t.Results, CertificateResult{Sample: b.Sample, Unit: u.Unit, Value: u.Value, In: u.In, Method: b.Method, Laboratory: b.Laboratory,
					Analyst: b.Analyst, Finished: b.Finished, Retest: b.Retest, Attached: b.Attached, Record: a.Seq})
			}
		}
		out = append(out, t)
	}
	return out
}

// sign adds who released the lot, with the signatures before the last that belong to the same release, and what was
// evaluated before.
func (c *Certificate) sign(s *haccp.State, l *haccp.LotState, last *haccp.Disposition) {
	for i := range l.Signed {
		d := &l.Signed[i]
		if d.Seq > last.Seq || d.Body.Outcome != plan.Release {
			continue
		}
		if d.Effective && d.Seq < last.Seq { // an earlier release, put on hold since
			c.Release, c.Confirmed = c.Release[:0], c.Confirmed[:0]
			continue
		}
		g := &d.Body.Signature
		c.Release = append(c.Release, CertificateSign{Name: d.By.Name, Role: d.By.Role, Meaning: g.Meaning, Statement: g.Statement, Language: g.Language, At: d.At,
			Record: d.Seq, Head: g.Head})
		c.Confirmed = d.Body.Confirmed
	}
	c.Confirmed = list(c.Confirmed)
	for _, e := range l.Evaluations {
		if e.Body.Deviation == "" || e.Seq > last.Seq {
			continue
		}
		x := CertificateCase{Deviation: e.Body.Deviation, Decision: e.Body.Decision, Basis: e.Body.Basis, By: e.By.Name, At: e.At}
		if d, ok := s.Case(x.Deviation); ok {
			x.Number = d.Number
		}
		c.Evaluated = append(c.Evaluated, x)
	}
}
