package plant

import (
	"time"

	"linewarden/internal/record"
)

// decideAll decides jobs on a batch, and gives those that have no room in it. Where a command has changed the batch's
// own state and is then refused, all are decided again, each on a fork of its own.
func decideAll(jobs []*job, fresh func() *batch) (b *batch, rest []*job) {
	b = fresh()
	b.state, b.own = b.state.Fork(), true
	if rest = b.decide(jobs); b.spoiled {
		b = fresh()
		rest = b.decide(jobs)
	}
	return b, rest
}

// above gives an empty batch on top of one that is being written.
func (b *batch) above() *batch {
	n := newBatch(b.w)
	n.state, n.below = b.state, b
	n.builder = record.NewBuilder(b.w.site.site, b.builder.Tree(), b.w.head.Commit+2)
	return n
}

// ahead decides what comes while a batch is written, as if that were written already. What it gives holds only if it was.
func (w *writer) ahead(b *batch, jobs []*job, write func() error) (next *batch, rest []*job, err error) {
	written := make(chan error, 1)
	go func() { written <- write() }()
	inbox := w.site.inbox
	for {
		if len(jobs) > 0 && len(rest) == 0 {
			next, rest = w.aheadOn(b, next, jobs)
			jobs = nil
		}
		select {
		case err = <-written:
			return next, append(rest, jobs...), err
		case j, open := <-inbox:
			if !open {
				inbox = nil
				continue
			}
			jobs = append(jobs, j)
		}
	}
}

// aheadOn decides jobs on the batch above one that is being written; nil: on a new one.
func (w *writer) aheadOn(b, next *batch, jobs []*job) (_ *batch, rest []*job) {
	if next == nil {
		return decideAll(jobs, b.above)
	}
	had := next.jobs()
	if rest = next.decide(jobs); next.spoiled {
		next = b.above()
		rest = next.decide(append(had, jobs...))
	}
	return next, rest
}

// stillOn serves who wants the log read, and gives the batch that was decided ahead; where others had written it gives
// its jobs instead, to be decided again.
func (w *writer) stillOn(next *batch, rest []*job) (*batch, []*job) {
	if next == nil {
		return nil, rest
	}
	head := w.head
	select {
	case l := <-w.site.looks:
		w.look(l)
	default:
	}
	if w.head != head || w.site.status.ready() != nil {
		return nil, append(next.jobs(), rest...)
	}
	next.below, next.began = nil, time.Now()
	return next, rest
}
