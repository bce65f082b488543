package frame

import (
	"slices"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Edit lays out the body of a report as fields that hold what was reported, and reads them back.
type Edit struct {
	Entries []Entry
	Fields  []Field

	body any
}

// NewEdit lays out a body; nil where a body of this kind has nothing to edit.
func NewEdit(f *Frame, body any) *Edit {
	e := &Edit{body: body}
	switch b := body.(type) {
	case *haccp.Reading:
		p := planWith(f, b.Check)
		if p == nil {
			return nil
		}
		e.Entries = EntriesOf(f, p, FindCheck(p, b.Check))
		for i := range e.Entries {
			for j := range b.Entries {
				if b.Entries[j].Quantity == e.Entries[i].Quantity {
					e.Entries[i].Set(&b.Entries[j])
				}
			}
		}
	case *haccp.Bath:
		e.amount(f, "amount", b.Amount, quantity.Volume, quantity.Mass)
		e.amount(f, "level", b.Level, quantity.WaterLevel)
		e.amount(f, "volume", b.Volume, quantity.Volume)
		e.Fields = append(e.Fields, Field{Type: "area", Name: "note", Label: f.T("bath.note"), Value: b.Note})
	case *haccp.LineStopped:
		e.Fields = append(e.Fields, Field{Type: "text", Name: "stop", Label: f.T("line.stop-reason"), Value: b.Reason, Required: true})
	case *haccp.Note:
		e.Fields = append(e.Fields, Field{Type: "area", Name: "note", Label: f.T("form.note"), Value: b.Text, Required: true})
	default:
		return nil
	}
	return e
}

// planWith gives the plan in force, or else the newest one, that has a check; nil where none ever had it.
func planWith(f *Frame, check string) *plan.Plan {
	if FindCheck(f.Plan, check) != nil {
		return f.Plan
	}
	for _, v := range slices.Backward(f.State.Plans) {
		if FindCheck(v.Plan, check) != nil {
			return v.Plan
		}
	}
	return nil
}

func (e *Edit) amount(f *Frame, name string, v *quantity.Value, units ...quantity.ID) {
	if v == nil {
		return
	}
	low, _ := v.Ends()
	e.Fields = append(e.Fields, Field{Type: "amount", Name: name, Label: f.T("bath." + name), Value: low.String(), Unit: string(v.Unit()),
		Options: Units(units...), Required: true})
}

// Read turns the form into a new body, and maps its members to the form's fields, in front of them a prefix
// such as "new.".
func (e *Edit) Read(c *fiber.Ctx, f *Frame, members map[string]string, prefix string) (any, bool) {
	FillFields(c, e.Fields)
	switch b := e.body.(type) {
	case *haccp.Reading:
		n := *b
		entries, fields, ok := ReadEntries(c, f, e.Entries)
		for k, v := range fields {
			members[prefix+k], members[k] = v, v
		}
		n.Entries, n.Verdicts, n.PlanVersion = entries, nil, 0
		return &n, ok
	case *haccp.Bath:
		n := *b
		n.Note = FieldValue(e.Fields, "note")
		return &n, e.readBath(f, &n)
	case *haccp.LineStopped:
		n := *b
		n.Reason, members[prefix+"reason"] = FieldValue(e.Fields, "stop"), "stop"
		return &n, true
	case *haccp.Note:
		n := *b
		n.Text, members[prefix+"text"] = FieldValue(e.Fields, "note"), "note"
		return &n, true
	}
	return nil, false
}

func (e *Edit) readBath(f *Frame, n *haccp.Bath) bool {
	for i := range e.Fields {
		fd := &e.Fields[i]
		v, given := fd.Amount(f)
		if fd.Type == "amount" && !given {
			if fd.Wrong == "" {
				fd.Wrong = f.T("refusal.missing")
			}
			return false
		}
		switch fd.Name {
		case "amount":
			n.Amount = &v
		case "level":
			n.Level = &v
		case "volume":
			n.Volume = &v
		}
	}
	return true
}

// Mark puts what is wrong at its fields.
func (e *Edit) Mark(wrong map[string]string) {
	WrongAt(e.Entries, wrong)
	MarkFields(e.Fields, wrong)
}
