package cause

import (
	"slices"
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/instrument"
	"linewarden/haccp/plan"
)

// tools looks at the instruments of the plan in force that failed their last check and are in service: what they showed
// since the check before may be wrong. A check that was passed, or taking it out of service, ends it.
func (l *looking) tools(p *plan.Plan) {
	for i := range p.Instruments {
		id := p.Instruments[i].ID
		if l.s.ToolStanding(id, l.now) != instrument.Failed {
			continue
		}
		last := l.s.Tool(id).Last(l.now)
		if last == nil || last.At.Before(l.live) {
			continue
		}
		r := alarm.Raised{Cause: alarm.Instrument, Key: alarm.Instrument + ":" + id, Severity: alarm.Warning, Since: last.At, Mark: last.ID, Data: map[string]string{"instrument": id}}
		if monitors(p, id) {
			r.Severity = alarm.Critical
		}
		l.add(r)
	}
}

// monitors reports whether an instrument is the one of record of a critical limit.
func monitors(p *plan.Plan, id string) bool {
	return slices.ContainsFunc(p.Points, func(pt plan.Point) bool {
		return slices.ContainsFunc(pt.Limits, func(x plan.Limit) bool { return x.Kind == plan.Critical && x.Instrument == id })
	})
}

// touchesTool reports whether a record is about the checks or the service of an instrument, or changes one that is.
func touchesTool(e *haccp.Event) bool {
	return slices.ContainsFunc(e.About, func(key string) bool { return strings.HasPrefix(key, "instrument:") })
}
