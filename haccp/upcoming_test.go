package haccp_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestNextDue compares the next due, of which parts are kept between calls, with the one worked out anew, while
// a plant is run at random. What is asked for goes back and forth in time, as callers do that work side by side.
func TestNextDue(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := newPlayer(t, r, map[string]int{}, map[string]int{})
		found := 0
		for range 25 {
			p.step()
			for _, k := range p.state.CheckPlaces() {
				for _, ago := range []time.Duration{0, -20 * time.Minute, 61 * time.Minute, time.Minute, 30 * time.Hour} {
					kept, fresh := p.state.NextDue(k, p.now.Add(-ago))
					if !kept.Equal(fresh) {
						t.Fatalf("%s, %s before %s: kept %s, worked out %s", k, ago, p.now, kept, fresh)
					}
					if !fresh.IsZero() {
						found++
					}
				}
			}
		}
		if found == 0 {
			t.Fatal("nothing was ever due")
		}
	})
}
