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

// Log reads what a question wants beyond a state; *plant.Site is one.
type Log interface {
	Gather(ctx context.Context, state *haccp.State, had haccp.Facts, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error)
}

// Tracing serves the pages. All members but Root are required.
type Tracing struct {
	Pages    frame.Pages
	Commands frame.Commands
	Log      Log
	Root     string // what the addresses of the pages begin with
}

// Register adds the routes. in lets only people through who are signed in.
func (t *Tracing) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
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

// follow traces a subject, reading from the log what the state has forgotten.
func (t *Tracing) follow(c *fiber.Ctx, f *frame.Frame, x recall.Subject, way string) (*genealogy.Trace, error) {
	if !genealogy.Known(f.State, x) {
		return nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "code", Code: "unknown-subject", Message: f.T("refusal.unknown-subject")}
	}
	needs, much := plant.Bounded(func(had haccp.Facts) haccp.Need { return genealogy.Needs(f.State, x, had) })
	facts, err := t.Log.Gather(c.UserContext(), f.State, haccp.Facts{}, needs)
	if err != nil {
		return nil, err
	}
	if *much {
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "too-much", Message: f.T("refusal.too-much")}
	}
	return genealogy.Of(f.State, x, way, facts, f.Now), nil
}

func noPage(f *frame.Frame) error {
	return &gate.Fault{Status: fiber.StatusNotFound, Code: "not-found", Message: f.T("refusal.not-found")}
}
