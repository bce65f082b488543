package frame

import (
	"net/url"
	"strconv"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// SampleView is a sample as the pages show it.
type SampleView struct {
	Lot, Sample, Path, Taken string
	Open                     int // tests that wait for results
	Custody                  []string
	Tests                    []TestView
}

// TestView is a test of a sample or of a lot, with its decision and its results as typed.
type TestView struct {
	Name, Rule, Mark, Text, Path string
	Results                      []ResultView
}

// ResultView is one report of results.
type ResultView struct {
	Head, Record string
	Units        []string
	Notes        []string
}

// SamplePath is the address of the page of a sample.
func SamplePath(code, sample string) string {
	return "/laboratory/" + url.PathEscape(code) + "/" + url.PathEscape(sample)
}

// decisionMarks gives the shape of each decision; the word always stands beside it.
var decisionMarks = map[string]string{laboratory.Conforms: "inside", laboratory.DoesNot: "outside", laboratory.NotEvaluated: "open"}

// SampleView words a sample of a lot.
func (f *Frame) SampleView(l *haccp.LotState, s *laboratory.Sample) SampleView {
	v := SampleView{Lot: l.Code, Sample: s.ID, Path: SamplePath(l.Code, s.ID), Taken: f.T("laboratory.not-taken")}
	if s.Taken != nil {
		v.Taken = f.T("laboratory.taken", "at", f.At(s.Taken.At), "by", s.Taken.Name, "units", strconv.FormatInt(s.Taken.Sampled.Units, 10))
		v.Taken = joinLines(v.Taken, s.Taken.Sampled.Where)
	}
	for i := range s.Custody {
		v.Custody = append(v.Custody, f.custody(&s.Custody[i]))
	}
	p := f.State.HeldTo(l)
	for _, d := range s.Decisions(p) {
		if d.Waits() {
			v.Open++
		}
		v.Tests = append(v.Tests, f.testView(p.Test(d.Test), &d, s, v.Path))
	}
	return v
}

func (f *Frame) custody(a *laboratory.Act) string {
	if b := a.Passed; b != nil {
		return joinLines(f.T("laboratory.passed", "to", b.To, "at", f.At(a.At), "by", a.Name), joinLines(shownValue(b.Temperature), joinLines(b.Condition, b.Seal)))
	}
	b := a.Received
	text := joinLines(f.T("laboratory.received", "laboratory", b.Laboratory, "at", f.At(a.At), "by", a.Name), joinLines(shownValue(b.Temperature), joinLines(b.Condition, b.Seal)))
	if b.Unfit != "" {
		text = joinLines(text, f.T("laboratory.unfit", "why", b.Unfit))
	}
	return text
}

func shownValue(v *quantity.Value) string {
	if v == nil {
		return ""
	}
	return v.String()
}

func (f *Frame) testView(t *plan.ProductTest, d *laboratory.Decision, s *laboratory.Sample, path string) TestView {
	v := TestView{Name: t.Name, Rule: f.Lang.Rule(t.String()), Mark: decisionMarks[d.Verdict], Text: f.Word("decision", d.Verdict), Path: path + "/" + url.PathEscape(t.ID)}
	if d.Why != "" {
		v.Text = joinLines(v.Text, f.Word("why", d.Why))
	}
	for i := range s.Reports {
		a := &s.Reports[i]
		if a.Reported.Test != t.ID {
			continue
		}
		r := ResultView{Head: f.T("laboratory.reported", "at", f.At(a.At), "by", a.Name), Record: a.ID, Notes: []string{joinLines(a.Reported.Method, a.Reported.Laboratory)}}
		for j := range a.Reported.Units {
			u := &a.Reported.Units[j]
			r.Units = append(r.Units, f.T("laboratory.unit-result", "unit", strconv.FormatInt(u.Unit, 10), "value", f.UnitValue(t, u)))
		}
		if a.Reported.Presumptive {
			r.Notes = append(r.Notes, f.T("laboratory.presumptive"))
		}
		if a.Reported.Retest != "" {
			r.Notes = append(r.Notes, f.T("laboratory.retest")+": "+a.Reported.Retest)
		}
		v.Results = append(v.Results, r)
	}
	return v
}

// UnitValue words the result of a unit as it was typed.
func (f *Frame) UnitValue(t *plan.ProductTest, u *laboratory.Unit) string {
	yes, is := u.Value.Yes()
	switch {
	case !is:
		return u.Value.String()
	case t.AbsentIn == nil && yes:
		return f.T("answer.yes")
	case t.AbsentIn == nil:
		return f.T("answer.no")
	}
	text := f.T("laboratory.not-found")
	if yes {
		text = f.T("laboratory.found")
	}
	if u.In != nil {
		text += " (" + u.In.String() + ")"
	}
	return text
}

// LotTests words how the tests of its specification stand for a lot.
func (f *Frame) LotTests(s *haccp.State, l *haccp.LotState) []TestView {
	marks := map[string]string{laboratory.Conforming: "inside", laboratory.Failing: "outside", laboratory.Pending: "open", laboratory.Missing: "open"}
	var out []TestView
	for _, x := range s.Tests(l, f.Now) {
		v := TestView{Name: x.Name, Rule: f.Lang.Rule(x.Rule), Mark: marks[x.Status], Text: f.Word("test", x.Status)}
		for i := range x.Decisions {
			v.Path = SamplePath(l.Code, x.Decisions[i].Sample)
		}
		out = append(out, v)
	}
	return out
}

// missingResult words what is missing of the laboratory's part.
func (f *Frame) missingResult(m haccp.Missing) string {
	switch m.What {
	case haccp.MissingSpecification:
		return f.T("lot.no-specification", "lot", m.Lot)
	case haccp.MissingResult:
		return f.T("lot.no-sample", "lot", m.Lot, "test", m.Test)
	case haccp.MissingPending:
		return f.T("lot.no-result", "lot", m.Lot, "test", m.Test, "sample", m.Sample, "why", f.Word("why", m.Code))
	}
	return f.T("lot.failing", "lot", m.Lot, "test", m.Test, "sample", m.Sample)
}
