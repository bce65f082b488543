package dashboards

import (
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// lotStates lists the states of a lot, so that one that no lot is in reads 0.
var lotStates = []string{haccp.LotInProcess, haccp.LotOnHold, haccp.LotReleased, haccp.LotReworked, haccp.LotDiverted, haccp.LotDestroyed,
	haccp.LotShippedAs, haccp.LotUsedUp}

// clockRow is a control point on a time of lots.
type clockRow struct {
	point           *plan.Point
	line            string
	running, oldest series
	contact         bool // a contact time, not a clock
}

func (c *Collector) layClock(pt *plan.Point, lines map[string]string, fix func(string, float64, ...string)) *clockRow {
	r := &clockRow{point: pt, contact: pt.Clock.From == pt.Clock.To}
	for _, place := range pt.Places {
		r.line = lines[place]
	}
	r.running, r.oldest = c.series("clock_running", r.line, pt.ID), c.series("clock_oldest_seconds", r.line, pt.ID)
	for i := range pt.Limits {
		row := newValueRow(&pt.Limits[i])
		row.unit = "s"
		if pt.Limits[i].Max == nil {
			continue
		}
		if x, ok := row.in(pt.Limits[i].Max.Value, unitOf(pt.Limits[i].Max)); ok {
			fix("clock_limit_seconds", x, string(pt.Limits[i].Kind), r.line, pt.ID)
		}
	}
	return r
}

// lotFigures is what was found out about lots. Opening a book of them costs some milliseconds, so it is done only
// when a lot was touched since.
type lotFigures struct {
	mark    lotMark
	oldest  map[string]time.Time // by control point: the start of the oldest clock that runs
	running map[string]int
	done    []lotTime // complete times
}

// lotMark tells whether anything about lots was recorded since.
type lotMark struct {
	plan *plan.Plan
	n    int
	last int64
	at   time.Time
}

// lotTime is a complete time of a lot.
type lotTime struct {
	lot, point, place string
	took              time.Duration
}

// lotsAnew is how old figures about lots may be where nothing about a lot was recorded: a hopper found empty changes
// clocks and touches no lot.
const lotsAnew = time.Minute

// product gives lots by state, and the clocks that run.
func (c *Collector) product(out *sink, s *haccp.State, now time.Time) {
	byState := map[string]int{}
	lots := s.Lots()
	mark := lotMark{plan: c.layout.plan, n: len(lots), at: c.lots.mark.at}
	for _, l := range lots {
		byState[l.State()]++
		mark.last = max(mark.last, l.Touched)
	}
	for _, state := range lotStates {
		out.put("lots", float64(byState[state]), strings.ReplaceAll(state, " ", "_"))
	}
	if mark != c.lots.mark || now.Sub(mark.at).Abs() >= lotsAnew {
		mark.at = now
		c.lots = figures(s, lots)
		c.lots.mark = mark
	}
	for _, r := range c.layout.clocks {
		if r.contact {
			continue
		}
		elapsed := time.Duration(0)
		if start := c.lots.oldest[r.point.ID]; !start.IsZero() {
			elapsed = max(0, now.Sub(start))
		}
		out.set(r.running, float64(c.lots.running[r.point.ID]))
		out.set(r.oldest, elapsed.Seconds())
	}
}

func figures(s *haccp.State, lots []*haccp.LotState) lotFigures {
	f := lotFigures{oldest: map[string]time.Time{}, running: map[string]int{}}
	if len(lots) == 0 {
		return f
	}
	book := s.LotBook()
	for _, l := range lots {
		for _, t := range s.LotTimes(book, l.Code) {
			switch o := f.oldest[t.Point]; {
			case t.Running:
				f.running[t.Point]++
				if o.IsZero() || t.Start.Before(o) {
					f.oldest[t.Point] = t.Start
				}
			case !t.Assumed && t.Elapsed > 0:
				f.done = append(f.done, lotTime{l.Code, t.Point, t.Place, t.Elapsed})
			}
		}
	}
	return f
}

// seconds gives a time as a duration; false where its unit is none of time.
func seconds(d quantity.Decimal, u quantity.Unit) (time.Duration, bool) {
	of := map[quantity.Unit]time.Duration{quantity.Second: time.Second, quantity.Minute: time.Minute, quantity.Hour: time.Hour}[u]
	return time.Duration(d.Float64() * float64(of)), of > 0
}
