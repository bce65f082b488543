package alerts_test

import (
	"fmt"
	"testing"
	"time"

	"linewarden/alerts"
	"linewarden/alerts/cause"
	"linewarden/haccp"
	"linewarden/haccp/quantity"
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

// How long after the end of its grace a missed check is recorded, with 10,080 scheduled checks whose windows all end at one
// moment: one of them missed, and all of them. The store keeps everything in memory.
func BenchmarkMiss(b *testing.B) {
	for _, all := range []bool{false, true} {
		b.Run(map[bool]string{false: "one of 10080", true: "all 10080"}[all], func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				p := newPlantFixed(b, tablesPlan(480, 21), false, time.Date(2026, 11, 2, 9, 0, 0, 0, time.UTC))
				p.line(true)
				p.step(20 * time.Minute)
				if _, err := p.table.Sweep(b.Context()); err != nil {
					b.Fatal(err)
				}
				want := 10080
				if !all {
					want = 1
					for t := range 480 {
						for c := range 21 {
							if t+c > 0 {
								p.looked(fmt.Sprintf("t%d", t), c)
							}
						}
					}
				}
				p.step(15*time.Minute + time.Millisecond)
				b.StartTimer()
				n, err := p.table.Sweep(b.Context())
				if n != want || err != nil {
					b.Fatalf("%d misses, %v", n, err)
				}
				b.StopTimer()
				p.close()
				b.StartTimer()
			}
		})
	}
}

// looked records that the knives of a table were looked at by one of its checks.
func (p *plantUnderTest) looked(table string, check int) {
	p.t.Helper()
	id := "knife-check"
	if check > 0 {
		id += fmt.Sprintf("-%d", check+1)
	}
	p.do(haccp.KindReading, p.now(), technician(), &haccp.Reading{Check: id, Place: table, Mode: "hand",
		Entries: []haccp.Entry{{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)}}})
}
