package alerts

import (
	"time"

	"linewarden/haccp"
)

// DueTable is the table of dues of a timetable.
type DueTable struct{ t dueTable }

// NewDueTable returns a table that has looked at everything once.
func NewDueTable(s *haccp.State, now time.Time) *DueTable {
	x := &DueTable{}
	x.t.ripen(s, now)
	x.t.look(s, now, x.t.next.Ripe(now, 0))
	return x
}

// Due makes a check at a place ripe and does what a tick does.
func (x *DueTable) Due(s *haccp.State, now time.Time, checkPlace string) []string {
	x.t.next.Put(checkPlace, now)
	x.t.ripen(s, now)
	missed, _ := x.t.look(s, now, x.t.next.Ripe(now, 0))
	x.t.upcoming()
	return missed
}
