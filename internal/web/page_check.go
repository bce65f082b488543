package web

import (
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/web/floor"
	"linewarden/internal/web/frame"
)

// checkPage is the form of one check at one place.
type checkPage struct {
	*frame.Frame
	Form         frame.Form
	Place, Check string
	Filling      string // when the water of the bath was filled, as a moment; "" outside baths
	Instructions string
	Action       string
	Entries      []frame.Entry
	SamplePoints []frame.Choice
	SamplePoint  string
	Lots, Note   string
	Extra        bool
	Repeats      string // the reading that was asked for again

	check *plan.Check
	place *plan.Place
}

// CheckID names the check.
func (p *checkPage) CheckID() string { return p.check.ID }

// PlaceID names the place.
func (p *checkPage) PlaceID() string { return p.place.ID }

// Quantities lists what is measured, by its ids.
func (p *checkPage) Quantities() string {
	ids := make([]string, len(p.Entries))
	for i := range p.Entries {
		ids[i] = p.Entries[i].Quantity
	}
	return strings.Join(ids, " ")
}

func noPage() error { return fiber.ErrNotFound }

// newCheckPage makes the empty form, by the plan in force or else the newest that had the check.
func newCheckPage(f *frame.Frame, checkID, placeID string) (*checkPage, error) {
	pl := f.Plan
	check, place := frame.FindCheck(pl, checkID), frame.FindPlace(pl, placeID)
	for i := len(f.State.Plans) - 1; i >= 0 && (check == nil || place == nil); i-- {
		pl = f.State.Plans[i].Plan
		check, place = frame.FindCheck(pl, checkID), frame.FindPlace(pl, placeID)
	}
	if check == nil || place == nil {
		return nil, noPage()
	}
	p := &checkPage{Frame: f, Form: frame.NewForm(), Place: place.Name, Check: check.Name, Instructions: check.Instructions,
		Action: checkPath(checkID, placeID), Entries: frame.EntriesOf(f, pl, check), check: check, place: place}
	for _, sp := range place.SamplePoints {
		p.SamplePoints = append(p.SamplePoints, frame.Choice{Code: sp.ID, Word: sp.Name})
	}
	if place.Kind == plan.Bath {
		if fl, in := f.State.FillingAt(placeID, f.Now); in {
			p.Filling = f.At(fl.From)
		}
	}
	return p, nil
}

func (s *Server) checkForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newCheckPage(f, c.Params("check"), c.Params("place"))
	if err != nil {
		return err
	}
	p.Repeats = c.Query("repeats")
	return s.show(c, fiber.StatusOK, "check", p.Place, p)
}

// labelForm opens the form that the label of a place stands for.
func (s *Server) labelForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newCheckPage(f, floor.FirstCheck(f, c.Params("place")), c.Params("place"))
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "check", p.Place, p)
}

// checkSave records the reading, then shows what it means. A bad form comes back with all that was typed.
func (s *Server) checkSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newCheckPage(f, c.Params("check"), c.Params("place"))
	if err != nil {
		return err
	}
	entries, fields, ok := p.fill(c)
	if !ok {
		p.Problem = p.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "check", p.Place, p)
	}
	r := &haccp.Reading{Check: p.check.ID, Place: p.place.ID, Mode: "hand", Entries: entries, Lots: frame.Codes(p.Lots), Note: p.Note,
		SamplePoint: p.SamplePoint, Repeats: p.Repeats}
	res, err := s.report(c, f, &p.Form, haccp.KindReading, r)
	if err != nil {
		fields["at"], fields["lots"], fields["note"] = "at", "lots", "note"
		status := s.refused(c, f, &p.Form, err, fields)
		frame.WrongAt(p.Entries, p.Form.Wrong)
		p.Extra = p.Extra || p.Form.Wrong["lots"]+p.Form.Wrong["note"] != ""
		return s.show(c, status, "check", p.Place, p)
	}
	to := "/"
	for _, e := range res.Events {
		if e.Kind == haccp.KindReading {
			to = "/readings/" + e.ID + "?saved=1"
			if res.Repeated {
				to = "/readings/" + e.ID + "?saved=again"
			}
			break
		}
	}
	return s.redirect(c, to)
}

// fill takes back what was typed and reads the entries.
func (p *checkPage) fill(c *fiber.Ctx) (entries []haccp.Entry, fields map[string]string, ok bool) {
	p.Form = frame.ReadForm(c)
	p.SamplePoint, p.Lots, p.Note = c.FormValue("sample_point"), strings.TrimSpace(c.FormValue("lots")), strings.TrimSpace(c.FormValue("note"))
	p.Repeats, p.Extra = c.FormValue("repeats"), p.Lots+p.Note != ""
	return frame.ReadEntries(c, p.Frame, p.Entries)
}
