package calculator

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// arithmetic are the packages whose calculations have an entry here.
var arithmetic = []string{"wash", "brine", "dosing", "disinfection", "growth", "balance", "calibration", "guidance", "depletion", "trend", "sampling"}

// elsewhere are exported functions and methods that answer no question at a terminal, each with the reason.
var elsewhere = map[string]string{
	"wash.DoseForPlant":     "rests on a stored reading, the lot in use and the plan's rules: the service gives it, no calculator may",
	"wash.Strength.Grams":   "a step of the doses; measure and strength answer the question",
	"wash.Strength.Known":   "says whether a strength was given, which the inputs do",
	"wash.Salt.GPerL":       "gives back what was put in",
	"wash.Salt.Known":       "gives back what was put in",
	"brine.SalinityOfRatio": "practical salinity by the ratio of conductivities, the form of the published check values; sea-water answers the question",
	"trend.Moments.Add":     "the running summary of a long series, which summary works out at once",
	"trend.Moments.Summary": "the running summary of a long series, which summary works out at once",
	"trend.Rules.Window":    "gives back what was put in",
	"guidance.Figure.Basis": "a text about a quantity, which guidance shows by the name of the quantity",
}

// Every public calculation of the packages of arithmetic is asked for by a calculator, or stands in the list
// of those that are not, with its reason.
func TestEveryCalculationHasACalculator(t *testing.T) {
	used := selectors(t)
	declared := map[string]bool{}
	for _, pkg := range arithmetic {
		for name, method := range exported(t, pkg) {
			declared[name] = true
			// A function is found with its package; a method by its name alone.
			found := used[name] || method != "" && used["."+method]
			switch why := elsewhere[name]; {
			case found && why != "" && method == "":
				t.Errorf("%s has a calculator: take it off the list of exceptions", name)
			case !found && why == "":
				t.Errorf("%s has no calculator: add one, or an exception with its reason", name)
			}
		}
	}
	if len(declared) < 100 {
		t.Errorf("only %d calculations found", len(declared))
	}
	for name := range elsewhere {
		if !declared[name] {
			t.Errorf("the exception %s is no calculation any more", name)
		}
	}
}

// parsed reads the code of a folder without its tests.
func parsed(t *testing.T, dir string) []*ast.File {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no code in %s: %v", dir, err)
	}
	var out []*ast.File
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, f)
	}
	return out
}

// selectors are the names that the calculators reach for: "wash.PKa", and ".Level" of any value.
func selectors(t *testing.T) map[string]bool {
	out := map[string]bool{}
	for _, f := range parsed(t, ".") {
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				out["."+s.Sel.Name] = true
				if x, ok := s.X.(*ast.Ident); ok {
					out[x.Name+"."+s.Sel.Name] = true
				}
			}
			return true
		})
	}
	return out
}

// exported are the functions and methods of a package that give a value, with the name of the method.
func exported(t *testing.T, pkg string) map[string]string {
	out := map[string]string{}
	for _, f := range parsed(t, filepath.Join("..", "..", "haccp", pkg)) {
		for _, d := range f.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || !fn.Name.IsExported() || fn.Type.Results == nil || slices.Contains([]string{"Error", "Unwrap", "String"}, fn.Name.Name) {
				continue
			}
			if fn.Recv == nil {
				out[pkg+"."+fn.Name.Name] = ""
				continue
			}
			receiver := fn.Recv.List[0].Type
			if star, ok := receiver.(*ast.StarExpr); ok {
				receiver = star.X
			}
			if id, ok := receiver.(*ast.Ident); ok && id.IsExported() {
				out[pkg+"."+id.Name+"."+fn.Name.Name] = fn.Name.Name
			}
		}
	}
	return out
}
