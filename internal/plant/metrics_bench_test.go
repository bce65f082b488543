package plant

import (
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

// What one commit pays for being measured, beside one append of one record to SQLite (aim: under 1 %). Figures of the state
// are read at the scrape and cost a commit nothing.
func BenchmarkMeasured(b *testing.B) {
	m, err := newMetrics(prometheus.NewRegistry())
	if err != nil {
		b.Fatal(err)
	}
	b.Run("metrics", func(b *testing.B) {
		for b.Loop() {
			m.waiting.Set(3)
			began := time.Now()
			m.appendSeconds.Observe(time.Since(began).Seconds())
			m.size.Set(12345)
			m.committed(1)
			m.waiting.Set(0)
		}
	})
	b.Run("append", func(b *testing.B) {
		store, err := sqlitestore.Open(b.Context(), b.TempDir(), sqlitestore.Options{})
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = store.Close() }()
		appendOne(b, store)
	})
}

// appendOne appends commits of one record each.
func appendOne(b *testing.B, store *sqlitestore.Store) {
	b.Helper()
	keys, err := recordtest.NewKeys("bench", "bench", 1)
	if err != nil {
		b.Fatal(err)
	}
	log, err := store.Site(b.Context(), keys.Site)
	if err != nil {
		b.Fatal(err)
	}
	made, err := recordtest.MakeLog(b.Context(), log, keys, nil)
	if err != nil {
		b.Fatal(err)
	}
	tree, commit := made.Tree, int64(1)
	for b.Loop() {
		c := record.NewBuilder(keys.Site, tree, commit+1)
		if err := c.AppendCommand([]record.Envelope{recordtest.Note(keys.Site, int(tree.Size()))}); err != nil {
			b.Fatal(err)
		}
		next, lookups := c.Build()
		if err := log.Append(b.Context(), commit, next, lookups); err != nil {
			b.Fatal(err)
		}
		tree, commit = c.Tree(), next.Number
	}
}
