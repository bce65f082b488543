package evidence_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

var update = flag.Bool("update", false, "write the frozen logs that are not there yet")

const frozenDir = "../../../testdata/records/v1"

// frozen are the files that every later version must judge in the same way.
// They are made once; their bytes never change.
func frozen(t *testing.T) map[string][]byte {
	t.Helper()
	first, second := keys(t, "frozen", 0), keys(t, "frozen", 1)
	m := makeLog(t, first, nil, 3, 8)
	e := recordtest.Full()
	e.At, e.RecordedAt = e.At.AddDate(0, 0, 1), e.RecordedAt.AddDate(0, 0, 1)
	if err := m.ChangeKey(t.Context(), second, false); err != nil {
		t.Fatal(err)
	}
	e.ID, e.Command = record.UUID{1}, record.UUID{2}
	if err := m.Append(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	good := string(export(t, m, 0, 0))
	lines := strings.SplitAfter(good, "\n")
	forged := makeLog(t, first, nil, 3, 8)
	if err := forged.ChangeKey(t.Context(), second, false); err != nil {
		t.Fatal(err)
	}
	e.LateReason = "forged"
	if err := forged.Append(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	forgedLines := strings.SplitAfter(string(export(t, forged, 0, 0)), "\n")
	other := makeLog(t, second, nil, 3, 8)
	return map[string][]byte{
		"good.records.ndjson":              []byte(good),
		"good-part.records.ndjson":         export(t, m, 4, 9),
		"bad-record.records.ndjson":        []byte(strings.Replace(good, "Note 5:", "Note 6:", 1)),
		"bad-missing.records.ndjson":       []byte(strings.Join(slices.Delete(slices.Clone(lines), 6, 7), "")),
		"bad-cut.records.ndjson":           []byte(strings.Join(lines[:9], "")),
		"bad-header.records.ndjson":        []byte(strings.Replace(good, `"last":14`, `"last":13`, 1)),
		"bad-signature.records.ndjson":     []byte(strings.Join(lines[:15], "") + flipText(lines[15], strings.LastIndex(lines[15], "\\n")-8)),
		"bad-replaced.records.ndjson":      []byte(strings.Join(lines[:14], "") + forgedLines[14] + lines[15]),
		"bad-other-key.records.ndjson":     export(t, other, 0, 0),
		"bad-part-record.records.ndjson":   []byte(strings.Replace(string(export(t, m, 4, 9)), "Note 5:", "Note 6:", 1)),
		"bad-space-in-line.records.ndjson": []byte(strings.Replace(good, `{"leaf":`, `{"leaf": `, 1)),
	}
}

// judged is what Verify must say of each file, given the first key.
var judged = map[string]struct {
	kind evidence.FaultKind
	seq  int64
}{
	"good.records.ndjson":              {},
	"good-part.records.ndjson":         {},
	"bad-record.records.ndjson":        {evidence.FaultRecord, 6},
	"bad-missing.records.ndjson":       {evidence.FaultRecord, 6},
	"bad-cut.records.ndjson":           {evidence.FaultCut, 0},
	"bad-header.records.ndjson":        {evidence.FaultHeader, 0},
	"bad-signature.records.ndjson":     {evidence.FaultSignature, 0},
	"bad-replaced.records.ndjson":      {evidence.FaultReplaced, 13},
	"bad-other-key.records.ndjson":     {evidence.FaultOtherKey, 0},
	"bad-part-record.records.ndjson":   {evidence.FaultRecord, 6},
	"bad-space-in-line.records.ndjson": {evidence.FaultRecord, 1},
	"plant.records.ndjson":             {},
}

// TestFrozen reads the files as they were first written.
func TestFrozen(t *testing.T) {
	if *update {
		for name, data := range frozen(t) {
			path := filepath.Join(frozenDir, name)
			if _, err := os.Stat(path); err == nil {
				continue
			}
			if err := os.WriteFile(path, data, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	first, second := keys(t, "frozen", 0).Signer.VerifierKey(), keys(t, "frozen", 1).Signer.VerifierKey()
	files, err := filepath.Glob(filepath.Join(frozenDir, "*.records.ndjson"))
	if err != nil || len(files) < len(judged) {
		t.Fatalf("%d frozen files, %d judged: %v", len(files), len(judged), err)
	}
	for _, path := range files {
		name := filepath.Base(path)
		want, ok := judged[name]
		data, err := os.ReadFile(path)
		if err != nil || !ok {
			t.Errorf("%s: not judged here, or not readable: %v", name, err)
			continue
		}
		o := evidence.VerifyOptions{Key: first}
		switch {
		case strings.Contains(name, "part"):
			o.Key = second
		case name == "plant.records.ndjson": // of a plant with a key of its own
			o.Key = ""
		}
		r := verify(t, data, o)
		switch {
		case want.kind == "" && !r.OK():
			t.Errorf("%s: %v", name, r.Fault)
		case want.kind != "":
			wantFault(t, name, r, want.kind, want.seq)
		}
	}
}

// TestFrozenBytes makes the same logs anew: today's encoder must give the bytes
// of the first one.
func TestFrozenBytes(t *testing.T) {
	for name, data := range frozen(t) {
		old, err := os.ReadFile(filepath.Join(frozenDir, name))
		if err != nil || !bytes.Equal(old, data) {
			t.Errorf("%s differs from what is made today: %v", name, err)
		}
	}
}
