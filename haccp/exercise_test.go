package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
)

// exercisesRefused reaches what is refused about exercises. Every command is folded again and compared.
func exercisesRefused(t *testing.T) {
	w := running(t, lotPlan)
	w.receive("A")
	start := func(s recall.Subject) *recall.Started { return &recall.Started{Reason: "planned", Subject: s} }
	ask := func(kind string, by haccp.Actor, body any, of error, code, field string) {
		t.Helper()
		holdRefusal(t, w, refusalCase{code, field, of, func(w *world) *haccp.Command { return w.command(kind, by, body) }})
	}
	ask(haccp.AskExerciseStart, mara, start(recall.Subject{Kind: "pallet", Code: "A"}), haccp.ErrInvalid, "bad-subject", "subject.kind")
	ask(haccp.AskExerciseStart, mara, start(recall.Subject{Kind: recall.FromLot, Code: "none"}), haccp.ErrNotFound, "unknown-subject", "subject")
	ask(haccp.AskExerciseStart, mara, start(recall.Subject{Kind: recall.FromBox, Code: "X"}), haccp.ErrNotFound, "unknown-subject", "subject")
	ask(haccp.AskExerciseStart, mara, start(recall.Subject{Kind: recall.FromMaterial, Code: "none"}), haccp.ErrNotFound, "unknown-subject", "subject")
	events := w.must(haccp.AskExerciseStart, mara, start(recall.Subject{Kind: recall.FromLot, Code: "A"}))
	id := events[0].Body.(*recall.Started).Exercise
	w.at(37 * time.Minute)
	x, _ := w.state.Exercise(id)
	result := genealogy.Of(w.state, x.Subject, genealogy.Both, haccp.Facts{}, w.now).Result()
	finish := func(id string, change func(*haccp.ExerciseFinished)) *haccp.ExerciseFinished {
		b := &haccp.ExerciseFinished{Finished: recall.Finished{Exercise: id, Conclusion: "all found", Result: result}, Signature: w.signature(haccp.MeaningExercise)}
		change(b)
		return b
	}
	same := func(*haccp.ExerciseFinished) {}
	ask(haccp.AskExerciseFinish, mara, finish("none", same), haccp.ErrNotFound, "unknown-exercise", "exercise")
	ask(haccp.AskExerciseFinish, mara, finish(id, func(b *haccp.ExerciseFinished) { b.Result.Balance.In = recall.Kilograms(7) }), haccp.ErrInvalid, "bad-result", "result")
	done := w.must(haccp.AskExerciseFinish, mara, finish(id, same))[0].Body.(*haccp.ExerciseFinished)
	if done.TookMS < (37 * time.Minute).Milliseconds() {
		t.Errorf("it took %d ms", done.TookMS)
	}
	ask(haccp.AskExerciseFinish, mara, finish(id, same), haccp.ErrConflict, "finished-already", "exercise")
}
