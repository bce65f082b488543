package wiretest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/alerts"
	"linewarden/alerts/alertstest"
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

func outboxOf(t testing.TB, s *mongostore.Store) alerts.Outbox {
	t.Helper()
	box, err := s.Outbox()
	if err != nil {
		t.Fatal(err)
	}
	return box
}

func TestOutbox(t *testing.T) {
	alertstest.TestOutbox(t, func(t *testing.T) (alerts.Outbox, func() alerts.Outbox) {
		uri := database(t)
		fresh := func() alerts.Outbox { return outboxOf(t, open(t, mongostore.Options{URI: uri})) }
		return fresh(), fresh
	})
}

// Two instances put the same messages and note attempts of one at once: each message is kept once, and no attempt
// is lost.
func TestOutboxShared(t *testing.T) {
	uri, at := database(t), time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	const messages, attempts = 10, 8
	var kept atomic.Int32
	var wg sync.WaitGroup
	for range 2 {
		box := outboxOf(t, open(t, mongostore.Options{URI: uri}))
		wg.Go(func() {
			for i := range messages {
				is, err := box.Put(t.Context(), "north", fmt.Sprint("m", i), "mail", at, []byte("text"))
				if err != nil {
					t.Error(err)
				}
				if is {
					kept.Add(1)
				}
			}
			for range attempts {
				if err := box.Failed(t.Context(), "north", "m0", at.Add(-time.Minute), "refused"); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if kept.Load() != messages {
		t.Errorf("%d of %d messages were kept by one of the two", kept.Load(), messages)
	}
	id, _, _, n, _, err := outboxOf(t, open(t, mongostore.Options{URI: uri})).Next(t.Context(), "north", "mail")
	if err != nil || id != "m0" || n != 2*attempts {
		t.Errorf("next is %q after %d attempts, not m0 after %d: %v", id, n, 2*attempts, err)
	}
	if left, err := Count(t.Context(), server.URI, databaseOf(uri), "outcomes"); err != nil || left > 11 {
		t.Errorf("%d outcomes of one message are left: %v", left, err)
	}
}

// A forgotten message leaves no outcome behind, also where the program died halfway.
func TestOutboxForgets(t *testing.T) {
	uri, at := database(t), time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	box := outboxOf(t, open(t, mongostore.Options{URI: uri}))
	for i, id := range []string{"a", "b", "c"} {
		if _, err := box.Put(t.Context(), "north", id, "mail", at, []byte("text")); err != nil {
			t.Fatal(err)
		}
		sent := at.Add(time.Duration(i) * time.Second)
		if err := errors.Join(box.Sent(t.Context(), "north", id, sent, false), box.Done(t.Context(), "north", id)); err != nil {
			t.Fatal(err)
		}
	}
	if err := DeleteOne(t.Context(), server.URI, databaseOf(uri), "messages", bson.D{{Key: "id", Value: "b"}}); err != nil {
		t.Fatal(err)
	}
	if err := box.Forget(t.Context(), "north", at.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]int64{"messages": 1, "outcomes": 2} { // c is the last that was taken
		if n, err := Count(t.Context(), server.URI, databaseOf(uri), name); err != nil || n != want {
			t.Errorf("%d documents in %s, want %d: %v", n, name, want, err)
		}
	}
}
