package tracing

import (
	"slices"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
	"linewarden/internal/web/frame"
	"linewarden/internal/wording"
)

// ExercisesPage lists exercises.
type ExercisesPage struct {
	*frame.Frame
	Rows    []ExerciseRow
	Due     string
	Overdue bool
	May     bool
}

// ExerciseRow is an exercise in the list.
type ExerciseRow struct {
	Path, Name, Reason, When, Took, Share, By, Mark, Word string
}

// ExercisePage is an exercise, open or finished.
type ExercisePage struct {
	*frame.Frame
	Form       frame.Form
	Row        ExerciseRow
	ID, Trace  string
	Allowed    string
	Late       bool
	Numbers    []frame.What
	Caveats    []string
	Conclusion string
	Signed     string
	Record     string
	Sign       *frame.Signing
	Open       bool
}

func rowOf(f *frame.Frame, x *recall.Exercise) ExerciseRow {
	r := ExerciseRow{Path: "/exercises/" + x.ID, Name: f.T("trace.title-"+x.Subject.Kind, "name", x.Subject.Name()), Reason: x.Reason, When: f.At(x.Started), By: x.By,
		Took: wording.Span(x.Took(f.Now)), Mark: "open", Word: f.T("exercise.open")}
	if x.End != nil {
		r.Mark, r.Word = "closed", f.T("exercise.finished")
		r.Share = shareText(f, &x.End.Result.Balance)
	}
	return r
}

func shareText(f *frame.Frame, b *recall.Balance) string {
	if b.Share == "" {
		return f.T("exercise.no-share")
	}
	return f.T("exercise.share-of", "share", b.Share, "in", b.In.String())
}

func (t *Tracing) exerciseList(c *fiber.Ctx, f *frame.Frame) error {
	p := &ExercisesPage{Frame: f, May: f.May(haccp.AskExerciseStart)}
	if due := f.State.ExerciseDue(f.Now); !due.IsZero() {
		p.Due, p.Overdue = f.At(due), f.Now.After(due)
	}
	for _, x := range f.State.Exercises() {
		p.Rows = append(p.Rows, rowOf(f, x))
	}
	return t.Pages.Show(c, fiber.StatusOK, "exercises", f.T("exercise.title"), p)
}

func (t *Tracing) exerciseForm(c *fiber.Ctx, f *frame.Frame) error {
	if !f.May(haccp.AskExerciseStart) {
		return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	p := newDoor(c, f)
	p.Start = true
	return t.Pages.Show(c, fiber.StatusOK, "tracedoor", f.T("exercise.start"), p)
}

func (t *Tracing) exerciseStart(c *fiber.Ctx, f *frame.Frame) error {
	p := newDoor(c, f)
	p.Start, p.Form, p.Reason = true, frame.ReadForm(c), strings.TrimSpace(c.FormValue("reason"))
	x, err := subjectOf(f, p.Kind, p.Code, p.Number)
	if err == nil {
		var made string
		r, aerr := t.Commands.Ask(c, f, &p.Form, haccp.AskExerciseStart, &recall.Started{Reason: p.Reason, Subject: x})
		if err = aerr; err == nil {
			if b, ok := r.Events[0].Body.(*recall.Started); ok {
				made = b.Exercise
			}
			return t.Pages.Redirect(c, "/exercises/"+made)
		}
	}
	status := t.Pages.Refused(c, f, &p.Form, err, map[string]string{"reason": "reason", "subject": "code", "number": "number"})
	return t.Pages.Show(c, status, "tracedoor", f.T("exercise.start"), p)
}

// newExercisePage shows an exercise; an open one with what the records say now, and with the signature for who may.
func (t *Tracing) newExercisePage(c *fiber.Ctx, f *frame.Frame) (*ExercisePage, *recall.Exercise, *recall.Result, error) {
	x, ok := f.State.Exercise(c.Params("id"))
	if !ok {
		return nil, nil, nil, noPage(f)
	}
	p := &ExercisePage{Frame: f, Form: frame.NewForm(), Row: rowOf(f, x), ID: x.ID, Trace: pathOf(x.Subject, ""), Open: x.Open()}
	roles := []string{haccp.RoleManager}
	if f.Plan != nil {
		roles = f.Plan.Recall.Signers()
		if w := f.Plan.Recall.Within; !w.IsZero() {
			p.Allowed, p.Late = w.String(), x.Took(f.Now) > w.Std()
		}
	}
	if x.End != nil {
		p.Conclusion, p.Record = x.End.Conclusion, x.End.ID
		p.Signed = f.At(x.End.At) + ", " + x.End.By + ", " + f.Word("role", x.End.Role)
		p.Numbers, p.Caveats = numbers(f, &x.End.Result), caveats(f, &x.End.Result)
		return p, x, &x.End.Result, nil
	}
	tr, err := t.follow(c, f, x.Subject, genealogy.Both)
	if err != nil {
		return nil, nil, nil, err
	}
	r := tr.Result()
	p.Numbers, p.Caveats = numbers(f, &r), caveats(f, &r)
	if slices.ContainsFunc(f.Roles, func(role string) bool { return f.State.May(role, haccp.AskExerciseFinish, f.Now) }) {
		p.Sign = t.Commands.Signing(f, f.T("say."+haccp.MeaningExercise, "name", p.Row.Name, "share", shareText(f, &r.Balance)), roles...)
	}
	return p, x, &r, nil
}

func (t *Tracing) exerciseShow(c *fiber.Ctx, f *frame.Frame) error {
	p, _, _, err := t.newExercisePage(c, f)
	if err != nil {
		return err
	}
	return t.Pages.Show(c, fiber.StatusOK, "exercise", f.T("exercise.one"), p)
}

func (t *Tracing) exerciseFinish(c *fiber.Ctx, f *frame.Frame) error {
	p, x, r, err := t.newExercisePage(c, f)
	if err != nil {
		return err
	}
	if p.Sign == nil {
		return t.Pages.Redirect(c, p.Row.Path)
	}
	p.Form, p.Conclusion = frame.ReadForm(c), strings.TrimSpace(c.FormValue("conclusion"))
	err = t.Commands.Signed(c, f, &p.Form, p.Sign, haccp.MeaningExercise, haccp.AskExerciseFinish, func(g haccp.Signature) any {
		return &haccp.ExerciseFinished{Finished: recall.Finished{Exercise: x.ID, Conclusion: p.Conclusion, Result: *r}, Signature: g}
	})
	if err != nil {
		status := t.Pages.Refused(c, f, &p.Form, err, map[string]string{"password": "password", "conclusion": "conclusion"})
		p.Sign.Wrong = p.Form.Wrong["password"]
		return t.Pages.Show(c, status, "exercise", f.T("exercise.one"), p)
	}
	return t.Pages.Redirect(c, p.Row.Path)
}

// numbers words what a trace came upon.
func numbers(f *frame.Frame, r *recall.Result) []frame.What {
	var out []frame.What
	add := func(key, text string) {
		if text != "" {
			out = append(out, frame.What{What: f.T(key), Text: text})
		}
	}
	add("exercise.share", shareText(f, &r.Balance))
	b := &r.Balance
	add("exercise.in", b.In.String())
	for _, what := range []string{"shipped", "trim", "waste", "sample", "destroyed", "diverted"} {
		if v, ok := b.Removed[what]; ok {
			add("exercise.removed-"+what, v.String())
		}
	}
	add("exercise.counted", b.Counted.String())
	add("exercise.uncounted", b.Uncounted.String())
	add("exercise.unexplained", f.T("exercise.unexplained-of", "unexplained", b.Unexplained.String(), "astray", b.Astray.String()))
	if m := r.Material; m != nil {
		add("exercise.material", f.T("exercise.material-of", "received", m.Received, "used", m.Used, "adjusted", m.Adjusted, "left", m.Left, "unit", f.Unit(m.Unit)))
	}
	back := r.Backward
	text := f.T("exercise.backward-of", "lots", f.Count("lots", back.Lots), "people", f.Count("people", back.People), "instruments", f.Count("instruments", back.Instruments))
	add("exercise.backward", text)
	add("exercise.field-lots", strings.Join(back.FieldLots, ", "))
	add("exercise.sources", strings.Join(back.Sources, ", "))
	add("exercise.materials", strings.Join(back.Materials, ", "))
	add("exercise.forward", f.T("exercise.forward-of", "lots", f.Count("lots", r.Forward.Lots), "boxes", f.Count("boxes", r.Forward.Boxes), "shipments", f.Count("shipments", r.Forward.Shipments)))
	for _, x := range r.Forward.Consignees {
		out = append(out, frame.What{What: x.Name, Text: f.T("exercise.consignee-of", "boxes", f.Count("boxes", x.Boxes), "mass", x.Mass.String(), "shipments", f.Count("shipments", x.Shipments))})
	}
	return out
}

// caveats words what makes the numbers say less than they seem to.
func caveats(f *frame.Frame, r *recall.Result) []string {
	var out []string
	if n := r.Balance.Unweighed; n > 0 {
		out = append(out, f.T("exercise.unweighed", "count", strconv.FormatInt(n, 10)))
	}
	if len(r.Backward.Unknown) > 0 {
		out = append(out, f.T("exercise.unknown", "lots", strings.Join(r.Backward.Unknown, ", ")))
	}
	if m := r.Material; m != nil && m.Unmeasured > 0 {
		out = append(out, f.T("exercise.unmeasured", "count", strconv.FormatInt(m.Unmeasured, 10)))
	}
	return out
}
