package housetest

import (
	"fmt"
	"go/ast"
	"slices"
	"strconv"
)

// timeless lists the rooms to which the time comes as an argument.
var timeless = []string{"haccp", "internal/record", "internal/chart", "internal/report"}

// clockReads lists the functions of package time that read the machine's clock.
var clockReads = []string{"Now", "Since", "Until"}

// checkClock finds places in timeless rooms that read the clock, under
// whatever name package time was imported.
func checkClock(t *tree) []string {
	var out []string
	for _, f := range t.code() {
		if !under(f.dir, timeless...) {
			continue
		}
		name := importName(f.syntax, "time")
		switch name {
		case "":
			continue
		case ".":
			out = append(out, f.path+": imports time with a dot; import it under its name")
			continue
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == name && slices.Contains(clockReads, sel.Sel.Name) {
				out = append(out, fmt.Sprintf("%s: time.%s: take the time as an argument", t.at(sel.Pos()), sel.Sel.Name))
			}
			return true
		})
	}
	return out
}

// importName returns the name under which file imports path, or nothing.
func importName(file *ast.File, path string) string {
	for _, spec := range file.Imports {
		if p, err := strconv.Unquote(spec.Path.Value); err != nil || p != path {
			continue
		}
		if spec.Name != nil {
			return spec.Name.Name
		}
		return path
	}
	return ""
}
