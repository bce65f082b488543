package alerts_test

import (
	"fmt"
	"testing"
	"time"

	"linewarden/alerts/cause"
	"linewarden/haccp"
)

// What a look costs, by the number of checks there are, when nothing is wrong: of everything, as once a minute, and of what
// one reading touched.
func BenchmarkLook(b *testing.B) {
	for _, tables := range []int{10, 100, 400} {
		s, now := quiet(b, tables)
		one := cause.Scope{Checks: map[cause.At]bool{{ID: "knife-check", Place: "t1"}: true}, Points: map[cause.At]bool{{ID: "knives", Place: "t1"}: true}}
		for name, scope := range map[string]cause.Scope{"all": {All: true}, "one": one} {
			b.Run(fmt.Sprintf("%s/%d", name, 3*tables), func(b *testing.B) {
				for b.Loop() {
					if got := cause.Standing(s, now, cause.Service{}, scope); len(got) != 0 {
						b.Fatalf("%+v", got)
					}
				}
			})
		}
		b.Run(fmt.Sprintf("sweep/%d", 3*tables), func(b *testing.B) {
			for b.Loop() {
				if s.SweepFinds(now) {
					b.Fatal("something was missed")
				}
				s.SweepDue(now)
			}
		})
	}
}

// quiet is a running line of tables whose checks are not due yet.
func quiet(b *testing.B, tables int) (*haccp.State, time.Time) {
	b.Helper()
	p := newPlantAt(b, stormPlan(tables), false)
	p.line(true)
	s := p.site.View()
	b.Cleanup(func() { p.close() })
	return s, p.now().Add(20 * time.Minute)
}
