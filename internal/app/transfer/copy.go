package transfer

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// ErrOtherLog says that a target holds records that are not the first ones of the log that is to be put there.
var ErrOtherLog = fmt.Errorf("%w: it holds another log", haccp.ErrConflict)

// copier puts the records of a log, one after the other, into an empty log, or into one that holds the first
// of them already: then it goes on behind them. Commits are made anew, as large as they may be; records, tree
// and checkpoints do not depend on them.
type copier struct {
	to       record.Log
	head     record.Head // of the target
	there    int64       // records that the target held
	tree     *record.Tree
	records  []string
	lookups  []record.Lookup
	bytes    int
	cut      int // where the last command of records begins
	total    int64
	progress func(done, total int64)
}

// newCopier begins to put a log of total records into a target.
func newCopier(ctx context.Context, to record.Log, total int64, progress func(done, total int64)) (*copier, error) {
	head, err := to.Head(ctx)
	if err != nil {
		return nil, err
	}
	if head.Size > total {
		return nil, fmt.Errorf("%w: it holds %d records, the log to be put there has %d", haccp.ErrConflict, head.Size, total)
	}
	if progress == nil {
		progress = func(int64, int64) {}
	}
	return &copier{to: to, head: head, there: head.Size, tree: new(record.Tree), total: total, progress: progress}, nil
}

// add takes the next record.
func (c *copier) add(ctx context.Context, rec string) error {
	if c.tree.Size() < c.there {
		c.tree.Append(record.LeafHash(rec), nil)
		if c.tree.Size() == c.there && c.tree.Root() != c.head.Root {
			return ErrOtherLog
		}
		return nil
	}
	e, err := record.DecodeString(rec)
	if err != nil {
		return fmt.Errorf("record %d: %w", c.tree.Size()+int64(len(c.records))+1, err)
	}
	if n := len(c.records); n == 0 || e.Command.IsZero() || e.Command != c.lookups[n-1].Command {
		c.cut = n
	}
	if len(c.records) == record.MaxCommitRecords || c.bytes+len(rec) > record.MaxCommitBytes {
		if err := c.flush(ctx, c.cut); err != nil {
			return err
		}
	}
	c.records, c.lookups, c.bytes = append(c.records, rec), append(c.lookups, record.LookupOf(&e)), c.bytes+len(rec)
	return nil
}

// flush writes the first n records that wait as one commit.
func (c *copier) flush(ctx context.Context, n int) error {
	if n == 0 {
		return nil
	}
	commit := record.Commit{Number: c.head.Commit + 1, First: c.head.Size + 1, Records: c.records[:n]}
	for _, rec := range commit.Records {
		commit.Nodes = c.tree.Append(record.LeafHash(rec), commit.Nodes)
		c.bytes -= len(rec)
	}
	commit.Size, commit.Root = c.tree.Size(), c.tree.Root()
	if err := c.to.Append(ctx, c.head.Commit, commit, c.lookups[:n]); err != nil {
		return fmt.Errorf("%w (run the same command again: it goes on where it stopped)", err)
	}
	c.head = record.Head{Commit: commit.Number, Size: commit.Size, Root: commit.Root}
	c.records, c.lookups, c.cut = append([]string(nil), c.records[n:]...), append([]record.Lookup(nil), c.lookups[n:]...), 0
	c.progress(c.head.Size, c.total)
	return nil
}

// end writes what is left and compares the whole with the root it must have.
func (c *copier) end(ctx context.Context, root tlog.Hash) error {
	if err := c.flush(ctx, len(c.records)); err != nil {
		return err
	}
	if c.head.Size != c.total || c.tree.Root() != root {
		return fmt.Errorf("%w: %d records were put there, and they do not give the root of the %d records of the checkpoint", record.ErrTampered, c.head.Size, c.total)
	}
	return nil
}

// verifyAt verifies a log in its store and compares size and root with those it must have.
func verifyAt(ctx context.Context, site string, log app.SiteLog, size int64, root tlog.Hash, progress func(done, total int64)) error {
	result, err := evidence.VerifyLog(ctx, site, log, evidence.VerifyOptions{Progress: progress})
	if err != nil {
		return err
	}
	if result.Fault != nil {
		return result.Fault
	}
	if result.Size != size || result.Root != root {
		return fmt.Errorf("%w: the log has %d records and another root than the checkpoint over %d records", record.ErrTampered, result.Size, size)
	}
	return nil
}

// copyCheckpoints adds the stored checkpoints of a log to another.
func copyCheckpoints(ctx context.Context, from, to record.Checkpoints) error {
	return from.EachCheckpoint(ctx, -1, func(size int64, note string) error { return to.AddCheckpoint(ctx, size, note) })
}

// keepCredential sets a credential where the target has none.
func keepCredential(ctx context.Context, to app.Accounts, kind, owner, secret string, at time.Time) error {
	if _, _, found, err := to.Credential(ctx, kind, owner); found || err != nil {
		return err
	}
	return to.SetCredential(ctx, kind, owner, secret, at)
}

// checkSigner makes sure that a key is the current one of a log.
func checkSigner(ctx context.Context, log record.Log, signer *record.Signer) error {
	key, err := currentKey(ctx, log)
	if err != nil {
		return err
	}
	if signer.VerifierKey() != key {
		return errors.New("the signing key is not the current one of the log")
	}
	return nil
}

// currentKey gives the key of the founding record, or of the last change of key.
func currentKey(ctx context.Context, log record.Log) (string, error) {
	key := ""
	err := log.Scan(ctx, 1, 1, func(_ int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err != nil {
			return err
		}
		founding, err := record.ReadFounding(&env)
		key = founding.Key
		return err
	})
	for q := (record.Query{Kind: record.KindKeyChanged}); err == nil; {
		var page []record.Stored
		var next record.Cursor
		page, next, err = log.Find(ctx, q)
		for _, r := range page {
			env, derr := record.DecodeString(r.Bytes)
			if derr != nil {
				return "", derr
			}
			change, derr := record.ReadKeyChange(&env)
			if derr != nil {
				return "", derr
			}
			key = change.Key
		}
		if next.IsZero() {
			break
		}
		q.After = next
	}
	return key, err
}
