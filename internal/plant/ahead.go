package plant

import (
	"errors"
	"time"

	"linewarden/internal/plant/facts"
	"linewarden/internal/record"
)

// errNotAhead says that a command cannot be decided on a batch that is still being appended, because it
// asks for facts of the log.
var errNotAhead = errors.New("wants facts of the log")

// appendBeside appends the commit of a batch. While the store writes, it decides what waits and what comes
// in, on top of the batch; nobody is told of that before the batch is in the log, and it is dropped if the
// batch does not get there. A lone command is appended without it.
func (w *writer) appendBeside(b *batch, c *record.Commit, lookups []record.Lookup, rest []*job) (*batch, []*job, error) {
	if len(rest) == 0 && len(b.decided) == 1 && len(w.site.inbox) == 0 {
		return nil, nil, w.timed(w.head, c, lookups)
	}
	done := make(chan error, 1)
	head := w.head
	go func() { done <- w.timed(head, c, lookups) }()
	next := b.above(c)
	rest = next.decideAhead(rest)
	inbox := w.site.inbox
	for {
		if len(rest) > 0 {
			inbox = nil // their order is kept: what comes in waits behind them
		}
		select {
		case err := <-done:
			if len(next.decided) == 0 {
				next = nil
			} else {
				next.below = nil
			}
			return next, rest, err
		case j, open := <-inbox:
			if !open {
				inbox = nil
				continue
			}
			rest = next.decideAhead([]*job{j})
		}
	}
}

// timed appends a commit and says how long it took.
func (w *writer) timed(head record.Head, c *record.Commit, lookups []record.Lookup) error {
	began := time.Now()
	err := w.append.append(w.ctx, head, c, lookups)
	w.site.metrics.appendSeconds.Observe(time.Since(began).Seconds())
	return err
}

// above begins a batch on top of one that is being appended.
func (b *batch) above(c *record.Commit) *batch {
	n := &batch{w: b.w, state: b.state, byID: map[record.UUID]*decided{}, below: b}
	n.builder = record.NewBuilder(b.w.site.site, b.builder.Tree(), c.Number+1)
	n.facts = facts.New(b.w.site.opt.Log, b.w.decode, c.Size)
	return n
}

// decideAhead decides jobs in their order as far as it can without the log, and gives the others.
func (b *batch) decideAhead(jobs []*job) (rest []*job) {
	for i, j := range jobs {
		if b.below.byID[j.id] != nil || b.w.recent.has(j.id) {
			return jobs[i:]
		}
		d := b.one(j)
		if errors.Is(d.err, errNotAhead) || errors.Is(d.err, record.ErrCommitFull) {
			return jobs[i:]
		}
		b.decided = append(b.decided, d)
	}
	return nil
}
