package plant

import (
	"errors"
	"fmt"

	"linewarden/haccp"
	"linewarden/internal/record"
)

// recentSize is how many of the last commands the writer knows by id without asking the store.
const recentSize = 1 << 16

// recent holds the ids of the last commands, twice recentSize at most. An id it does not hold may be in
// the log all the same: the store finds that out at the latest, when it appends.
type recent struct{ young, old map[record.UUID]struct{} }

func (r *recent) add(id record.UUID) {
	if len(r.young) >= recentSize || r.young == nil {
		r.young, r.old = make(map[record.UUID]struct{}), r.young
	}
	r.young[id] = struct{}{}
}

func (r *recent) has(id record.UUID) bool {
	if _, ok := r.young[id]; ok {
		return true
	}
	_, ok := r.old[id]
	return ok
}

// sameCommand tells whether a command under a known id is the one that was recorded: from the same
// person, with the same hash. If not the answer discloses nothing.
func sameCommand(person string, hash [32]byte, j *job) error {
	if person == j.command.By.ID && hash == j.hash {
		return nil
	}
	return &haccp.Refusal{Kind: haccp.ErrConflict, Field: "id", Code: "id-used",
		Message: "this id was used for another command: send this one under an id of its own"}
}

// stored looks a command up in the log. Where it is there, the first answer is given again.
func (w *writer) stored(j *job) (events []*haccp.Event, found bool, err error) {
	all, err := w.lookUp([]*job{j})
	if err != nil {
		return nil, false, err
	}
	return firstAnswer(all[j.id], j)
}

func (w *writer) lookUp(jobs []*job) (map[record.UUID][]record.Stored, error) {
	ids := make([]record.UUID, len(jobs))
	for i, j := range jobs {
		ids[i] = j.id
	}
	found, err := w.site.opt.Log.Commands(w.ctx, ids)
	if err != nil {
		w.site.metrics.trouble("read")
		return nil, busy("the record log could not be read", err)
	}
	return found, nil
}

func firstAnswer(stored []record.Stored, j *job) (events []*haccp.Event, found bool, err error) {
	if len(stored) == 0 {
		return nil, false, nil
	}
	env, err := record.DecodeString(stored[0].Bytes)
	if err != nil {
		return nil, false, fmt.Errorf("record %d: %w", stored[0].Seq, err)
	}
	person := ""
	if env.By != nil {
		person = env.By.ID
	}
	if err := sameCommand(person, env.CommandHash, j); err != nil {
		return nil, true, err
	}
	events, err = readEvents(stored)
	return events, true, err
}

// settleRefused looks up the commands of a batch that would add nothing: one that is in the log already
// gets its first answer and not the refusal that deciding it a second time gave.
func (w *writer) settleRefused(b *batch) error {
	var ask []*job
	for _, d := range b.decided {
		if d.addsNothing() {
			ask = append(ask, d.job)
		}
	}
	if len(ask) == 0 {
		return nil
	}
	found, err := w.lookUp(ask)
	if err != nil {
		return err
	}
	for _, d := range b.decided {
		if stored := found[d.job.id]; d.addsNothing() && len(stored) > 0 {
			d.events, d.repeat, d.err = firstAnswer(stored, d.job)
		}
	}
	return nil
}

// addsNothing tells whether a command was decided, for the first time as far as the writer knows, and
// gave no records.
func (d *decided) addsNothing() bool {
	_, refused := errors.AsType[*haccp.Refusal](d.err)
	return !d.repeat && len(d.events) == 0 && (d.err == nil || refused)
}

// failRefused answers with an error what could not be looked up.
func (b *batch) failRefused(err error) {
	for _, d := range b.decided {
		if d.addsNothing() {
			d.err = err
		}
	}
}

// repeatedBefore sorts out a batch that the store refused because an id is in the log already, and gives
// the jobs to decide again. Every call answers at least one job.
func (w *writer) repeatedBefore(b *batch, cause error, rest []*job) []*job {
	found, err := w.lookUp(b.jobs())
	if err != nil {
		return fail(b.jobs(), err, rest...)
	}
	var again []*job
	answered := 0
	for _, d := range b.decided {
		events, known, err := firstAnswer(found[d.job.id], d.job)
		if !known && err == nil {
			again = append(again, d.job)
			continue
		}
		answered++
		w.recent.add(d.job.id)
		if err == nil {
			w.site.metrics.repeated.Inc()
		}
		d.job.done <- answer{result: Result{Events: events, Repeated: true, Head: w.head}, err: err}
	}
	if answered == 0 {
		return w.recordedBefore(b, cause, rest)
	}
	return append(again, rest...)
}

// recordedBefore answers the commands of which a record, not the command itself, is in the log already.
func (w *writer) recordedBefore(b *batch, cause error, rest []*job) []*job {
	var again []*job
	answered := 0
	for _, d := range b.decided {
		known, err := w.holdsAny(d.events)
		switch {
		case err != nil:
			return fail(append(again, b.jobs()[len(again)+answered:]...), err, rest...)
		case known:
			answered++
			d.job.done <- answer{err: &haccp.Refusal{Kind: haccp.ErrConflict, Code: "recorded-already",
				Message: "what this command would record is in the log already"}}
		default:
			again = append(again, d.job)
		}
	}
	if answered == 0 {
		w.site.opt.Logger.Error("the store reports a doubled id that it does not hold", "error", cause)
		return fail(again, busy("the record log could not be written", cause), rest...)
	}
	return append(again, rest...)
}

func (w *writer) holdsAny(events []*haccp.Event) (bool, error) {
	ids := make([]record.UUID, 0, len(events))
	for _, e := range events {
		if u, err := record.ParseUUID(e.ID); err == nil {
			ids = append(ids, u)
		}
	}
	if len(ids) == 0 {
		return false, nil
	}
	found, err := w.site.opt.Log.ByID(w.ctx, ids)
	if err != nil {
		return false, busy("the record log could not be read", err)
	}
	return len(found) > 0, nil
}
