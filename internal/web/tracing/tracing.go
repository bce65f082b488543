// Package tracing serves the pages about where product came from and what became of it: a trace drawn as a graph beside the same
// facts in a table, traceability exercises, and the list of released and shipped product that a deviation affects.
//
// Its pages stand in the frame of package web and work without script. They judge nothing: package genealogy follows the
// product, package recall weighs it, package chart says where everything stands in the picture.
package tracing

import (
	"context"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Pages shows a page, or leads to another one.
type Pages interface {
	Show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error
	Redirect(c *fiber.Ctx, to string) error
	// Refused puts an error onto a form that is shown again and gives the status of the answer.
	Refused(c *fiber.Ctx, f *frame.Frame, form *frame.Form, err error, fields map[string]string) int
}

// Commands sends what a form says to the plant.
type Commands interface {
	Ask(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any, prefer ...string) (plant.Result, error)
	Signing(f *frame.Frame, statement string, roles ...string) *frame.Signing
	// Signed checks the password and sends the decision that ask makes with the signature.
	Signed(c *fiber.Ctx, f *frame.Frame, form *frame.Form, g *frame.Signing, meaning, kind string, ask func(haccp.Signature) any) error
}

// Log reads what a question wants beyond a state; *plant.Site is one.
type Log interface {
	Gather(ctx context.Context, state *haccp.State, had haccp.Facts, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error)
}

// Tracing serves the pages. All members but Root are required.
type Tracing struct {
	Pages    Pages
	Commands Commands
	Log      Log
	Root     string // what the addresses of the pages begin with
}

// A Handler shows a page within a frame.
type Handler = func(*fiber.Ctx, *frame.Frame) error

// Register adds the routes. in lets only people through who are signed in.
func (t *Tracing) Register(app fiber.Router, in func(Handler) fiber.Handler) {
	app.Get("/trace", in(t.door))
	app.Get("/trace/:kind", in(t.traceShow))
	app.Get("/exercises", in(t.exerciseList))
	app.Get("/exercises/new", in(t.exerciseForm))
	app.Post("/exercises/new", in(t.exerciseStart))
	app.Get("/exercises/:id", in(t.exerciseShow))
	app.Post("/exercises/:id", in(t.exerciseFinish))
	app.Get("/recalls", in(t.recallList))
	app.Get("/recalls/:id", in(t.recallList))
}

// most bounds the ranges of records read for one page.
const most = 20000

// follow traces a subject, reading from the log what the state has forgotten.
func (t *Tracing) follow(c *fiber.Ctx, f *frame.Frame, x recall.Subject, way string) (*genealogy.Trace, error) {
	if !genealogy.Known(f.State, x) {
		return nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "code", Code: "unknown-subject", Message: f.T("refusal.unknown-subject")}
	}
	much := false
	facts, err := t.Log.Gather(c.UserContext(), f.State, haccp.Facts{}, func(had haccp.Facts) haccp.Need {
		need := genealogy.Needs(f.State, x, had)
		if much = len(had.Ranges)+len(need.Ranges) > most; much {
			return haccp.Need{}
		}
		return need
	})
	if err != nil {
		return nil, err
	}
	if much {
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "too-much", Message: f.T("refusal.too-much")}
	}
	return genealogy.Of(f.State, x, way, facts, f.Now), nil
}

func noPage(f *frame.Frame) error {
	return &gate.Fault{Status: fiber.StatusNotFound, Code: "not-found", Message: f.T("refusal.not-found")}
}
