package api

import (
	"bufio"
	"context"
	"encoding/base64"
	"fmt"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
	"linewarden/internal/access"
	"linewarden/internal/api/tracing"
	"linewarden/internal/gate"
	"linewarden/internal/plant/lotbook"
	"linewarden/internal/report"
)

type exerciseStartIn struct {
	stamp
	tracing.Start
}

type exerciseEndIn struct {
	stamp
	signing
	Conclusion string `json:"conclusion" doc:"What the signer makes of it: gaps found, what is to be done about them."`
}

// follow traces a subject, reading from the log what the state has forgotten.
func (q *call) follow(x recall.Subject, way string) (*genealogy.Trace, error) {
	s := q.api.Site.View()
	if !genealogy.Known(s, x) {
		return nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "code", Code: "unknown-subject", Message: "nothing is recorded of " + x.Name()}
	}
	var f haccp.Facts
	if err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return genealogy.Needs(s, x, f) }); err != nil {
		return nil, err
	}
	return genealogy.Of(s, x, way, f, q.now), nil
}

func (q *call) traceAny() (tracing.Trace, error) {
	began := time.Now()
	kind, err := q.choice("kind", recall.Kinds()...)
	if err != nil {
		return tracing.Trace{}, err
	}
	way, err := q.choice("way", genealogy.Ways()...)
	if err != nil {
		return tracing.Trace{}, err
	}
	n, err := q.whole("number", 0, 0, 1<<52)
	if err != nil {
		return tracing.Trace{}, err
	}
	t, err := q.follow(recall.Subject{Kind: kind, Code: q.Query("code"), Number: n}, way)
	if err != nil {
		return tracing.Trace{}, err
	}
	return tracing.TraceOf(t, began), nil
}

func (q *call) startExercise(in *exerciseStartIn) (Answer, error) {
	c, err := q.command(haccp.AskExerciseStart, &in.stamp, &recall.Started{Reason: in.Reason, Subject: in.Subject()})
	return q.decided(c, err)
}

// exercise finds the exercise that the address names.
func (q *call) exercise() (*haccp.State, *recall.Exercise, error) {
	s := q.api.Site.View()
	x, ok := s.Exercise(q.param("id"))
	if !ok {
		return nil, nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "unknown-exercise", Message: "there is no such exercise"}
	}
	return s, x, nil
}

func (q *call) finishExercise(in *exerciseEndIn) (Answer, error) {
	s, x, err := q.exercise()
	if err != nil {
		return Answer{}, err
	}
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningExercise)
	if err != nil {
		return Answer{}, err
	}
	t, err := q.follow(x.Subject, genealogy.Both)
	if err != nil {
		return Answer{}, err
	}
	var roles []string
	if v, ok := s.PlanAt(q.now); ok {
		roles = v.Plan.Recall.Signers()
	}
	b := &haccp.ExerciseFinished{Finished: recall.Finished{Exercise: x.ID, Conclusion: in.Conclusion, Result: t.Result()}, Signature: sig}
	return q.decided(q.signed(haccp.AskExerciseFinish, &in.stamp, b, roles...))
}

func (q *call) getExercise() (tracing.Exercise, error) {
	s, x, err := q.exercise()
	if err != nil {
		return tracing.Exercise{}, err
	}
	out := tracing.ExerciseOf(s, x, headOf(q.api.Site.Head()), q.now)
	if x.Open() {
		t, err := q.follow(x.Subject, genealogy.Both)
		if err != nil {
			return out, err
		}
		r := t.Result()
		out.Now = &r
	}
	return out, nil
}

func (q *call) listExercises() (tracing.ExerciseList, error) {
	s, head := q.api.Site.View(), headOf(q.api.Site.Head())
	out := tracing.ExerciseList{Exercises: []tracing.Exercise{}, Due: s.ExerciseDue(q.now)}
	out.Overdue = !out.Due.IsZero() && q.now.After(out.Due)
	for _, x := range s.Exercises() {
		out.Exercises = append(out.Exercises, tracing.ExerciseOf(s, x, head, q.now))
	}
	return out, nil
}

func (q *call) recalls() (tracing.RecallList, error) {
	s := q.api.Site.View()
	out := tracing.RecallList{Caution: gate.Language(q.Ctx).Text("recall.caution")}
	if v, ok := s.PlanAt(q.now); ok {
		out.Instructions = v.Plan.Recall.Instructions
	}
	var err error
	only := q.Query("deviation")
	if out.Recalls, err = tracing.Recalls(q.gather, s, only); err == nil && only != "" && len(out.Recalls) == 0 {
		err = &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "deviation", Code: "unknown-case", Message: "there is no open deviation or nonconformity with this id"}
	}
	return out, err
}

// exportLots streams the key data elements of lots.
func (q *call) exportLots() error {
	form, err := q.choice("format", report.FormCSV, report.FormJSON)
	if err != nil {
		return err
	}
	a := lotbook.Asked{Lot: q.Query("lot"), First: q.Query("lot_from"), Until: q.Query("lot_to")}
	if a.From, err = q.when("from"); err != nil {
		return err
	}
	if a.To, err = q.when("to"); err != nil {
		return err
	}
	if !a.From.IsZero() && !a.To.IsZero() && !a.From.Before(a.To) {
		return q.refused("to", "bad-query", "to must be after from")
	}
	s, head := q.api.Site.View(), q.api.Site.Head()
	x := tracing.Export{Find: q.api.Site, Asked: a, Form: form, Head: report.Head{Site: s.Site.Site, Name: s.Site.Name, Demo: s.Site.Demo, Zone: s.Zone(), Made: q.now,
		Checkpoint: fmt.Sprintf("%d %s", head.Size, base64.StdEncoding.EncodeToString(head.Root[:])), Language: gate.Language(q.Ctx)}}
	n, err := x.Prepare(q.UserContext())
	if err != nil {
		return err
	}
	q.Set("Linewarden-Lots", strconv.Itoa(n))
	media := map[string]string{report.FormCSV: "text/csv; charset=utf-8", report.FormJSON: fiber.MIMEApplicationJSON}[form]
	q.Set(fiber.HeaderContentType, media)
	q.Set(fiber.HeaderContentDisposition, `attachment; filename="`+s.Site.Site+`-lots.`+form+`"`)
	logger := q.api.Logger
	q.Context().SetBodyStreamWriter(func(w *bufio.Writer) {
		if err := x.Write(context.Background(), w); err != nil {
			logger.Error("export of lots broke off", "error", err)
		}
	})
	return nil
}

// tracingRoutes lists what is asked and done about traces, exercises and recalls.
func (a *API) tracingRoutes() []route {
	export := get("/export/lots", "Key data elements of lots (21 CFR 1 subpart S), a row an event, sorted by lot, date and location. Linewarden-Lots tells how many lots there are.",
		access.ExportRecords, func(*call) (tracing.LotRows, error) { return tracing.LotRows{}, nil },
		query{name: "format", enum: []string{report.FormCSV, report.FormJSON}, doc: "Left out: csv."},
		query{name: "from", kind: "time", doc: "Events from this time on."}, query{name: "to", kind: "time", doc: "Events before this time."},
		query{name: "lot", doc: "This lot only."}, query{name: "lot_from", doc: "Lots from this code on, as texts compare."}, query{name: "lot_to", doc: "Lots up to this code."}).
		answering("text/csv")
	export.run = func(q *call) error { return q.exportLots() }
	return []route{
		get("/trace", "Product followed from a lot, a box or a lot of a material: nodes and links, with the balance of mass.", access.ReadRecords, (*call).traceAny,
			query{name: "kind", enum: recall.Kinds(), doc: "What the code is of; left out: lot."}, query{name: "code", doc: "Of the lot or of the lot of a material; of a box what stands before its number."},
			query{name: "number", kind: "integer", doc: "Of a box."}, query{name: "way", enum: genealogy.Ways(), doc: "Left out: both."}),
		get("/exercises", "Traceability exercises, the latest first.", access.ReadRecords, (*call).listExercises),
		get("/exercises/:id", "One traceability exercise; an open one with what the records say now.", access.ReadRecords, (*call).getExercise),
		post("/exercises", "Start a traceability exercise. Its time runs until its end is signed.", (*call).startExercise),
		post("/exercises/:id/finish", "Sign the end of a traceability exercise. What was found is worked out and recorded with it.", (*call).finishExercise),
		get("/recalls", "Released and shipped product that deviations affect: lots, boxes, consignees, documents and masses, and since when it is known.", access.ReadRecords,
			(*call).recalls, query{name: "deviation", doc: "Of this case only."}),
		export,
	}
}
