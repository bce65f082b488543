package recordtest

import (
	"bytes"
	"context"
	"fmt"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// Made is a log made for a test, with what was signed on the way.
type Made struct {
	Keys        Keys // of the key that signs now
	Tree        *record.Tree
	Checkpoints []string // one after each commit
	Log         record.Log
}

// MakeLog founds a log in an empty store and appends commits of notes. change
// may alter a note before it is appended; nil changes none.
func MakeLog(ctx context.Context, log record.Log, keys Keys, change func(*record.Envelope), sizes ...int) (*Made, error) {
	m := &Made{Keys: keys, Tree: new(record.Tree), Log: log}
	founding, err := keys.Founding()
	if err != nil {
		return nil, err
	}
	if err := m.Append(ctx, founding); err != nil {
		return nil, err
	}
	for _, size := range sizes {
		var notes []record.Envelope
		for range size {
			e := Note(keys.Site, int(m.Tree.Size())+len(notes))
			if change != nil {
				change(&e)
			}
			notes = append(notes, e)
		}
		if err := m.Append(ctx, notes...); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// Append writes one commit, each record a command of its own, and signs.
func (m *Made) Append(ctx context.Context, records ...record.Envelope) error {
	head, err := m.Log.Head(ctx)
	if err != nil {
		return err
	}
	b := record.NewBuilder(m.Keys.Site, m.Tree, head.Commit+1)
	for _, e := range records {
		if err := b.AppendCommand([]record.Envelope{e}); err != nil {
			return err
		}
	}
	c, lookups := b.Build()
	if err := m.Log.Append(ctx, head.Commit, c, lookups); err != nil {
		return err
	}
	m.Tree = b.Tree()
	note, err := m.Keys.Checkpoint(m.Tree)
	if err != nil {
		return err
	}
	m.Checkpoints = append(m.Checkpoints, note)
	if store, ok := m.Log.(record.Checkpoints); ok {
		return store.AddCheckpoint(ctx, m.Tree.Size(), note)
	}
	return nil
}

// ChangeKey appends a key.changed record. lost leaves out the old key's
// checkpoint.
func (m *Made) ChangeKey(ctx context.Context, next Keys, lost bool) error {
	k := record.KeyChange{Key: next.Signer.VerifierKey(), Lost: lost}
	if !lost {
		var err error
		k.Checkpoint, err = record.SignHandover(m.Keys.Signer, m.Keys.Site, m.Keys.LogID, m.Tree.Size(), m.Tree.Root(), k.Key)
		if err != nil {
			return err
		}
	}
	e := Note(m.Keys.Site, int(m.Tree.Size()))
	e.Kind, e.Body, e.About = record.KindKeyChanged, k.Body(), nil
	m.Keys = next
	return m.Append(ctx, e)
}

// Last is the newest checkpoint.
func (m *Made) Last() string { return m.Checkpoints[len(m.Checkpoints)-1] }

// Export writes the records first to last (0: the end) under the newest
// checkpoint.
func (m *Made) Export(ctx context.Context, first, last int64) ([]byte, error) {
	var out bytes.Buffer
	err := evidence.Export(ctx, &out, m.Log, evidence.ExportOptions{First: first, Last: last, Checkpoint: m.Last(), Key: m.Keys.Signer.VerifierKey()})
	if err != nil {
		return nil, fmt.Errorf("export: %w", err)
	}
	return out.Bytes(), nil
}
