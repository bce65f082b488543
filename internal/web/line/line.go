// Package line serves the pages of a line: its start and stop, the lots in its steps with their running clocks, and
// the forms by which a lot is received, moved on, split, merged, reworked, held, decided about and shipped.
//
// A lot is moved on with one touch where the step asks for nothing; else one form takes what it asks. Leave is asked
// before a step begins; a step that has been done already is reported, with what was wrong with it. Like the pages of
// package web these work without script and judge nothing.
package line

import (
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Line serves the pages. All members are required.
type Line struct {
	Site     *plant.Site
	Clock    func() time.Time
	Pages    frame.Pages
	Commands frame.Commands
}

// Register adds the routes. in lets only people through who are signed in.
func (s *Line) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/lines/:line", in(s.lineShow))
	app.Post("/lines/:line/:act", in(s.lineAct))
	app.Get("/handover", in(s.handoverShow))
	app.Post("/handover/:act", in(s.handoverAct))
	app.Get("/scan", in(s.scan))
	app.Get("/receive-lot", in(s.receiveForm))
	app.Post("/receive-lot", in(s.receiveSave))
	app.Get("/lots/:lot/move", in(s.moveForm))
	app.Post("/lots/:lot/move", in(s.moveSave))
	app.Get("/lots/:lot/do/:act", in(s.actForm))
	app.Post("/lots/:lot/do/:act", in(s.actSave))
}

// noPage answers an address that leads nowhere.
func noPage() error { return fiber.ErrNotFound }

func (s *Line) show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error {
	return s.Pages.Show(c, status, name, title, page)
}

// mayNot refuses what no role of the person may do.
func mayNot(f *frame.Frame) error {
	return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
}
