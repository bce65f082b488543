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

	"linewarden/haccp"
	"linewarden/internal/app/durable"
	"linewarden/internal/record"
)

// ErrMoved says that a plant is kept elsewhere by now.
var ErrMoved = errors.New("this plant was moved")

// EachCredential calls fn with every credential of a site; a place without accounts has none.
func (f *Folder) EachCredential(ctx context.Context, site string, fn func(kind, owner, secret string, at time.Time) error) error {
	accounts, err := f.store.Accounts(site, f.ReadOnly)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return accounts.EachCredential(ctx, fn)
}

// KeepKey makes sure that a data folder has the signing key of a log, and writes it where it is missing.
func (f *Folder) KeepKey(site string, signer *record.Signer, secret string) error {
	if f.Dir == "" {
		return nil
	}
	path, public := f.KeyFile(site)
	have, err := f.Key(site)
	if err == nil && have.VerifierKey() != signer.VerifierKey() {
		return fmt.Errorf("%w: %s is another key than that of the log", haccp.ErrConflict, path)
	}
	if err == nil {
		return nil
	}
	if err := durable.Write(path, secret, 0o600); err != nil {
		return fmt.Errorf("keep the signing key: %w", err)
	}
	if err := durable.Write(public, signer.VerifierKey()+"\n", 0o644); err != nil {
		return fmt.Errorf("keep the public key: %w", err)
	}
	return nil
}

// SetMoved notes where a site went, so that nothing more is recorded here; empty: it is here.
func (f *Folder) SetMoved(ctx context.Context, site, text string) error {
	return f.store.SetMoved(ctx, site, text)
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
