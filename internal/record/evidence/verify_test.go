package evidence_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

func keys(t testing.TB, seed string, generation int) recordtest.Keys {
	t.Helper()
	k, err := recordtest.NewKeys("north", seed, generation)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func makeLog(t testing.TB, k recordtest.Keys, change func(*record.Envelope), sizes ...int) *recordtest.Made {
	t.Helper()
	m, err := recordtest.MakeLog(t.Context(), memstore.New().Site(k.Site), k, change, sizes...)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func export(t testing.TB, m *recordtest.Made, first, last int64) []byte {
	t.Helper()
	b, err := m.Export(t.Context(), first, last)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func verify(t testing.TB, file []byte, o evidence.VerifyOptions) evidence.Result {
	t.Helper()
	r, err := evidence.Verify(t.Context(), bytes.NewReader(file), o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func wantFault(t *testing.T, name string, r evidence.Result, kind evidence.FaultKind, seq int64) {
	t.Helper()
	if r.Fault == nil || r.Fault.Kind != kind || r.Fault.Seq != seq {
		t.Errorf("%s: got %v, want %s at record %d", name, r.Fault, kind, seq)
	}
	if r.Fault != nil && !errors.Is(r.Fault, record.ErrTampered) {
		t.Errorf("%s: the fault is not ErrTampered", name)
	}
}

// bare gives size and root of a checkpoint, as they stand at the foot of a page.
func bare(t *testing.T, note string) string {
	t.Helper()
	lines := strings.Split(note, "\n")
	if len(lines) < 3 {
		t.Fatalf("no checkpoint: %q", note)
	}
	return lines[1] + " " + lines[2] + "\n"
}

func TestVerifyWhole(t *testing.T) {
	m := makeLog(t, keys(t, "a", 0), nil, 3, 10, 7)
	file := export(t, m, 0, 0)
	key := m.Keys.Signer.VerifierKey()
	for _, c := range []struct {
		name            string
		o               evidence.VerifyOptions
		proved, missing []evidence.Claim
	}{
		{"alone", evidence.VerifyOptions{}, []evidence.Claim{evidence.ClaimRecords, evidence.ClaimComplete}, []evidence.Claim{evidence.ClaimOrigin, evidence.ClaimSince}},
		{"with key", evidence.VerifyOptions{Key: key}, []evidence.Claim{evidence.ClaimOrigin}, []evidence.Claim{evidence.ClaimSince}},
		{"with checkpoint", evidence.VerifyOptions{Since: m.Checkpoints[1]}, []evidence.Claim{evidence.ClaimSince}, []evidence.Claim{evidence.ClaimOrigin}},
		{"with size and root from a page", evidence.VerifyOptions{Since: bare(t, m.Checkpoints[1])}, []evidence.Claim{evidence.ClaimSince}, []evidence.Claim{evidence.ClaimOrigin}},
		{"with the same checkpoint", evidence.VerifyOptions{Since: m.Last(), Key: key}, []evidence.Claim{evidence.ClaimSince, evidence.ClaimOrigin}, nil},
	} {
		r := verify(t, file, c.o)
		if !r.OK() || r.Last != 21 || r.Size != 21 || r.Root != m.Tree.Root() || r.Checkpoint != m.Last() || r.Site != "north" || r.Key != key {
			t.Errorf("%s: %v %+v", c.name, r.Fault, r)
		}
		for _, claim := range c.proved {
			if !slices.Contains(r.Proved, claim) || slices.Contains(r.NotProved, claim) {
				t.Errorf("%s: %s is not proved: %v", c.name, claim, r.Proved)
			}
		}
		for _, claim := range c.missing {
			if !slices.Contains(r.NotProved, claim) || slices.Contains(r.Proved, claim) {
				t.Errorf("%s: does not say that %s is unproved: %v", c.name, claim, r.NotProved)
			}
		}
	}
	if text := evidence.ClaimOrigin.MissingText(); !strings.HasPrefix(text, "key taken from the file: proves integrity, not origin") {
		t.Errorf("without a key it says %q", text)
	}
	part := verify(t, export(t, m, 5, 9), evidence.VerifyOptions{Key: key})
	if !part.OK() || part.First != 5 || part.Last != 9 || !slices.Contains(part.Proved, evidence.ClaimOrigin) || !slices.Contains(part.NotProved, evidence.ClaimComplete) {
		t.Errorf("a part: %v %+v", part.Fault, part)
	}
}

// TestVerifyTellsApart forges logs as somebody with the store, and then with
// the key, could.
func TestVerifyTellsApart(t *testing.T) {
	k := keys(t, "a", 0)
	other := keys(t, "a", 1)
	key := k.Signer.VerifierKey()
	sizes := []int{3, 10, 7}
	m := makeLog(t, k, nil, sizes...)
	late := func(e *record.Envelope) {
		if e.At.Sub(recordtest.Start).Seconds() >= 15 {
			e.Body = []byte(`{"text":"forged"}`)
		}
	}
	early := func(e *record.Envelope) {
		if e.At.Sub(recordtest.Start).Seconds() == 2 {
			e.Body = []byte(`{"text":"forged"}`)
		}
	}
	file := string(export(t, m, 0, 0))
	lines := strings.SplitAfter(file, "\n")
	lines = lines[:len(lines)-1]
	forged := strings.SplitAfter(string(export(t, makeLog(t, k, late, sizes...), 0, 0)), "\n")
	short := makeLog(t, k, nil, sizes[:2]...)
	stolen := makeLog(t, k, late, sizes...)
	stolen.Keys.Signer = other.Signer
	note, err := stolen.Keys.Checkpoint(stolen.Tree)
	if err != nil {
		t.Fatal(err)
	}
	resigned := slices.Concat(forged[:len(forged)-2], []string{`{"checkpoint":` + jsonText(note) + "}\n"})
	join := func(l []string) []byte { return []byte(strings.Join(l, "")) }
	since := m.Checkpoints[2] // over 14 records

	wantFault(t, "record altered", verify(t, []byte(strings.Replace(file, "Note 9:", "Note 8:", 1)), evidence.VerifyOptions{}), evidence.FaultRecord, 10)
	replaced := slices.Concat(forged[:len(forged)-2], lines[len(lines)-1:])
	wantFault(t, "suffix replaced, not signed again", verify(t, join(replaced), evidence.VerifyOptions{}), evidence.FaultReplaced, 1)
	r := verify(t, join(replaced), evidence.VerifyOptions{Since: since})
	wantFault(t, "suffix replaced, earlier checkpoint at hand", r, evidence.FaultReplaced, 15)
	if r.Fault != nil && r.Fault.To != 21 {
		t.Errorf("the suffix ends at %d", r.Fault.To)
	}
	wantFault(t, "suffix replaced, signed with the true key, later checkpoint at hand", verify(t, join(forged[:len(forged)-1]), evidence.VerifyOptions{Key: key, Since: m.Last()}), evidence.FaultReplaced, 1)
	whole := verify(t, join(forged[:len(forged)-1]), evidence.VerifyOptions{Key: key})
	if !whole.OK() || !slices.Contains(whole.NotProved, evidence.ClaimSince) {
		t.Errorf("signed with the true key and no checkpoint: must say what is unproved: %v %v", whole.Fault, whole.NotProved)
	}
	wantFault(t, "early record forged, true key, checkpoint", verify(t, export(t, makeLog(t, k, early, sizes...), 0, 0), evidence.VerifyOptions{Key: key, Since: since}), evidence.FaultReplaced, 1)
	wantFault(t, "signed again with another key", verify(t, join(resigned), evidence.VerifyOptions{Key: key}), evidence.FaultOtherKey, 0)
	wantFault(t, "signed again with another key, no key given", verify(t, join(resigned), evidence.VerifyOptions{}), evidence.FaultOtherKey, 0)
	made := makeLog(t, other, nil, sizes...)
	wantFault(t, "made anew with another key", verify(t, export(t, made, 0, 0), evidence.VerifyOptions{Key: key}), evidence.FaultOtherKey, 0)
	if r := verify(t, export(t, made, 0, 0), evidence.VerifyOptions{}); !r.OK() || !slices.Contains(r.NotProved, evidence.ClaimOrigin) {
		t.Errorf("made anew, no key given: %v", r.Fault)
	}
	wantFault(t, "a part signed with another key", verify(t, export(t, made, 4, 6), evidence.VerifyOptions{Key: key}), evidence.FaultOtherKey, 0)

	wantFault(t, "cut: no last line", verify(t, join(lines[:len(lines)-1]), evidence.VerifyOptions{}), evidence.FaultCut, 0)
	wantFault(t, "cut within a line", verify(t, []byte(file[:len(file)/2]), evidence.VerifyOptions{}), evidence.FaultCut, 0)
	wantFault(t, "cut: last line feed", verify(t, []byte(file[:len(file)-1]), evidence.VerifyOptions{}), evidence.FaultCut, 0)
	wantFault(t, "cut: empty file", verify(t, nil, evidence.VerifyOptions{}), evidence.FaultCut, 0)
	wantFault(t, "cut: last records out", verify(t, join(slices.Concat(lines[:18], lines[22:])), evidence.VerifyOptions{}), evidence.FaultCut, 18)
	wantFault(t, "cut: an older state, size and root at hand", verify(t, export(t, short, 0, 0), evidence.VerifyOptions{Since: bare(t, m.Last())}), evidence.FaultCut, 15)
	wantFault(t, "suffix replaced, signed with the true key, size and root at hand", verify(t, join(forged[:len(forged)-1]), evidence.VerifyOptions{Key: key, Since: bare(t, m.Last())}), evidence.FaultReplaced, 1)
	wantFault(t, "cut: an older state", verify(t, export(t, short, 0, 0), evidence.VerifyOptions{Since: m.Last()}), evidence.FaultCut, 15)
	wantFault(t, "record out of the middle", verify(t, join(slices.Delete(slices.Clone(lines), 7, 8)), evidence.VerifyOptions{}), evidence.FaultRecord, 7)
	swapped := slices.Clone(lines)
	swapped[5], swapped[6] = swapped[6], swapped[5]
	wantFault(t, "records swapped", verify(t, join(swapped), evidence.VerifyOptions{}), evidence.FaultRecord, 5)
	wantFault(t, "record twice", verify(t, join(slices.Insert(slices.Clone(lines), 5, lines[4])), evidence.VerifyOptions{}), evidence.FaultRecord, 5)
	wantFault(t, "text behind", verify(t, []byte(file+"\n"), evidence.VerifyOptions{}), evidence.FaultCheckpoint, 0)
	wantFault(t, "checkpoint of another time", verify(t, join(slices.Concat(lines[:22], []string{`{"checkpoint":` + jsonText(since) + "}\n"})), evidence.VerifyOptions{}), evidence.FaultHeader, 0)
	sig := strings.LastIndex(lines[22], "\\n")
	wantFault(t, "signature", verify(t, []byte(strings.Join(lines[:22], "")+flipText(lines[22], sig-8)), evidence.VerifyOptions{}), evidence.FaultSignature, 0)
	wantFault(t, "a checkpoint of another log", verify(t, []byte(file), evidence.VerifyOptions{Since: makeLog(t, keys(t, "b", 0), nil, 1).Last()}), evidence.FaultSince, 0)
	wantFault(t, "a checkpoint by another key", verify(t, []byte(file), evidence.VerifyOptions{Since: made.Checkpoints[1]}), evidence.FaultSince, 0)
	if _, err := evidence.Verify(t.Context(), strings.NewReader(file), evidence.VerifyOptions{Key: "no key"}); !errors.Is(err, record.ErrInvalid) {
		t.Errorf("an unusable key: %v", err)
	}
	if _, err := evidence.Verify(t.Context(), strings.NewReader(file), evidence.VerifyOptions{Since: "no note"}); !errors.Is(err, record.ErrCheckpoint) {
		t.Errorf("an unusable checkpoint: %v", err)
	}
}

// flipText changes a base64 letter into another one.
func flipText(s string, at int) string {
	b := []byte(s)
	if b[at]++; b[at] == '[' || b[at] == '{' || b[at] == ':' || b[at] == ',' || b[at] == '0' && s[at] == '/' {
		b[at] = 'A'
	}
	return string(b)
}

// jsonText is a note as a JSON string; notes hold no other escape.
func jsonText(s string) string { return `"` + strings.ReplaceAll(s, "\n", `\n`) + `"` }

func TestVerifyKeyChange(t *testing.T) {
	first, second, third := keys(t, "a", 0), keys(t, "a", 1), keys(t, "a", 2)
	m := makeLog(t, first, nil, 4)
	if err := m.ChangeKey(t.Context(), second, false); err != nil {
		t.Fatal(err)
	}
	for _, k := range []recordtest.Keys{first, second} {
		r := verify(t, export(t, m, 0, 0), evidence.VerifyOptions{Key: k.Signer.VerifierKey(), Since: m.Checkpoints[0]})
		if !r.OK() || r.OriginTo != 6 || r.Key != second.Signer.VerifierKey() {
			t.Errorf("key handed over: %v %+v", r.Fault, r)
		}
	}
	if err := m.ChangeKey(t.Context(), third, true); err != nil {
		t.Fatal(err)
	}
	r := verify(t, export(t, m, 0, 0), evidence.VerifyOptions{Key: first.Signer.VerifierKey()})
	if !r.OK() || !slices.Contains(r.NotProved, evidence.ClaimOrigin) || !slices.Equal(r.LostAt, []int64{7}) || r.OriginTo != 0 {
		t.Errorf("key lost: %v %+v", r.Fault, r)
	}
	if r = verify(t, export(t, m, 0, 0), evidence.VerifyOptions{Key: third.Signer.VerifierKey()}); !r.OK() || r.OriginTo != 7 {
		t.Errorf("the new key speaks for the whole log: %v %+v", r.Fault, r)
	}
	// Somebody without the old key names his own.
	thief := makeLog(t, first, nil, 4)
	stranger := recordtest.Keys{Site: first.Site, LogID: first.LogID, Signer: third.Signer}
	thief.Keys = stranger
	if err := thief.ChangeKey(t.Context(), stranger, false); err != nil {
		t.Fatal(err)
	}
	wantFault(t, "a key change that the old key did not sign", verify(t, export(t, thief, 0, 0), evidence.VerifyOptions{}), evidence.FaultRecord, 6)
}

// part is what a fault points at.
func part(f *evidence.Fault) string {
	switch f.Kind {
	case evidence.FaultRecord:
		return fmt.Sprint("record ", f.Seq)
	case evidence.FaultCheckpoint, evidence.FaultSignature, evidence.FaultOtherKey:
		return "checkpoint"
	}
	return string(f.Kind)
}

// checkFlip changes one byte and looks that Verify names its line.
func checkFlip(t *testing.T, file []byte, first int64, at int, to byte) {
	t.Helper()
	if file[at] == to {
		return
	}
	bad := bytes.Clone(file)
	bad[at] = to
	line := bytes.Count(file[:at], []byte("\n"))
	want := fmt.Sprint("record ", first+int64(line)-1)
	switch line {
	case 0:
		want = "header"
	case bytes.Count(file, []byte("\n")) - 1:
		want = "checkpoint"
	}
	r := verify(t, bad, evidence.VerifyOptions{})
	switch {
	case r.Fault == nil:
		t.Fatalf("byte %d (line %d) %q to %q: not found", at, line+1, file[at], to)
	case line == 0 && first > 1 && r.Fault.Kind == evidence.FaultCut:
		// A partial file whose header promises more cannot be told from one that was cut.
	case part(r.Fault) != want:
		t.Fatalf("byte %d (line %d) %q to %q: got %q (%v), want %q", at, line+1, file[at], to, part(r.Fault), r.Fault, want)
	}
}

func TestFlipEveryByte(t *testing.T) {
	m := makeLog(t, keys(t, "a", 0), nil, 2, 3)
	for first, file := range map[int64][]byte{1: export(t, m, 0, 0), 3: export(t, m, 3, 5)} {
		for at := range file {
			for _, to := range []byte{file[at] ^ 1, file[at] ^ 0x80, file[at] + 1, ' ', '\n', '"', '0', 'A'} {
				checkFlip(t, file, first, at, to)
			}
		}
	}
}

func FuzzFlip(f *testing.F) {
	m := makeLog(f, keys(f, "a", 0), nil, 20, 20)
	whole, some := export(f, m, 0, 0), export(f, m, 11, 30)
	f.Add(0, byte('x'), false)
	f.Add(300, byte('\n'), true)
	f.Fuzz(func(t *testing.T, at int, to byte, partly bool) {
		file, first := whole, int64(1)
		if partly {
			file, first = some, 11
		}
		checkFlip(t, file, first, int(uint(at)%uint(len(file))), to)
	})
}

// FuzzVerify feeds anything at all: Verify must come back, and only the true
// file may be whole.
func FuzzVerify(f *testing.F) {
	m := makeLog(f, keys(f, "a", 0), nil, 2)
	whole, some := export(f, m, 0, 0), export(f, m, 2, 3)
	key := m.Keys.Signer.VerifierKey()
	f.Add(whole)
	f.Add(some)
	f.Add(export(f, m, 2, 2))
	f.Fuzz(func(t *testing.T, file []byte) {
		r := verify(t, file, evidence.VerifyOptions{Key: key})
		if r.OK() && r.Last-r.First > 1 && !bytes.Equal(file, whole) {
			t.Errorf("another file is whole: %q", file)
		}
	})
}

func TestVerifyProgress(t *testing.T) {
	m := makeLog(t, keys(t, "a", 0), nil, slices.Repeat([]int{500}, 10)...)
	calls := int64(0)
	o := evidence.VerifyOptions{Progress: func(done, total int64) { calls = done * total }}
	if r := verify(t, export(t, m, 0, 0), o); !r.OK() || calls != 4096*5001 {
		t.Errorf("progress %d: %v", calls, r.Fault)
	}
}
