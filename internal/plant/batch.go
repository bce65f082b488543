package plant

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/record"
)

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
	began   time.Time
	below   *batch // the one it rests on, while that is being written; nil: on what is committed
}

func newBatch(w *writer) *batch {
	b := &batch{w: w, state: w.state, byID: map[record.UUID]*decided{}, began: time.Now()}
	b.builder = record.NewBuilder(w.site.site, w.tree, w.head.Commit+1)
	b.facts = facts.New(w.site.opt.Log, w.decode, w.head.Size)
	b.facts.Cover(w.tree, b)
	return b
}

// Events gives what the batch would add to what is committed, with the one below it, in order of seq.
func (b *batch) Events() []*haccp.Event {
	if b.below == nil {
		return b.pending
	}
	return append(slices.Clip(b.below.pending), b.pending...)
}

// Leaves gives the leaf hashes of these events.
func (b *batch) Leaves() []tlog.Hash {
	var out []tlog.Hash
	if b.below != nil {
		out = b.below.Leaves()
	}
	for _, r := range b.builder.Last(b.builder.Len()) {
		out = append(out, record.LeafHash(r))
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

// jobs gives those that were decided; a nil batch has none.
func (b *batch) jobs() []*job {
	if b == nil {
		return nil
	}
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
	if first := b.first(j.id); first != nil {
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

// first gives the same command, decided before and not committed yet.
func (b *batch) first(id record.UUID) *decided {
	if d := b.byID[id]; d != nil || b.below == nil {
		return d
	}
	return b.below.byID[id]
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
