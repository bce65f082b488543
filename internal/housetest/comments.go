package housetest

import (
	"fmt"
	"go/ast"
	"go/token"
	"maps"
	"slices"
	"strings"
)

// checkPackageComments finds packages that do not say what they are for.
func checkPackageComments(t *tree) []string {
	said := map[string]bool{}
	for _, f := range t.files {
		if f.test {
			continue
		}
		said[f.dir] = said[f.dir] || f.syntax.Doc != nil && strings.TrimSpace(f.syntax.Doc.Text()) != ""
	}
	var out []string
	for _, dir := range slices.Sorted(maps.Keys(said)) {
		if !said[dir] {
			out = append(out, dir+": no package comment; say what the package is for")
		}
	}
	return out
}

// checkExported finds exported names of haccp and record without a comment.
func checkExported(t *tree) []string {
	var out []string
	for _, f := range t.code() {
		if !under(f.dir, "haccp", "internal/record") {
			continue
		}
		for _, d := range f.syntax.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() && d.Doc == nil && exportedReceiver(d) {
					out = append(out, undocumented(t, d.Name))
				}
			case *ast.GenDecl:
				out = append(out, undocumentedIn(t, d)...)
			}
		}
	}
	return out
}

// undocumentedIn finds the exported types, constants and variables of one
// declaration without a comment on the name or on the group.
func undocumentedIn(t *tree, d *ast.GenDecl) []string {
	var out []string
	for _, spec := range d.Specs {
		switch s := spec.(type) {
		case *ast.TypeSpec:
			if s.Name.IsExported() && s.Doc == nil && (d.Doc == nil || d.Lparen != token.NoPos) {
				out = append(out, undocumented(t, s.Name))
			}
		case *ast.ValueSpec:
			if d.Doc != nil || s.Doc != nil || s.Comment != nil {
				continue
			}
			for _, name := range s.Names {
				if name.IsExported() {
					out = append(out, undocumented(t, name))
				}
			}
		}
	}
	return out
}

// exportedReceiver reports whether d is a function or a method of an exported type.
func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil || len(d.Recv.List) == 0 {
		return true
	}
	typ := d.Recv.List[0].Type
	for {
		switch x := typ.(type) {
		case *ast.StarExpr:
			typ = x.X
		case *ast.IndexExpr:
			typ = x.X
		case *ast.IndexListExpr:
			typ = x.X
		case *ast.Ident:
			return x.IsExported()
		default:
			return false
		}
	}
}

// undocumented is the finding for one name.
func undocumented(t *tree, name *ast.Ident) string {
	return fmt.Sprintf("%s: exported %s has no comment", t.at(name.Pos()), name.Name)
}
