package app

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"linewarden/internal/app/durable"
	"linewarden/internal/record"
)

// KeyFile gives the file with the signing key of a site, and the one with its public half, which is for
// whoever verifies. Beside a database the public half may be missing.
func (f *Folder) KeyFile(site string) (secret, public string) {
	dir := f.Dir
	if dir == "" {
		dir = f.place.SigningKey
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return KeyFiles(dir)
		}
	}
	return filepath.Join(dir, site+SecretSuffix), filepath.Join(dir, site+PublicSuffix)
}

// KeyFiles gives the file of the public half beside that of a signing key.
func KeyFiles(file string) (secret, public string) {
	return file, strings.TrimSuffix(file, SecretSuffix) + PublicSuffix
}

// What the names of key files end in.
const (
	SecretSuffix = ".signing-key"
	PublicSuffix = ".verify-key"
)

// ErrNoKey says that a database was opened without the file of its signing key.
var ErrNoKey = errors.New("the signing key is not kept in the database: name its file with --signing-key FILE; linewarden key makes one for a new site")

// Key reads the signing key of a site.
func (f *Folder) Key(site string) (*record.Signer, error) {
	path, _ := f.KeyFile(site)
	if path == "" {
		return nil, ErrNoKey
	}
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
	if of, _, err := record.ParseVerifierKey(signer.VerifierKey()); err != nil || of != site {
		return nil, fmt.Errorf("the signing key %s is one of site %q, not of %q", path, of, site)
	}
	return signer, nil
}

// makeKey makes the signing key of a site that is to be founded in a data folder, or reads the one that a
// founding that was cut short left there. For a database it is never made on the way.
func (f *Folder) makeKey(site string) (*record.Signer, error) {
	path, public := f.KeyFile(site)
	if _, err := os.Stat(path); err == nil || f.Dir == "" {
		return f.Key(site)
	}
	return MakeKey(site, path, public)
}

// MakeKey makes a signing key for a new site and writes it, and its public half, to files of these names. A
// file that is there already is an error.
func MakeKey(site, path, public string) (*record.Signer, error) {
	if !record.ValidSite(site) {
		return nil, fmt.Errorf("%w: site %q: a site id has 1 to 40 of a-z, 0-9 and -", record.ErrInvalid, site)
	}
	if _, err := os.Stat(path); err == nil {
		return nil, fmt.Errorf("%s is there already: a key is never replaced", path)
	}
	logID, err := record.NewLogID(rand.Reader)
	if err != nil {
		return nil, err
	}
	secret, verifier, err := record.GenerateKey(rand.Reader, site, logID)
	if err != nil {
		return nil, err
	}
	if err := durable.Write(path, secret+"\n", 0o600); err != nil {
		return nil, fmt.Errorf("keep the signing key: %w", err)
	}
	if err := durable.Write(public, verifier+"\n", 0o644); err != nil {
		return nil, fmt.Errorf("keep the public key: %w", err)
	}
	return record.NewSigner(secret)
}
