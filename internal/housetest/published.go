package housetest

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
)

const (
	published  = "testdata/published"
	sourceList = published + "/sources.tsv"
)

// checkTables finds published tables that no test names. A test names a table
// by its path below testdata/published.
func checkTables(t *tree) []string {
	tables, err := publishedTables(t.fsys)
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	for _, table := range tables {
		read := slices.ContainsFunc(t.files, func(f *goFile) bool {
			return f.test && f.dir != "internal/housetest" && strings.Contains(f.src, `"`+table+`"`)
		})
		if !read {
			out = append(out, fmt.Sprintf("%s/%s: no test reads this table; name it in one as %q", published, table, table))
		}
	}
	return out
}

// publishedTables lists the CSV files below testdata/published.
func publishedTables(fsys fs.FS) ([]string, error) {
	var out []string
	err := fs.WalkDir(fsys, published, func(name string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && name == published {
			return fs.SkipAll
		}
		if err == nil && !d.IsDir() && strings.HasSuffix(name, ".csv") {
			out = append(out, strings.TrimPrefix(name, published+"/"))
		}
		return err
	})
	return out, err
}

// sourceColumns is the first line of sources.tsv.
var sourceColumns = []string{"key", "title", "edition/year", "part", "how confirmed"}

// readSources reads the keys of sources.tsv, with what is wrong in that file.
func readSources(fsys fs.FS) (keys map[string]bool, faults []string) {
	keys = map[string]bool{}
	b, err := fs.ReadFile(fsys, sourceList)
	if errors.Is(err, fs.ErrNotExist) {
		return keys, nil
	}
	if err != nil {
		return keys, []string{err.Error()}
	}
	for i, line := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		cells := strings.Split(strings.TrimSuffix(line, "\r"), "\t")
		at := fmt.Sprintf("%s:%d", sourceList, i+1)
		switch {
		case len(cells) != len(sourceColumns):
			faults = append(faults, fmt.Sprintf("%s: %d columns, want %d: %s", at, len(cells), len(sourceColumns), strings.Join(sourceColumns, ", ")))
		case i == 0 && !slices.Equal(cells, sourceColumns):
			faults = append(faults, fmt.Sprintf("%s: the first line must read %s, between tabs", at, strings.Join(sourceColumns, ", ")))
		case i == 0:
		case slices.Contains(cells, ""):
			faults = append(faults, at+": an empty cell; write what is known, or how it was confirmed")
		case keys[cells[0]]:
			faults = append(faults, fmt.Sprintf("%s: key %s stands twice", at, cells[0]))
		default:
			keys[cells[0]] = true
		}
	}
	return keys, faults
}

// citation finds the key after "src:" in a comment.
var citation = regexp.MustCompile(`^//\s*src:\s*([^\s;,]*)`)

// checkSources finds cited keys and folders of published tables that
// sources.tsv does not explain.
func checkSources(t *tree) []string {
	keys, out := readSources(t.fsys)
	for _, f := range t.code() {
		for _, group := range f.syntax.Comments {
			for _, c := range group.List {
				m := citation.FindStringSubmatch(c.Text)
				if m != nil && !keys[m[1]] {
					out = append(out, fmt.Sprintf("%s: src key %q is not in %s", t.at(c.Pos()), m[1], sourceList))
				}
			}
		}
	}
	tables, err := publishedTables(t.fsys)
	if err != nil {
		return append(out, err.Error())
	}
	folders := map[string]bool{}
	for _, table := range tables {
		folders[path.Dir(table)] = true
	}
	for _, key := range slices.Sorted(maps.Keys(folders)) {
		if !keys[key] {
			out = append(out, fmt.Sprintf("%s/%s: this key is not in %s", published, key, sourceList))
		}
	}
	return out
}
