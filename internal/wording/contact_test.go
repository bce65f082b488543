package wording

import (
	"regexp"
	"slices"
	"testing"
)

// Every caution of contact times, time and temperature, weights and instruments has its words in both
// languages. The one on chlorine gas is shared with the arithmetic of baths, whose words carry it.
func TestWordsOfContact(t *testing.T) {
	shared := []string{"chlorine-gas"}
	src := sourcesOf(t, "haccp/disinfection", "haccp/growth", "haccp/balance", "haccp/calibration")
	found := regexp.MustCompile(`\bCode += "([a-z-]+)"`).FindAllStringSubmatch(src, -1)
	for _, m := range found {
		if !slices.Contains(shared, m[1]) && !Has("caution."+m[1]) {
			t.Errorf("caution.%s is missing", m[1])
		}
	}
	codes := map[string]bool{}
	for _, m := range found {
		codes["caution."+m[1]] = true
	}
	for key := range contact {
		if !codes[key] {
			t.Errorf("%s has words but no code", key)
		}
	}
	if len(codes) != len(contact)+len(shared) {
		t.Errorf("%d codes found, %d with words", len(codes), len(contact))
	}
}
