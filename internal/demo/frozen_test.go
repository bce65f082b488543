package demo_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

var update = flag.Bool("update", false, "write a new frozen plant log; only for a new format version")

// frozen is a log of a plant written once, with the records of four working days. It must verify and
// fold to its summary for ever: whatever changes in the rules, what was recorded keeps its meaning.
var frozen = filepath.Join("..", "..", "testdata", "records", "v1", "plant.records.ndjson")

// summary is what a log says, in the words of the trade and apart from how the state holds it.
type summary struct {
	Site    string           `json:"site"`
	Records int64            `json:"records"`
	Kinds   map[string]int   `json:"kinds"`
	Counts  haccp.Counts     `json:"counts"`
	People  []string         `json:"people"`
	Cases   []summarisedCase `json:"cases"`
	Points  []string         `json:"points"`
	Missed  []string         `json:"missed"`
}

type summarisedCase struct {
	Number int64      `json:"number"`
	Word   string     `json:"word"`
	Ground string     `json:"ground"`
	Point  string     `json:"point"`
	Place  string     `json:"place"`
	Now    haccp.Span `json:"now"`
	Widest haccp.Span `json:"widest"`
	Closed bool       `json:"closed"`
	Parts  []string   `json:"parts"`
	Worst  string     `json:"worst"`
}

func TestFrozenLogFoldsForEver(t *testing.T) {
	if *update {
		freeze(t)
	}
	file, err := os.ReadFile(frozen)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := evidence.Verify(t.Context(), bytes.NewReader(file), evidence.VerifyOptions{}); err != nil || !r.OK() {
		t.Fatalf("it does not verify: %v %v", r.Fault, err)
	}
	got, err := json.MarshalIndent(summarise(t, logOf(t, file)), "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join(filepath.Dir(frozen), "plant.summary.json")
	if *update {
		if err := os.WriteFile(golden, append(got, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(bytes.TrimSpace(want), got) {
		t.Errorf("the frozen log folds to something else:\n%s", got)
	}
}

// freeze writes the history of four days as the frozen log.
func freeze(t *testing.T) {
	t.Helper()
	log := memstore.New().Site("vallequince-demo")
	site, _ := written(t, log, time.Date(2026, 11, 24, 23, 30, 0, 0, time.UTC), 4)
	var out bytes.Buffer
	if err := site.Export(t.Context(), &out, 0, 0); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(frozen, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// logOf puts the records of an exported file into a log in memory, a commit a command, byte for byte.
func logOf(t *testing.T, file []byte) record.Log {
	t.Helper()
	var envs []record.Envelope
	lines := bufio.NewScanner(bytes.NewReader(file))
	lines.Buffer(nil, 8<<20)
	var texts []string
	for lines.Scan() {
		var line struct {
			Record string `json:"record"`
		}
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			t.Fatal(err)
		}
		if line.Record == "" {
			continue
		}
		env, err := record.DecodeString(line.Record)
		if err != nil {
			t.Fatal(err)
		}
		envs, texts = append(envs, env), append(texts, line.Record)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return rebuilt(t, envs, texts)
}

func rebuilt(t *testing.T, envs []record.Envelope, texts []string) record.Log {
	t.Helper()
	log := memstore.New().Site(envs[0].Site)
	tree, head, err := record.OpenTree(t.Context(), log)
	if err != nil {
		t.Fatal(err)
	}
	for len(envs) > 0 {
		n := 1
		for n < len(envs) && envs[n].Command == envs[0].Command {
			n++
		}
		b := record.NewBuilder(envs[0].Site, tree, head.Commit+1)
		if err := b.AppendCommand(envs[:n]); err != nil {
			t.Fatal(err)
		}
		for i, rec := range b.Last(n) {
			if rec != texts[i] {
				t.Fatalf("record %d is encoded otherwise today:\n%s\n%s", envs[i].Seq, rec, texts[i])
			}
		}
		c, lookups := b.Build()
		if err := log.Append(t.Context(), head.Commit, c, lookups); err != nil {
			t.Fatal(err)
		}
		tree, head = b.Tree(), record.Head{Commit: c.Number, Size: c.Size, Root: c.Root}
		envs, texts = envs[n:], texts[n:]
	}
	return log
}

func summarise(t *testing.T, log record.Log) summary {
	t.Helper()
	h := readHistory(t, log)
	s := haccp.New(time.LoadLocation)
	out := summary{Kinds: map[string]int{}}
	for _, g := range h.groups {
		h.fold(s, g)
		for _, e := range g {
			out.Kinds[e.Kind]++
			if m, ok := e.Body.(*haccp.Missed); ok {
				out.Missed = append(out.Missed, m.Check+" at "+m.Place+" due "+m.Due.Format(time.RFC3339))
			}
		}
	}
	out.Site, out.Records, out.Counts = s.Site.Site, s.Size, s.Counts
	for _, p := range s.People() {
		for _, r := range p.RolesNow() {
			out.People = append(out.People, p.Name+": "+r)
		}
	}
	for _, d := range s.HeldCases() {
		c := summarisedCase{Number: d.Number, Word: d.Word(), Ground: d.Ground, Point: d.Point, Place: d.Place, Now: d.Now, Widest: d.Widest, Closed: d.IsClosed}
		for _, p := range d.Parts {
			c.Parts = append(c.Parts, p.Body.Part+" by "+p.By.Name)
		}
		if d.Worst != nil {
			c.Worst = d.Worst.Value
		}
		out.Cases = append(out.Cases, c)
	}
	for _, p := range s.PointStates(s.LastRecorded) {
		out.Points = append(out.Points, p.Point+" at "+p.Place+": "+p.State)
	}
	return out
}
