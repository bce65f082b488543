package plant

import (
	"context"
	"fmt"
	"io"
	"time"

	"linewarden/haccp"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// CursorAfter is the cursor that goes on after an event, in any query that would have given it.
func CursorAfter(e *haccp.Event) Cursor { return cursorOf(record.CursorOf(e.At.UnixMilli(), e.Seq)) }

// Key gives the key that checkpoints of this site are checked with; "" where it was opened without one.
func (s *Site) Key() string {
	if s.opt.Signer == nil {
		return ""
	}
	return s.opt.Signer.VerifierKey()
}

// Records calls fn with the canonical bytes of the records from..to, both included, as far as there are any.
func (s *Site) Records(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	if err := s.opt.Log.Scan(ctx, from, min(to, s.Head().Size), fn); err != nil {
		return fmt.Errorf("read records %d to %d: %w", from, to, err)
	}
	return nil
}

// Export writes the records first..last (0: from the beginning, to the end) under a fresh checkpoint.
func (s *Site) Export(ctx context.Context, w io.Writer, first, last int64) error {
	note, err := s.Checkpoint(ctx)
	if err != nil {
		return err
	}
	return evidence.Export(ctx, w, s.opt.Log, evidence.ExportOptions{First: first, Last: last, Checkpoint: note, Key: s.Key()})
}

// How far the corrective-action log of one call may reach.
const (
	periodBack    = 7 * 24 * time.Hour // before the period: which line ran, which filling was in
	periodRecords = 200_000            // records read for one period
)

// CorrectiveLog puts the corrective-action log of a period together: from <= at < to. A period with more
// than 200,000 records is haccp.ErrInvalid: ask for a shorter one.
func (s *Site) CorrectiveLog(ctx context.Context, from, to, now time.Time) (haccp.Log, error) {
	r := periodReader{ctx: ctx, site: s}
	state := s.View()
	p := haccp.Period{From: from, To: to, Now: now, Cases: map[string]*haccp.Deviation{}, Originals: map[string]*haccp.Event{}}
	p.Events = r.kinds(from, to, haccp.KindDeviationOpened, haccp.KindMissed, haccp.KindAmended, haccp.KindVoided)
	for _, id := range state.Forgotten(p.Events) {
		p.Cases[id] = r.marked(haccp.FoldCase(r.all(Query{About: "deviation:" + id})))
	}
	r.originals(p.Originals, p.Events)
	done := r.kinds(from.Add(-periodBack), to.Add(haccp.CountMargin), haccp.KindFilled, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained,
		haccp.KindInService, haccp.KindOutOfService, haccp.KindLineStarted, haccp.KindLineStopped, haccp.KindAmended, haccp.KindVoided)
	done = append(done, r.kinds(from.Add(-haccp.CountMargin), to.Add(haccp.CountMargin), haccp.KindReading)...)
	if r.err != nil {
		return haccp.Log{}, fmt.Errorf("corrective-action log: %w", r.err)
	}
	p.Checks = state.CountChecks(done, from, to, now)
	return state.CorrectiveLog(p), nil
}

// periodReader reads records until the first error.
type periodReader struct {
	ctx  context.Context
	site *Site
	n    int
	err  error
}

func (r *periodReader) kinds(from, to time.Time, kinds ...string) []*haccp.Event {
	var out []*haccp.Event
	for _, k := range kinds {
		out = append(out, r.all(Query{Kind: k, From: from, To: to})...)
	}
	return out
}

func (r *periodReader) all(q Query) []*haccp.Event {
	if r.err != nil {
		return nil
	}
	var out []*haccp.Event
	for e, err := range Each(r.ctx, r.site, q) {
		if r.n++; err == nil && r.n > periodRecords {
			err = &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "from", Code: "period-too-long",
				Message: fmt.Sprintf("the period holds more than %d records: ask for a shorter one", periodRecords)}
		}
		if err != nil {
			r.err = err
			break
		}
		out = append(out, e)
	}
	return out
}

// FoldCase folds the records of a case that the state has forgotten, in order of seq, and marks the signed parts
// that cover a report changed since; nil where they open no case.
func (s *Site) FoldCase(ctx context.Context, records []*haccp.Event) (*haccp.Deviation, error) {
	r := periodReader{ctx: ctx, site: s}
	return r.marked(haccp.FoldCase(records)), r.err
}

// marked looks up what changed the readings that signatures of the case cover: a change carries the time of its
// report.
func (r *periodReader) marked(d *haccp.Deviation) *haccp.Deviation {
	if d == nil {
		return nil
	}
	reports := map[string]int64{}
	var changes []*haccp.Event
	for _, x := range d.Relied() {
		reports[x.Reading] = x.Seq
		changes = append(changes, r.kinds(x.At, x.At.Add(time.Millisecond), haccp.KindAmended, haccp.KindVoided, haccp.KindTimeAccepted)...)
	}
	d.Mark(changes, reports)
	return d
}

// originals reads the reports that amendments and voids name.
func (r *periodReader) originals(into map[string]*haccp.Event, events []*haccp.Event) {
	for _, e := range events {
		if e.Amends == "" || into[e.Amends] != nil || r.err != nil {
			continue
		}
		_, into[e.Amends], r.err = r.site.ByID(r.ctx, e.Amends)
	}
}
