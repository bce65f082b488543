package evidence

import (
	"context"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// RootAt gives the root of the first size records from the stored hashes; sizes
// beyond the head are ErrNotFound.
func RootAt(ctx context.Context, log record.Log, size int64) (tlog.Hash, error) {
	root, err := tlog.TreeHash(size, record.HashReader(ctx, log))
	if err != nil {
		return tlog.Hash{}, fmt.Errorf("root of %d records: %w", size, err)
	}
	return root, nil
}

// InclusionProof proves that record seq is in the tree of the first size
// records (RFC 6962 section 2.1.1). Sizes beyond the head are ErrNotFound.
func InclusionProof(ctx context.Context, log record.Log, seq, size int64) ([]tlog.Hash, error) {
	if seq < 1 || seq > size {
		return nil, fmt.Errorf("%w: record %d is not among the first %d", record.ErrNotFound, seq, size)
	}
	p, err := tlog.ProveRecord(size, seq-1, record.HashReader(ctx, log))
	if err != nil {
		return nil, fmt.Errorf("prove record %d of %d: %w", seq, size, err)
	}
	return p, nil
}

// ConsistencyProof proves that the first from records are the beginning of the
// first to records (RFC 6962 section 2.1.2).
func ConsistencyProof(ctx context.Context, log record.Log, from, to int64) ([]tlog.Hash, error) {
	if from < 1 || from > to {
		return nil, fmt.Errorf("%w: a log of %d records has no part of %d", record.ErrNotFound, to, from)
	}
	p, err := tlog.ProveTree(to, from, record.HashReader(ctx, log))
	if err != nil {
		return nil, fmt.Errorf("prove %d records within %d: %w", from, to, err)
	}
	return p, nil
}

// CheckInclusion checks an inclusion proof; where it fails the error is
// ErrTampered.
func CheckInclusion(proof []tlog.Hash, size int64, root tlog.Hash, seq int64, leaf tlog.Hash) error {
	if err := tlog.CheckRecord(proof, size, root, seq-1, leaf); err != nil {
		return fmt.Errorf("%w: record %d is not proved to be in the tree of %d: %w", record.ErrTampered, seq, size, err)
	}
	return nil
}

// CheckConsistency checks a consistency proof between an earlier and a later
// checkpoint; where it fails the error is ErrTampered.
func CheckConsistency(proof []tlog.Hash, from int64, fromRoot tlog.Hash, to int64, toRoot tlog.Hash) error {
	if err := tlog.CheckTree(proof, to, toRoot, from, fromRoot); err != nil {
		return fmt.Errorf("%w: the log of %d records does not continue that of %d: %w", record.ErrTampered, to, from, err)
	}
	return nil
}

// rootFromProof gives the root that an inclusion proof leads to; ok is false
// where the proof has the wrong length (RFC 6962 section 2.1.1).
func rootFromProof(proof []tlog.Hash, size, index int64, leaf tlog.Hash) (root tlog.Hash, ok bool) {
	last := size - 1
	for _, p := range proof {
		switch {
		case last == 0:
			return tlog.Hash{}, false
		case index&1 == 1:
			leaf = tlog.NodeHash(p, leaf)
		case index == last:
			for index&1 == 0 && index != 0 {
				index, last = index>>1, last>>1
			}
			leaf = tlog.NodeHash(p, leaf)
		default:
			leaf = tlog.NodeHash(leaf, p)
		}
		index, last = index>>1, last>>1
	}
	return leaf, last == 0
}
