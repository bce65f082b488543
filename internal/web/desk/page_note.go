package desk

import (
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/web/frame"
)

// NotePage writes a note into the log.
type NotePage struct {
	*frame.Frame
	Form        frame.Form
	Places      []frame.Choice
	Place, Text string
}

func newNotePage(f *frame.Frame) (*NotePage, error) {
	if !f.May(haccp.KindNote) {
		return nil, mayNot(f)
	}
	return &NotePage{Frame: f, Form: frame.NewForm(), Places: places(f)}, nil
}

// places lists the places of the plan in force.
func places(f *frame.Frame) []frame.Choice {
	var out []frame.Choice
	if f.Plan != nil {
		for _, p := range f.Plan.Places {
			out = append(out, frame.Choice{Code: p.ID, Word: p.Name})
		}
	}
	return out
}

func (d *Desk) noteForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newNotePage(f)
	if err != nil {
		return err
	}
	p.Place = c.Query("place")
	return d.show(c, fiber.StatusOK, "note", f.T("note.title"), p)
}

func (d *Desk) noteSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newNotePage(f)
	if err != nil {
		return err
	}
	p.Form, p.Place, p.Text = frame.ReadForm(c), c.FormValue("place"), strings.TrimSpace(c.FormValue("text"))
	res, err := d.Commands.Report(c, f, &p.Form, haccp.KindNote, &haccp.Note{Place: p.Place, Text: p.Text})
	if err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"text": "text", "place": "place", "at": "at"})
		return d.show(c, status, "note", f.T("note.title"), p)
	}
	if len(res.Events) == 0 {
		return d.Pages.Redirect(c, "/records")
	}
	return d.Pages.Redirect(c, "/records/"+res.Events[0].ID)
}
