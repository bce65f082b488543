package sqlitestore_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

// note is a note of about 800 bytes with four keys.
func note(n int) record.Envelope {
	e := recordtest.Note("north", n)
	e.Body = []byte(`{"text":"` + strings.Repeat("reading ", 22) + `"}`)
	return e
}

// BenchmarkAppend measures durable commits, building included.
func BenchmarkAppend(b *testing.B) {
	for _, size := range []int{1, 16, 64, 500} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			s := open(b, b.TempDir(), sqlitestore.Options{})
			log := site(b, s, "north")
			tree, n, bytes := new(record.Tree), 0, 0
			b.ReportAllocs()
			for b.Loop() {
				b.StopTimer()
				notes := make([]record.Envelope, size)
				for i := range notes {
					notes[i] = note(n + i)
				}
				b.StartTimer()
				build := record.NewBuilder("north", tree, int64(n/size+1))
				for i := range notes {
					if err := build.AppendCommand(notes[i : i+1]); err != nil {
						b.Fatal(err)
					}
					n++
				}
				c, lookups := build.Build()
				if err := log.Append(b.Context(), c.Number-1, c, lookups); err != nil {
					b.Fatal(err)
				}
				tree, bytes = build.Tree(), len(c.Records[0])
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "records/s")
			b.ReportMetric(float64(bytes), "bytes/record")
		})
	}
}

// BenchmarkRead measures reads in a log of 100,000 records.
func BenchmarkRead(b *testing.B) {
	s := open(b, b.TempDir(), sqlitestore.Options{})
	log := site(b, s, "north")
	recordtest.Fill(b, "north", log, repeat(500, 200)...)
	ids := make([]record.UUID, 64)
	for i := range ids {
		ids[i] = recordtest.Note("north", 99_968+i).Command
	}
	b.Run("a day of one key", func(b *testing.B) {
		q := record.Query{About: "series:free-cl@bath-1", From: recordtest.Start.Add(20 * time.Hour), To: recordtest.Start.Add(20*time.Hour + 17*time.Minute)}
		for b.Loop() {
			if page, _, err := log.Find(b.Context(), q); err != nil || len(page) != 510 {
				b.Fatalf("%d records, %v", len(page), err)
			}
		}
	})
	b.Run("64 commands", func(b *testing.B) {
		for b.Loop() {
			if found, err := log.Commands(b.Context(), ids); err != nil || len(found) != 32 {
				b.Fatalf("%d found, %v", len(found), err)
			}
		}
	})
	b.Run("scan 10000", func(b *testing.B) {
		for b.Loop() {
			if err := log.Scan(b.Context(), 1, 10_000, func(int64, string) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func repeat(v, n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = v
	}
	return out
}
