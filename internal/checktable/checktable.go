// Package checktable reads the tables of published figures under
// testdata/published that tests check the program against. A table says where
// its figures come from and how far that was confirmed; one that does not is
// refused, and so is one whose source is not listed in sources.tsv.
//
// Only tests import it. A table stands at testdata/published/<key>/<name>.csv:
// header lines "name: text", an empty line, then comma-separated rows, the
// first of which names the columns.
package checktable

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// required lists the header names every table carries.
var required = []string{"source", "table", "year", "confirmed", "units", "tolerance"}

// sourceColumns is the first line of sources.tsv.
var sourceColumns = []string{"key", "title", "edition/year", "part", "how confirmed"}

// A Table is one published table.
type Table struct {
	Name   string            // Name is "key/table.csv".
	Header map[string]string // Header holds source, table, year, confirmed, units, tolerance and more.
	Rows   []Row             // Rows are in the order of the file.
}

// A Row is one line of a table: column name to text.
type Row map[string]string

// A Source is one line of sources.tsv.
type Source struct {
	Key, Title, Year, Part, Confirmed string
}

// Load reads the table "key/table.csv" and fails the test when its form, its
// header or its source is wanting.
func Load(tb testing.TB, name string) *Table {
	tb.Helper()
	dir := published(tb)
	text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		tb.Fatalf("check table: %v", err)
	}
	t, err := parse(string(text))
	if err != nil {
		tb.Fatalf("testdata/published/%s: %v", name, err)
	}
	t.Name = name
	key, _, _ := strings.Cut(name, "/")
	if _, ok := Sources(tb)[key]; !ok {
		tb.Fatalf("testdata/published/%s: sources.tsv has no line for %q", name, key)
	}
	return t
}

// Each runs f as a subtest for every row, named by its number and first column.
func (t *Table) Each(tt *testing.T, f func(t *testing.T, row Row)) {
	tt.Helper()
	if len(t.Rows) == 0 {
		tt.Fatalf("%s has no rows", t.Name)
	}
	for i, row := range t.Rows {
		tt.Run(fmt.Sprintf("row%d", i+1), func(t *testing.T) { f(t, row) })
	}
}

// Get returns the text of a column and fails the test when there is none.
func (r Row) Get(tb testing.TB, column string) string {
	tb.Helper()
	v, ok := r[column]
	if !ok {
		tb.Fatalf("the table has no column %q", column)
	}
	return v
}

// Sources reads sources.tsv: key to source.
func Sources(tb testing.TB) map[string]Source {
	tb.Helper()
	text, err := os.ReadFile(filepath.Join(published(tb), "sources.tsv"))
	if err != nil {
		tb.Fatalf("sources of the check tables: %v", err)
	}
	all, err := parseSources(string(text))
	if err != nil {
		tb.Fatalf("testdata/published/sources.tsv: %v", err)
	}
	return all
}

// Root returns the folder of go.mod, found by walking up.
func Root(tb testing.TB) string {
	tb.Helper()
	dir, err := os.Getwd()
	if err != nil {
		tb.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			tb.Fatal("no go.mod above the working folder")
		}
		dir = up
	}
}

func published(tb testing.TB) string {
	tb.Helper()
	return filepath.Join(Root(tb), "testdata", "published")
}

func parse(text string) (*Table, error) {
	head, body, found := strings.Cut(text, "\n\n")
	if !found {
		return nil, errors.New("an empty line is wanted between header and rows")
	}
	header, err := parseHeader(head)
	if err != nil {
		return nil, err
	}
	lines, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("rows: %w", err)
	}
	if len(lines) < 2 {
		return nil, errors.New("no rows")
	}
	t := &Table{Header: header}
	for _, line := range lines[1:] {
		row := Row{}
		for i, column := range lines[0] {
			row[column] = line[i]
		}
		if len(row) != len(line) {
			return nil, errors.New("two columns have one name")
		}
		t.Rows = append(t.Rows, row)
	}
	return t, nil
}

func parseHeader(text string) (map[string]string, error) {
	header := map[string]string{}
	for line := range strings.Lines(text) {
		name, value, found := strings.Cut(strings.TrimSpace(line), ":")
		if !found {
			return nil, fmt.Errorf("header line %q: \"name: text\" is wanted", strings.TrimSpace(line))
		}
		if _, twice := header[name]; twice {
			return nil, fmt.Errorf("header gives %q twice", name)
		}
		header[name] = strings.TrimSpace(value)
	}
	for _, name := range required {
		if header[name] == "" {
			return nil, fmt.Errorf("header lacks %q", name)
		}
	}
	return header, nil
}

func parseSources(text string) (map[string]Source, error) {
	all := map[string]Source{}
	number := 0
	for line := range strings.Lines(text) {
		number++
		cells := strings.Split(strings.TrimRight(line, "\r\n"), "\t")
		if len(cells) != len(sourceColumns) {
			return nil, fmt.Errorf("line %d: %d cells in place of %d", number, len(cells), len(sourceColumns))
		}
		if number == 1 {
			if strings.Join(cells, "\t") != strings.Join(sourceColumns, "\t") {
				return nil, fmt.Errorf("line 1: the columns are %s", strings.Join(sourceColumns, ", "))
			}
			continue
		}
		s := Source{Key: cells[0], Title: cells[1], Year: cells[2], Part: cells[3], Confirmed: cells[4]}
		if s.Key == "" || s.Title == "" || s.Year == "" || s.Confirmed == "" {
			return nil, fmt.Errorf("line %d: a cell is empty", number)
		}
		if _, twice := all[s.Key]; twice {
			return nil, fmt.Errorf("line %d: key %q a second time", number, s.Key)
		}
		all[s.Key] = s
	}
	return all, nil
}
