package plant

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// Inclusion proves that record Seq is among the first Size records (RFC 6962 section 2.1.1). Hashes are
// base64, the path from the leaf upwards.
type Inclusion struct {
	Seq  int64    `json:"seq"`
	Size int64    `json:"size"`
	Leaf string   `json:"leaf"`
	Root string   `json:"root"`
	Path []string `json:"path"`
}

// Consistency proves that the first From records are the beginning of the first To (RFC 6962 section
// 2.1.2). Hashes are base64.
type Consistency struct {
	From     int64    `json:"from"`
	To       int64    `json:"to"`
	FromRoot string   `json:"from_root"`
	ToRoot   string   `json:"to_root"`
	Path     []string `json:"path"`
}

// Checkpoint signs the head of the log, keeps the signed note and gives its text. The same head gives
// the same note. A log that was not folded to its head, because it is still replayed or could not be, is
// not signed: the error is that of Ready.
func (s *Site) Checkpoint(ctx context.Context) (string, error) {
	if s.opt.Signer == nil {
		return "", fmt.Errorf("checkpoint: %w: this site was opened without a key", ErrKey)
	}
	head := s.view.Load().head
	if head.Size == 0 {
		return "", fmt.Errorf("checkpoint: %w", s.status.ready())
	}
	note, err := s.opt.Signer.Sign(record.Checkpoint{Site: s.site, LogID: s.logID, Size: head.Size, Root: head.Root})
	if err != nil || s.opt.Checkpoints == nil {
		return note, err
	}
	if err := s.opt.Checkpoints.AddCheckpoint(ctx, head.Size, note); err != nil {
		return "", fmt.Errorf("keep checkpoint of %d records: %w", head.Size, err)
	}
	s.metrics.checkpoint(head.Size, s.opt.Clock())
	return note, nil
}

// measureCheckpoint shows the newest checkpoint that was kept before this start. It holds no time of its own, so that
// of the newest record under it stands for it.
func (s *Site) measureCheckpoint(ctx context.Context) {
	if s.opt.Checkpoints == nil {
		return
	}
	note, err := s.opt.Checkpoints.LastCheckpoint(ctx)
	if errors.Is(err, record.ErrNotFound) {
		return
	}
	c, perr := record.ParseCheckpoint(note)
	if err = errors.Join(err, perr); err == nil && c.Size > 0 {
		var e *haccp.Event
		if _, e, err = s.Record(ctx, c.Size); err == nil {
			s.metrics.checkpoint(c.Size, e.RecordedAt)
		}
	}
	if err != nil && ctx.Err() == nil {
		s.opt.Logger.Warn("the newest checkpoint cannot be read; its age is not shown", "site", s.site, "error", err)
	}
}

// lastCheckpoint signs the head at close, where there is a key.
func (s *Site) lastCheckpoint(ctx context.Context) error {
	if s.opt.Signer == nil || s.opt.Checkpoints == nil || s.view.Load().head.Size == 0 {
		return nil
	}
	_, err := s.Checkpoint(ctx)
	return err
}

// Inclusion proves that record seq is in the log of the first size records; size 0 is the present size.
// A seq or size that the log does not have is haccp.ErrNotFound.
func (s *Site) Inclusion(ctx context.Context, seq, size int64) (Inclusion, error) {
	size, err := s.sizeOf("size", size)
	if err != nil {
		return Inclusion{}, err
	}
	path, err := evidence.InclusionProof(ctx, s.opt.Log, seq, size)
	if err != nil {
		return Inclusion{}, notFound(err, "seq")
	}
	leaf, err := s.opt.Log.Hashes(ctx, []int64{tlog.StoredHashIndex(0, seq-1)})
	if err != nil {
		return Inclusion{}, fmt.Errorf("read leaf %d: %w", seq, err)
	}
	root, err := evidence.RootAt(ctx, s.opt.Log, size)
	if err != nil {
		return Inclusion{}, err
	}
	return Inclusion{Seq: seq, Size: size, Leaf: base64Of(leaf[0]), Root: base64Of(root), Path: base64s(path)}, nil
}

// Consistency proves that the first from records begin the first to; to 0 is the present size. Sizes
// that the log does not have are haccp.ErrNotFound.
func (s *Site) Consistency(ctx context.Context, from, to int64) (Consistency, error) {
	to, err := s.sizeOf("to", to)
	if err != nil {
		return Consistency{}, err
	}
	path, err := evidence.ConsistencyProof(ctx, s.opt.Log, from, to)
	if err != nil {
		return Consistency{}, notFound(err, "from")
	}
	first, err := evidence.RootAt(ctx, s.opt.Log, from)
	if err != nil {
		return Consistency{}, err
	}
	last, err := evidence.RootAt(ctx, s.opt.Log, to)
	if err != nil {
		return Consistency{}, err
	}
	return Consistency{From: from, To: to, FromRoot: base64Of(first), ToRoot: base64Of(last), Path: base64s(path)}, nil
}

func (s *Site) sizeOf(field string, size int64) (int64, error) {
	head := s.Head().Size
	switch {
	case size == 0:
		return head, nil
	case size < 0 || size > head:
		return 0, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: field, Code: "no-size",
			Message: fmt.Sprintf("the log has %d records, not %d", head, size)}
	}
	return size, nil
}

func notFound(err error, field string) error {
	if errors.Is(err, record.ErrNotFound) {
		return &haccp.Refusal{Kind: haccp.ErrNotFound, Field: field, Code: "no-record", Message: err.Error()}
	}
	return err
}

func base64Of(h tlog.Hash) string { return base64.StdEncoding.EncodeToString(h[:]) }

func base64s(hashes []tlog.Hash) []string {
	out := make([]string, len(hashes))
	for i, h := range hashes {
		out[i] = base64Of(h)
	}
	return out
}
