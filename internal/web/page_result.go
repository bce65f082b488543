package web

import (
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/web/frame"
)

// resultPage is the form of the results of one test of one sample. It shows the rule and no verdict: what was typed is
// saved first.
type resultPage struct {
	*frame.Frame
	Form                      frame.Form
	Title, Test, Rule, Action string
	Back                      string
	Further                   bool // results of this test are there already
	Results, Fields           []frame.Field

	sample *samplePage
	test   *plan.ProductTest
}

func (s *Server) newResultPage(c *fiber.Ctx, f *frame.Frame) (*resultPage, error) {
	x, err := s.newSamplePage(c, f)
	if err != nil {
		return nil, err
	}
	id, err := url.PathUnescape(c.Params("test"))
	if err != nil {
		return nil, noPage()
	}
	t := f.State.HeldTo(x.lot).Test(id)
	if t == nil {
		return nil, noPage()
	}
	p := &resultPage{Frame: f, Form: frame.NewForm(), Title: x.title(), Test: t.Name, Rule: f.Lang.Rule(t.String()), Action: x.Sample.Path + "/" + url.PathEscape(id), Back: x.Sample.Path, sample: x, test: t}
	for i := range x.is.Reports {
		p.Further = p.Further || x.is.Reports[i].Reported.Test == id
	}
	p.lay()
	return p, nil
}

// lay lays out the fields: one for each unit, and what stands beside the results.
func (p *resultPage) lay() {
	n := p.test.Units()
	if taken := p.sample.is.Taken; taken != nil {
		n = max(n, int(taken.Sampled.Units))
	}
	for i := range min(n, maxUnits) {
		fd := frame.Field{Type: "text", Name: fmt.Sprintf("unit-%d", i+1), Label: p.T("laboratory.unit", "unit", strconv.Itoa(i+1))}
		switch {
		case p.test.AbsentIn != nil:
			fd.Type, fd.Options = "choice", []frame.Choice{{Code: "no", Word: p.T("laboratory.not-found")}, {Code: "yes", Word: p.T("laboratory.found")}}
		case p.test.YesNo != nil:
			fd.Type, fd.Options = "choice", []frame.Choice{{Code: "yes", Word: p.T("answer.yes")}, {Code: "no", Word: p.T("answer.no")}}
		}
		p.Results = append(p.Results, fd)
	}
	add := func(typ, name string, required bool, options ...frame.Choice) {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: p.T("laboratory." + name), Required: required, Options: options})
	}
	switch {
	case p.test.AbsentIn != nil:
		add("amount", "in", true, frame.Units(quantity.Mass, quantity.Volume)...)
	case p.test.YesNo == nil:
		p.Fields = append(p.Fields, frame.Field{Type: "choice", Name: "unit", Label: p.T("form.unit-of", "what", p.test.Name), Required: true, Options: frame.Units(quantity.ID(p.test.Quantity))})
	}
	add("text", "method", true)
	add("text", "laboratory", true)
	p.Fields[len(p.Fields)-2].Value, p.Fields[len(p.Fields)-1].Value = p.test.Method, p.test.Laboratory
	add("datetime-local", "finished", true)
	add("text", "analyst", false)
	if p.test.Pathogen {
		add("choice", "presumptive", false, frame.Choice{Code: "yes", Word: p.T("answer.yes")})
	}
	if p.Further {
		add("text", "retest", true)
	}
	add("text", "attached", false)
	add("text", "hash", false)
}

func (s *Server) resultForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newResultPage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "result", p.Title, p)
}

// resultSave records the results, then shows what they say. A bad form comes back with all that was typed.
func (s *Server) resultSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newResultPage(c, f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	frame.FillFields(c, p.Results)
	frame.FillFields(c, p.Fields)
	b, members, ok := p.read()
	if !ok {
		p.Problem = p.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "result", p.Title, p)
	}
	if _, err := s.report(c, f, &p.Form, haccp.KindResult, b); err != nil {
		status := s.refused(c, f, &p.Form, err, members)
		frame.MarkFields(p.Results, p.Form.Wrong)
		frame.MarkFields(p.Fields, p.Form.Wrong)
		return s.show(c, status, "result", p.Title, p)
	}
	return s.redirect(c, p.Back+"?saved=1")
}

// read turns the form into the body of the report, and maps its members to the form's fields.
func (p *resultPage) read() (*laboratory.Reported, map[string]string, bool) {
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &laboratory.Reported{Lot: p.sample.Sample.Lot, Sample: p.sample.Sample.Sample, Test: p.test.ID, Method: get("method"), Laboratory: get("laboratory"),
		Analyst: get("analyst"), Presumptive: get("presumptive") == "yes", Retest: get("retest")}
	members := map[string]string{"at": "at", "finished": "finished", "method": "method", "laboratory": "laboratory", "analyst": "analyst", "retest": "retest",
		"attached.hash": "hash", "attached.name": "attached", "presumptive": "presumptive", "units": "unit-1"}
	if get("attached")+get("hash") != "" {
		b.Attached = &laboratory.Attached{Hash: strings.ToLower(get("hash")), Name: get("attached")}
	}
	ok := p.finished(b)
	in, given := p.amount()
	ok = ok && (given || p.test.AbsentIn == nil)
	for i := range p.Results {
		fd := &p.Results[i]
		if fd.Value == "" {
			continue
		}
		if !fd.Number(p.Frame) {
			ok = false
			continue
		}
		v, err := typed(p.test, fd.Value, get("unit"))
		if err != nil {
			fd.Wrong, ok = p.T("form.bad-number"), false
			continue
		}
		members[fmt.Sprintf("units[%d]", len(b.Units))] = fd.Name
		u := laboratory.Unit{Unit: int64(i + 1), Value: v}
		if given {
			u.In = &in
		}
		b.Units = append(b.Units, u)
	}
	return b, members, ok
}

// amount reads how much was examined of each unit.
func (p *resultPage) amount() (quantity.Value, bool) {
	for i := range p.Fields {
		if fd := &p.Fields[i]; fd.Name == "in" {
			v, given := fd.Amount(p.Frame)
			if !given && fd.Wrong == "" {
				fd.Wrong = p.T("refusal.missing")
			}
			return v, given
		}
	}
	return quantity.Value{}, false
}

// finished reads when the test was finished, on the wall clock of the site.
func (p *resultPage) finished(b *laboratory.Reported) bool {
	for i := range p.Fields {
		fd := &p.Fields[i]
		if fd.Name != "finished" || fd.Value == "" {
			continue
		}
		at, err := frame.LocalTime(fd.Value, p.Location, "first")
		if err != nil {
			fd.Wrong = p.T("refusal." + err.Error())
			return false
		}
		b.Finished = at.Truncate(time.Millisecond)
	}
	return true
}

// maxUnits bounds the fields of a form.
const maxUnits = 300

var errNoResult = errors.New("no result")

// typed reads a result as it was written: 120, <10, >3000, 50-100, or yes and no.
func typed(t *plan.ProductTest, text, unit string) (quantity.Value, error) {
	if t.AbsentIn != nil || t.YesNo != nil {
		if text != "yes" && text != "no" {
			return quantity.Value{}, errNoResult
		}
		return quantity.Answer(text == "yes"), nil
	}
	make1, number := quantity.Exact, text
	switch text[0] {
	case '<':
		make1, number = quantity.Below, text[1:]
	case '>':
		make1, number = quantity.Above, text[1:]
	}
	if low, high, band := strings.Cut(text, "-"); band && low != "" {
		a, err := quantity.ParseDecimal(strings.TrimSpace(low))
		b, also := quantity.ParseDecimal(strings.TrimSpace(high))
		return quantity.Band(a, b, quantity.Unit(unit)), errors.Join(err, also)
	}
	d, err := quantity.ParseDecimal(strings.TrimSpace(number))
	return make1(d, quantity.Unit(unit)), err
}

// wholeOf reads a whole number; 0 where it is none.
func wholeOf(text string) int64 {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 32)
	if err != nil {
		return 0
	}
	return n
}
