// Package desk serves the pages of the desk: the plan and its versions, the review of records, devices, notes,
// a person's own PIN and password, and a report put in the place of a void one.
//
// Its pages stand in the frame of package web and send their commands through it; which pages those are, the
// package web decides. Like those of web they work without script and judge nothing.
package desk

import (
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Desk serves the pages. All members but Authority and Root are required.
type Desk struct {
	Site      *plant.Site
	Gate      *gate.Gate
	Clock     func() time.Time
	Pages     frame.Pages
	Commands  frame.Commands
	Authority Authority
	Root      string      // what the addresses of the pages begin with
	Draft     frame.Draft // of a plan, before the first one is signed; nil: none is kept
}

// Authority is the plant's own certificate authority; without a Fingerprint there is none.
type Authority struct {
	Address     func() string // where its certificate is fetched
	Fingerprint string        // SHA-256 of the certificate, in pairs of hexadecimal digits
}

// Register adds the routes. in lets only people through who are signed in.
func (d *Desk) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
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
