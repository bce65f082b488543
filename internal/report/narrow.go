package report

import (
	"slices"
	"strings"

	"linewarden/haccp"
)

// Part says in words what a log is narrowed to; "" where it is whole.
func Part(point, lot string) string {
	var out []string
	if point != "" {
		out = append(out, "control point "+point)
	}
	if lot != "" {
		out = append(out, "lot "+lot)
	}
	return strings.Join(out, ", ")
}

// Narrow gives the cases of a log that are about a control point and a lot; "" is any. Missed checks and changed reports are
// left out, since they are of neither, and the running numbers keep their gaps: it is a part of the log and no log.
func Narrow(l haccp.Log, point, lot string) haccp.Log {
	if point == "" && lot == "" {
		return l
	}
	days := l.Days
	l.Days = nil
	for _, d := range days {
		d.Misses, d.Changes = nil, nil
		d.Entries = slices.DeleteFunc(slices.Clone(d.Entries), func(e haccp.LogEntry) bool {
			return point != "" && e.Point != point || lot != "" && !slices.Contains(e.Lots, lot)
		})
		if len(d.Entries) > 0 {
			l.Days = append(l.Days, d)
		}
	}
	return l
}
