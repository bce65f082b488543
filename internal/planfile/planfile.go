// Package planfile turns the YAML of a plan into the plain types of haccp/plan, and every fault of it
// into a line that names file, line and column, what is wrong and what would be right.
//
// A plan file is plain YAML 1.2: one document, no anchors, aliases, tags or directives, at most 1 MiB.
// Unknown and repeated keys are errors. All faults are listed at once, not only the first.
// The package reads no file: the caller brings the bytes.
package planfile

import (
	"fmt"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // The time zones, so that a plan means the same on every machine.

	"linewarden/haccp/plan"
)

// A Problem is one fault of a plan file, or one warning about it.
type Problem struct {
	File    string // as given by the caller
	Line    int    // from 1; 0 where the whole file is meant
	Column  int    // from 1, in characters
	Path    string // such as "points[2].limits[0].min"; empty for the whole file
	Message string // what is wrong
	Fix     string // what would be right; may be empty
	Warning bool   // a warning does not stop a plan
	Source  string // where the figure of a warning is published
}

// Error returns FILE:LINE:COLUMN: message (what would be right).
func (p Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: ", p.File, max(p.Line, 1), max(p.Column, 1))
	if p.Warning {
		b.WriteString("warning: ")
	}
	b.WriteString(p.Message)
	if p.Fix != "" {
		b.WriteString(" (" + p.Fix + ")")
	}
	if p.Source != "" {
		b.WriteString(" [source: " + p.Source + "]")
	}
	return b.String()
}

// Problems is a list of faults in the order of the file.
type Problems []Problem

// Error returns the faults, one a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Err returns the list as an error, or nil where it is empty.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}

// A Report is what the check of a plan file found.
type Report struct {
	// Plan is the plan, or nil where there are errors.
	Plan     *plan.Plan
	Errors   Problems
	Warnings Problems
}

// Parse reads a plan. It checks the form only: YAML, keys, kinds of values, numbers, times and cron
// texts. The plan is nil where there are problems. Use Check for a plan that is to be signed.
func Parse(name string, src []byte) (*plan.Plan, Problems) {
	d := decode(name, src)
	if len(d.problems) > 0 {
		return nil, d.sorted(d.problems)
	}
	return d.plan, nil
}

// Check reads a plan and holds it against every rule of plan.Check, and against the time zones there are.
// Faults of form and of meaning come in one list.
func Check(name string, src []byte, opts plan.Options) Report {
	d := decode(name, src)
	all := slices.Clone(d.problems)
	if d.plan != nil {
		for _, p := range append(d.plan.Check(opts), zone(d.plan)...) {
			if !d.failedNear(p.Path) {
				all = append(all, d.place(p))
			}
		}
	}
	var r Report
	for _, p := range d.sorted(all) {
		if p.Warning {
			r.Warnings = append(r.Warnings, p)
		} else {
			r.Errors = append(r.Errors, p)
		}
	}
	if len(r.Errors) == 0 {
		r.Plan = d.plan
	}
	return r
}

// zone sees that the time zone of the site exists.
func zone(p *plan.Plan) []plan.Problem {
	if p.Zone == "" {
		return nil // plan.Check says that it is missing.
	}
	fix := `write a name of the IANA time zone database, such as "America/Merida"`
	if p.Zone == "Local" {
		return []plan.Problem{{Path: "zone", Message: `the zone "Local" changes with the machine`, Fix: fix}}
	}
	if _, err := time.LoadLocation(p.Zone); err != nil {
		return []plan.Problem{{Path: "zone", Message: fmt.Sprintf("there is no time zone %q", p.Zone), Fix: fix}}
	}
	return nil
}
