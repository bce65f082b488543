package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"linewarden/internal/app/durable"
	"linewarden/internal/record"
)

// ErrMoved says that a plant is kept elsewhere by now.
var ErrMoved = errors.New("this plant was moved")

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
func Move(ctx context.Context, from, to *Folder, o MoveOptions) (Moved, error) {
	site, err := from.SiteID(ctx, o.Site)
	if err != nil {
		return Moved{}, err
	}
	m, err := move(ctx, from, to, site, o)
	if err != nil {
		return Moved{}, fmt.Errorf("move site %s from %s to %s: %w", site, from.where, to.where, err)
	}
	return m, nil
}

func move(ctx context.Context, from, to *Folder, site string, o MoveOptions) (Moved, error) {
	source, err := from.Log(ctx, site)
	if err != nil {
		return Moved{}, err
	}
	target, err := to.Log(ctx, site)
	if err != nil {
		return Moved{}, err
	}
	holder := from // of the key: one of the two is a data folder, or both have the same file
	if from.Dir == "" && from.place.SigningKey == "" {
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
	if err := from.copyAccounts(ctx, to, site); err != nil {
		return Moved{}, err
	}
	path, _ := holder.KeyFile(site)
	secret, err := os.ReadFile(path)
	if err != nil {
		return Moved{}, fmt.Errorf("signing key: %w", err)
	}
	if err := to.keepKey(site, signer, string(secret)); err != nil {
		return Moved{}, err
	}
	note, err := signCheckpoint(ctx, to, site, signer, head)
	if err != nil {
		return Moved{}, err
	}
	if err := target.AddCheckpoint(ctx, head.Size, note); err != nil {
		return Moved{}, err
	}
	err = to.store.SetMoved(ctx, site, "")
	if err == nil {
		err = from.store.SetMoved(ctx, site, fmt.Sprintf("to %s on %s, with %d records", to.where, o.Now.UTC().Format(time.RFC3339), head.Size))
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
func signCheckpoint(ctx context.Context, f *Folder, site string, signer *record.Signer, head record.Head) (string, error) {
	founding, err := f.Founding(ctx, site)
	if err != nil {
		return "", err
	}
	return signer.Sign(record.Checkpoint{Site: site, LogID: founding.LogID, Size: head.Size, Root: head.Root})
}

// copyAccounts takes the credentials along.
func (f *Folder) copyAccounts(ctx context.Context, to *Folder, site string) error {
	target, err := to.Accounts(site)
	if err != nil {
		return err
	}
	return f.eachCredential(ctx, site, func(kind, owner, secret string, at time.Time) error {
		return keepCredential(ctx, target, kind, owner, secret, at)
	})
}

// eachCredential calls fn with every credential of a site; a place without accounts has none.
func (f *Folder) eachCredential(ctx context.Context, site string, fn func(kind, owner, secret string, at time.Time) error) error {
	accounts, err := f.store.Accounts(site, f.ReadOnly)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return accounts.EachCredential(ctx, fn)
}

// checkMoved refuses to write to a log that is kept elsewhere by now.
func (f *Folder) checkMoved(ctx context.Context, site string) error {
	text, err := f.store.Moved(ctx, site)
	if err == nil && text != "" {
		err = fmt.Errorf("%w: site %s went %s; what is here can be read and verified only (move it back with linewarden move)", ErrMoved, site, text)
	}
	return err
}

func (s *sqliteStorage) movedFile(site string) string { return filepath.Join(s.dir, site+".moved") }

// Moved gives where a site went; empty: nowhere.
func (s *sqliteStorage) Moved(_ context.Context, site string) (string, error) {
	b, err := os.ReadFile(s.movedFile(site))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	return strings.TrimSpace(string(b)), err
}

// SetMoved notes where a site went; empty: it is here.
func (s *sqliteStorage) SetMoved(_ context.Context, site, text string) error {
	if text == "" {
		if err := os.Remove(s.movedFile(site)); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	return durable.Write(s.movedFile(site), text+"\n", 0o600)
}
