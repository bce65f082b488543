package app

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"linewarden/internal/record"
)

// KeyFile gives the file with the signing key of a site, and the one with its public half, which is for
// whoever verifies.
func (f *Folder) KeyFile(site string) (secret, public string) {
	return filepath.Join(f.Dir, site+".signing-key"), filepath.Join(f.Dir, site+".verify-key")
}

// Key reads the signing key of a site.
func (f *Folder) Key(site string) (*record.Signer, error) {
	path, _ := f.KeyFile(site)
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("the signing key of site %s is missing (%s): put it back from a copy; it is made once, when the site is founded", site, path)
	}
	if err != nil {
		return nil, fmt.Errorf("signing key: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		f.Logger.Warn("the signing key can be read by others; its mode should be 0600", "file", path, "mode", info.Mode().Perm().String())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("signing key: %w", err)
	}
	signer, err := record.NewSigner(string(text))
	if err != nil {
		return nil, fmt.Errorf("signing key %s: %w", path, err)
	}
	return signer, nil
}

// makeKey makes the signing key of a site that is to be founded, or reads the one that a founding that was
// cut short left there.
func (f *Folder) makeKey(site string) (*record.Signer, error) {
	path, public := f.KeyFile(site)
	if _, err := os.Stat(path); err == nil {
		return f.Key(site)
	}
	logID, err := record.NewLogID(rand.Reader)
	if err != nil {
		return nil, err
	}
	secret, verifier, err := record.GenerateKey(rand.Reader, site, logID)
	if err != nil {
		return nil, err
	}
	if err := writeOnce(path, secret+"\n", 0o600); err != nil {
		return nil, fmt.Errorf("keep the signing key: %w", err)
	}
	if err := writeOnce(public, verifier+"\n", 0o644); err != nil {
		return nil, fmt.Errorf("keep the public key: %w", err)
	}
	return record.NewSigner(secret)
}

// writeOnce writes a new file and has it on the disk before it has its name, so that no half file is ever
// found. A file that is there already is replaced.
func writeOnce(path, text string, mode fs.FileMode) error {
	tmp := path + ".new"
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(tmp))
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// syncDir makes a renamed file's name durable, where the system lets a folder be synced.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, errors.ErrUnsupported) || errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrInvalid) {
		err = nil
	}
	return errors.Join(err, d.Close())
}
