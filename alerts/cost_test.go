package alerts_test

import (
	"fmt"
	"testing"
	"time"

	"linewarden/alerts"
	"linewarden/alerts/cause"
	"linewarden/haccp"
)

// What a look and a sweep cost, by the number of checks at places there are, while nothing is wrong: at everything, as once
// an hour, and at what is due, as at every tick: here one check whose window has ended, and one reading.
func BenchmarkLook(b *testing.B) {
	for _, x := range [][2]int{{10, 3}, {100, 3}, {400, 3}, {480, 21}} {
		s, now := quiet(b, x[0], x[1])
		name := func(what string) string { return fmt.Sprintf("%s/%d", what, x[0]*x[1]) }
		var watch cause.Watch
		watch.Look(s, now, cause.Service{}, &cause.Scope{All: true})
		b.Run(name("look-whole"), func(b *testing.B) {
			for b.Loop() {
				if got := cause.Standing(s, now, cause.Service{}); len(got) != 0 {
					b.Fatalf("%+v", got)
				}
			}
		})
		b.Run(name("look-due"), func(b *testing.B) {
			for b.Loop() {
				scope := cause.Scope{Checks: map[cause.At]bool{{ID: "knife-check", Place: "t1"}: true}}
				watch.Ripe(s, now, &scope)
				if got := watch.Look(s, now, cause.Service{}, &scope); len(got) != 0 {
					b.Fatalf("%+v", got)
				}
			}
		})
		b.Run(name("sweep-whole"), func(b *testing.B) {
			for b.Loop() {
				if s.SweepFinds(now) {
					b.Fatal("something was missed")
				}
				s.SweepDue(now)
			}
		})
		b.Run(name("sweep-due"), func(b *testing.B) {
			table := alerts.NewDueTable(s, now)
			for b.Loop() {
				if missed := table.Due(s, now, "knife-check@t1"); len(missed) != 0 {
					b.Fatal("something was missed")
				}
			}
		})
	}
}

// quiet is a running line of tables whose checks are not due yet.
func quiet(b *testing.B, tables, each int) (*haccp.State, time.Time) {
	b.Helper()
	p := newPlantAt(b, tablesPlan(tables, each), false)
	p.line(true)
	s := p.site.View()
	b.Cleanup(func() { p.close() })
	return s, p.now().Add(20 * time.Minute)
}
