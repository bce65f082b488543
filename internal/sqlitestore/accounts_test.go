package sqlitestore_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"linewarden/internal/access"
	"linewarden/internal/access/accesstest"
	"linewarden/internal/sqlitestore"
)

func openAccounts(t *testing.T, dir string) *sqlitestore.Accounts {
	t.Helper()
	s, err := sqlitestore.OpenAccounts(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestAccounts(t *testing.T) {
	var dir string
	var last *sqlitestore.Accounts
	fresh := func(t *testing.T) access.Accounts {
		dir = t.TempDir()
		last = openAccounts(t, dir)
		return last
	}
	reopen := func(t *testing.T) access.Accounts {
		if err := last.Close(); err != nil {
			t.Fatal(err)
		}
		return openAccounts(t, dir)
	}
	accesstest.Accounts(t, fresh, reopen)
}

func TestAccountsFileIsForItsOwnerAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a %20 folder?#")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "access.db")
	s := openAccounts(t, dir)
	if err := s.SetCredential(t.Context(), "pin", "ana", "one", time.Now()); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v, want 0600", filepath.Base(name), info.Mode().Perm())
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	openAccounts(t, dir)
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("after opening again: %v, %v; want mode 0600", info.Mode(), err)
	}
}

func TestDroppedSecretIsOverwritten(t *testing.T) {
	dir, secret := t.TempDir(), "a hash that nobody shall find again"
	s := openAccounts(t, dir)
	ctx := t.Context()
	if err := s.SetCredential(ctx, "pin", "ana", secret, time.Now()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.DropCredential(ctx, "pin", "ana", ""); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil { // writes the side file back and removes it
		t.Fatal(err)
	}
	raw, err := os.ReadFile(filepath.Join(dir, "access.db"))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(raw, []byte(secret)) {
		t.Error("the dropped secret is still in the file")
	}
}

func TestAccountsOfANewerProgramAreRefused(t *testing.T) {
	dir := t.TempDir()
	s := openAccounts(t, dir)
	if err := sqlitestore.SetAccountsVersion(s, 99); err != nil {
		t.Fatal(err)
	}
	if again, err := sqlitestore.OpenAccounts(dir); err == nil {
		t.Errorf("opened %v of version 99; want an error", again)
	}
}

func TestAccountsThatAreNoDatabaseAreRefused(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "access.db"), bytes.Repeat([]byte("no database "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := sqlitestore.OpenAccounts(dir); err == nil {
		t.Errorf("opened %v; want an error", s)
	}
	if s, err := sqlitestore.OpenAccounts(filepath.Join(dir, "missing")); err == nil {
		t.Errorf("opened %v in a folder that is not there; want an error", s)
	}
}
