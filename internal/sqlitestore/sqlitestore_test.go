package sqlitestore_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

func TestOneWriterOneFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data ä%20?")
	s := open(t, dir, sqlitestore.Options{})
	recordtest.Fill(t, "north", site(t, s, "north"), 5)
	if err := s.Announce("serving http://127.0.0.1:8080"); err != nil {
		t.Fatal(err)
	}
	_, err := sqlitestore.Open(t.Context(), dir, sqlitestore.Options{})
	var locked *sqlitestore.LockedError
	if !errors.As(err, &locked) || locked.Dir != dir || !strings.Contains(err.Error(), dir) || !strings.Contains(locked.Holder, "http://127.0.0.1:8080") {
		t.Fatalf("a second writer: %v", err)
	}
	reader := open(t, dir, sqlitestore.Options{ReadOnly: true})
	log := site(t, reader, "north")
	recordtest.Fill(t, "north", site(t, s, "north"), 5)
	if head, err := log.Head(t.Context()); err != nil || head.Size != 10 {
		t.Errorf("a reader beside the writer: %+v, %v", head, err)
	}
	if err := log.Append(t.Context(), 2, record.Commit{}, nil); !errors.Is(err, sqlitestore.ErrReadOnly) {
		t.Errorf("a reader appends: %v", err)
	}
	if err := reader.CheckFile(t.Context()); err != nil {
		t.Error(err)
	}
	for _, name := range []string{sqlitestore.LogFile, sqlitestore.LogFile + "-wal", sqlitestore.CacheFile, sqlitestore.LockFile} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: mode %v, %v", name, info.Mode(), err)
		}
	}
}

func TestReopen(t *testing.T) {
	dir, key := madeStore(t, 20, 30)
	s := open(t, dir, sqlitestore.Options{})
	names, err := s.Sites(t.Context())
	if err != nil || len(names) != 1 || names[0] != "north" {
		t.Errorf("sites %v: %v", names, err)
	}
	recordtest.Fill(t, "north", site(t, s, "north"), 7)
	r, err := evidence.VerifyLog(t.Context(), "north", site(t, s, "north"), evidence.VerifyOptions{Key: key})
	if err != nil || !r.OK() || r.Last != 58 {
		t.Errorf("after reopening: %v %+v %v", r.Fault, r, err)
	}
}

func TestReadOnlyAfterClose(t *testing.T) {
	dir, key := madeStore(t, 4)
	s := open(t, dir, sqlitestore.Options{ReadOnly: true})
	r, err := evidence.VerifyLog(t.Context(), "north", site(t, s, "north"), evidence.VerifyOptions{Key: key})
	if err != nil || !r.OK() {
		t.Errorf("%v, %v", r.Fault, err)
	}
	empty := t.TempDir()
	if _, err := sqlitestore.Open(t.Context(), empty, sqlitestore.Options{ReadOnly: true}); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), empty) {
		t.Errorf("an empty folder: %v", err)
	}
}
