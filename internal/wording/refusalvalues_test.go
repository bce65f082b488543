package wording

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"linewarden/haccp"
)

// refusalFormats lists the sentences that the rules refuse with.
func refusalFormats(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "..", "haccp", "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			id, ok := call.Fun.(*ast.Ident)
			at := map[string]int{"refuse": 3, "invalid": 2}
			if !ok || at[id.Name] == 0 || len(call.Args) <= at[id.Name] {
				return true
			}
			if lit, ok := call.Args[at[id.Name]].(*ast.BasicLit); ok {
				s, err := strconv.Unquote(lit.Value)
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, s)
			}
			return true
		})
	}
	return out
}

var verb = regexp.MustCompile(`%[a-z]`)

// Every Spanish sentence belongs to an English one that is used, and takes the same values; nine tenths of the
// sentences with values have theirs, the rest fall back to the general sentence of the code.
func TestSpanishRefusalsCarryTheirValues(t *testing.T) {
	used := refusalFormats(t)
	slices.Sort(used)
	used = slices.Compact(used)
	for en, es := range spanishRefusals {
		if !slices.Contains(used, en) {
			t.Errorf("no rule refuses with %q", en)
		}
		if !slices.Equal(verb.FindAllString(en, -1), verb.FindAllString(es, -1)) {
			t.Errorf("%q takes other values than %q", es, en)
		}
	}
	all, lacking := 0, []string{}
	for _, s := range used {
		if !verb.MatchString(s) || s == "%v" {
			continue
		}
		all++
		if spanishRefusals[s] == "" {
			lacking = append(lacking, s)
		}
	}
	if all < 50 || len(lacking)*10 > all {
		t.Errorf("%d of %d sentences lack Spanish: %q", len(lacking), all, lacking)
	}
	r := &haccp.Refusal{Code: "role-not-held", Format: "%s did not hold the role %s at that time", Args: []any{"Inés Robledo", haccp.RoleManager}}
	if got, want := Spanish.Refusal(r), "Inés Robledo no tenía la función «"+Spanish.Word("role", haccp.RoleManager)+"» en ese momento"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
