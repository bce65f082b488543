// Package alerts watches the clock for a site: it records the checks that were missed, and says which
// deviations are overdue.
//
// The due checks follow from the record log alone (package haccp); the cron library is only the tick that
// wakes the timetable, once a minute in UTC, and a timer wakes it when the next window ends. So nothing
// depends on a tick: after a stop, a restart or an hour asleep, the next sweep finds what the ones between
// would have found, and none finds anything twice.
package alerts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/robfig/cron/v3"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// Actor is who the timetable is in a record.
var Actor = haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}

// Site is what the timetable asks of a site at work.
type Site interface {
	Name() (site, logID string)
	Ready() error
	View() *haccp.State
	Do(ctx context.Context, r plant.Request) (plant.Result, error)
}

// Options says what a timetable works with. Site is required.
type Options struct {
	Site       Site
	Clock      func() time.Time // nil: time.Now
	Logger     *slog.Logger     // nil: nothing is logged
	Registerer prometheus.Registerer
	// Rota holds the leases of this instance where several share a store; nil: this process is alone.
	Rota *Rota
}

// The outcomes of a sweep.
const (
	OutcomeNothing = "nothing missed"
	OutcomeMissed  = "misses recorded"
	OutcomeWaiting = "site not ready"
	OutcomeClock   = "clock is back"
	OutcomeFailed  = "failed"
	OutcomeOthers  = "another instance runs it"
)

// Status is what the timetable did last and does next.
type Status struct {
	LastRun  time.Time `json:"last_run,omitzero"` // when a sweep last looked
	Outcome  string    `json:"outcome,omitempty"` // of the last run
	Error    string    `json:"error,omitempty"`   // where it failed
	Missed   int64     `json:"missed"`            // misses recorded since the start
	Overdue  int       `json:"overdue"`           // deviations past the plan's time
	NextRun  time.Time `json:"next_run,omitzero"`
	ClockOff string    `json:"clock_off,omitempty"` // how far the clock stands behind what was recorded
}

// Timetable sweeps for missed checks. Its methods may be called by several goroutines at once.
type Timetable struct {
	opt     Options
	metrics *metrics
	cron    *cron.Cron

	sweeping sync.Mutex // one run at a time, whatever woke it
	due      dueTable   // guarded by sweeping, but for what was noticed
	called   atomic.Bool

	mu       sync.Mutex
	status   Status
	latest   time.Time // latest clock a run has seen
	back     bool      // the clock standing back has been logged
	reported string    // day on which overdue deviations were last logged
	wake     *time.Timer
	life     context.Context //nolint:containedctx // ends the sweeps under way when the timetable stops
	cancel   context.CancelFunc
	runs     sync.WaitGroup
}

// New returns a timetable that does not run yet.
func New(o Options) (*Timetable, error) {
	if o.Site == nil {
		return nil, errors.New("timetable: it needs a site")
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	m, err := newMetrics(o.Registerer)
	if err != nil {
		return nil, err
	}
	t := &Timetable{opt: o, metrics: m}
	if o.Rota != nil {
		o.Rota.add(t)
	}
	logger := cronLogger{o.Logger}
	// SkipIfStillRunning comes first: the other way round, one panic would keep its token for ever, and
	// the job would never run again.
	t.cron = cron.New(cron.WithLocation(time.UTC), cron.WithLogger(logger),
		cron.WithChain(cron.SkipIfStillRunning(logger), cron.Recover(logger)))
	if _, err := t.cron.AddFunc("* * * * *", t.tick); err != nil {
		return nil, fmt.Errorf("timetable: %w", err)
	}
	return t, nil
}

// Start sweeps once, to catch up, and then at every minute and whenever a window ends. It may be called
// once.
func (t *Timetable) Start() {
	t.mu.Lock()
	t.life, t.cancel = context.WithCancel(context.Background())
	t.mu.Unlock()
	t.cron.Start()
	t.runs.Go(t.tick)
}

// Stop ends the ticks and waits for the sweep under way, as long as ctx lets it.
func (t *Timetable) Stop(ctx context.Context) error {
	t.mu.Lock()
	if t.cancel == nil {
		t.mu.Unlock()
		return nil
	}
	if t.wake != nil && t.wake.Stop() {
		t.runs.Done()
	}
	t.wake = nil
	cancel := t.cancel
	t.cancel = nil
	t.mu.Unlock()
	ticks := t.cron.Stop()
	done := make(chan struct{})
	go func() {
		t.runs.Wait()
		<-ticks.Done()
		close(done)
	}()
	defer cancel()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		cancel()
		<-done
		return fmt.Errorf("stop the timetable: %w", ctx.Err())
	}
}

// Status returns what the timetable did last and does next.
func (t *Timetable) Status() Status {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.status
}

// tick is one run: sweep, then set the alarm for the next end of a window.
func (t *Timetable) tick() {
	t.mu.Lock()
	life, stopped := t.life, t.cancel == nil
	t.mu.Unlock()
	if stopped {
		return
	}
	t.sweeping.Lock()
	defer t.sweeping.Unlock()
	defer t.survive()
	if _, err := t.run(life); err != nil && !errors.Is(err, context.Canceled) {
		t.opt.Logger.Error("sweep for missed checks did not finish; the next one goes on", "error", err)
	}
	t.setAlarm(t.opt.Clock())
}

// survive keeps a panic of one run from ending the service: the next tick tries again.
func (t *Timetable) survive() {
	if r := recover(); r != nil {
		t.ran(OutcomeFailed, 0, fmt.Errorf("panic: %v", r))
		t.opt.Logger.Error("sweep for missed checks panicked; the next one goes on", "panic", r, "stack", string(debug.Stack()))
	}
}

// Sweep looks once for missed checks and records them; it returns how many. It is what every tick does.
func (t *Timetable) Sweep(ctx context.Context) (int, error) {
	t.sweeping.Lock()
	defer t.sweeping.Unlock()
	return t.run(ctx)
}

func (t *Timetable) run(ctx context.Context) (int, error) {
	began := time.Now()
	defer func() { t.metrics.seconds.Observe(time.Since(began).Seconds()) }()
	if err := t.opt.Site.Ready(); err != nil {
		t.ran(OutcomeWaiting, 0, err)
		return 0, nil
	}
	now, view := t.opt.Clock(), t.opt.Site.View()
	if t.clockBack(now, view) {
		t.ran(OutcomeClock, 0, nil)
		return 0, nil
	}
	epoch, mine, err := t.takeOver(ctx, now)
	if err == nil && !mine {
		t.overdue(now)
		t.ran(OutcomeOthers, 0, nil)
		return 0, nil
	}
	missed := 0
	if err == nil {
		missed, err = t.sweep(ctx, now, epoch)
	}
	t.overdue(now)
	switch {
	case staleEpoch(err):
		t.ran(OutcomeOthers, missed, nil)
		return missed, nil
	case err != nil:
		t.ran(OutcomeFailed, missed, err)
	case missed > 0:
		t.ran(OutcomeMissed, missed, nil)
	default:
		t.ran(OutcomeNothing, 0, nil)
	}
	return missed, err
}

// note logs what a sweep recorded and returns the number of misses.
func (t *Timetable) note(events []*haccp.Event) int {
	n := 0
	for _, e := range events {
		switch b := e.Body.(type) {
		case *haccp.Missed:
			n++
			t.opt.Logger.Warn("check missed", "check", b.Check, "place", b.Place, "due", b.Due, "record", e.Seq)
		case *haccp.DeviationOpened:
			t.opt.Logger.Warn("deviation opened", "number", b.Number, "point", b.Point, "place", b.Place, "ground", b.Ground)
		}
	}
	t.metrics.missed.Add(float64(n))
	return n
}

// slew is how far the clock may step back without notice.
const slew = time.Second

// clockBack reports whether the clock stands before what a run has seen or the log has recorded. Until it
// has caught up nothing is swept: judged by a clock ahead of the true one, checks would be missed that
// can still be made.
func (t *Timetable) clockBack(now time.Time, view *haccp.State) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	latest := t.latest
	if view.LastRecorded.After(latest) {
		latest = view.LastRecorded
	}
	behind := latest.Sub(now)
	if behind <= slew {
		if t.back {
			t.opt.Logger.Info("the clock has caught up; missed checks are looked for again")
		}
		t.back, t.status.ClockOff = false, ""
		t.latest = latest
		if now.After(latest) {
			t.latest = now
		}
		t.metrics.clockBack.Set(0)
		return false
	}
	if !t.back {
		t.opt.Logger.Warn("the clock stands behind what was recorded; nothing is swept until it has caught up",
			"clock", now, "recorded", latest)
	}
	t.back, t.status.ClockOff = true, behind.Truncate(time.Second).String()
	t.metrics.clockBack.Set(behind.Seconds())
	return true
}

// overdue counts the overdue deviations, and logs them once a production day.
func (t *Timetable) overdue(now time.Time) {
	view := t.opt.Site.View()
	list := view.Overdue(now)
	t.metrics.overdue.Set(float64(len(list)))
	day, _, _ := view.ProductionDay(now)
	t.mu.Lock()
	t.status.Overdue = len(list)
	fresh := t.reported != string(day)
	if len(list) > 0 && fresh {
		t.reported = string(day)
	}
	t.mu.Unlock()
	if len(list) == 0 || !fresh {
		return
	}
	numbers := make([]int64, len(list))
	for i, d := range list {
		numbers[i] = d.Number
	}
	t.opt.Logger.Warn("deviations are overdue", "count", len(list), "numbers", numbers)
}

// ran notes the outcome of a run.
func (t *Timetable) ran(outcome string, missed int, err error) {
	now := t.opt.Clock()
	t.metrics.runs.WithLabelValues(outcome).Inc()
	t.mu.Lock()
	defer t.mu.Unlock()
	t.status.LastRun, t.status.Outcome, t.status.Error = now, outcome, ""
	t.status.Missed += int64(missed)
	if err != nil {
		t.status.Error = err.Error()
	}
	t.metrics.lastRun.Set(float64(now.Unix()))
	switch outcome {
	case OutcomeNothing, OutcomeMissed, OutcomeOthers:
		t.metrics.lastGood.Set(float64(now.Unix()))
	}
}

// cronLogger writes what the cron library says to our logger.
type cronLogger struct{ *slog.Logger }

// Info is the library's talk about its own ticks; it is left out.
func (cronLogger) Info(string, ...any) {}

// Error is a panic of a job.
func (l cronLogger) Error(err error, msg string, keys ...any) {
	l.Logger.Error("timetable tick", "what", msg, "error", err, "details", fmt.Sprint(keys...))
}
