package plant

import (
	"context"
	"errors"
	"runtime"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/tidings"
	"linewarden/internal/plant/turns"
	"linewarden/internal/record"
)

// job is a command on its way through the writer.
type job struct {
	ctx     context.Context //nolint:containedctx // only asked whether the caller still waits
	id      record.UUID
	command *haccp.Command // own, and its device
	own     haccp.Command
	device  haccp.Device
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
	told      tidings.Tidings
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
		case <-w.told.Arrived:
			w.readTold()
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

// commit decides the jobs as far as they fit into one commit, appends it and answers them; where more comes meanwhile
// on a store that takes its time, it goes on with that. It gives the jobs that are still to be decided: those that did
// not fit, or all where the log had moved on.
func (w *writer) commit(jobs []*job) (rest []*job) {
	if err := w.site.status.ready(); err != nil {
		return fail(jobs, err)
	}
	b, rest := decideAll(jobs, func() *batch { return newBatch(w) })
	for b != nil {
		b, rest = w.write(b, rest)
	}
	return rest
}

// write appends a batch and answers it. It gives the batch that was decided meanwhile, and what is still to be decided.
func (w *writer) write(b *batch, rest []*job) (next *batch, undecided []*job) {
	if b.builder.Len() == 0 {
		if err := w.settleRefused(b); err != nil {
			return nil, fail(b.jobs(), err, rest...)
		}
		b.answer(w.head)
		return nil, rest
	}
	commit, lookups := b.builder.Build()
	commit.More = w.turns.More(len(b.decided), len(rest)+len(w.site.inbox))
	appending := time.Now()
	write := func() error { return w.append.append(w.ctx, w.head, &commit, lookups) }
	var err error
	if commit.More { // nobody else is let go first: what comes now is most likely decided on this
		next, rest, err = w.ahead(b, rest, write)
	} else {
		err = write()
	}
	w.site.metrics.appendSeconds.Observe(time.Since(appending).Seconds())
	if err == nil {
		w.turns.Wrote(b.began)
		w.site.Followed(appending)
		w.merge(b, &commit)
		return w.stillOn(next, rest)
	}
	rest = append(next.jobs(), rest...)
	switch {
	case errors.Is(err, record.ErrConflict):
		return nil, w.moved(append(b.jobs(), rest...))
	case errors.Is(err, record.ErrDuplicateID):
		return nil, w.repeatedBefore(b, err, rest)
	case errors.Is(err, ErrStopped):
		w.site.status.doubt()
		w.stop(err)
		return nil, fail(b.jobs(), w.site.status.ready(), rest...)
	}
	w.site.opt.Logger.Error("commit was not written", "commit", commit.Number, "error", err)
	return nil, fail(b.jobs(), busy("the record log could not be written", err), rest...)
}

// merge makes the batch the committed state, shows it and answers.
func (w *writer) merge(b *batch, commit *record.Commit) {
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
