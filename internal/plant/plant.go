// Package plant keeps one site at work: it writes the record log and holds what the log says.
//
// A Site has one goroutine that writes. It takes the commands that wait, decides them one after the
// other on the committed state and what the commands before them would add, appends all their records
// as one commit, and only then shows the new state and answers. Whoever reads sees an immutable view of
// whole commits. The package turns records into events of the rules and back; it knows no store, no
// network and no page.
//
// What it promises: an answered command is in the log; the same command id asked again gets the first
// answer again and is recorded once; a commit whose outcome is unknown is read back before anything
// else is decided. It never waits for more commands to come and never writes a record it did not decide
// on the head before it.
package plant

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/internal/record"
)

// Limits of a site.
const (
	maxAge        = 5 * time.Second // a command that waited longer is refused, to be sent again
	inboxSize     = 4096            // commands that may wait
	snapshotEvery = 50_000          // records between snapshots, unless Options says otherwise
	busyRetry     = time.Second     // how soon a refused command may be sent again
)

// Snapshots keeps states as bytes, tagged with the log's root at their seq. They are caches: losing
// them loses no fact.
type Snapshots interface {
	// SaveSnapshot keeps data under a name, in place of what was there.
	SaveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error
	// LoadSnapshot gives what SaveSnapshot kept; seq is 0 where there is nothing.
	LoadSnapshot(ctx context.Context, name string) (seq int64, root [32]byte, data []byte, err error)
}

// Options says what a site works with. Log and Zones are required.
type Options struct {
	Log         record.Log
	Snapshots   Snapshots          // nil: every start replays the whole log
	Checkpoints record.Checkpoints // nil: checkpoints are signed but not kept
	Signer      *record.Signer     // nil: no checkpoint can be signed
	Zones       haccp.Zones
	Clock       func() time.Time // nil: time.Now
	Logger      *slog.Logger     // nil: nothing is logged
	Registerer  prometheus.Registerer
	// Progress is called during the replay, from one goroutine, with the records folded and to fold.
	Progress func(done, total int64)
	// Committed, when set, is called by the writer after every commit, its own or another instance's, with the commit's
	// events, once its callers are answered. It must not wait for anything.
	Committed func(events []*haccp.Event)
	// Shared says that other instances of the service may write to the same log.
	Shared bool
	// SnapshotEvery is how many records go between two snapshots; 0: 50,000.
	SnapshotEvery int64

	rules rules // nil: those of haccp; tests put their own here
}

func (o *Options) fill() error {
	if o.Log == nil || o.Zones == nil {
		return errors.New("open site: options lack a log or time zones")
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.SnapshotEvery <= 0 {
		o.SnapshotEvery = snapshotEvery
	}
	if o.rules == nil {
		o.rules = haccpRules{}
	}
	return nil
}

// Request is a command as it came in.
type Request struct {
	Command *haccp.Command
	// Sent is the JSON as the client sent it; the hash of its canonical form tells a repeated command
	// from another one under the same id. Nil for commands of the service itself. It is not kept.
	Sent []byte
	// Stepped is what a stepped clock shows, in place of the site's own. Only a site founded as demo takes
	// it, to write the history of an invented plant.
	Stepped time.Time
}

// Result is what a command brought about.
type Result struct {
	Events   []*haccp.Event // the records of the command, in order of seq; none where nothing was to record
	Repeated bool           // the command was in the log already; Events are those of the first time
	Head     record.Head    // a head of the log that holds the records
}

// view is what readers see: a state and the head it belongs to. It is never changed.
type view struct {
	state *haccp.State
	head  record.Head
}

// Site is one site at work. Its methods may be called by several goroutines at once.
type Site struct {
	opt     Options
	metrics *metrics
	site    string
	logID   string

	view     atomic.Pointer[view]
	readable atomic.Pointer[record.Head] // head of the log for reading; ahead of view while replaying
	status   status

	mu     sync.RWMutex // guards closed and the sending side of inbox
	closed bool
	inbox  chan *job
	looks  chan *look   // who wants the log read
	seen   atomic.Int64 // when the state was last known to hold the whole log, in ns since 1970
	used   atomic.Int64 // when somebody last asked for a fresh state

	cancel  context.CancelFunc // ends the replay, and the writer's dealings with the store
	ready   chan struct{}      // closed when the replay has ended
	written chan struct{}      // closed when the writer has ended
	saver   *saver
}

// Open loads the newest snapshot that fits the log, replays the records after it and starts the writer.
// It is Begin and Wait in one. A log without a founding record is record.ErrNotFound; a log whose
// records do not give its root is record.ErrTampered. A record of an unknown kind or version is no
// error here: the site then serves reads, and Ready says why it does not decide.
func Open(ctx context.Context, o Options) (*Site, error) {
	s, err := Begin(ctx, o)
	if err != nil {
		return nil, err
	}
	if err := s.Wait(ctx); err != nil {
		return nil, errors.Join(err, s.Close(context.WithoutCancel(ctx)))
	}
	return s, nil
}

// Wait waits until the replay has ended and gives its error. The context bounds the waiting only.
func (s *Site) Wait(ctx context.Context) error {
	select {
	case <-s.ready:
	case <-ctx.Done():
		return fmt.Errorf("wait for replay: %w", ctx.Err())
	}
	return s.status.failure()
}

// Name gives the site id and the log id of the founding record.
func (s *Site) Name() (site, logID string) { return s.site, s.logID }

// Shared says whether other instances may write to the log too.
func (s *Site) Shared() bool { return s.opt.Shared }

// View gives the state of the last commit. It must not be changed. While the site replays it is empty;
// ask Ready.
func (s *Site) View() *haccp.State { return s.view.Load().state }

// Head gives the last commit whose records readers may ask for.
func (s *Site) Head() record.Head {
	if v := s.view.Load().head; v.Size > 0 {
		return v
	}
	return *s.readable.Load()
}

// Ready gives nil when the site decides commands, else why it does not: ErrReplaying with how far,
// ErrUnknown for a record it does not understand, ErrStopped for a writer that had to stop, ErrClosed.
func (s *Site) Ready() error {
	s.mu.RLock()
	closed := s.closed
	s.mu.RUnlock()
	if closed {
		return ErrClosed
	}
	return s.status.ready()
}

// Do has a command decided and recorded, and waits for the answer. Errors are *haccp.Refusal (with
// haccp.ErrInvalid, ErrNotFound, ErrConflict or ErrForbidden), ErrBusy with a hint when to send it
// again (see RetryAfter), those of Ready, or those of the store.
//
// When ctx ends first, Do returns its error, and the command may or may not be recorded afterwards.
// So may it after ErrBusy from a store in doubt. To send the same command again is harmless and gives
// certainty. The command belongs to the site from here on and must not be changed.
func (s *Site) Do(ctx context.Context, r Request) (Result, error) {
	j, err := s.newJob(ctx, r)
	if err == nil {
		err = s.enqueue(j)
	}
	if err != nil {
		s.metrics.refused(err)
		return Result{}, err
	}
	select {
	case a := <-j.done:
		s.metrics.refused(a.err)
		return a.result, a.err
	case <-ctx.Done():
		return Result{}, fmt.Errorf("command %s: %w", r.Command.ID, ctx.Err())
	}
}

func (s *Site) newJob(ctx context.Context, r Request) (*job, error) {
	if r.Command == nil {
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "no-command", Message: "no command was given"}
	}
	id, err := record.ParseUUID(r.Command.ID)
	if err != nil {
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "id", Code: "bad-id",
			Message: "the command id must be a UUID in lower case, such as 0197b6c0-5c5e-7aa1-9f0e-3d2a7c1b4e55"}
	}
	if !r.Stepped.IsZero() && !s.View().Site.Demo {
		return nil, &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "not-a-demo",
			Message: "only a site founded as demo may write with a stepped clock"}
	}
	j := &job{ctx: ctx, id: id, stepped: r.Stepped, waiting: time.Now(), done: make(chan answer, 1)}
	j.take(r.Command)
	if r.Sent == nil {
		return j, nil
	}
	if j.hash, err = record.CanonicalHash(r.Sent); err != nil {
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "bad-json", Message: err.Error()}
	}
	return j, nil
}

// take makes the command the job's, with its times in UTC and whole milliseconds, as records hold them.
func (j *job) take(c *haccp.Command) {
	j.own = *c
	j.own.At, j.own.Until = millis(c.At), millis(c.Until)
	if c.Device != nil {
		j.device = *c.Device
		j.device.Clock = millis(j.device.Clock)
		j.own.Device = &j.device
	}
	j.command = &j.own
}

func millis(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.UTC().Truncate(time.Millisecond)
}

func (s *Site) enqueue(j *job) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed {
		return ErrClosed
	}
	if err := s.status.ready(); err != nil {
		return err
	}
	select {
	case s.inbox <- j:
		s.metrics.waiting.Set(float64(len(s.inbox)))
		return nil
	default:
		return &BusyError{After: busyRetry, Because: "too many commands wait"}
	}
}

// Close takes no more commands, answers those that wait, saves a snapshot and signs a checkpoint. When
// ctx ends first, the commands that still wait are answered with an error.
func (s *Site) Close(ctx context.Context) error {
	s.mu.Lock()
	again := s.closed
	s.closed = true
	if !again {
		close(s.inbox)
	}
	s.mu.Unlock()
	if again {
		<-s.written
		return nil
	}
	select {
	case <-s.ready: // the writer drains the inbox
	default:
		s.cancel() // still replaying: nothing waits
	}
	var late error
	select {
	case <-s.written:
	case <-ctx.Done():
		late = fmt.Errorf("close site %s: %w", s.site, ctx.Err())
		s.cancel()
		<-s.written
	}
	last := s.saver.close(ctx)
	s.cancel()
	return errors.Join(late, last, s.lastCheckpoint(ctx))
}
