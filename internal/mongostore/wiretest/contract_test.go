package wiretest

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"linewarden/internal/access"
	"linewarden/internal/access/accesstest"
	"linewarden/internal/mongostore"
	"linewarden/internal/record/recordtest"
)

var server *Server

func TestMain(m *testing.M) {
	os.Exit(run(m))
}

func run(m *testing.M) int {
	folder, err := os.MkdirTemp("", "wiretest")
	if err == nil {
		defer os.RemoveAll(folder)
		server, err = Start(folder)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer server.Stop()
	if os.Getenv(Variable) == "" {
		if path, err := serverProgram(); err == nil {
			defer os.Remove(path)
		}
	}
	return m.Run()
}

// database gives the URI of a fresh database, which is dropped after the test.
func database(t testing.TB) string {
	t.Helper()
	name := RandomDatabase()
	uri, err := Within(server.URI, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := Drop(ctx, server.URI, name); err != nil {
			t.Error(err)
		}
	})
	return uri
}

func open(t testing.TB, o mongostore.Options) *mongostore.Store {
	t.Helper()
	s, err := mongostore.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		if err := s.Close(ctx); err != nil {
			t.Error(err)
		}
	})
	return s
}

func site(t testing.TB, s *mongostore.Store, name string) *mongostore.Log {
	t.Helper()
	l, err := s.Site(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The contract holds with all entries of searches in memory, and with nearly all of them written in runs.
func TestContract(t *testing.T) {
	for _, run := range []int{0, 16} {
		t.Run(fmt.Sprint("run ", run), func(t *testing.T) {
			recordtest.TestLog(t, func(t *testing.T) func(string) recordtest.Store {
				s := open(t, mongostore.Options{URI: database(t), Run: run})
				return func(name string) recordtest.Store { return site(t, s, name) }
			})
		})
	}
}

func TestAccounts(t *testing.T) {
	var uri string
	fresh := func(t *testing.T) access.Accounts {
		uri = database(t)
		return open(t, mongostore.Options{URI: uri}).Accounts("north")
	}
	reopen := func(t *testing.T) access.Accounts { return open(t, mongostore.Options{URI: uri}).Accounts("north") }
	accesstest.Accounts(t, fresh, reopen)
}
