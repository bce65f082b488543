package haccp_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
)

// Whoever looks at a check only when its moment has come, or when a record named it, finds every miss that looking at
// everything finds, at every moment, whatever is recorded in whatever order.
func TestRipeChecksAreAllThatCanBeMissed(t *testing.T) {
	var looked, skipped, missed int
	rapid.Check(t, func(r *rapid.T) {
		p := newPlayer(t, r, map[string]int{}, map[string]int{})
		next := map[string]time.Time{} // when each is to be looked at
		seen, plan := len(p.events), p.state.PlanSeq()
		for range 30 {
			p.step()
			for _, e := range p.events[seen:] {
				for _, k := range p.state.CheckPlacesOf(haccp.TouchedBy(e)) {
					delete(next, k)
				}
			}
			if seen = len(p.events); plan != p.state.PlanSeq() {
				plan = p.state.PlanSeq()
				clear(next)
			}
			for _, k := range p.state.CheckPlaces() {
				for _, ahead := range []time.Duration{0, time.Minute, 17 * time.Minute} {
					now := p.now.Add(ahead)
					miss, at := p.state.MissedAt(k, now)
					if when, kept := next[k]; kept && now.Before(when) && p.state.LastRecorded.Before(when) {
						if skipped++; miss {
							r.Fatalf("%s was missed at %s, and was to be looked at only at %s", k, now, when)
						}
						continue
					}
					if looked++; miss {
						missed++
					}
					if ahead == 0 { // what is seen from a moment to come says nothing of those before it: a sweep looks back seven days
						if next[k] = at; miss {
							delete(next, k)
						}
					}
					if !at.After(now) {
						r.Fatalf("%s: looked at at %s, and again at %s", k, now, at)
					}
				}
			}
			if slices.ContainsFunc(p.state.CheckPlaces(), func(k string) bool { m, _ := p.state.MissedAt(k, p.now); return m }) != p.state.SweepFinds(p.now) {
				r.Fatal("one by one and together differ")
			}
		}
	})
	t.Logf("looked %d times, %d of them missed; passed over %d times", looked, missed, skipped)
	if looked == 0 || skipped < looked || missed == 0 {
		t.Errorf("looked %d times, %d of them missed; passed over %d times", looked, missed, skipped)
	}
}

// A sweep of what was missed records what a sweep of everything records.
func TestSweepOfWhatIsRipe(t *testing.T) {
	swept := 0
	rapid.Check(t, func(r *rapid.T) {
		p := newPlayer(t, r, map[string]int{}, map[string]int{})
		for range 15 {
			p.step()
			var ripe []string
			for _, k := range p.state.CheckPlaces() {
				if miss, _ := p.state.MissedAt(k, p.now); miss {
					ripe = append(ripe, k)
				}
			}
			if len(ripe) == 0 {
				continue
			}
			whole, part := p.command(haccp.AskSweep, timetable, &haccp.Sweep{}), p.command(haccp.AskSweep, timetable, &haccp.Sweep{Checks: ripe})
			part.ID = whole.ID
			a, err := p.state.Decide(whole, p.facts(whole), p.now)
			if err != nil {
				t.Fatal(err)
			}
			b, err := p.state.Decide(part, p.facts(part), p.now)
			if err != nil {
				t.Fatal(err)
			}
			p.same(a.Next, b.Next, "sweeps")
			swept++
		}
	})
	if swept == 0 {
		t.Fatal("nothing was ever missed")
	}
}
