package checktable

import (
	"strings"
	"testing"
)

const goodHead = "source: a book\ntable: 1\nyear: 1999\nconfirmed: from memory\nunits: mg/L\ntolerance: exact\n"

func TestParse(t *testing.T) {
	table, err := parse(goodHead + "\na,b\n1,2\n3,\"4,5\"\n")
	if err != nil {
		t.Fatal(err)
	}
	if len(table.Rows) != 2 || table.Rows[1]["b"] != "4,5" || table.Header["units"] != "mg/L" {
		t.Errorf("read %+v", table)
	}
}

func TestParseRefuses(t *testing.T) {
	bad := map[string]string{
		goodHead + "a,b\n1,2\n":      "empty line",
		goodHead + "\na,b\n":         "no rows",
		goodHead + "\na,b\n1,2,3\n":  "rows",
		goodHead + "\na,a\n1,2\n":    "one name",
		goodHead + "oops\n\na\n1\n":  "oops",
		goodHead + "year: 1\n\na\n1": "twice",
	}
	for _, name := range required {
		var kept []string
		for line := range strings.Lines(goodHead) {
			if !strings.HasPrefix(line, name+":") {
				kept = append(kept, line)
			}
		}
		bad[strings.Join(kept, "")+"\na\n1\n"] = `lacks "` + name + `"`
	}
	for text, want := range bad {
		if _, err := parse(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v lacks %q for\n%s", err, want, text)
		}
	}
}

func TestParseSourcesRefuses(t *testing.T) {
	const head = "key\ttitle\tedition/year\tpart\thow confirmed\n"
	if all, err := parseSources(head + "k\tt\t1999\tB\tread\n"); err != nil || all["k"].Part != "B" {
		t.Fatal(all, err)
	}
	for text, want := range map[string]string{
		head + "k\tt\t1999\tB\n":                           "line 2: 4 cells",
		"k\tt\t1999\tB\tread\n":                            "line 1",
		head + "k\tt\t1999\tB\t\n":                         "empty",
		head + "k\tt\t1\tB\tread\nk\tt\t1\tB\tread\n":      "second time",
		head + "k\tt\t1\tB\tread\n\tt\t1\tB\tread again\n": "line 3",
	} {
		if _, err := parseSources(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v lacks %q for\n%s", err, want, text)
		}
	}
}

func TestLoadFromTheTree(t *testing.T) {
	table := Load(t, "nist-sp811/factors.csv")
	for _, row := range table.Rows {
		if row.Get(t, "factor") == "" {
			t.Errorf("row without factor: %v", row)
		}
	}
}
