// Package desk serves the pages of the desk: the plan and its versions, the review of records, devices, notes,
// a person's own PIN and password, and a report put in the place of a void one.
//
// Its pages stand in the frame of package web and send their commands through it; which pages those are, the
// package web decides. Like those of web they work without script and judge nothing.
package desk

import (
	"context"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Pages shows a page, or leads to another one.
type Pages interface {
	Frame(c *fiber.Ctx, w *gate.Who) *frame.Frame
	Show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error
	Redirect(c *fiber.Ctx, to string) error
	// Refused puts an error onto a form that is shown again and gives the status of the answer.
	Refused(c *fiber.Ctx, f *frame.Frame, form *frame.Form, err error, fields map[string]string) int
}

// Commands sends what a form says to the plant.
type Commands interface {
	Report(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any) (plant.Result, error)
	Ask(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any, prefer ...string) (plant.Result, error)
	Signing(f *frame.Frame, statement string, roles ...string) *frame.Signing
	// Signed checks the password and sends the decision that ask makes with the signature.
	Signed(c *fiber.Ctx, f *frame.Frame, form *frame.Form, g *frame.Signing, meaning, kind string, ask func(haccp.Signature) any) error
	// Stand gives a report with its body as it stands after all that changed it.
	Stand(ctx context.Context, f *frame.Frame, id string) (e *haccp.Event, body any, voided bool, err error)
}

// Desk serves the pages. All members but Authority and Root are required.
type Desk struct {
	Site      *plant.Site
	Gate      *gate.Gate
	Clock     func() time.Time
	Pages     Pages
	Commands  Commands
	Authority Authority
	Root      string // what the addresses of the pages begin with
	Draft     Draft  // of a plan, before the first one is signed; nil: none is kept
}

// Draft is the plan that is worked on before the first one is signed.
type Draft interface {
	Text() (string, error)
	Keep(text string) error
}

// Authority is the plant's own certificate authority; without a Fingerprint there is none.
type Authority struct {
	Address     func() string // where its certificate is fetched
	Fingerprint string        // SHA-256 of the certificate, in pairs of hexadecimal digits
}

// A Handler shows a page within a frame.
type Handler = func(*fiber.Ctx, *frame.Frame) error

// Register adds the routes. in lets only people through who are signed in.
func (d *Desk) Register(app fiber.Router, in func(Handler) fiber.Handler) {
	d.routeMaterials(app, in)
	d.routeInstruments(app, in)
	app.Get("/plan", in(d.planShow))
	app.Get("/plan/new", in(d.planNew))
	app.Post("/plan/new", in(d.planCheck))
	app.Post("/plan/sign", in(d.planSign))
	app.Get("/review", in(d.reviewShow))
	app.Post("/review", in(d.reviewSign))
	app.Get("/devices", in(d.deviceList))
	app.Post("/devices", in(d.deviceEnrol))
	app.Post("/devices/:id", in(d.deviceRevoke))
	app.Get("/enrol", d.enrolForm)
	app.Post("/enrol", d.enrolHere)
	app.Get("/tablets", d.tabletsShow)
	app.Get("/me", in(d.meShow))
	app.Post("/me/:what", in(d.meChange))
	app.Get("/notes", in(d.noteForm))
	app.Post("/notes", in(d.noteSave))
	app.Get("/trends", in(d.trendList))
	app.Get("/trends/:point/:place", in(d.trendShow))
	app.Get("/records/:id/replace", in(d.replaceForm))
	app.Post("/records/:id/replace", in(d.replaceSave))
}

func (d *Desk) door() *access.Gate { return d.Gate.Door() }

func (d *Desk) show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error {
	return d.Pages.Show(c, status, name, title, page)
}

// mayNot refuses what no role of the person may do.
func mayNot(f *frame.Frame) error {
	return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
}
