package dashboards_test

import (
	"context"
	"crypto/rand"
	"sync"
	"testing"
	"time"

	"linewarden/internal/demo"
	"linewarden/internal/memstore"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// working is a moment two hours into a shift of the invented plant.
var working = time.Date(2026, 11, 24, 14, 5, 0, 0, time.UTC)

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// invented opens the invented plant with some days of history up to a moment.
func invented(t testing.TB, days int, now time.Time, chance uint64) *plant.Site {
	t.Helper()
	store := memstore.New()
	log := store.Site(demo.Site)
	id, err := record.NewLogID(rand.Reader)
	check(t, err)
	secret, _, err := record.GenerateKey(rand.Reader, demo.Site, id)
	check(t, err)
	signer, err := record.NewSigner(secret)
	check(t, err)
	o := plant.Options{Log: log, Signer: signer, Zones: time.LoadLocation}
	_, err = demo.Write(context.Background(), demo.Options{Plant: o, Now: now, Days: days, Chance: chance})
	check(t, err)
	o.Clock = func() time.Time { return now }
	site, err := plant.Open(context.Background(), o)
	check(t, err)
	return site
}

// atWork is the invented plant at that moment, written once for all tests: the first of some histories in which a
// forecast stands then.
func atWork(t testing.TB) *plant.Site {
	t.Helper()
	once.Do(func() {
		for chance := range uint64(8) {
			site := invented(t, 5, working, chance+1)
			if len(site.View().Foreseen("bath-1", working))+len(site.View().Foreseen("bath-2", working)) > 0 {
				shared = site
				return
			}
			check(t, site.Close(context.Background()))
		}
	})
	if shared == nil {
		t.Fatal("the invented plant foresees nothing in any history")
	}
	return shared
}

var (
	once   sync.Once
	shared *plant.Site
)
