// Package housetest holds the rules of the house as tests: which package may
// import which, where the clock may be read, how large things may grow, what
// must be documented, what may lie at the top of the repository, and that the
// published tables, the sources and the documents agree with the code.
//
// The files are read in this process. A go list run from a test would leave
// the test "ok (cached)" after a bad import is added, because the test cache
// follows only the files that the test opens itself.
//
// Every rule is a function from a tree to findings, so that the same function
// judges the repository and small planted trees with a fault in them.
package housetest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"strings"
)

// module is the path of the module, as in go.mod.
const module = "linewarden"

// A rule is one thing that must hold everywhere in the tree.
type rule struct {
	name  string
	check func(*tree) []string // findings, each with the place and what to do
}

// rules returns every rule of the house.
func rules() []rule {
	return []rule{
		{"imports", checkImports},
		{"clock", checkClock},
		{"package comment", checkPackageComments},
		{"exported names", checkExported},
		{"sizes", checkSizes},
		{"names", checkNames},
		{"top level", checkTop},
		{"published tables", checkTables},
		{"sources", checkSources},
		{"documents", checkDocuments},
		{"container", checkContainer},
		{"examples", checkExamples},
	}
}

// A goFile is one parsed Go file.
type goFile struct {
	path   string // from the root, with slashes
	dir    string
	test   bool // its name ends in _test.go
	nested bool // it belongs to a module of its own below the root
	src    string
	lines  int
	syntax *ast.File
}

// A tree is a repository as the rules see it.
type tree struct {
	fsys   fs.FS
	fset   *token.FileSet
	files  []*goFile // sorted by path
	ignore []pattern // from .gitignore
}

// load reads the tree at fsys. Folders called testdata, hidden ones and those
// that .gitignore names are left out.
func load(fsys fs.FS) (*tree, error) {
	t := &tree{fsys: fsys, fset: token.NewFileSet()}
	var err error
	if t.ignore, err = readIgnore(fsys); err != nil {
		return nil, err
	}
	nested := map[string]bool{} // folders with a go.mod of their own
	err = fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if name == "." {
			return nil
		}
		if d.IsDir() {
			if d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") || t.ignored(name, true) {
				return fs.SkipDir
			}
			_, err := fs.Stat(fsys, path.Join(name, "go.mod"))
			nested[name] = err == nil || nested[path.Dir(name)]
			return nil
		}
		if !strings.HasSuffix(name, ".go") || t.ignored(name, false) {
			return nil
		}
		return t.add(name, nested[path.Dir(name)])
	})
	return t, err
}

// add reads and parses one Go file.
func (t *tree) add(name string, nested bool) error {
	src, err := fs.ReadFile(t.fsys, name)
	if err != nil {
		return err
	}
	syntax, err := parser.ParseFile(t.fset, name, src, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	t.files = append(t.files, &goFile{
		path:   name,
		dir:    path.Dir(name),
		test:   strings.HasSuffix(name, "_test.go"),
		nested: nested,
		src:    string(src),
		lines:  strings.Count(string(src), "\n"),
		syntax: syntax,
	})
	return nil
}

// at returns the file and line of a position.
func (t *tree) at(pos token.Pos) string {
	p := t.fset.Position(pos)
	return fmt.Sprintf("%s:%d", p.Filename, p.Line)
}

// code returns the files that are no tests and belong to the main module.
func (t *tree) code() []*goFile {
	var out []*goFile
	for _, f := range t.files {
		if !f.test && !f.nested {
			out = append(out, f)
		}
	}
	return out
}

// isTestPackage reports whether dir holds code that only tests may use: the
// reader of check tables and packages such as recordtest.
func isTestPackage(dir string) bool {
	return dir == "internal/checktable" || strings.HasSuffix(dir, "test")
}

// under reports whether name is one of the prefixes or lies below one.
// The empty prefix stands for everything.
func under(name string, prefixes ...string) bool {
	for _, p := range prefixes {
		if p == "" || name == p || strings.HasPrefix(name, p+"/") {
			return true
		}
	}
	return false
}
