package verifying_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

var update = flag.Bool("update", false, "write the answers that the browser's script is held against")

const (
	frozenDir = "../../../testdata/records/v1"
	casesFile = "../testdata/verify.json"
)

// answers is what the program says of each damaged file; testdata/verify.test.mjs asks the browser's script the same.
type answers struct {
	Files []string `json:"files"`
	Cases []asked  `json:"cases"`
	Flips []flips  `json:"flips"`
}

type asked struct {
	Name  string   `json:"name"`
	File  string   `json:"file"`
	Key   string   `json:"key,omitempty"`
	Since string   `json:"since,omitempty"`
	Edits [][3]any `json:"edits,omitempty"` // at, how many bytes out, what comes in (base64)
	Fill  int      `json:"fill,omitempty"`  // bytes "x" in front of the second line, after all else
	Want  string   `json:"want"`
}

// flips are single bytes changed, one file each; Sum is over the answers, one a line.
type flips struct {
	File string `json:"file"`
	From int    `json:"from"`
	To   int    `json:"to"`
	Step int    `json:"step"`
	Puts []int  `json:"puts"` // taken in turn by place; -1: the lowest bit, -2: the highest bit
	Sum  string `json:"sum"`
}

// say gives what the command line shows of a verification.
func say(t testing.TB, file []byte, key, since string) string {
	t.Helper()
	r, err := evidence.Verify(t.Context(), bytes.NewReader(file), evidence.VerifyOptions{Key: key, Since: since})
	switch {
	case err != nil:
		return "error: " + strings.TrimPrefix(err.Error(), "read the export: ")
	case r.Fault != nil:
		return r.Fault.Error()
	}
	lines := []string{fmt.Sprintf("records %d to %d of %d of site %s are whole", r.First, r.Last, r.Size, r.Site)}
	for _, c := range r.Proved {
		lines = append(lines, "proved: "+c.ProvedText())
	}
	for _, c := range r.NotProved {
		lines = append(lines, "not proved: "+c.MissingText())
	}
	for _, seq := range r.LostAt {
		lines = append(lines, fmt.Sprintf("record %d says that the key before it was lost: origin is proved up to record %d only", seq, r.OriginTo))
	}
	return strings.Join(lines, "\n")
}

func applied(file []byte, edits [][3]any) []byte {
	b := slices.Clone(file)
	for _, e := range edits {
		put, _ := base64.StdEncoding.DecodeString(e[2].(string))
		at := e[0].(int)
		b = slices.Concat(b[:at], put, b[at+e[1].(int):])
	}
	return b
}

func edit(at, out int, put string) [3]any {
	return [3]any{at, out, base64.StdEncoding.EncodeToString([]byte(put))}
}

// TestAnswers holds the stored answers against the program's own verification of today.
func TestAnswers(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(frozenDir, "*.records.ndjson"))
	if err != nil || len(names) < 12 {
		t.Fatalf("%d frozen files: %v", len(names), err)
	}
	files := map[string][]byte{}
	var a answers
	for _, path := range names {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		files[filepath.Base(path)] = b
		a.Files = append(a.Files, filepath.Base(path))
	}
	a.Cases = asks(t, files)
	for i := range a.Cases {
		c := &a.Cases[i]
		file := applied(files[c.File], c.Edits)
		if c.Fill > 0 {
			at := bytes.IndexByte(file, '\n') + 1
			file = slices.Concat(file[:at], bytes.Repeat([]byte("x"), c.Fill), file[at:])
		}
		c.Want = say(t, file, c.Key, c.Since)
	}
	for _, name := range []string{"good.records.ndjson", "good-part.records.ndjson"} {
		a.Flips = append(a.Flips, flipped(t, name, files[name])...)
	}
	got, err := json.MarshalIndent(a, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if *update {
		if err := os.WriteFile(casesFile, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(casesFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("the answers are no longer those that the browser's script is held against: run with -update, then the script's tests")
	}
}

// asks lists files, options and damages: records altered, cut short, replaced, signed again with another key.
func asks(t *testing.T, files map[string][]byte) []asked {
	t.Helper()
	var keys []string
	for generation := range 2 {
		k, err := recordtest.NewKeys("north", "frozen", generation)
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, k.Signer.VerifierKey())
	}
	var out []asked
	for name := range files {
		for i, key := range append([]string{""}, keys...) {
			out = append(out, asked{Name: fmt.Sprintf("%s with key %d", name, i), File: name, Key: key})
		}
	}
	slices.SortFunc(out, func(a, b asked) int { return strings.Compare(a.Name, b.Name) })
	const good, part = "good.records.ndjson", "good-part.records.ndjson"
	note := noteOf(t, files[good])
	lines := strings.Split(note, "\n")
	for name, since := range map[string]string{"note": note, "foot of a page": lines[1] + " " + lines[2], "other log": noteOf(t, files["plant.records.ndjson"]),
		"larger": "99 " + lines[2], "other root": lines[1] + " " + lines[2][:3] + flip(lines[2][3]) + lines[2][4:], "smaller": "5 " + lines[2], "nonsense": "nonsense"} {
		for _, file := range []string{good, part, "bad-replaced.records.ndjson", "bad-other-key.records.ndjson"} {
			out = append(out, asked{Name: file + " since " + name, File: file, Since: since}, asked{Name: file + " since " + name + " with key", File: file, Since: since, Key: keys[1]})
		}
	}
	out = append(out, asked{Name: "a key that is none", File: good, Key: "no key é"}, asked{Name: "a key of nothing", File: good, Key: "a+b"})
	for _, file := range []string{good, part} {
		out = append(out, damages(file, files[file])...)
	}
	slices.SortStableFunc(out[len(files)*3:], func(a, b asked) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// damages cuts, doubles, swaps and drops whole lines and parts of lines.
func damages(name string, file []byte) []asked {
	var out []asked
	starts := []int{0}
	for i, b := range file {
		if b == '\n' {
			starts = append(starts, i+1)
		}
	}
	add := func(what string, edits ...[3]any) {
		out = append(out, asked{Name: name + ": " + what, File: name, Edits: edits})
	}
	for i := range len(starts) - 1 {
		line := string(file[starts[i]:starts[i+1]])
		add(fmt.Sprintf("line %02d out", i+1), edit(starts[i], len(line), ""))
		add(fmt.Sprintf("line %02d twice", i+1), edit(starts[i], 0, line))
		add(fmt.Sprintf("cut before line %02d", i+1), edit(starts[i], len(file)-starts[i], ""))
		add(fmt.Sprintf("cut within line %02d", i+1), edit(starts[i]+len(line)/2, len(file)-starts[i]-len(line)/2, ""))
		add(fmt.Sprintf("cut at the end of line %02d", i+1), edit(starts[i+1]-1, len(file)-starts[i+1]+1, ""))
		add(fmt.Sprintf("carriage return in line %02d", i+1), edit(starts[i+1]-1, 0, "\r"))
		add(fmt.Sprintf("blank line before line %02d", i+1), edit(starts[i], 0, "\n"))
		add(fmt.Sprintf("line %02d last", i+1), edit(starts[i], len(line), ""), edit(len(file)-len(line), 0, line))
	}
	add("empty", edit(0, len(file), ""))
	add("text behind", edit(len(file), 0, "{}\n"))
	add("mark of order in front", edit(0, 0, "\ufeff"))
	add("a line that is too long")
	out[len(out)-1].Fill = 2<<20 + 20<<10
	for _, put := range []string{"é", "\xff", "\u2028", "\\u00e9", "\\/", "\\u0008", "\x00", "😀"} {
		add(fmt.Sprintf("%+q in a member name", put), edit(starts[2]+3, 0, put))
		add(fmt.Sprintf("%+q in the header", put), edit(strings.Index(string(file), "\"format\"")+3, 0, put))
		add(fmt.Sprintf("%+q in the format", put), edit(strings.Index(string(file), "linewarden-records"), 0, put))
	}
	return out
}

// flipped changes single bytes of a file, in blocks of one sum each.
func flipped(t *testing.T, name string, file []byte) []flips {
	t.Helper()
	const block, step = 1024, 7
	puts := []int{-1, ' ', -2, '\n', '"', '0', 'A', '\\', '}', ','}
	var out []flips
	for from := 0; from < len(file); from += block {
		f := flips{File: name, From: from, To: min(from+block, len(file)), Step: step, Puts: puts}
		sum := sha256.New()
		for at := f.From; at < f.To; at += step {
			b := slices.Clone(file)
			switch p := puts[at%len(puts)]; p {
			case -1:
				b[at] ^= 1
			case -2:
				b[at] ^= 0x80
			default:
				b[at] = byte(p)
			}
			said := strings.ToValidUTF8(say(t, b, "", ""), "\ufffd")
			if !bytes.Equal(b, file) && strings.Contains(said, "are whole") {
				t.Errorf("%s: byte %d changed and not found", name, at)
			}
			fmt.Fprintln(sum, said)
		}
		f.Sum = hex.EncodeToString(sum.Sum(nil))
		out = append(out, f)
	}
	return out
}

// noteOf takes the signed checkpoint out of an export.
func noteOf(t *testing.T, file []byte) string {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(string(file)), "\n")
	var last struct{ Checkpoint string }
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil {
		t.Fatal(err)
	}
	return last.Checkpoint
}

// flip gives another letter of base64.
func flip(c byte) string {
	if c == 'A' {
		return "B"
	}
	return "A"
}
