package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/lot/recall"
	"linewarden/haccp/plan"
)

// Traceability exercises (package recall). Both records carry "exercise:ID" and "exercises" among their keys.
const (
	KindExerciseStarted  = "exercise.started"
	KindExerciseFinished = "exercise.finished" // signed

	AskExerciseStart  = "exercise.start"  // *recall.Started, without id
	AskExerciseFinish = "exercise.finish" // *ExerciseFinished

	MeaningExercise = "exercise-finished"
)

// ExerciseFinished is the body of the signed end of an exercise. Its result is worked out by the service, from the log up
// to a size that is not below that of the signature's head.
type ExerciseFinished struct {
	recall.Finished
	Signature Signature `json:"signature"`
}

// Exercises lists the exercises that the state holds, the latest first.
func (s *State) Exercises() []*recall.Exercise {
	var out []*recall.Exercise
	for _, x := range s.exercises.all() {
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b *recall.Exercise) int { return int(b.Seq - a.Seq) })
	return out
}

// Exercise returns an exercise that the state holds.
func (s *State) Exercise(id string) (*recall.Exercise, bool) { return s.exercises.get(id) }

func aboutExercise(id string) []string { return []string{"exercises", "exercise:" + id} }

// exerciseStart decides the start of an exercise. Its time is the server's, so that the clock cannot be set back.
func (d *deciding) exerciseStart(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*recall.Started)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := firstOf(wanted("reason", ask.Reason), d.checkSubject(ask.Subject)); err != nil {
		return err
	}
	b := &recall.Started{Exercise: RecordID(d.cmd.ID, d.ordinal), Reason: ask.Reason, Subject: ask.Subject}
	return d.emit(&Event{Kind: KindExerciseStarted, At: d.now, AtKnown: AtServer, About: aboutExercise(b.Exercise), Body: b})
}

// checkSubject refuses what nothing is recorded of.
func (d *deciding) checkSubject(x recall.Subject) error {
	known := false
	switch x.Kind {
	case recall.FromLot:
		known = d.KnowsLot(x.Code)
	case recall.FromBox:
		if known = x.Number >= 1; known {
			known = len(d.LotsOfBox(x.Code, x.Number)) > 0
		}
	case recall.FromMaterial:
		_, known = d.materials.get(x.Code)
	default:
		return invalid("subject.kind", "bad-subject", "an exercise begins with a lot, a box or a lot of a material (lot, box, material)")
	}
	if !known {
		return refuse(ErrNotFound, "subject", "unknown-subject", "nothing is recorded of %s", x.Name())
	}
	return nil
}

// exerciseFinish decides the signed end of an exercise.
func (d *deciding) exerciseFinish(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*ExerciseFinished)
	if !ok {
		return wrongAsk(d.cmd)
	}
	x, known := d.exercises.get(ask.Exercise)
	switch {
	case !known:
		return refuse(ErrNotFound, "exercise", "unknown-exercise", "there is no such exercise")
	case !x.Open():
		return refuse(ErrConflict, "exercise", "finished-already", "this exercise is finished already")
	}
	if err := d.checkSignature(&ask.Signature, MeaningExercise); err != nil {
		return err
	}
	p := &plan.Plan{}
	if v := d.versionAt(d.now); v != nil {
		p = v.Plan
	}
	if err := firstOf(d.checkRoleFor(p.Recall.Signers()), wanted("conclusion", ask.Conclusion)); err != nil {
		return err
	}
	for _, code := range ask.Result.Lots {
		if l, ok := d.lots.get(code); ok && l.Touched > ask.Signature.Head.Size {
			return refuse(ErrConflict, "signature.head", "changed-since", "this lot changed since you looked (record %d): look again before you sign", l.Touched)
		}
	}
	if err := ask.Result.Balance.Check(); err != nil {
		return invalid("result", "bad-result", "%s", err.Error())
	}
	body := *ask
	body.TookMS = d.now.Sub(x.Started).Milliseconds()
	var err error
	if body.Signature, err = d.covered(&ask.Signature, []int64{x.Seq}); err != nil {
		return err
	}
	return d.emit(&Event{Kind: KindExerciseFinished, At: d.now, AtKnown: AtServer, About: aboutExercise(x.ID), Body: &body})
}

// exerciseNeeds asks for what the signature of an exercise is held against, and for the leaf it relies on.
func (s *State) exerciseNeeds(ask *ExerciseFinished, f Facts) Need {
	need := signatureNeeds(&ask.Signature, f)
	if x, ok := s.exercises.get(ask.Exercise); ok {
		need = merge(need, leafNeeds([]int64{x.Seq}, ask.Signature.Head.Size, f))
	}
	return need
}

// foldExercise folds a record about an exercise.
func (s *State) foldExercise(e *Event) {
	switch b := e.Body.(type) {
	case *recall.Started:
		var gone []string
		for id, x := range s.exercises.all() {
			if x.Faded(e.At) {
				gone = append(gone, id)
			}
		}
		for _, id := range gone {
			s.exercises.delete(id)
		}
		s.exercises.set(b.Exercise, &recall.Exercise{ID: b.Exercise, Seq: e.Seq, Started: e.At, By: e.By.Name, Reason: b.Reason, Subject: b.Subject})
	case *ExerciseFinished:
		if x, ok := s.exercises.get(b.Exercise); ok {
			next := *x
			next.End = &recall.End{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.Name, Role: e.By.Role, Conclusion: b.Conclusion, TookMS: b.TookMS, Result: b.Result}
			s.exercises.set(x.ID, &next)
		}
	}
}

// ExerciseDue is when the plan's next exercise is due: its interval after the last that was finished, else after the first
// plan was signed; zero where the plan asks for none.
func (s *State) ExerciseDue(now time.Time) time.Time {
	v := s.versionAt(now)
	if v == nil || v.Plan.Recall.Every.IsZero() {
		return time.Time{}
	}
	last := s.Planned
	for _, x := range s.Exercises() {
		if x.End != nil {
			last = latest(last, x.End.At)
		}
	}
	return last.Add(v.Plan.Recall.Every.Std())
}
