// Package calculator is the list of questions that the arithmetic of the trade
// answers: what a person may ask, with which inputs and units, and what comes
// back, with its formula, source and cautions.
//
// A calculator parses, converts units and calls the packages below haccp; it
// computes nothing of its own. It knows no plan and no limit of one: limits and
// sampling plans are typed by who asks, and an answer is stored nowhere.
package calculator

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"linewarden/haccp/formula"
	"linewarden/haccp/wash"
)

// Cautions of answers that the packages of arithmetic do not give themselves.
const (
	// NoPlantDose: a balance for planning; what goes into a bath in use is worked out
	// from its stored reading, its level, the lot in use and the plan.
	NoPlantDose formula.Code = "not-a-plant-dose"
	// ChartNoLimit: chart limits come from the process, not from a hazard analysis.
	ChartNoLimit formula.Code = "chart-not-limit"
	// Provisional: rests on few points.
	Provisional formula.Code = "provisional"
	// SampleOnly: what a sample does not find may be in the lot.
	SampleOnly formula.Code = "sample-only"
	// NoEvidence: a forecast proves nothing between readings.
	NoEvidence formula.Code = "forecast-no-evidence"
	// PublishedNotPlan: a published figure is no limit of a plan.
	PublishedNotPlan formula.Code = "published-not-plan"
)

// A Calculator answers one question.
type Calculator struct {
	Name    string
	Asks    string // Asks is the question in plain English.
	Inputs  []Input
	Example []string // Example is a call that works.
	Gives   []string // Gives are the rows of its answer, as [Row.Text] writes them.
	run     func(*values) (answer, error)
}

// A Group is the calculators for one thing a person wants to know.
type Group struct {
	Title       string
	Calculators []Calculator
}

// Groups returns every calculator, in the order in which they are listed.
func Groups() []Group {
	return []Group{
		{"What the chlorine of a bath is", chlorine()},
		{"What a chlorine test says", chlorineTests()},
		{"How strong a product is, fresh and after storage", strengths()},
		{"How much product a bath takes", doses()},
		{"When the chlorine of a bath runs out", forecasts()},
		{"How much salt is in a bath, and how much it takes", salts()},
		{"How long product was in contact, and with how much chlorine", contacts()},
		{"What published figures for drinking water say of a Ct", references()},
		{"How long product was warm", warmth()},
		{"What became of the leaf: weights and additives", weights()},
		{"Whether an instrument reads right", instruments()},
		{"Whether a process is steady", charts()},
		{"Whether a process drifts, and how capable it is", drifts()},
		{"What a sample says of a lot", samples()},
		{"What a result says when it is uncertain", decisions()},
		{"What is published", publications()},
	}
}

// Find returns the calculator called name. The error names those like it.
func Find(name string) (Calculator, error) {
	var near []string
	for _, g := range Groups() {
		for _, c := range g.Calculators {
			if c.Name == name {
				return c, nil
			}
			if strings.Contains(c.Name, name) || strings.Contains(name, c.Name) || shares(c.Name, name) {
				near = append(near, c.Name)
			}
		}
	}
	if len(near) == 0 || name == "" {
		return Calculator{}, fmt.Errorf("there is no calculator %q: linewarden calc --help lists them", name)
	}
	return Calculator{}, fmt.Errorf("there is no calculator %q: did you mean %s?", name, strings.Join(near, ", "))
}

// shares tells whether two names share a part between hyphens.
func shares(a, b string) bool {
	parts := strings.Split(b, "-")
	return slices.ContainsFunc(strings.Split(a, "-"), func(p string) bool { return slices.Contains(parts, p) })
}

// A Row is one line of an answer: a value, a word or a text.
type Row struct {
	Label string
	formula.Result
	Is    string // Is is a code that has words, such as "orp.agrees"; the value does not count then.
	Plain string // Plain is a text as it stands: a name, a list of points.
}

// Text writes the row for people, with words for its code.
func (r Row) Text(word func(code string) string) string {
	switch {
	case r.Is != "":
		return r.Label + ": " + word(r.Is)
	case r.Plain != "":
		return r.Label + ": " + r.Plain
	}
	s := r.Label + ": " + Number(r.Value)
	if r.Unit != formula.One && r.Unit != "" {
		s += " " + r.Unit.Symbol()
	}
	return s
}

// Number writes a value with six significant digits.
func Number(v float64) string {
	a := math.Abs(v)
	if a != 0 && (a < 1e-4 || a >= 1e9) {
		return strconv.FormatFloat(v, 'e', 3, 64)
	}
	places := 6
	if a != 0 {
		places = max(0, 5-int(math.Floor(math.Log10(a))))
	}
	s := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

// An Answer is what a calculator gives.
type Answer struct {
	Calculator string
	Rows       []Row
	Sources    []Source
	Cautions   []formula.Caution // Cautions are those of all rows, each once; the last says who decides.
}

// unpublished is the source of sums and differences that nobody publishes.
const unpublished = "common-practice"

// answer is what a calculator's function gives: rows and cautions beyond theirs.
type answer struct {
	rows     []Row
	cautions []formula.Caution
}

// with adds cautions to an answer.
func (a answer) with(codes ...formula.Code) answer {
	for _, c := range codes {
		a.cautions = append(a.cautions, formula.Caution{Code: c})
	}
	return a
}

// row is a result with a label.
func row(label string, r formula.Result) Row { return Row{Label: label, Result: r} }

// rows is an answer of rows.
func rows(r ...Row) answer { return answer{rows: r} }

// one is the answer of a function that gives one result.
func one(label string) func(formula.Result, error) (answer, error) {
	return func(r formula.Result, err error) (answer, error) { return rows(row(label, r)), err }
}

// Run works out an answer from inputs written key=value, where a value may carry
// its unit. It reads a file or standard input, through read, only for an input
// written key=@name; "-" is standard input. Every error is one line that names the
// input.
func (c Calculator) Run(args []string, read Reader) (Answer, error) {
	v, err := c.parse(args, read)
	if err != nil {
		return Answer{}, fmt.Errorf("%s: %w", c.Name, err)
	}
	a, err := c.run(v)
	if err != nil {
		return Answer{}, fmt.Errorf("%s: %w", c.Name, err)
	}
	out := Answer{Calculator: c.Name, Rows: a.rows}
	for i := range out.Rows {
		r := &out.Rows[i]
		if r.Source == "" {
			r.Source = unpublished
		}
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
			return Answer{}, fmt.Errorf("%s: %s comes to no number with these inputs: look at them again", c.Name, r.Label)
		}
		out.add(r.Cautions...)
		if err := out.cite(r.Source); err != nil {
			return Answer{}, err
		}
	}
	out.add(a.cautions...)
	out.Cautions = slices.DeleteFunc(out.Cautions, func(c formula.Caution) bool { return c.Code == wash.AidOnly })
	out.add(formula.Caution{Code: wash.AidOnly})
	return out, nil
}

// add adds cautions, each code once; one that forbids use stays so.
func (a *Answer) add(more ...formula.Caution) {
	for _, c := range more {
		i := slices.IndexFunc(a.Cautions, func(d formula.Caution) bool { return d.Code == c.Code })
		if i < 0 {
			a.Cautions = append(a.Cautions, c)
		} else if c.Unusable {
			a.Cautions[i].Unusable = true
		}
	}
}

// cite adds a source by its key.
func (a *Answer) cite(key string) error {
	if key == "" || slices.ContainsFunc(a.Sources, func(s Source) bool { return s.Key == key }) {
		return nil
	}
	s, err := sourceOf(key)
	if err == nil {
		a.Sources = append(a.Sources, s)
	}
	return err
}

// made is a result of a package that gives plain numbers.
func made(v float64, unit string, id formula.ID, source string) formula.Result {
	return formula.Result{Value: v, Unit: unitName(unit), Formula: id, Version: 1, Source: source}
}

// count is a whole number as a result.
func count(n int, id formula.ID, source string) formula.Result {
	return made(float64(n), "", id, source)
}

// yes is a word for a truth.
func yes(b bool) string {
	if b {
		return "calc.yes"
	}
	return "calc.no"
}
