package transfer

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/record"
)

// MoveOptions say what is moved.
type MoveOptions struct {
	Site     string // empty: the only one
	Now      time.Time
	Progress func(what string) func(done, total int64) // for each of the long works
}

// Moved is what was moved.
type Moved struct {
	Site       string
	Size       int64
	Checkpoint string // signed, over all records
}

// Move puts the log of a site, its checkpoints and the people's credentials into another place, verifies what
// is there against the root of the source, and marks the source, so that nothing more is recorded there: the
// two would grow apart. Nobody may write to the source meanwhile. A target that holds the first records of the
// same log, from a move that was cut short or from an earlier time, is completed; any other is refused.
// Sessions are left behind: people sign in again.
func Move(ctx context.Context, from, to *app.Folder, o MoveOptions) (Moved, error) {
	site, err := from.SiteID(ctx, o.Site)
	if err != nil {
		return Moved{}, err
	}
	m, err := move(ctx, from, to, site, o)
	if err != nil {
		return Moved{}, fmt.Errorf("move site %s from %s to %s: %w", site, from.Where(), to.Where(), err)
	}
	return m, nil
}

func move(ctx context.Context, from, to *app.Folder, site string, o MoveOptions) (Moved, error) {
	source, err := from.Log(ctx, site)
	if err != nil {
		return Moved{}, err
	}
	target, err := to.Log(ctx, site)
	if err != nil {
		return Moved{}, err
	}
	holder := from // of the key: one of the two is a data folder, or both have the same file
	if path, _ := from.KeyFile(site); path == "" {
		holder = to
	}
	signer, err := holder.Key(site)
	if err != nil {
		return Moved{}, err
	}
	if err := checkSigner(ctx, source, signer); err != nil {
		return Moved{}, err
	}
	head, err := source.Head(ctx)
	if err != nil {
		return Moved{}, err
	}
	if err := copyLog(ctx, source, target, head, o.Progress("copying")); err != nil {
		return Moved{}, err
	}
	if err := copyCheckpoints(ctx, source, target); err != nil {
		return Moved{}, err
	}
	if err := verifyAt(ctx, site, target, head.Size, head.Root, o.Progress("verifying")); err != nil {
		return Moved{}, err
	}
	if now, err := source.Head(ctx); err != nil || now != head {
		return Moved{}, errors.Join(err, errors.New("something was recorded at the source meanwhile: stop every server and run the same command again"))
	}
	if err := copyAccounts(ctx, from, to, site); err != nil {
		return Moved{}, err
	}
	path, _ := holder.KeyFile(site)
	secret, err := os.ReadFile(path)
	if err != nil {
		return Moved{}, fmt.Errorf("signing key: %w", err)
	}
	if err := to.KeepKey(site, signer, string(secret)); err != nil {
		return Moved{}, err
	}
	note, err := signCheckpoint(ctx, to, site, signer, head)
	if err != nil {
		return Moved{}, err
	}
	if err := target.AddCheckpoint(ctx, head.Size, note); err != nil {
		return Moved{}, err
	}
	err = to.SetMoved(ctx, site, "")
	if err == nil {
		err = from.SetMoved(ctx, site, fmt.Sprintf("to %s on %s, with %d records", to.Where(), o.Now.UTC().Format(time.RFC3339), head.Size))
	}
	return Moved{Site: site, Size: head.Size, Checkpoint: note}, err
}

func copyLog(ctx context.Context, source, target record.Log, head record.Head, progress func(done, total int64)) error {
	c, err := newCopier(ctx, target, head.Size, progress)
	if err != nil {
		return err
	}
	err = source.Scan(ctx, 1, head.Size, func(_ int64, rec string) error { return c.add(ctx, rec) })
	if err != nil {
		return err
	}
	return c.end(ctx, head.Root)
}

// signCheckpoint signs the head of a log.
func signCheckpoint(ctx context.Context, f *app.Folder, site string, signer *record.Signer, head record.Head) (string, error) {
	founding, err := f.Founding(ctx, site)
	if err != nil {
		return "", err
	}
	return signer.Sign(record.Checkpoint{Site: site, LogID: founding.LogID, Size: head.Size, Root: head.Root})
}

// copyAccounts takes the credentials along.
func copyAccounts(ctx context.Context, from, to *app.Folder, site string) error {
	target, err := to.Accounts(site)
	if err != nil {
		return err
	}
	return from.EachCredential(ctx, site, func(kind, owner, secret string, at time.Time) error {
		return keepCredential(ctx, target, kind, owner, secret, at)
	})
}
