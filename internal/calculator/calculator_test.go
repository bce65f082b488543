package calculator

import (
	"errors"
	"flag"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"linewarden/haccp/formula"
	"linewarden/haccp/wash"
	"linewarden/internal/checktable"
)

var update = flag.Bool("update", false, "write sources.tsv from the list of sources")

// same is the words of a code in tests: the code itself.
func itself(code string) string { return code }

func noFile(string) ([]byte, error) { return nil, errors.New("no file in this test") }

func each(t *testing.T, f func(*testing.T, Calculator)) {
	t.Helper()
	for _, g := range Groups() {
		for _, c := range g.Calculators {
			t.Run(c.Name, func(t *testing.T) { f(t, c) })
		}
	}
}

// Each example gives what it says. Where a package of arithmetic has an example of the same inputs, the
// figure is that of the package, worked out there without this one.
func TestExamples(t *testing.T) {
	each(t, func(t *testing.T, c Calculator) {
		a, err := c.Run(c.Example, noFile)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range a.Rows {
			got = append(got, r.Text(itself))
		}
		if !slices.Equal(got, c.Gives) {
			t.Errorf("example gives\n\t%q\nwanted\n\t%q", got, c.Gives)
		}
		for _, r := range a.Rows {
			if r.Source == "" && r.Is == "" {
				t.Errorf("%s has no source", r.Label)
			}
		}
		if len(a.Sources) == 0 {
			t.Error("no source")
		}
		if last := a.Cautions[len(a.Cautions)-1]; last.Code != wash.AidOnly {
			t.Errorf("the last caution is %s, not who decides", last.Code)
		}
	})
}

// The titles of sources are those of the one list.
func TestSourcesAreThoseOfTheList(t *testing.T) {
	list := checktable.Sources(t)
	var b strings.Builder
	for _, key := range slices.Sorted(maps.Keys(list)) {
		s := list[key]
		b.WriteString(strings.Join([]string{s.Key, s.Title, s.Year, s.Confirmed}, "\t") + "\n")
	}
	if *update {
		if err := os.WriteFile("sources.tsv", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if b.String() != sourceText {
		t.Error("sources.tsv differs from the list of sources: run go test ./internal/calculator -update")
	}
}

var _ = formula.One
