package planfile

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"linewarden/haccp/plan"
)

var update = flag.Bool("update", false, "write the goldens anew")

// acts stands in for the acts of the product.
var acts = plan.Options{Acts: []string{"bath.filled", "bath.added"}}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// examples are the plans that stand in the repository and must be without an error.
var examples = []string{"testdata/good.yaml", "../demo/plan.yaml", "../../testdata/dev/station.yaml"}

func TestExamplesHaveNoError(t *testing.T) {
	for _, path := range examples {
		r := Check(path, read(t, path), plan.Options{})
		if len(r.Errors) > 0 || r.Plan == nil {
			t.Errorf("%s:\n%v", path, r.Errors)
		}
	}
	if r := Check("good.yaml", read(t, "testdata/good.yaml"), acts); len(r.Errors)+len(r.Warnings) > 0 {
		t.Errorf("the plan that the bad ones are made from is not clean:\n%v\n%v", r.Errors, r.Warnings)
	}
}

// Each file in testdata/bad is good.yaml with one fault. The line of the fault is marked in the file, and
// at least one message must point there; what the messages say stands in the golden.
func TestBadPlans(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil || len(files) < 30 {
		t.Fatalf("%d bad plans, %v", len(files), err)
	}
	var all strings.Builder
	for _, path := range files {
		src := read(t, path)
		name := filepath.Base(path)
		r := Check(name, src, acts)
		if len(r.Errors) == 0 {
			t.Errorf("%s: no error found; warnings:\n%v", name, r.Warnings)
		}
		if r.Plan != nil {
			t.Errorf("%s: a plan with errors was given out", name)
		}
		if marked := markedLine(src); marked > 0 && !slices.ContainsFunc(r.Errors, func(p Problem) bool { return p.Line == marked }) {
			t.Errorf("%s: no error on line %d:\n%v", name, marked, r.Errors)
		}
		for _, p := range r.Errors {
			if p.Line < 1 || p.Column < 1 || p.Line > strings.Count(string(src), "\n")+1 {
				t.Errorf("%s: no such place: %v", name, p)
			}
		}
		all.WriteString(r.Errors.Error() + "\n")
	}
	golden(t, "testdata/bad.golden", all.String())
}

func markedLine(src []byte) int {
	before, _, found := strings.Cut(string(src), "# <-- here")
	if !found {
		return 0
	}
	return strings.Count(before, "\n") + 1
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if want := string(read(t, path)); got != want {
		t.Errorf("%s differs; run with -update and read the difference. Now:\n%s", path, got)
	}
}

// template gives a template by name.
func template(t testing.TB, name string) []byte {
	t.Helper()
	b, err := Template(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// No template may pass or hold a number in a limit, and each lists what is to be decided.
func TestTemplates(t *testing.T) {
	for _, name := range Templates() {
		t.Run(name, func(t *testing.T) {
			source := template(t, name)
			r := Check("template.yaml", source, plan.Options{})
			if len(r.Errors) == 0 {
				t.Fatal("the template passes")
			}
			golden(t, "testdata/template-"+name+".golden", r.Errors.Error()+"\n")
			p, problems := Parse("template.yaml", source)
			if len(problems) > 0 {
				t.Fatal(problems)
			}
			critical := 0
			for _, pt := range p.Points {
				for _, l := range pt.Limits {
					if l.Min != nil || l.Max != nil {
						t.Errorf("limit %s of %s has a number", l.ID, pt.ID)
					}
					if l.Kind == plan.Critical {
						critical++
					}
				}
			}
			if critical == 0 {
				t.Error("the template has no critical limit to fill in")
			}
			for _, topic := range p.Leaf.RequiredDecisions() {
				if !strings.Contains(r.Errors.Error(), `"`+topic+`" is open`) {
					t.Errorf("nothing says that %s is open", topic)
				}
			}
		})
	}
	if _, err := Template("../planfile"); err == nil {
		t.Error("a template that is none is given")
	}
}

// A template takes the site and the name of a plant, whatever stands in the name.
func TestTemplateFor(t *testing.T) {
	for _, name := range []string{"Planta Agua Clara", `A "plant": #1 \`, "- x", ""} {
		p, problems := Parse("plan.yaml", For(template(t, "wash"), "agua-clara", name))
		if len(problems) > 0 || p.Site != "agua-clara" || p.Name != name {
			t.Errorf("%q: %v", name, problems)
		}
	}
	if p, problems := Parse("plan.yaml", For(template(t, "wash"), "agua-clara", " two\nlines")); len(problems) > 0 || p.Name != "two lines" {
		t.Errorf("a name of two lines: %v", problems)
	}
}

// A plan goes into a record as JSON and comes out of it; nothing may be lost on the way.
func TestJSONRoundTrip(t *testing.T) {
	for _, path := range examples {
		p, problems := Parse(path, read(t, path))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		b, err := json.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		var back plan.Plan
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(*p, back) {
			t.Errorf("%s: differs after JSON:\n%s", path, b)
		}
		if strings.Contains(string(b), "null") {
			t.Errorf("%s: a member without a value is in the JSON:\n%s", path, b)
		}
		if found := back.Check(plan.Options{}); slices.ContainsFunc(found, func(p plan.Problem) bool { return !p.Warning }) {
			t.Errorf("%s: faults after JSON: %v", path, found)
		}
	}
}

// Every fault is listed at once: those of form beside those of meaning.
func TestAllFaultsAtOnce(t *testing.T) {
	src := string(read(t, "testdata/good.yaml"))
	for old, bad := range map[string]string{
		"site: test-plant":                      "site: Test Plant",
		"        min: 100 ":                     "        min: 1O0 ",
		"fixes: [add]\n    instructions: Call.": "fixes: [none]\n    instructions: Call.",
		"America/Merida":                        "America/Nowhere",
		"    grace: 10 min":                     "    grase: 10 min",
		"{every: 30 min,":                       "{every: half an hour,",
	} {
		if !strings.Contains(src, old) {
			t.Fatalf("good.yaml has no %q", old)
		}
		src = strings.Replace(src, old, bad, 1)
	}
	got := Check("x.yaml", []byte(src), acts).Errors.Error()
	for _, want := range []string{`site id "Test Plant"`, `1O0`, `no fix "none"`, "America/Nowhere", `did you mean "grace"`, "half an hour"} {
		if !strings.Contains(got, want) {
			t.Errorf("%s is not in the list:\n%s", want, got)
		}
	}
}

func TestBOMAndCRLF(t *testing.T) {
	src := read(t, "testdata/good.yaml")
	want, _ := Parse("x", src)
	got, problems := Parse("x", []byte("\ufeff"+strings.ReplaceAll(string(src), "\n", "\r\n")))
	if len(problems) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("a file with BOM and CRLF is read differently: %v", problems)
	}
}

func TestProblemError(t *testing.T) {
	p := Problem{File: "p.yaml", Line: 3, Column: 7, Message: "min is high", Fix: "lower it", Warning: true, Source: "a guide"}
	if got, want := p.Error(), "p.yaml:3:7: warning: min is high (lower it) [source: a guide]"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if (Problems)(nil).Err() != nil {
		t.Error("no problems are an error")
	}
}
