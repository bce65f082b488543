package housetest

import (
	"fmt"
	"go/ast"
	"maps"
	"slices"
)

// The hard limits; the aims are well below them.
const (
	maxFileLines     = 800
	maxPackageLines  = 2500 // without tests
	maxFunctionLines = 100  // tests exempt
	maxMethods       = 8    // of an interface
)

// wider names the packages that may outgrow maxPackageLines, each with its own limit and the reason.
var wider = map[string]int{
	// One state, its fold and its decisions share unexported tables. What needs no table stands below (control, lot,
	// material, instrument, laboratory).
	"haccp": 15500,
	// The automaton of excursions and its window are one; dues and verdicts stand beside them until they are cut apart.
	"haccp/control": 2800,
	// The types of a plan and the one checker that walks them; its rules stand in a file for each part of a plan.
	"haccp/plan": 3200,
	// The desk, its jobs and its outbox share one state under one lock.
	"alerts": 2600,
	// Every text in two languages: tables, a file a subject; it computes little.
	"internal/wording": 3200,
	// One list with an entry a question, a file a subject; it computes nothing.
	"internal/calculator": 3500,
	// A file a page and a file a subject; each is to be cut by area when all the pages are there.
	"internal/web": 3500, "internal/api": 5000, "internal/plant": 2900, "internal/mongostore": 2700,
}

// limitOf returns how many lines a package may have without tests.
func limitOf(dir string) int {
	if n := wider[dir]; n > 0 {
		return n
	}
	return maxPackageLines
}

// checkSizes finds files, packages, functions and interfaces that outgrew the limits.
func checkSizes(t *tree) []string {
	var out []string
	packages := map[string]int{}
	for _, f := range t.files {
		if f.lines > maxFileLines {
			out = append(out, fmt.Sprintf("%s: %d lines, at most %d: split it", f.path, f.lines, maxFileLines))
		}
		if f.test {
			continue
		}
		packages[f.dir] += f.lines
		out = append(out, longFunctions(t, f)...)
		out = append(out, wideInterfaces(t, f)...)
	}
	for _, dir := range slices.Sorted(maps.Keys(packages)) {
		if n := packages[dir]; n > limitOf(dir) {
			out = append(out, fmt.Sprintf("%s: %d lines without tests, at most %d: split it", dir, n, limitOf(dir)))
		}
	}
	return out
}

// longFunctions finds the functions of f that are too long.
func longFunctions(t *tree, f *goFile) []string {
	var out []string
	for _, d := range f.syntax.Decls {
		fn, ok := d.(*ast.FuncDecl)
		if !ok {
			continue
		}
		n := t.fset.Position(fn.End()).Line - t.fset.Position(fn.Pos()).Line + 1
		if n > maxFunctionLines {
			out = append(out, fmt.Sprintf("%s: %s has %d lines, at most %d: split it", t.at(fn.Pos()), fn.Name.Name, n, maxFunctionLines))
		}
	}
	return out
}

// wideInterfaces finds the interfaces of f with too many methods. One put
// together from smaller ones is no fault: each embedded interface counts as one.
func wideInterfaces(t *tree, f *goFile) []string {
	var out []string
	ast.Inspect(f.syntax, func(node ast.Node) bool {
		if it, ok := node.(*ast.InterfaceType); ok {
			if n := it.Methods.NumFields(); n > maxMethods {
				out = append(out, fmt.Sprintf("%s: interface with %d methods, at most %d: split it by caller", t.at(it.Pos()), n, maxMethods))
			}
		}
		return true
	})
	return out
}
