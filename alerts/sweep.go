package alerts

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"linewarden/alerts/agenda"
	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// dueTable knows when each check at a place is to be looked at next for a miss, and when the clocks of lots are, so that
// a sweep costs what is due and not what there is.
type dueTable struct {
	next   agenda.Agenda // "check@place"
	clocks time.Time     // when the clocks of lots are to be looked at; zero: not before something is recorded about one
	plan   int64         // the record that signed the plan the table was made of
	whole  time.Time     // when everything was last looked at

	mu      sync.Mutex
	changed haccp.Touching // by what was recorded since the last look
}

// wholeEvery is how often everything is looked at, to show that the table is right.
const wholeEvery = time.Hour

// note remembers what a record may have changed; false where it changes nothing for the clock.
func (x *dueTable) note(e *haccp.Event) bool {
	t := haccp.TouchedBy(e)
	if !t.All && !t.Lots && len(t.Checks)+len(t.Places)+len(t.Lines) == 0 {
		return false
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	c := &x.changed
	if c.All = c.All || t.All; c.All {
		*c = haccp.Touching{All: true, Lots: true}
		return true
	}
	c.Lots = c.Lots || t.Lots
	c.Checks, c.Places, c.Lines = with(c.Checks, t.Checks), with(c.Places, t.Places), with(c.Lines, t.Lines)
	return true
}

func with(list, more []string) []string {
	for _, s := range more {
		if !slices.Contains(list, s) {
			list = append(list, s)
		}
	}
	return list
}

// ripen puts what was recorded since the last look among what is to be looked at now. The first time, after a plan was
// signed, where the clock stepped back, and every hour, that is everything.
func (x *dueTable) ripen(s *haccp.State, now time.Time) (whole bool) {
	x.mu.Lock()
	changed := x.changed
	x.changed = haccp.Touching{}
	x.mu.Unlock()
	since := now.Sub(x.whole)
	whole = x.whole.IsZero() || since >= wholeEvery || since < 0
	if x.plan != s.PlanSeq() {
		x.next.Clear()
		x.plan, whole = s.PlanSeq(), true
	}
	if whole {
		x.whole, changed = now, haccp.Touching{All: true, Lots: true}
	}
	for _, k := range s.CheckPlacesOf(changed) {
		x.next.Put(k, now)
	}
	if changed.Lots || changed.All {
		x.clocks = now
	}
	return whole
}

// look gives the checks at places with a miss to be recorded, and whether a clock wants a flag. Everything else is put
// back for its next moment.
func (x *dueTable) look(s *haccp.State, now time.Time, ripe []string) (missed []string, clocks bool) {
	for _, k := range ripe {
		miss, next := s.MissedAt(k, now)
		if miss {
			missed, next = append(missed, k), now
		}
		x.next.Put(k, next)
	}
	if !x.clocks.IsZero() && !x.clocks.After(now) {
		if clocks, x.clocks = s.ClocksAt(now); clocks {
			x.clocks = now
		}
	}
	return missed, clocks
}

// upcoming gives when the table is to be looked at next.
func (x *dueTable) upcoming() (time.Time, bool) {
	at, ok := x.next.Next()
	if !x.clocks.IsZero() && (!ok || x.clocks.Before(at)) {
		return x.clocks, true
	}
	return at, ok
}

// Noticed tells the timetable what was recorded: what falls due may have changed. It waits for nothing; Start need not
// have been called.
func (t *Timetable) Noticed(events []*haccp.Event) {
	news := false
	for _, e := range events {
		news = t.due.note(e) || news
	}
	if news && t.called.CompareAndSwap(false, true) {
		t.wakeUp()
	}
}

const (
	// maxSweeps bounds the commands of one run; a run of a whole week's misses needs a few.
	maxSweeps = 1000
	// sweepChecks bounds the checks at places that one command looks at; their misses of one moment fit into it.
	sweepChecks = 60
)

// sweep sends sweep commands until one has nothing to record. What a command records has ids that follow from check,
// place and due time, so that a doubled one records nothing.
func (t *Timetable) sweep(ctx context.Context, now time.Time, epoch int64) (missed int, err error) {
	site, _ := t.opt.Site.Name()
	began := time.Now()
	view := t.opt.Site.View()
	t.called.Store(false)
	unexpected := t.unexpected(view, now)
	ripe := t.due.next.Ripe(now, 0)
	t.metrics.looked.Add(float64(len(ripe)))
	due, clocks := t.due.look(view, now, ripe)
	t.disagrees(due, unexpected)
	for n := range maxSweeps {
		if len(due) == 0 && !clocks {
			t.metrics.seconds.Observe(time.Since(began).Seconds())
			return missed, nil
		}
		some := due[:min(len(due), sweepChecks)]
		cmd := &haccp.Command{Kind: haccp.AskSweep, At: now.UTC(), AtKnown: haccp.AtServer, By: Actor, Ask: &haccp.Sweep{Epoch: epoch, Checks: some, Clocks: clocks},
			ID: record.DerivedID(record.SiteNamespace(site), "sweep", now.UTC().Format(time.RFC3339Nano), strconv.Itoa(n), strconv.FormatInt(epoch, 10)).String()}
		res, err := t.opt.Site.Do(ctx, plant.Request{Command: cmd})
		if err != nil {
			return missed, fmt.Errorf("record missed checks: %w", err) // they stay ripe
		}
		if !res.Repeated {
			missed += t.note(res.Events)
		}
		left, again := t.due.look(t.opt.Site.View(), now, some)
		due, clocks = slices.Concat(due[len(some):], left), again
	}
	return missed, fmt.Errorf("record missed checks: not at an end after %d commands", maxSweeps)
}

// unexpected has everything looked at where that is due, and gives what the table did not want to look at then.
func (t *Timetable) unexpected(view *haccp.State, now time.Time) map[string]bool {
	first := t.due.whole.IsZero()
	t.due.mu.Lock()
	settled := !t.due.changed.All && len(t.due.changed.Checks)+len(t.due.changed.Places)+len(t.due.changed.Lines) == 0
	t.due.mu.Unlock()
	same, wanted := t.due.plan == view.PlanSeq(), t.due.next.Due(now)
	if !t.due.ripen(view, now) || first || !settled || !same {
		return nil
	}
	out := map[string]bool{}
	for _, k := range view.CheckPlaces() {
		out[k] = true
	}
	for _, k := range wanted {
		delete(out, k)
	}
	return out
}

// disagrees says where a look at everything found what the table would have passed over.
func (t *Timetable) disagrees(missed []string, unexpected map[string]bool) {
	for _, k := range missed {
		if unexpected[k] {
			t.metrics.disagreed.Inc()
			t.opt.Logger.Error("a missed check was found by looking at everything, and the table of dues had passed it over", "check", k)
		}
	}
}

// setAlarm wakes the timetable just after the next window ends, where that is before the next tick.
func (t *Timetable) setAlarm(now time.Time) {
	next := now.Truncate(time.Minute).Add(time.Minute)
	due, ok := t.due.upcoming()
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.cancel == nil {
		return
	}
	if ok && due.Before(next) && due.After(now) {
		next = due
		if t.wake != nil && t.wake.Stop() {
			t.runs.Done()
		}
		t.runs.Add(1)
		t.wake = time.AfterFunc(due.Sub(now), func() {
			defer t.runs.Done()
			t.tick()
		})
	}
	t.status.NextRun = next
	t.metrics.nextRun.Set(float64(next.Unix()))
}
