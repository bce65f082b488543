package planfile

import (
	"embed"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

//go:embed templates
var templates embed.FS

// Templates names the plans that one may begin from. None holds a critical-limit number, and the decisions of each are
// open: its check fails and lists what a plant has to decide.
func Templates() []string { return []string{"leaf-gel", "wash", "empty"} }

// Template returns a plan to begin from.
func Template(name string) ([]byte, error) {
	if !slices.Contains(Templates(), name) {
		return nil, fmt.Errorf("there is no template %q: one of %s", name, strings.Join(Templates(), ", "))
	}
	return templates.ReadFile("templates/" + name + ".yaml") //nolint:wrapcheck // embedded
}

// For gives a template with the site and the name of a plant filled in.
func For(template []byte, site, name string) []byte {
	lines := strings.SplitAfter(string(template), "\n")
	for i, line := range lines {
		switch {
		case strings.HasPrefix(line, "site:"):
			lines[i] = "site: " + site + "\n"
		case strings.HasPrefix(line, "name:"):
			lines[i] = "name: " + quoted(name) + "\n"
		}
	}
	return []byte(strings.Join(lines, ""))
}

// quoted writes a name as a double-quoted scalar of YAML 1.2 (section 7.3.1), on one line.
func quoted(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.TrimSpace(text) {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case unicode.IsControl(r) || r == '\u2028' || r == '\u2029':
			b.WriteByte(' ')
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
