package reply

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// object writes the members of an object one after the other.
type object struct {
	b   []byte
	err error
}

func (o *object) open() { o.b = append(o.b, '{') }

func (o *object) shut() { o.b = append(o.b, '}') }

// name begins a member; the comma is left out behind an opening bracket.
func (o *object) name(name string) {
	if o.b[len(o.b)-1] != '{' {
		o.b = append(o.b, ',')
	}
	o.b = append(append(append(o.b, '"'), name...), '"', ':')
}

func (o *object) text(name, s string) {
	o.name(name)
	if plainText(s) {
		o.b = append(append(append(o.b, '"'), s...), '"')
		return
	}
	o.any(s)
}

// some writes a text that is left out where it is empty.
func (o *object) some(name, s string) {
	if s != "" {
		o.text(name, s)
	}
}

func (o *object) number(name string, n int64) {
	o.name(name)
	o.b = strconv.AppendInt(o.b, n, 10)
}

func (o *object) time(name string, t time.Time) {
	o.name(name)
	b, err := t.AppendText(append(o.b, '"'))
	if err != nil {
		o.err = err
		return
	}
	o.b = append(b, '"')
}

// when writes a time that is left out where it is zero.
func (o *object) when(name string, t time.Time) {
	if !t.IsZero() {
		o.time(name, t)
	}
}

func (o *object) amount(name string, a *plan.Amount) {
	if a == nil {
		return
	}
	o.name(name)
	o.open()
	o.text("unit", a.Unit)
	o.name("value")
	o.b = a.Value.AppendJSON(o.b)
	o.shut()
}

// rest writes a member whatever it is; those that are seldom there go this way.
func (o *object) rest(name string, v any) {
	o.name(name)
	o.any(v)
}

func (o *object) any(v any) {
	w := bytes.NewBuffer(o.b)
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		o.err = err
		return
	}
	o.b = bytes.TrimSuffix(w.Bytes(), []byte{'\n'})
}

// plainText reports whether a text stands in JSON as it is. What encoding/json escapes beyond need (U+2028,
// U+2029) or replaces (what is not UTF-8) does not.
func plainText(s string) bool {
	ascii := true
	for i := range len(s) {
		c := s[i]
		if c < ' ' || c == '"' || c == '\\' {
			return false
		}
		ascii = ascii && c < utf8.RuneSelf
	}
	return ascii || utf8.ValidString(s) && !strings.Contains(s, "\u2028") && !strings.Contains(s, "\u2029")
}

// AppendJSON appends the answer byte by byte as encoding/json would write it without escaping for HTML, but
// faster. An error names what cannot be written.
func (a Answer) AppendJSON(b []byte) ([]byte, error) {
	o := &object{b: b}
	o.open()
	o.text("id", a.ID)
	o.number("seq", a.Seq)
	o.text("kind", a.Kind)
	o.time("at", a.At)
	o.time("recorded_at", a.RecordedAt)
	o.some("verdict", a.Verdict)
	if len(a.Verdicts) > 0 {
		o.name("verdicts")
		o.verdicts(a.Verdicts)
	}
	if a.PlanVersion != 0 {
		o.number("plan_version", int64(a.PlanVersion))
	}
	a.appendToDo(o)
	o.name("now")
	o.open()
	o.name("head")
	o.open()
	o.text("root", a.Now.Head.Root)
	o.number("size", a.Now.Head.Size)
	o.shut()
	o.when("next_due", a.Now.NextDue)
	o.when("retest_by", a.Now.RetestBy)
	o.shut()
	o.shut()
	return o.b, o.err
}

// appendToDo writes what only an answer that asks for something holds.
func (a *Answer) appendToDo(o *object) {
	if len(a.Instructions) > 0 {
		o.rest("instructions", a.Instructions)
	}
	if len(a.Fixes) > 0 {
		o.rest("fixes", a.Fixes)
	}
	if len(a.AskAgain) > 0 {
		o.rest("ask_again", a.AskAgain)
	}
	if len(a.Cautions) > 0 {
		o.rest("cautions", a.Cautions)
	}
	if a.Forecast != nil {
		o.rest("forecast", a.Forecast)
	}
	if len(a.Findings) > 0 {
		o.name("findings")
		o.findings(a.Findings)
	}
	if len(a.Opened) > 0 {
		o.rest("opened", a.Opened)
	}
}

func (o *object) verdicts(list []Judged) {
	o.b = append(o.b, '[')
	for i := range list {
		if i > 0 {
			o.b = append(o.b, ',')
		}
		o.judged(&list[i])
	}
	o.b = append(o.b, ']')
}

func (o *object) findings(list []haccp.Finding) {
	o.b = append(o.b, '[')
	for i := range list {
		if i > 0 {
			o.b = append(o.b, ',')
		}
		o.open()
		o.text("code", list[i].Code)
		if len(list[i].Data) > 0 {
			o.rest("data", list[i].Data)
		}
		o.shut()
	}
	o.b = append(o.b, ']')
}

func (o *object) judged(j *Judged) {
	o.open()
	o.text("kind", string(j.Kind))
	o.text("limit", j.Limit)
	o.text("point", j.Point)
	o.some("reason", j.Reason)
	o.some("value", j.Value)
	o.text("verdict", j.Verdict.Verdict)
	o.some("name", j.Name)
	o.some("quantity", j.Quantity)
	o.amount("min", j.Min)
	o.amount("max", j.Max)
	if j.YesNo != nil {
		o.name("yes_no")
		o.b = strconv.AppendBool(o.b, *j.YesNo)
	}
	o.number("plan_version", int64(j.PlanVersion))
	o.shut()
}
