package record_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// TestTreeAgainstOthers compares the tree with two other implementations of
// RFC 6962: golang.org/x/mod/sumdb/tlog and github.com/transparency-dev/merkle.
func TestTreeAgainstOthers(t *testing.T) {
	log := memstore.New().Site("north")
	tree := recordtest.Fill(t, "north", log, 1, 2, 5, 13, 64, 48)
	hashes := record.HashReader(t.Context(), log)
	again := new(record.Tree)
	var stored []tlog.Hash
	err := log.Scan(t.Context(), 1, tree.Size(), func(seq int64, rec string) error {
		leaf := record.LeafHash(rec)
		if leaf != tlog.RecordHash([]byte(rec)) || !slices.Equal(leaf[:], rfc6962.DefaultHasher.HashLeaf([]byte(rec))) {
			t.Errorf("leaf %d differs", seq)
		}
		want, err := tlog.StoredHashes(seq-1, []byte(rec), tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
			var out []tlog.Hash
			for _, i := range indexes {
				out = append(out, stored[i])
			}
			return out, nil
		}))
		got := again.Append(leaf, nil)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("stored hashes of record %d differ: %v", seq, err)
		}
		stored = append(stored, got...)
		root, err := tlog.TreeHash(seq, hashes)
		if err != nil || root != again.Root() {
			t.Errorf("root of %d differs: %v", seq, err)
		}
		reopened, err := record.NewTree(seq, hashes)
		if err != nil || reopened.Root() != root {
			t.Errorf("the edge of %d records read back differs: %v", seq, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if empty := new(record.Tree).Root(); !slices.Equal(empty[:], rfc6962.DefaultHasher.EmptyRoot()) {
		t.Error("the root of an empty tree differs")
	}
}

// TestCheckpointIsNote opens our checkpoint with the note package itself.
func TestCheckpointIsNote(t *testing.T) {
	keys, err := recordtest.NewKeys("north", "a", 0)
	if err != nil {
		t.Fatal(err)
	}
	m, err := recordtest.MakeLog(t.Context(), memstore.New().Site("north"), keys, nil, 4)
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(m.Keys.Signer.VerifierKey())
	if err != nil {
		t.Fatal(err)
	}
	n, err := note.Open([]byte(m.Last()), note.VerifierList(v))
	if err != nil || len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 0 || n.Sigs[0].Name != record.Origin("north", m.Keys.LogID) {
		t.Fatalf("%v", err)
	}
	cp, key, err := record.VerifyCheckpoint(m.Last(), m.Keys.Signer.VerifierKey())
	if err != nil || key != m.Keys.Signer.VerifierKey() || cp.Size != 5 || cp.Root != m.Tree.Root() || cp.Text() != n.Text {
		t.Errorf("%+v %v", cp, err)
	}
}

func TestBuilderLimits(t *testing.T) {
	b := record.NewBuilder("north", new(record.Tree), 1)
	command := func(n int) []record.Envelope {
		out := make([]record.Envelope, n)
		for i := range out {
			out[i] = recordtest.Note("north", b.Len()+i)
		}
		return out
	}
	if err := b.AppendCommand(command(record.MaxCommandRecords + 1)); !errors.Is(err, record.ErrTooLarge) {
		t.Errorf("201 records of a command: %v", err)
	}
	for _, n := range []int{200, 200} {
		if err := b.AppendCommand(command(n)); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.AppendCommand(command(101)); !errors.Is(err, record.ErrCommitFull) || b.Len() != 400 {
		t.Errorf("501 records of a commit: %v, %d", err, b.Len())
	}
	if err := b.AppendCommand(command(100)); err != nil || b.Len() != 500 {
		t.Errorf("500 records of a commit: %v", err)
	}
	b = record.NewBuilder("north", b.Tree(), 2)
	bad := []record.Envelope{recordtest.Note("north", 500), recordtest.Note("north", 3)}
	if err := b.AppendCommand(bad); !errors.Is(err, record.ErrInvalid) || b.Len() != 0 {
		t.Errorf("recorded_at backwards: %v, %d records", err, b.Len())
	}
	if err := b.AppendCommand(bad[:1]); err != nil || bad[0].Seq != 501 {
		t.Errorf("after a refusal: %v, seq %d", err, bad[0].Seq)
	}
}

// TestTextIsThatOfTheRecords: the text of a commit is its records, also where a command was refused while it was built,
// where there was no room made, and where somebody changed a record afterwards.
func TestTextIsThatOfTheRecords(t *testing.T) {
	joined := func(c *record.Commit) string { return strings.Join(c.Records, "\n") }
	for _, expect := range []int{0, 3, 200} {
		b := record.NewBuilder("text", &record.Tree{}, 1)
		b.Expect(expect)
		for i := range 20 {
			e := record.Envelope{V: 2, ID: record.UUID{byte(i + 1)}, Kind: "k", At: recordtest.Start, AtKnown: record.AtServer, RecordedAt: recordtest.Start}
			if i%7 == 3 {
				e.Kind = "" // refused
			}
			if err := b.AppendCommand([]record.Envelope{e}); (err != nil) != (i%7 == 3) {
				t.Fatal(err)
			}
			c, _ := b.Build()
			if len(c.Records) > 0 && c.Text() != joined(&c) {
				t.Fatalf("after command %d the text is %q, want %q", i, c.Text(), joined(&c))
			}
		}
		c, _ := b.Build()
		for i := range c.Records {
			changed := c
			changed.Records = slices.Clone(c.Records)
			for _, to := range []string{"x", "", c.Records[i] + "y", "\n" + c.Records[i]} {
				if changed.Records[i] = to; changed.Text() != joined(&changed) {
					t.Fatalf("record %d changed to %q and the text did not", i, to)
				}
			}
			changed.Records = slices.Delete(changed.Records, i, i+1)
			if changed.Text() != joined(&changed) {
				t.Fatalf("record %d left out and the text did not change", i)
			}
		}
	}
}
