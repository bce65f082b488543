package frame

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// How an instrument can show a value.
const (
	SignExact = "exact"
	SignBelow = "below"
	SignAbove = "above"
	SignBand  = "band"
)

// Entry is the field of one quantity of a reading. Nothing is filled in before; after a refusal it holds
// what was typed.
type Entry struct {
	Name, Quantity, Label string
	Required, YesNo       bool
	Value, High, Unit     string
	Sign                  string
	Sample, Total         string
	Units, Symbols        []string
	Methods, Instruments  []Choice
	Method, Instrument    string
	Lot, Expiry           string
	Wrong                 string
	Asked                 bool     // what stands in Wrong is a question
	Meant                 string   // how a number with a comma is meant, of Ways
	Ways                  []string // the readings of a number with a comma
	More                  bool     // the details hold something
	Decimals              int      // that all its methods show; 0: not known, or none
}

// EntriesOf makes the fields of a check.
func EntriesOf(f *Frame, p *plan.Plan, check *plan.Check) []Entry {
	out := make([]Entry, 0, len(check.Measures))
	for i := range check.Measures {
		m := &check.Measures[i]
		q, err := quantity.Get(quantity.ID(m.Quantity))
		if err != nil || q.Computed() {
			continue
		}
		e := Entry{Name: "q." + m.Quantity, Quantity: m.Quantity, Label: f.Word("quantity", m.Quantity), Required: !m.Optional,
			YesNo: q.IsYesNo(), Sign: SignExact}
		for _, id := range m.Methods {
			if j := slices.IndexFunc(p.Methods, func(x plan.Method) bool { return x.ID == id }); j >= 0 {
				e.Methods = append(e.Methods, Choice{Code: id, Word: p.Methods[j].Name})
				e.unit(p.Methods[j].Unit)
			}
		}
		if len(e.Methods) == 1 {
			e.Method = e.Methods[0].Code
		}
		e.Decimals = decimals(p, m.Methods)
		e.instruments(p)
		if m.Unit != "" {
			e.unit(m.Unit)
			e.Unit = m.Unit
		}
		if len(e.Units) == 0 {
			for _, u := range q.Units() {
				e.unit(string(u))
			}
		}
		out = append(out, e)
	}
	return out
}

// decimals gives how many decimals a value of these methods has; 0 where they differ or do not say.
func decimals(p *plan.Plan, methods []string) int {
	n := -1
	for i := range p.Methods {
		m := &p.Methods[i]
		if !slices.Contains(methods, m.ID) {
			continue
		}
		shown := 0
		if m.Step != nil {
			_, part, _ := strings.Cut(m.Step.String(), ".")
			shown = len(part)
		}
		if n >= 0 && shown != n {
			return 0
		}
		n = shown
	}
	return max(n, 0)
}

func (e *Entry) unit(u string) {
	if u != "" && !slices.Contains(e.Units, u) {
		e.Units, e.Symbols = append(e.Units, u), append(e.Symbols, quantity.Unit(u).Symbol())
	}
}

func (e *Entry) instruments(p *plan.Plan) {
	for _, x := range p.Instruments {
		if slices.ContainsFunc(e.Methods, func(m Choice) bool { return slices.Contains(x.Methods, m.Code) }) {
			e.Instruments = append(e.Instruments, Choice{Code: x.ID, Word: x.Name})
		}
	}
}

// fill takes back what was typed.
func (e *Entry) fill(c *fiber.Ctx) {
	get := func(part string) string { return strings.TrimSpace(c.FormValue(e.Name + part)) }
	e.Value, e.High, e.Sample, e.Total, e.Meant = get(""), get(".high"), get(".sample"), get(".total"), get(".meant")
	e.Instrument, e.Lot, e.Expiry = get(".instrument"), get(".lot"), get(".expiry")
	if u := get(".unit"); u != "" {
		e.Unit = u
	}
	if m := get(".method"); m != "" {
		e.Method = m
	}
	if sign := get(".sign"); sign != "" {
		e.Sign = sign
	}
	e.More = e.Sign != SignExact || e.High+e.Sample+e.Total+e.Instrument+e.Lot+e.Expiry != ""
}

// Set fills an entry from what was recorded, for an amendment.
func (e *Entry) Set(x *haccp.Entry) {
	low, high := x.Read.Ends()
	e.Value, e.Unit = low.String(), string(x.Read.Unit())
	switch x.Read.Kind() {
	case quantity.KindYesNo:
		e.Value = "no"
		if yes, _ := x.Read.Yes(); yes {
			e.Value = "yes"
		}
	case quantity.KindBelow:
		e.Sign = SignBelow
	case quantity.KindAbove:
		e.Sign = SignAbove
	case quantity.KindBand:
		e.Sign, e.High = SignBand, high.String()
	}
	e.unit(e.Unit)
	e.Method, e.Instrument = x.Method, x.Instrument
	if x.Dilution != nil {
		e.Sample, e.Total = strconv.FormatInt(x.Dilution.Sample, 10), strconv.FormatInt(x.Dilution.Total, 10)
	}
	if x.Reagent != nil {
		e.Lot, e.Expiry = x.Reagent.Lot, string(x.Reagent.Expiry)
	}
	e.More = e.Sign != SignExact || e.Sample+e.Lot+e.Instrument != ""
}

// read turns what was typed into the entry of a reading. Only its form is looked at here; empty and optional
// gives ok false.
func (e *Entry) read(f *Frame) (x haccp.Entry, ok bool) {
	if e.Value == "" {
		if e.Required {
			e.Wrong = f.T("refusal.missing")
		}
		return x, false
	}
	if !e.numbers(f) {
		return x, false
	}
	v, err := e.value()
	if err != nil {
		e.Wrong = f.T("form.bad-number")
		return x, false
	}
	x = haccp.Entry{Quantity: e.Quantity, Read: v, Method: e.Method, Instrument: e.Instrument}
	if e.Sample != "" || e.Total != "" {
		sample, serr := strconv.ParseInt(e.Sample, 10, 64)
		total, terr := strconv.ParseInt(e.Total, 10, 64)
		if serr != nil || terr != nil {
			e.Wrong, e.More = f.T("refusal.bad-dilution"), true
			return x, false
		}
		x.Dilution = &haccp.Dilution{Sample: sample, Total: total}
	}
	if e.Lot != "" || e.Expiry != "" {
		var expiry plan.Date
		if err := expiry.UnmarshalText([]byte(e.Expiry)); err != nil {
			e.Wrong, e.More = f.T("refusal.bad-date"), true
			return x, false
		}
		x.Reagent = &haccp.Reagent{Lot: e.Lot, Expiry: expiry}
	}
	return x, true
}

// numbers brings what was typed into the form that the rules take. False: it is shown again before it is recorded.
func (e *Entry) numbers(f *Frame) bool {
	if e.YesNo {
		return true
	}
	var tell, tellHigh string
	var t Typed
	if e.Sign == SignBand {
		// Its upper end is read alike; whoever writes a band of thousands with a comma is asked to leave it out.
		t, tellHigh = f.number(e.High, "")
		e.High = t.Text
	}
	t, tell = f.number(e.Value, e.Meant)
	e.Value, e.Ways = t.Text, t.Ways
	e.Wrong = strings.TrimSpace(tell + " " + tellHigh)
	e.Asked = e.Wrong != ""
	return !e.Asked
}

func (e *Entry) value() (quantity.Value, error) {
	if e.YesNo {
		switch e.Value {
		case "yes", "no":
			return quantity.Answer(e.Value == "yes"), nil
		}
		return quantity.Value{}, fmt.Errorf("%q is neither yes nor no", e.Value)
	}
	unit := e.Unit
	if unit == "" && len(e.Units) > 0 {
		unit = e.Units[0]
	}
	d, err := quantity.ParseDecimal(e.Value)
	if err != nil {
		return quantity.Value{}, err
	}
	switch e.Sign {
	case SignExact, "":
		return quantity.Exact(d, quantity.Unit(unit)), nil
	case SignBelow:
		return quantity.Below(d, quantity.Unit(unit)), nil
	case SignAbove:
		return quantity.Above(d, quantity.Unit(unit)), nil
	case SignBand:
		high, err := quantity.ParseDecimal(e.High)
		if err != nil {
			return quantity.Value{}, err
		}
		return quantity.Band(d, high, quantity.Unit(unit)), nil
	}
	return quantity.Value{}, fmt.Errorf("%q is no sign of a value", e.Sign)
}

// ReadEntries reads all fields of a reading. Fields map the members of the command to the form's.
func ReadEntries(c *fiber.Ctx, f *Frame, entries []Entry) (out []haccp.Entry, fields map[string]string, ok bool) {
	fields, ok = map[string]string{}, true
	for i := range entries {
		e := &entries[i]
		e.fill(c)
		x, given := e.read(f)
		if e.Wrong != "" {
			ok = false
			continue
		}
		if given {
			fields[fmt.Sprintf("entries[%d]", len(out))] = e.Name
			out = append(out, x)
		}
	}
	return out, fields, ok
}

// WrongAt moves what is wrong with a field of the form to its entry.
func WrongAt(entries []Entry, wrong map[string]string) {
	for i := range entries {
		if w := wrong[entries[i].Name]; w != "" {
			entries[i].Wrong = w
		}
	}
}
