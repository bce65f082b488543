package follow

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/plant"
	"linewarden/internal/record/recordtest"
)

// countedNews counts the questions for news.
type countedNews struct {
	*memstore.Store
	asked [][]string
}

func (n *countedNews) News(ctx context.Context, known map[string]int64) (map[string]int64, error) {
	n.asked = append(n.asked, slices.Sorted(maps.Keys(known)))
	return n.Store.News(ctx, known)
}

func add(t *testing.T, s *plant.Site, person string) {
	t.Helper()
	by := haccp.Actor{ID: haccp.KnownConsole, Name: haccp.KnownConsole, Role: haccp.RoleConsole, Known: haccp.KnownConsole}
	_, err := s.Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(), AtKnown: haccp.AtServer,
		By: by, Ask: &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: person, Name: person, SignIn: person}}}})
	if err != nil {
		t.Fatal(err)
	}
}

// A follower asks once for all sites that somebody looks at, and for no other.
func TestFollower(t *testing.T) {
	store := memstore.New()
	news := &countedNews{Store: store}
	var writers, readers []*plant.Site
	for _, id := range []string{"one", "two", "idle"} {
		keys, err := recordtest.NewKeys(id, t.Name(), 0)
		if err != nil {
			t.Fatal(err)
		}
		o := plant.Options{Log: store.Site(id), Signer: keys.Signer, Zones: time.LoadLocation, Shared: true}
		if err := plant.Found(t.Context(), o, plant.Founding{Site: id, Name: id, Demo: true}); err != nil {
			t.Fatal(err)
		}
		for _, list := range []*[]*plant.Site{&writers, &readers} {
			s, err := plant.Open(t.Context(), o)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = s.Close(context.Background()) })
			*list = append(*list, s)
		}
	}
	f := &Follower{News: news, Sites: func() []*plant.Site { return readers }, Needed: func(s string) bool { return s == "two" },
		Logger: slog.New(slog.DiscardHandler)}
	for i, w := range writers {
		add(t, w, fmt.Sprint("first-", i))
	}
	if err := readers[0].Refresh(t.Context()); err != nil || len(readers[0].View().People()) != 1 {
		t.Fatalf("a request in hand: %v, %d", err, len(readers[0].View().People()))
	}
	add(t, writers[0], "second")
	if err := f.Round(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i, want := range []int{2, 1, 0} {
		if got := len(readers[i].View().People()); got != want {
			t.Errorf("site %d: %d people, want %d", i, got, want)
		}
	}
	if len(news.asked) != 1 || !slices.Equal(news.asked[0], []string{"one", "two"}) {
		t.Errorf("asked for news: %v", news.asked)
	}
}
