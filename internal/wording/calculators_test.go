package wording

import (
	"regexp"
	"strings"
	"testing"
)

// Every caution and every word that a calculator may answer with stands in both languages, and no word here
// is without a use.
func TestWordsOfCalculators(t *testing.T) {
	src := sourcesOf(t, "internal/calculator", "cmd/linewarden")
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`\bformula\.Code = "([a-z-]+)"`).FindAllStringSubmatch(src, -1) {
		used["caution."+m[1]] = true
	}
	for _, m := range regexp.MustCompile(`"(calc\.[a-z-]+[a-z])"`).FindAllStringSubmatch(src, -1) {
		used[m[1]] = true
	}
	if len(used) < 20 {
		t.Fatalf("only %d codes found: the patterns no longer fit the code", len(used))
	}
	// The last part of these is a value of a type of the arithmetic.
	haccp := sourcesOf(t, "haccp/growth", "haccp/depletion")
	for prefix, pattern := range map[string]string{"calc.rule-": `\bRule += "([a-z]+)"`, "calc.crossing-": `\bState += "([a-z]+)"`} {
		if !strings.Contains(src, `"`+prefix+`"`) {
			t.Errorf("%s is used nowhere", prefix)
		}
		found := regexp.MustCompile(pattern).FindAllStringSubmatch(haccp, -1)
		if len(found) < 3 {
			t.Errorf("%s: only %d values found", prefix, len(found))
		}
		for _, m := range found {
			used[prefix+m[1]] = true
		}
	}
	for key := range used {
		if !Has(key) {
			t.Errorf("%s is missing", key)
		}
	}
	for key := range calculators {
		if !used[key] {
			t.Errorf("%s has words but no use", key)
		}
	}
}
