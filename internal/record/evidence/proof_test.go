package evidence_test

import (
	"errors"
	"testing"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

func raw(hashes []tlog.Hash) [][]byte {
	out := make([][]byte, len(hashes))
	for i := range hashes {
		out[i] = hashes[i][:]
	}
	return out
}

// TestProofsAgainstOthers checks our proofs with two other implementations of
// RFC 6962: golang.org/x/mod/sumdb/tlog, which makes them, and
// github.com/transparency-dev/merkle.
func TestProofsAgainstOthers(t *testing.T) {
	ctx := t.Context()
	log := memstore.New().Site("north")
	tree := recordtest.Fill(t, "north", log, 1, 2, 5, 13, 64, 48)
	var roots []tlog.Hash
	for size := int64(1); size <= tree.Size(); size++ {
		root, err := evidence.RootAt(ctx, log, size)
		if err != nil {
			t.Fatal(err)
		}
		roots = append(roots, root)
	}
	for _, size := range []int64{1, 2, 3, 7, 8, 64, 100, 133} {
		for seq := int64(1); seq <= size; seq++ {
			found, err := log.Hashes(ctx, []int64{tlog.StoredHashIndex(0, seq-1)})
			if err != nil {
				t.Fatal(err)
			}
			root := roots[size-1]
			p, err := evidence.InclusionProof(ctx, log, seq, size)
			if err != nil || evidence.CheckInclusion(p, size, root, seq, found[0]) != nil {
				t.Errorf("record %d of %d is not proved: %v", seq, size, err)
			}
			if err := proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(seq-1), uint64(size), found[0][:], raw(p), root[:]); err != nil {
				t.Errorf("record %d of %d: the other implementation refuses: %v", seq, size, err)
			}
			p, err = evidence.ConsistencyProof(ctx, log, seq, size)
			if err != nil || evidence.CheckConsistency(p, seq, roots[seq-1], size, root) != nil {
				t.Errorf("%d within %d is not proved: %v", seq, size, err)
			}
			if err := proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(seq), uint64(size), raw(p), roots[seq-1][:], root[:]); err != nil {
				t.Errorf("%d within %d: the other implementation refuses: %v", seq, size, err)
			}
			if err := evidence.CheckConsistency(p, seq, roots[(seq+5)%100], size, root); !errors.Is(err, record.ErrTampered) {
				t.Errorf("%d within %d: a wrong root is taken: %v", seq, size, err)
			}
		}
	}
	if _, err := evidence.RootAt(ctx, log, tree.Size()+1); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("the root of more records than there are: %v", err)
	}
	if _, err := evidence.InclusionProof(ctx, log, 5, 4); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("a record beyond the tree: %v", err)
	}
	if _, err := evidence.InclusionProof(ctx, log, 5, 500); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("a tree beyond the head: %v", err)
	}
}
