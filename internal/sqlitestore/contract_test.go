package sqlitestore_test

import (
	"fmt"
	"testing"

	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

func open(t testing.TB, dir string, o sqlitestore.Options) *sqlitestore.Store {
	t.Helper()
	s, err := sqlitestore.Open(t.Context(), dir, o)
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

func site(t testing.TB, s *sqlitestore.Store, name string) *sqlitestore.Log {
	t.Helper()
	l, err := s.Site(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestContract(t *testing.T) {
	for _, run := range []int{0, 1, 7} {
		t.Run(fmt.Sprintf("look-up entries in runs of %d", run), func(t *testing.T) {
			recordtest.TestLog(t, func(t *testing.T) func(string) recordtest.Store {
				s := open(t, t.TempDir(), sqlitestore.Options{Run: run})
				return func(name string) recordtest.Store { return site(t, s, name) }
			})
		})
	}
}
