package wording

import (
	"regexp"
	"testing"
)

// Every caution, answer, reason and verdict of the arithmetic has its words in both languages.
func TestWordsOfTheBath(t *testing.T) {
	src := sourcesOf(t, "haccp/formula", "haccp/wash", "haccp/brine", "haccp/dosing")
	for group, find := range map[string]struct {
		pattern string
		least   int
	}{
		"caution":     {`\bCode += "([a-z-]+)"`, 20},
		"dose":        {`\bAnswer += "([a-z-]+)"`, 6},
		"dose-reason": {`\bReason += "([a-z-]+)"`, 20},
		"orp":         {`\bORPVerdict += "([a-z-]+)"`, 4},
		"antioxidant": {`\b(?:Inside|Below|Above|OverMaximum) +Verdict += "([a-z-]+)"`, 4},
	} {
		found := regexp.MustCompile(find.pattern).FindAllStringSubmatch(src, -1)
		if len(found) < find.least {
			t.Errorf("%s: only %d codes found: the pattern no longer fits the code", group, len(found))
		}
		for _, m := range found {
			if !Has(group + "." + m[1]) {
				t.Errorf("%s.%s is missing", group, m[1])
			}
		}
	}
}
