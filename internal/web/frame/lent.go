package frame

import (
	"context"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

// A Handler shows a page within a frame.
type Handler = func(*fiber.Ctx, *Frame) error

// Pages shows a page of an area, or leads to another one; package web lends it to the areas below it.
type Pages interface {
	Frame(c *fiber.Ctx, w *gate.Who) *Frame
	Show(c *fiber.Ctx, status int, name, title string, page Pager) error
	// Render gives a page, or a part of one, as text.
	Render(name string, page Pager) (string, error)
	Redirect(c *fiber.Ctx, to string) error
	// Refused puts an error onto a form that is shown again and gives the status of the answer.
	Refused(c *fiber.Ctx, f *Frame, form *Form, err error, fields map[string]string) int
}

// Commands sends what a form says to the plant; package web lends it to the areas below it.
type Commands interface {
	Report(c *fiber.Ctx, f *Frame, form *Form, kind string, ask any) (plant.Result, error)
	// ReportFrom is Report of a thing that began at a moment and ended when the form says; a zero moment: all at once.
	ReportFrom(c *fiber.Ctx, f *Frame, form *Form, began time.Time, kind string, ask any) (plant.Result, error)
	Ask(c *fiber.Ctx, f *Frame, form *Form, kind string, ask any, prefer ...string) (plant.Result, error)
	Signing(f *Frame, statement string, roles ...string) *Signing
	// Signed checks the password and sends the decision that ask makes with the signature.
	Signed(c *fiber.Ctx, f *Frame, form *Form, g *Signing, meaning, kind string, ask func(haccp.Signature) any) error
	// Stand gives a report with its body as it stands after all that changed it.
	Stand(ctx context.Context, f *Frame, id string) (e *haccp.Event, body any, voided bool, err error)
}

// Draft is the plan that is worked on before the first one is signed.
type Draft interface {
	Text() (string, error)
	Keep(text string) error
}
