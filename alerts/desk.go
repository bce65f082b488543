package alerts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/alerts/cause"
	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/internal/record"
)

// Sender carries one message to the other side of a channel, and says whether it was taken.
type Sender interface {
	Send(ctx context.Context, m notify.Message) error
}

// Stander is a sender that is told everything open once a minute, and that the service is at work.
type Stander interface {
	Stand(ctx context.Context, site string, open []notify.Item, alive bool) error
}

// Channel is one way to the outside.
type Channel struct {
	Name     string   // as in the settings; records name it
	Language string   // of its messages
	Roles    []string // told where the ladder names one of them; empty: of everything
	Least    string   // least severity; "": all
	Digest   bool     // gets the summaries of shift and day
	Via      Sender
}

// Beater is called once a minute while the service is at work.
type Beater interface {
	Beat(ctx context.Context) error
}

// DeskOptions says what a desk works with. Site and Outbox are required.
type DeskOptions struct {
	Site       Site
	Outbox     Outbox
	Channels   []Channel
	Heartbeat  Beater                          // nil: none
	Timetable  func() Status                   // what the timetable did last; nil: it is not watched
	Verify     func(ctx context.Context) error // proves the record log, once a day; nil: never
	Checkpoint func(ctx context.Context) error // signs the head of the log, once an hour; nil: never
	Backup     *Backups                        // keeps backups; nil: there are none
	Summaries  Summaries                       // nil: summaries give no counts of checks
	Turn       func() (epoch int64, mine bool) // whether this instance runs the timetable of the site; nil: it is alone
	Link       string                          // address of the pages, without a slash at the end; "": messages have no links
	Clock      func() time.Time                // nil: time.Now
	Chance     func() float64                  // from 0 to below 1; nil: math/rand
	Logger     *slog.Logger                    // nil: nothing is logged
	Registerer prometheus.Registerer
}

// Summaries counts how the checks of a period went; *plant.Site is one.
type Summaries interface {
	CorrectiveLog(ctx context.Context, from, to, now time.Time) (haccp.Log, error)
}

// How often the desk does what no event asks for.
const (
	fullEvery   = time.Minute           // what needs no more than the clock is looked at, whatever happened
	settleAtMin = 20 * time.Millisecond // between two looks: what comes together is looked at together
	lateAfter   = 3 * time.Minute       // the timetable runs every minute
	verifyEvery = 24 * time.Hour
	firstProof  = 2 * time.Minute // after a start, when what needs the machine at once is done
	keepSent    = 30 * 24 * time.Hour
)

// Desk raises, escalates and clears the alerts of a site and sees to it that they are told. What it decides follows
// from the state alone, so that after a stop, a kill or an hour asleep it goes on where it stood. Its methods may be
// called by several goroutines at once.
type Desk struct {
	opt     DeskOptions
	site    string
	metrics *deskMetrics
	wake    chan struct{}
	outWake []chan struct{} // one per channel

	outcome atomic.Bool // a message was sent or given up, and the log does not say so yet

	looking sync.Mutex // one look at a time
	index   *toldIndex
	watch   cause.Watch
	minute  time.Time // of the last look at what the minute asks for
	whole   time.Time // of the last look at everything

	mu       sync.Mutex
	scope    cause.Scope
	tampered string
	jobs     map[string]JobState
	noBackup time.Time // of the first try to make a backup that failed since one was made; zero: none did
	ranAt    time.Time
	ranError string
	cancel   context.CancelFunc
	runs     sync.WaitGroup
	born     time.Time
}

// NewDesk returns a desk that does nothing yet.
func NewDesk(o DeskOptions) (*Desk, error) {
	if o.Site == nil || o.Outbox == nil {
		return nil, errors.New("alerts: the desk needs a site and an outbox")
	}
	seen := map[string]bool{}
	for _, c := range o.Channels {
		if c.Name == "" || c.Via == nil || seen[c.Name] {
			return nil, fmt.Errorf("alerts: channel %q has no name, no sender, or the name of another", c.Name)
		}
		seen[c.Name] = true
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Chance == nil {
		o.Chance = rand.Float64
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	m, err := newDeskMetrics(o.Registerer)
	if err != nil {
		return nil, err
	}
	d := &Desk{opt: o, metrics: m, wake: make(chan struct{}, 1), jobs: map[string]JobState{}}
	d.site, _ = o.Site.Name()
	for _, c := range o.Channels {
		m.waiting.WithLabelValues(c.Name).Set(0) // shown from the start, before the outbox was read
		m.oldest.WithLabelValues(c.Name).Set(0)
		d.outWake = append(d.outWake, make(chan struct{}, 1))
	}
	return d, nil
}

// Noticed tells the desk what was recorded. It waits for nothing; Start need not have been called.
func (d *Desk) Noticed(events []*haccp.Event) {
	var s cause.Scope
	touched := false
	for _, e := range events {
		if s.Touch(e) || alertByPerson[e.Kind] {
			touched = true
		}
	}
	if !touched {
		return
	}
	d.mu.Lock()
	d.scope.Merge(s)
	d.mu.Unlock()
	kick(d.wake)
}

// alertByPerson are records about alerts that come from people: what is to be told may follow from them.
var alertByPerson = map[string]bool{haccp.KindAlertAcknowledged: true, haccp.KindAlertSilenced: true, haccp.KindAlertUnsilenced: true}

func kick(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Start begins the work; the site is ready, or soon will be. It may be called once.
func (d *Desk) Start() {
	ctx, cancel := context.WithCancel(context.Background())
	d.mu.Lock()
	d.cancel, d.born = cancel, d.opt.Clock()
	d.mu.Unlock()
	d.runs.Go(func() { d.loop(ctx) })
	d.runs.Go(func() { d.minutely(ctx) })
	if d.opt.Backup != nil {
		d.runs.Go(func() { d.backups(ctx) })
	}
	for i := range d.opt.Channels {
		d.runs.Go(func() { d.deliver(ctx, i) })
	}
}

// Stop ends the work and waits for it. What waits in the outbox is sent after the next start.
func (d *Desk) Stop() {
	d.mu.Lock()
	cancel := d.cancel
	d.mu.Unlock()
	if cancel != nil {
		cancel()
	}
	d.runs.Wait()
}

// active reports whether this instance does the site's alerts.
func (d *Desk) active() bool {
	if d.opt.Turn == nil {
		return true
	}
	_, mine := d.opt.Turn()
	return mine
}

// epoch gives the epoch under which the desk records.
func (d *Desk) epoch() int64 {
	if d.opt.Turn == nil {
		return d.opt.Site.View().Timetable.Epoch
	}
	epoch, _ := d.opt.Turn()
	return epoch
}

// loop looks whenever something was recorded, a step of the ladder is due, or a minute has passed.
func (d *Desk) loop(ctx context.Context) {
	for {
		next := d.Look(ctx)
		select { // what comes together is looked at together
		case <-ctx.Done():
			return
		case <-time.After(settleAtMin):
		}
		timer := time.NewTimer(max(0, next.Sub(d.opt.Clock())))
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-d.wake:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// take gives what is to be looked at: what was recorded about, and what the clock may have changed. Everything is looked
// at after a start, where the clock stepped back, and once an hour.
func (d *Desk) take(s *haccp.State, now time.Time) (scope cause.Scope, whole bool) {
	d.mu.Lock()
	scope, d.scope = d.scope, cause.Scope{}
	d.mu.Unlock()
	if passed := now.Sub(d.minute); passed >= fullEvery || passed < 0 {
		scope.Minute, scope.Lots, d.minute = true, true, now
	}
	d.watch.Ripe(s, now, &scope)
	passed := now.Sub(d.whole)
	return scope, scope.All || passed >= wholeEvery || passed < 0
}

// Look looks once at what stands, records what follows, and puts the messages into the outbox. It returns when
// something is to be done next by the clock alone.
func (d *Desk) Look(ctx context.Context) (next time.Time) {
	d.looking.Lock()
	defer d.looking.Unlock()
	now := d.opt.Clock()
	next = now.Add(fullEvery)
	defer func() {
		if r := recover(); r != nil {
			d.looked(now, fmt.Errorf("panic: %v", r))
		}
	}()
	if !d.active() {
		d.index = nil // another instance goes on; what it sends is read when this one takes over again
		return next
	}
	if err := d.opt.Site.Ready(); err != nil {
		d.looked(now, err)
		d.emergency(ctx, now, err)
		return next
	}
	at, err := d.look(ctx, now)
	if staleEpoch(err) {
		d.index = nil
		return next
	}
	d.looked(now, err)
	if err != nil {
		return now.Add(time.Second) // nothing was lost: the same follows from the same state
	}
	if at.Before(next) {
		next = at
	}
	return next
}

func (d *Desk) look(ctx context.Context, now time.Time) (time.Time, error) {
	if d.index == nil {
		d.watch = cause.Watch{} // after a start, or when this instance takes over
	}
	if d.index == nil || now.Sub(d.index.read).Abs() > verifyEvery {
		index, err := d.readOutbox(ctx, now)
		if err != nil {
			return now, err
		}
		d.index = index
		d.outcome.Store(true)
	}
	if d.outcome.Swap(false) {
		if err := d.settle(ctx, now); err != nil {
			d.outcome.Store(true)
			return now, err
		}
	}
	if err := d.compare(ctx, now); err != nil {
		return now, err
	}
	next, err := d.tell(ctx, now)
	if at, ok := d.watch.Next(); ok && at.Before(next) {
		next = at
	}
	return next, err
}

// compare records what changed among the causes that are to be looked at.
func (d *Desk) compare(ctx context.Context, now time.Time) error {
	view := d.opt.Site.View()
	scope, whole := d.take(view, now)
	if !whole || scope.All {
		return d.compareIn(ctx, view, now, scope)
	}
	// What was to be looked at goes first, so that a look at everything shows whether that was enough.
	first := d.whole.IsZero() || now.Before(d.whole)
	if err := d.compareIn(ctx, view, now, scope); err != nil {
		return err
	}
	view = d.opt.Site.View()
	all := cause.Scope{All: true}
	more := d.changes(view, now, &all)
	if d.whole = now; len(more.Raise)+len(more.Clear) > 0 && !first && d.quiet() {
		d.metrics.disagreed.Inc()
		d.opt.Logger.Error("a look at every cause found what a look at what had changed did not", "raised", len(more.Raise), "cleared", len(more.Clear))
	}
	if err := d.record(ctx, more, now); err != nil {
		d.retry(all)
		return err
	}
	return nil
}

func (d *Desk) compareIn(ctx context.Context, s *haccp.State, now time.Time, scope cause.Scope) error {
	if scope.All {
		d.whole = now
	}
	change := d.changes(s, now, &scope)
	d.metrics.looked.Add(float64(scope.Size()))
	if err := d.record(ctx, change, now); err != nil {
		d.retry(scope)
		return err
	}
	return nil
}

// retry puts back what was not recorded to the end.
func (d *Desk) retry(scope cause.Scope) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.scope.Merge(scope)
}

// quiet reports whether nothing was recorded that the desk has yet to look at.
func (d *Desk) quiet() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return !d.scope.All && !d.scope.Lots && d.scope.Size() == 0
}

func (d *Desk) looked(now time.Time, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ranAt, d.ranError = now, ""
	if err != nil {
		if d.ranError = err.Error(); !errors.Is(err, context.Canceled) {
			d.opt.Logger.Warn("alerts were not looked at to the end; the next look goes on", "error", err)
		}
	}
}

// commandID gives a new id for a command of the desk. The state makes doubled commands harmless.
func (d *Desk) commandID(now time.Time, n int) string {
	return record.DerivedID(record.SiteNamespace(d.site), "alerts", now.UTC().Format(time.RFC3339Nano), fmt.Sprint(n, d.opt.Chance())).String()
}
