package housetest

import (
	"fmt"
	"go/ast"
	"slices"
	"strings"
)

// shownRooms lists the packages whose exported functions each have a Go
// example: what people are given as arithmetic they can see at work.
var shownRooms = []string{
	"haccp/formula", "haccp/wash", "haccp/brine", "haccp/dosing", "haccp/disinfection", "haccp/growth", "haccp/balance",
	"haccp/calibration", "haccp/guidance", "haccp/depletion", "haccp/trend", "haccp/sampling",
}

// plainMethods are methods that need no example: what they do is in their name.
var plainMethods = []string{"Error", "Unwrap", "String"}

// checkExamples finds exported functions of the arithmetic without an example of their
// own, and exported methods that no example of their package calls.
func checkExamples(t *tree) []string {
	shown := map[string]bool{}
	for _, f := range t.files {
		if !f.test || !slices.Contains(shownRooms, f.dir) {
			continue
		}
		for _, d := range f.syntax.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil {
				if name, ok := strings.CutPrefix(fn.Name.Name, "Example"); ok {
					shown[f.dir+"."+name] = true
					addCalls(shown, f.dir, fn)
				}
			}
		}
	}
	var out []string
	for _, f := range t.code() {
		if !slices.Contains(shownRooms, f.dir) {
			continue
		}
		for _, d := range f.syntax.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || !fn.Name.IsExported() || !exportedReceiver(fn) {
				continue
			}
			name := fn.Name.Name
			switch {
			case fn.Recv == nil && !shown[f.dir+"."+name]:
				out = append(out, fmt.Sprintf("%s: %s has no example; add func Example%s to a test of %s", t.at(fn.Pos()), name, name, f.dir))
			case fn.Recv != nil && !slices.Contains(plainMethods, name) && !shown[f.dir+" ."+name]:
				out = append(out, fmt.Sprintf("%s: no example of %s calls the method %s; show it in one", t.at(fn.Pos()), f.dir, name))
			}
		}
	}
	return out
}

// addCalls notes the methods that an example calls.
func addCalls(shown map[string]bool, dir string, example *ast.FuncDecl) {
	ast.Inspect(example, func(n ast.Node) bool {
		if call, ok := n.(*ast.CallExpr); ok {
			if s, ok := call.Fun.(*ast.SelectorExpr); ok {
				shown[dir+" ."+s.Sel.Name] = true
			}
		}
		return true
	})
}
