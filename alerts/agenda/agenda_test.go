package agenda_test

import (
	"cmp"
	"maps"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/alerts/agenda"
)

// An agenda gives what a sorted list of the same names and moments gives, whatever was put, moved and taken out.
func TestAgendaIsASortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a agenda.Agenda
		want := map[string]time.Time{}
		at := func() time.Time { return time.Unix(rapid.Int64Range(1, 50).Draw(t, "at"), 0) }
		name := func() string { return rapid.StringMatching(`[a-h]`).Draw(t, "name") }
		t.Repeat(map[string]func(*rapid.T){
			"put":  func(*rapid.T) { n, m := name(), at(); a.Put(n, m); want[n] = m },
			"drop": func(*rapid.T) { n := name(); a.Put(n, time.Time{}); delete(want, n) },
			"sooner": func(*rapid.T) {
				n, m := name(), at()
				a.Sooner(n, m)
				if old, ok := want[n]; !ok || m.Before(old) {
					want[n] = m
				}
			},
			"ripe": func(*rapid.T) {
				now, most := at(), rapid.IntRange(0, 3).Draw(t, "most")
				ripe := slices.DeleteFunc(slices.Collect(maps.Keys(want)), func(n string) bool { return want[n].After(now) })
				slices.SortFunc(ripe, func(x, y string) int { return cmp.Or(want[x].Compare(want[y]), cmp.Compare(x, y)) })
				if most > 0 && len(ripe) > most {
					ripe = ripe[:most]
				}
				got := a.Ripe(now, most)
				if !slices.Equal(got, ripe) {
					t.Fatalf("ripe at %v: %v, want %v", now, got, ripe)
				}
				for _, n := range ripe {
					delete(want, n)
				}
			},
			"": func(*rapid.T) {
				next, ok := a.Next()
				if a.Len() != len(want) || ok != (len(want) > 0) {
					t.Fatalf("%d kept, want %d", a.Len(), len(want))
				}
				if ok && next != slices.MinFunc(slices.Collect(maps.Values(want)), time.Time.Compare) {
					t.Fatalf("next %v of %v", next, want)
				}
			},
		})
	})
}
