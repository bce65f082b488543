package haccp_test

import (
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// refusalCodes reads the codes of all refusals from the source of the package.
func refusalCodes(t *testing.T) []string {
	t.Helper()
	codes := map[string]bool{}
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		tree, err := parser.ParseFile(token.NewFileSet(), f.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			if code, ok := codeOf(n); ok {
				codes[code] = true
			}
			return true
		})
	}
	if len(codes) < 50 {
		t.Fatalf("only %d codes found: the source is read wrongly", len(codes))
	}
	return slices.Sorted(maps.Keys(codes))
}

// codeOf returns the code of a call of refuse or invalid.
func codeOf(n ast.Node) (string, bool) {
	call, ok := n.(*ast.CallExpr)
	if !ok {
		return "", false
	}
	name, ok := call.Fun.(*ast.Ident)
	if !ok {
		return "", false
	}
	at, ok := map[string]int{"refuse": 2, "invalid": 1}[name.Name]
	if !ok || len(call.Args) <= at {
		return "", false
	}
	lit, ok := call.Args[at].(*ast.BasicLit)
	if !ok {
		return "", false
	}
	code, err := strconv.Unquote(lit.Value)
	return code, err == nil
}

// refusalCase is one command that is refused.
type refusalCase struct {
	code, field string
	kind        error
	give        func(w *world) *haccp.Command
}

// breached is a running world with one deviation: breach, fix, and a re-test that ended it.
func breached(t testing.TB) (*world, *haccp.Deviation) {
	w := running(t)
	w.at(30 * time.Minute)
	id := w.must(haccp.KindReading, tina, bathTest("bath-1", "98", "6.80"))[1].Body.(*haccp.DeviationOpened).Deviation
	w.at(time.Minute)
	w.must(haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite", Deviation: id})
	w.at(10 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	return w, caseOf(w, id)
}

func caseOf(w *world, id string) *haccp.Deviation {
	w.t.Helper()
	d, ok := w.state.Case(id)
	if !ok {
		w.t.Fatalf("no case %s", id)
	}
	return d
}

// first is the oldest case of a world.
func (w *world) first() *haccp.Deviation {
	for _, e := range w.events {
		if b, ok := e.Body.(*haccp.DeviationOpened); ok {
			return caseOf(w, b.Deviation)
		}
	}
	w.t.Fatal("no case")
	return nil
}

func (w *world) partOf(by haccp.Actor, part string, change func(*haccp.DeviationSigned)) *haccp.Command {
	b := haccp.DeviationSigned{Deviation: w.first().Deviation, Part: part, Signature: w.signature(part), Restored: "dosed", Cause: "pump", Action: "check it",
		Product: &haccp.Product{Evidence: "no product ran"}}
	if change != nil {
		change(&b)
	}
	return w.command(haccp.AskSignPart, by, &haccp.SignPart{DeviationSigned: b})
}

// close signs all parts of the first case.
func (w *world) close() {
	for _, part := range []string{plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Closed} {
		if _, err := w.try(w.partOf(mara, part, nil)); err != nil {
			w.t.Fatal(part, err)
		}
	}
}

// lastOf is the id of the newest record of a kind.
func (w *world) lastOf(kind string) string {
	for _, e := range slices.Backward(w.events) {
		if e.Kind == kind {
			return e.ID
		}
	}
	w.t.Fatalf("no record %s", kind)
	return ""
}

func (w *world) signed(meaning string) *haccp.Signature {
	g := w.signature(meaning)
	return &g
}

func (w *world) amendment(by haccp.Actor, cl string, change func(*haccp.Amend)) *haccp.Command {
	a := &haccp.Amend{Target: w.lastOf(haccp.KindReading), Reason: "misread", New: bathTest("bath-1", cl, "6.80")}
	if change != nil {
		change(a)
	}
	return w.command(haccp.AskAmend, by, a)
}

func readingWith(change func(*haccp.Reading)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command {
		r := bathTest("bath-1", "124", "6.80")
		change(r)
		return w.command(haccp.KindReading, tina, r)
	}
}

func commandWith(change func(*haccp.Command)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command {
		c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
		change(c)
		return c
	}
}

func report(kind string, by haccp.Actor, ask any) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command { return w.command(kind, by, ask) }
}

func change(what string, b haccp.PersonBody) func(*world) *haccp.Command {
	return report(haccp.AskPerson, console, &haccp.PersonChange{Change: what, PersonBody: b})
}

func withPart(by haccp.Actor, part string, f func(*haccp.DeviationSigned)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command { return w.partOf(by, part, f) }
}

func planWith(f func(*world, *haccp.SignPlan)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command {
		ask := &haccp.SignPlan{Plan: demoPlan(w.t), Reason: "better", Source: "y", Signature: w.signature(haccp.MeaningPlan)}
		f(w, ask)
		return w.command(haccp.AskSignPlan, mara, ask)
	}
}

func importWith(f func(*world, *haccp.Import)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command {
		ask := &haccp.Import{Check: "bath-test", Place: "bath-1", File: strings.Repeat("0", 64), Rows: []haccp.ImportRow{
			{At: w.now, Occurrence: 1, Row: 2, Values: []haccp.ImportValue{{Quantity: "free_chlorine", Value: value("124", "mg/L")}}}}}
		f(w, ask)
		return w.command(haccp.AskImport, mara, ask)
	}
}

func typedReading(w *world) string {
	c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	c.AtKnown = haccp.AtTyped
	if _, err := w.try(c); err != nil {
		w.t.Fatal(err)
	}
	return w.lastOf(haccp.KindReading)
}

func accepting(by haccp.Actor, f func(*world, *haccp.AcceptTime)) func(*world) *haccp.Command {
	return func(w *world) *haccp.Command {
		a := &haccp.AcceptTime{Target: typedReading(w), Reason: "seen on paper"}
		a.Signature = w.signature(haccp.MeaningTime)
		if f != nil {
			f(w, a)
		}
		return w.command(haccp.AskAcceptTime, by, a)
	}
}

var (
	invalidForm = haccp.ErrInvalid
	conflict    = haccp.ErrConflict
	forbidden   = haccp.ErrForbidden
	notFound    = haccp.ErrNotFound
)

var long = strings.Repeat("x", 5000)

// formRefusals are refusals of a command for its form.
var formRefusals = []refusalCase{
	{"no-id", "id", invalidForm, commandWith(func(c *haccp.Command) { c.ID = "" })},
	{"no-time", "at", invalidForm, commandWith(func(c *haccp.Command) { c.At = time.Time{} })},
	{"in-future", "at", invalidForm, commandWith(func(c *haccp.Command) { c.At = c.At.Add(121 * time.Second) })},
	{"bad-until", "until", invalidForm, commandWith(func(c *haccp.Command) { c.Until = c.At.Add(-time.Second) })},
	{"bad-at-known", "at_known", invalidForm, commandWith(func(c *haccp.Command) { c.AtKnown = haccp.AtImported })},
	{"too-long", "late_reason", invalidForm, commandWith(func(c *haccp.Command) { c.LateReason = long })},
	{"bad-code", "device.id", invalidForm, commandWith(func(c *haccp.Command) { c.Device = &haccp.Device{} })},
	{"unknown-kind", "kind", invalidForm, commandWith(func(c *haccp.Command) { c.Kind = "nothing" })},
	{"wrong-body", "body", invalidForm, commandWith(func(c *haccp.Command) { c.Ask = &haccp.Note{} })},
	{"unknown-check", "check", invalidForm, readingWith(func(r *haccp.Reading) { r.Check = "nope" })},
	{"unknown-place", "place", invalidForm, readingWith(func(r *haccp.Reading) { r.Place = "filler" })},
	{"bad-mode", "mode", invalidForm, readingWith(func(r *haccp.Reading) { r.Mode = "" })},
	{"bad-entries", "entries", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries = nil })},
	{"unknown-quantity", "entries[0].quantity", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Quantity = "luck" })},
	{"not-measured", "entries[0].quantity", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Quantity = "orp" })},
	{"twice", "entries[1].quantity", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[1] = r.Entries[0] })},
	{"twice", "lots[1]", invalidForm, readingWith(func(r *haccp.Reading) { r.Lots = []string{"L1", "L1"} })},
	{"too-many", "lots", invalidForm, readingWith(func(r *haccp.Reading) { r.Lots = make([]string, 51) })},
	{"bad-code", "lots[0]", invalidForm, readingWith(func(r *haccp.Reading) { r.Lots = []string{"a\nb"} })},
	{"bad-code", "filling", invalidForm, readingWith(func(r *haccp.Reading) { r.Filling = long })},
	{"bad-code", "entries[0].method", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Method = "a\nb" })},
	{"bad-code", "entries[0].reagent.lot", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Reagent = &haccp.Reagent{} })},
	{"computed-here", "entries[0].value", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Formula = "dilution/1" })},
	{"computed-here", "from", invalidForm, readingWith(func(r *haccp.Reading) { r.From = &haccp.ImportedFrom{} })},
	{"bad-dilution", "entries[0].dilution", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Dilution = &haccp.Dilution{Sample: 2, Total: 1} })},
	{"bad-basis", "entries[0].as", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].As = "Cl" })},
	{"bad-basis", "entries[0].as", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].As = "NaOCl" })},
	{"bad-id", "repeats", invalidForm, readingWith(func(r *haccp.Reading) { r.Repeats = "1" })},
	{"bad-span", "span", invalidForm, readingWith(func(r *haccp.Reading) { r.Span = &haccp.ReadingSpan{} })},
	{"too-long", "note", invalidForm, readingWith(func(r *haccp.Reading) { r.Note = long })},
	{"outside-physical-range", "entries[1].read.value", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[1].Read = value("40", "pH") })},
	{"outside-physical-range", "entries[0].read.value", invalidForm, readingWith(func(r *haccp.Reading) {
		r.Entries[0].Read, r.Entries[0].Dilution = value("99999", "mg/L"), &haccp.Dilution{Sample: 1, Total: 10000}
	})},
	{"unknown-unit", "entries[0].read.unit", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Read = value("40", "NTU") })},
	{"bad-value", "entries[0].read.low", invalidForm, readingWith(func(r *haccp.Reading) {
		r.Entries[0].Read = quantity.Band(quantity.MustDecimal("9"), quantity.MustDecimal("5"), "mg/L")
	})},
	{"wrong-kind", "entries[0].read", invalidForm, readingWith(func(r *haccp.Reading) { r.Entries[0].Read = quantity.Answer(true) })},
	{"not-a-bath", "place", invalidForm, report(haccp.KindDrained, lea, &haccp.Bath{Place: "filler"})},
	{"unknown-place", "place", invalidForm, report(haccp.KindDrained, lea, &haccp.Bath{Place: "moon"})},
	{"missing", "amount", invalidForm, report(haccp.KindAdded, lea, &haccp.Bath{Place: "bath-1"})},
	{"unknown-unit", "level.unit", invalidForm, report(haccp.KindFilled, lea, &haccp.Bath{Place: "bath-1", Water: "town", Level: new(value("1", "kg"))})},
	{"missing", "water", invalidForm, report(haccp.KindFilled, lea, &haccp.Bath{Place: "bath-1"})},
	{"missing", "level", invalidForm, report(haccp.KindFilled, lea, &haccp.Bath{Place: "bath-1", Water: "town"})},
	{"missing", "reason", invalidForm, report(haccp.KindOutOfService, lea, &haccp.Bath{Place: "bath-1"})},
	{"too-many", "first", invalidForm, report(haccp.KindFilled, lea, &haccp.Bath{Place: "bath-1", First: make([]haccp.BathDose, 25)})},
	{"bad-code", "first[0].chemical", invalidForm, report(haccp.KindFilled, lea, &haccp.Bath{Place: "bath-1", First: []haccp.BathDose{{Amount: value("1", "kg")}}})},
	{"unknown-line", "line", invalidForm, report(haccp.KindCleanBreak, lea, &haccp.CleanBreak{Line: "line-9"})},
	{"unknown-place", "places[0]", invalidForm, report(haccp.KindCleanBreak, lea, &haccp.CleanBreak{Line: "line-1", Places: []string{"moon"}})},
	{"unknown-line", "line", invalidForm, report(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-9", Reason: "x"})},
	{"missing", "reason", invalidForm, report(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1"})},
	{"unknown-place", "product_in_baths[0]", invalidForm, report(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "x", ProductInBaths: []string{"moon"}})},
	{"unknown-line", "line", invalidForm, report(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-9"})},
	{"too-many", "pre_op", invalidForm, report(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1", PreOp: make([]haccp.PreOp, 501)})},
	{"bad-code", "pre_op[0].item", invalidForm, report(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1", PreOp: make([]haccp.PreOp, 1)})},
	{"unknown-point", "point", invalidForm, report(haccp.KindFixDone, lea, &haccp.FixDone{Point: "luck"})},
	{"unknown-place", "place", invalidForm, report(haccp.KindFixDone, lea, &haccp.FixDone{Point: "wash-chlorine", Place: "filler"})},
	{"bad-code", "fix", invalidForm, report(haccp.KindFixDone, lea, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1"})},
	{"missing", "note", invalidForm, report(haccp.KindFixDone, lea, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "other"})},
	{"missing", "text", invalidForm, report(haccp.KindNote, lea, &haccp.Note{Text: " "})},
	{"too-long", "text", invalidForm, report(haccp.KindNote, lea, &haccp.Note{Text: long})},
	{"unknown-place", "place", invalidForm, report(haccp.KindNote, lea, &haccp.Note{Text: "x", Place: "moon"})},
	{"too-many", "rows", invalidForm, importWith(func(_ *world, i *haccp.Import) { i.Rows = make([]haccp.ImportRow, haccp.MaxImportRows+1) })},
	{"bad-hash", "file", invalidForm, importWith(func(_ *world, i *haccp.Import) { i.File = "x" })},
	{"bad-row", "rows[0]", invalidForm, importWith(func(_ *world, i *haccp.Import) { i.Rows[0].Occurrence = 0 })},
	{"in-future", "rows[0].at", invalidForm, importWith(func(w *world, i *haccp.Import) { i.Rows[0].At = w.now.Add(time.Hour) })},
	{"unknown-unit", "rows[0].values[0].value.unit", invalidForm, importWith(func(_ *world, i *haccp.Import) { i.Rows[0].Values[0].Value = value("1", "NTU") })},
	{"too-many-records", "rows", invalidForm, importWith(manyCases)},
}

// manyCases makes rows that are outside at three points in turn: more cases than one command may open.
func manyCases(w *world, i *haccp.Import) {
	i.Rows = nil
	for n := range haccp.MaxImportRows {
		i.Rows = append(i.Rows, haccp.ImportRow{At: w.now.Add(time.Duration(n-200) * time.Minute), Occurrence: 1, Row: int64(n + 1),
			Values: []haccp.ImportValue{{Quantity: "free_chlorine", Value: value([]string{"10", "124"}[n%2], "mg/L")}}})
	}
}

// formsRefused gives commands that are not well formed.
func formsRefused(t *testing.T) {
	w := newWorld(t, func(p *plan.Plan) {
		// Three points hang on the bath's chlorine, so that one import may open many cases.
		for _, id := range []string{"bath-water", "contact-time"} {
			for i := range p.Points {
				if p.Points[i].ID == id {
					p.Points[i].Limits = append(p.Points[i].Limits, plan.Limit{ID: "cl", Kind: plan.Action, Quantity: "free_chlorine", Min: amountOf("50", "mg/L")})
				}
			}
		}
		p.Checks[0].Points = append(p.Checks[0].Points, "contact-time")
	})
	for _, x := range formRefusals {
		holdRefusal(t, w, x)
	}
}

// holdRefusal gives a command that must be refused, and holds the refusal against what it must say.
func holdRefusal(t *testing.T, w *world, x refusalCase) {
	t.Helper()
	c := x.give(w)
	before, err := w.state.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.try(c)
	var r *haccp.Refusal
	if !errors.As(err, &r) {
		t.Errorf("%s (%s): not refused: %v", x.code, x.field, err)
		return
	}
	reached[r.Code]++
	if r.Code != x.code || r.Field != x.field || !errors.Is(err, x.kind) {
		t.Errorf("%s (%s): refused as %s (%s), %v: %s", x.code, x.field, r.Code, r.Field, r.Kind, r.Message)
	}
	if after, err := w.state.Snapshot(); err != nil || !slices.Equal(before, after) {
		t.Errorf("%s: a refused command changed the state (%v)", x.code, err)
	}
	if len(strings.Fields(r.Message)) < 4 || strings.Contains(r.Message, "%!") || strings.Contains(r.Message, "haccp.") {
		t.Errorf("%s: %q does not say what is wrong", r.Code, r.Message)
	}
	if !isField(c, r.Field) {
		t.Errorf("%s: the command %s has no field %q", r.Code, c.Kind, r.Field)
	}
}

// isField reports whether a path such as "entries[0].read.value" leads to a member of a command as JSON.
func isField(c *haccp.Command, path string) bool {
	name, rest, _ := strings.Cut(path, ".")
	if slices.Contains([]string{"", "id", "kind", "at", "at_known", "until", "late_reason", "body"}, name) {
		return true
	}
	if name == "device" && rest == "id" && c.Device != nil {
		return true
	}
	if v, ok := c.Ask.(*haccp.Void); ok && name == "new" {
		return v.New != nil && isField(v.New, rest)
	}
	return hasPath(reflect.ValueOf(c.Ask), path)
}

func hasPath(v reflect.Value, path string) bool {
	for v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface {
		if v.IsNil() {
			v = reflect.Zero(v.Type().Elem())
		} else {
			v = v.Elem()
		}
	}
	if path == "" {
		return true
	}
	if v.Type() == reflect.TypeFor[quantity.Value]() {
		return slices.Contains([]string{"value", "unit", "low", "high", "sign"}, path)
	}
	if v.Kind() != reflect.Struct {
		return false
	}
	name, rest, _ := strings.Cut(path, ".")
	name, index, listed := strings.Cut(name, "[")
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Anonymous && hasPath(v.Field(i), path) {
			return true
		}
		if tag, _, _ := strings.Cut(f.Tag.Get("json"), ","); tag != name {
			continue
		}
		next := v.Field(i)
		if listed {
			n, err := strconv.Atoi(strings.TrimSuffix(index, "]"))
			if err != nil || next.Kind() != reflect.Slice || n >= next.Len() {
				return false
			}
			next = next.Index(n)
		}
		return hasPath(next, rest)
	}
	return false
}

// reached counts the refusals that tests have seen, by code.
var reached = map[string]int{}

// Every refusal in the source is reached by the tables of this file, and says what, where and what to do.
func TestEveryRefusal(t *testing.T) {
	t.Run("form", formsRefused)
	t.Run("state", statesRefused)
	t.Run("group", groupRefused)
	t.Run("lots", lotsRefused)
	t.Run("laboratory", laboratoryRefused)
	t.Run("supplies", suppliesRefused)
	t.Run("exercises", exercisesRefused)
	codes := refusalCodes(t)
	var missing []string
	for _, code := range codes {
		if reached[code] == 0 {
			missing = append(missing, code)
		}
	}
	t.Logf("%d of %d refusals reached: %s", len(codes)-len(missing), len(codes), counted(reached))
	if len(missing) > 0 {
		t.Errorf("no test reaches these refusals: %s", strings.Join(missing, ", "))
	}
	for code := range reached {
		if !slices.Contains(codes, code) {
			t.Errorf("the code %q is not found in the source", code)
		}
	}
}
