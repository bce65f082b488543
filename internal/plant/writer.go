package plant

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/plant/turns"
	"linewarden/internal/record"
)

// job is a command on its way through the writer.
type job struct {
	ctx     context.Context //nolint:containedctx // only asked whether the caller still waits
	id      record.UUID
	command *haccp.Command
	hash    [32]byte
	stepped time.Time // the moment of a stepped clock; zero: ask the site's clock
	waiting time.Time // since when, on the machine's own clock
	done    chan answer
}

type answer struct {
	result Result
	err    error
}

// writer owns the committed state of a site and is the only one to append to its log. It runs in one
// goroutine.
type writer struct {
	site      *Site
	ctx       context.Context //nolint:containedctx // the life of the site
	state     *haccp.State    // committed
	tree      *record.Tree
	head      record.Head
	recent    recent
	decode    *codec.Decoder
	append    *appender
	turns     turns.Turns
	body      []byte            // scratch for bodies
	envelopes []record.Envelope // scratch
}

// run takes what waits until the inbox is closed and empty.
func (w *writer) run() {
	defer close(w.site.written)
	for {
		jobs, open := w.take()
		for len(jobs) > 0 {
			w.giveWay()
			w.swell(len(jobs))
			jobs = w.commit(w.more(jobs))
		}
		if !open {
			return
		}
	}
}

// take waits for one command and gives it with all that wait behind it, up to a commit's limit.
func (w *writer) take() (jobs []*job, open bool) {
	for {
		select {
		case l := <-w.site.looks:
			w.look(l)
			continue
		case j, open := <-w.site.inbox:
			if !open {
				return nil, false
			}
			jobs = w.gather(append(jobs, j))
		}
		w.site.metrics.waiting.Set(float64(len(w.site.inbox)))
		return jobs, true
	}
}

// idleTurns is how often others may have their turn without bringing anything before a commit begins.
const idleTurns = 3

// gather adds what waits to the jobs and lets other goroutines go first as long as they bring more: a commit costs
// much the same for few as for many. Where nobody else is at work this takes no time.
func (w *writer) gather(jobs []*job) []*job {
	for idle := 0; idle < idleTurns && len(jobs) < record.MaxCommitRecords; idle++ {
		n := len(jobs)
		runtime.Gosched()
		if jobs = w.more(jobs); len(jobs) > n {
			idle = -1
		}
	}
	return jobs
}

// commit decides the jobs as far as they fit into one commit, appends it and answers them. It gives the
// jobs that are still to be decided: those that did not fit, or all where the log had moved on.
func (w *writer) commit(jobs []*job) (rest []*job) {
	if err := w.site.status.ready(); err != nil {
		return fail(jobs, err)
	}
	began := time.Now()
	b := newBatch(w)
	b.state, b.own = w.state.Fork(), true
	rest = b.decide(jobs)
	if b.spoiled {
		b = newBatch(w)
		rest = b.decide(jobs)
	}
	if b.builder.Len() == 0 {
		if err := w.settleRefused(b); err != nil {
			return fail(b.jobs(), err, rest...)
		}
		b.answer(w.head)
		return rest
	}
	commit, lookups := b.builder.Build()
	commit.More = w.turns.More(len(b.decided), len(rest)+len(w.site.inbox))
	appending := time.Now()
	err := w.append.append(w.ctx, w.head, &commit, lookups)
	w.site.metrics.appendSeconds.Observe(time.Since(appending).Seconds())
	switch {
	case err == nil:
		w.turns.Wrote(began)
		w.site.Followed(appending)
		return w.merge(b, &commit, rest)
	case errors.Is(err, record.ErrConflict):
		return w.moved(append(b.jobs(), rest...))
	case errors.Is(err, record.ErrDuplicateID):
		return w.repeatedBefore(b, err, rest)
	case errors.Is(err, ErrStopped):
		w.site.status.doubt()
		w.stop(err)
		return fail(b.jobs(), w.site.status.ready(), rest...)
	}
	w.site.opt.Logger.Error("commit was not written", "commit", commit.Number, "error", err)
	return fail(b.jobs(), busy("the record log could not be written", err), rest...)
}

// merge makes the batch the committed state, shows it and answers.
func (w *writer) merge(b *batch, commit *record.Commit, rest []*job) []*job {
	refused := w.settleRefused(b)
	w.state, w.tree = b.state, b.builder.Tree()
	w.head = record.Head{Commit: commit.Number, Size: commit.Size, Root: commit.Root}
	for _, d := range b.decided {
		if len(d.events) > 0 && d.first == nil {
			w.recent.add(d.job.id)
		}
	}
	w.publish()
	w.site.metrics.committed(len(commit.Records))
	if refused != nil {
		b.failRefused(refused)
	}
	b.answer(w.head)
	if w.site.opt.Committed != nil {
		w.site.opt.Committed(b.pending)
	}
	return rest
}

// publish shows the committed state to readers. They get a fork, so that deciding on the writer's own
// state touches nothing they read.
func (w *writer) publish() {
	v := &view{state: w.state.Fork(), head: w.head}
	w.site.view.Store(v)
	w.site.readable.Store(&v.head)
	w.site.metrics.size.Set(float64(w.head.Size))
	w.site.saver.offer(v)
}

// moved reads what another writer added and gives the jobs to be decided again. One commit is what there
// mostly is, so the end of the log is looked for only where that was not enough.
func (w *writer) moved(jobs []*job) []*job {
	w.site.metrics.trouble("conflict")
	found, err := w.readNext()
	if lost := w.turns.Lost(); err == nil && (lost > 1 || !found) {
		err = w.catchUp()
	}
	if err != nil {
		return fail(jobs, err)
	}
	return jobs
}

func (w *writer) stop(err error) {
	w.site.status.stop(err)
	w.site.opt.Logger.Error("the site has stopped writing", "error", err)
}

func busy(because string, err error) error {
	return &BusyError{After: busyRetry, Because: because, Err: err}
}

// fail answers jobs with an error; nothing is left to do.
func fail(jobs []*job, err error, more ...*job) []*job {
	for _, j := range append(jobs, more...) {
		j.done <- answer{err: err}
	}
	return nil
}

// decided is a command of a batch and what became of it.
type decided struct {
	job    *job
	events []*haccp.Event
	err    error
	repeat bool
	first  *decided // the same command earlier in the batch
}

// batch is the overlay: commands decided one after the other on a state that is not committed yet. At first they
// are decided on one fork. Where a command has changed it and is then refused, or finds no room, all are decided
// again, each on a fork of its own.
type batch struct {
	w       *writer
	state   *haccp.State
	own     bool // the state is the batch's own
	spoiled bool
	builder *record.Builder
	facts   *facts.Library
	decided []*decided
	pending []*haccp.Event
	byID    map[record.UUID]*decided
}

func newBatch(w *writer) *batch {
	b := &batch{w: w, state: w.state, byID: map[record.UUID]*decided{}}
	b.builder = record.NewBuilder(w.site.site, w.tree, w.head.Commit+1)
	b.facts = facts.New(w.site.opt.Log, w.decode, w.head.Size)
	b.facts.Cover(w.tree, b)
	return b
}

// Events gives what the batch would add, in order of seq.
func (b *batch) Events() []*haccp.Event { return b.pending }

// Leaves gives the leaf hashes of these events.
func (b *batch) Leaves() []tlog.Hash {
	records := b.builder.Last(b.builder.Len())
	out := make([]tlog.Hash, len(records))
	for i, r := range records {
		out[i] = record.LeafHash(r)
	}
	return out
}

// decide decides jobs in their order and gives those that the commit has no room for.
func (b *batch) decide(jobs []*job) (rest []*job) {
	b.builder.Expect(min(len(jobs), record.MaxCommitRecords))
	for i, j := range jobs {
		if b.own && b.builder.Len() > record.MaxCommitRecords-record.MaxCommandRecords {
			return slices.Clone(jobs[i:]) // the next command might find no room
		}
		d := b.one(j)
		if b.spoiled {
			return nil
		}
		if errors.Is(d.err, record.ErrCommitFull) && b.builder.Len() > 0 {
			return slices.Clone(jobs[i:])
		}
		b.decided = append(b.decided, d)
	}
	return nil
}

func (b *batch) jobs() []*job {
	jobs := make([]*job, len(b.decided))
	for i, d := range b.decided {
		jobs[i] = d.job
	}
	return jobs
}

// one decides one command. What it gives holds only if the batch is committed.
func (b *batch) one(j *job) *decided {
	d := &decided{job: j}
	if d.err = tooLate(j); d.err != nil {
		return d
	}
	if first := b.byID[j.id]; first != nil {
		d.repeat, d.first = true, first
		d.err = sameCommand(first.job.command.By.ID, first.job.hash, j)
		return d
	}
	if b.w.recent.has(j.id) {
		d.events, d.repeat, d.err = b.w.stored(j)
		if !d.repeat && d.err == nil {
			d.err = busy("the command is in the log, and its records cannot be found yet", nil)
		}
		return d
	}
	out, err := b.outcome(j)
	if err == nil && len(out.Events) > 0 {
		err = b.add(j, out)
		b.spoiled = err != nil && b.own
	}
	if err != nil {
		d.err = err
		return d
	}
	if d.events = out.Events; len(out.Events) > 0 {
		b.byID[j.id] = d
	}
	return d
}

func tooLate(j *job) error {
	if err := j.ctx.Err(); err != nil {
		return fmt.Errorf("command %s: %w", j.command.ID, err)
	}
	if time.Since(j.waiting) > maxAge {
		return busy("the command waited longer than 5 s", nil)
	}
	return nil
}

// outcome asks the rules.
func (b *batch) outcome(j *job) (*haccp.Outcome, error) {
	r := b.w.site.opt.rules
	f, err := b.facts.Gather(b.w.ctx, func(f haccp.Facts) (haccp.Need, error) { return r.Needs(b.state, j.command, f) })
	if err != nil {
		if unread, is := errors.AsType[*facts.Error](err); is {
			b.w.site.metrics.trouble("read")
			return nil, busy("the record log could not be read", unread)
		}
		return nil, err
	}
	now := j.stepped
	if now.IsZero() {
		now = b.w.site.opt.Clock()
	}
	if !b.own {
		return r.Decide(b.state, j.command, f, millis(now))
	}
	out, err := r.DecideOn(b.state, j.command, f, millis(now))
	b.spoiled = errors.Is(err, haccp.ErrSpoiled)
	return out, err
}

// add encodes the records of a decided command into the commit.
func (b *batch) add(j *job, out *haccp.Outcome) error {
	b.w.envelopes = slices.Grow(b.w.envelopes[:0], len(out.Events))
	envelopes := b.w.envelopes[:len(out.Events)]
	defer clear(envelopes)
	b.w.body = b.w.body[:0]
	for i, e := range out.Events {
		from := len(b.w.body)
		body, err := codec.AppendBody(b.w.body, e.Body)
		if err == nil {
			b.w.body = body
			envelopes[i], err = codec.Envelope(e, j.hash, body[from:])
		}
		if err != nil {
			return cannotRecord(fmt.Errorf("event of kind %s: %w", e.Kind, err))
		}
	}
	seq := out.Events[0].Seq
	err := b.builder.AppendCommand(envelopes)
	if errors.Is(err, record.ErrCommitFull) {
		return err
	}
	if err != nil {
		return cannotRecord(err)
	}
	if envelopes[0].Seq != seq {
		return fmt.Errorf("command %s was decided for record %d, not %d", j.command.ID, seq, envelopes[0].Seq)
	}
	b.state, b.pending = out.Next, append(b.pending, out.Events...)
	return nil
}

// cannotRecord refuses a command whose records cannot be written: too large, not UTF-8, a time too fine.
func cannotRecord(err error) error {
	if errors.Is(err, record.ErrInvalid) || errors.Is(err, record.ErrTooLarge) || errors.Is(err, record.ErrNotCanonical) {
		return &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "cannot-record", Message: "this cannot be recorded: " + err.Error()}
	}
	return err
}

// answer tells every caller of the batch what became of the command.
func (b *batch) answer(head record.Head) {
	for _, d := range b.decided {
		events := d.events
		if d.first != nil {
			events = d.first.events
		}
		if d.err != nil {
			d.job.done <- answer{err: d.err}
			continue
		}
		if d.repeat {
			b.w.site.metrics.repeated.Inc()
		}
		d.job.done <- answer{result: Result{Events: events, Repeated: d.repeat, Head: head}}
	}
}
