package peers

import (
	"slices"
	"time"
)

// goneAfter is how long an instance that no longer shows itself is still sent to.
const goneAfter = 30 * time.Second

// Book knows which of the instances that stand in a list are alive: those whose number has changed lately. The zero value
// knows nobody.
type Book struct{ seen map[string]sighting }

type sighting struct {
	beat int64
	at   time.Time
}

// Look takes a list of addresses, each with a number that its instance raises while it is alive, and gives those to be sent to.
// Who was never seen before counts as alive.
func (b *Book) Look(list map[string]int64, now time.Time) (alive []string) {
	seen := map[string]sighting{}
	for address, beat := range list {
		s, known := b.seen[address]
		if !known || s.beat != beat {
			s = sighting{beat, now}
		}
		if seen[address] = s; now.Sub(s.at) < goneAfter {
			alive = append(alive, address)
		}
	}
	b.seen = seen
	slices.Sort(alive)
	return alive
}
