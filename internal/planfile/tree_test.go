package planfile

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Inputs made to take much time or memory are refused, and quickly.
func TestBombs(t *testing.T) {
	good := string(read(t, "testdata/good.yaml"))
	for name, src := range map[string]string{
		"too large":           strings.Repeat("# x\n", maxSize/4+1),
		"brackets":            "a: " + strings.Repeat("[", 500_000),
		"brackets by line":    "a: " + strings.Repeat("[\n", 500_000),
		"braces":              strings.Repeat("{a: ", 200_000),
		"dashes":              strings.Repeat("- ", 500_000),
		"staircase":           staircase(),
		"staircase of dash":   strings.ReplaceAll(staircase(), "a:", "-"),
		"question marks":      strings.Repeat("? ", 500_000),
		"question by line":    strings.Repeat("?\n", 500_000),
		"one long line":       "name: " + strings.Repeat("x", maxSize-10),
		"one long text":       "name: |\n" + strings.Repeat("  "+strings.Repeat("x", 900)+"\n", 1100),
		"quoted lines":        "name: \"" + strings.Repeat(strings.Repeat("x", 900)+"\n ", 1100) + "\"",
		"many keys":           manyKeys(),
		"same key":            strings.Repeat("name: x\n", maxSize/8-1),
		"many entries":        "fixes:\n" + strings.Repeat("  - {id: a, name: b}\n", 45_000),
		"many empty":          "fixes:\n" + strings.Repeat("  -\n", 200_000),
		"many cron":           strings.Replace(good, "checks:\n", "checks:\n"+strings.Repeat("  - {id: x, name: x, supported: 1 d, schedule: {cron: \"1 1 29 2 *\"}}\n", 490), 1),
		"aliases":             "a: &a [x]\n" + strings.Repeat("b: *a\n", 100_000),
		"merge":               "a: &a {x: 1}\n" + strings.Repeat("<<: *a\n", 100_000),
		"comments":            good + strings.Repeat("# comment\n", 19_000),
		"documents":           strings.Repeat("---\na: 1\n", 9_000),
		"commas":              "a: [" + strings.Repeat(strings.Repeat("x, ", 1200)+"\n", 20) + "x]",
		"pairs":               strings.Repeat("{"+strings.Repeat("a: x, ", 600)+"b: c}\n", 8),
		"keys on short lines": strings.Repeat("name: x\n", 19_000),
		"strings":             "a: [" + strings.Repeat("\"x\", ", 600) + "\n" + strings.Repeat(strings.Repeat("\"x\", ", 600)+"\n", 40) + "x]",
		"colons":              strings.Repeat(":", 3000) + "\n" + strings.Repeat(": :\n", 100_000),
		"tabs":                strings.Repeat("\t\n", 400_000),
		"not text":            "name: \xff\xfe",
		"zero byte":           "name: a\x00b",
		"anchors by line":     strings.Repeat("&a\n", 300_000),
	} {
		begin := time.Now()
		r := Check("bomb.yaml", []byte(src), acts)
		if took := time.Since(begin); took > 300*time.Millisecond {
			t.Logf("%s: %v", name, took) // what takes for ever ends with the time of the whole test
		}
		if (name == "comments") != (len(r.Errors) == 0) {
			t.Errorf("%s: %d errors", name, len(r.Errors))
		}
	}
}

// staircase opens a level on every line, each one column further in.
func staircase() string {
	var b strings.Builder
	for i := range 1400 {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func manyKeys() string {
	var b bytes.Buffer
	for i := range 60_000 {
		b.WriteString("key")
		for n := i; n > 0; n /= 26 {
			b.WriteByte(byte('a' + n%26))
		}
		b.WriteString(": 1\n")
	}
	return b.String()
}

// Parse must take any bytes without a panic and in a bounded time, and what it takes must pass through
// Check as well.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range append(files, examples...) {
		src, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		begin := time.Now()
		p, problems := Parse("x.yaml", src)
		if (p == nil) == (len(problems) == 0) {
			t.Errorf("plan %v with %d problems", p != nil, len(problems))
		}
		r := Check("x.yaml", src, acts)
		if len(problems) > 0 && len(r.Errors) == 0 {
			t.Error("Check takes what Parse refuses")
		}
		if took := time.Since(begin); took > 10*time.Second {
			t.Errorf("took %v", took)
		}
	})
}
