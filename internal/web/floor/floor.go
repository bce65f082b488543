// Package floor serves what a tablet beside a bath needs to go on working without network: the service worker, the
// manifest, the kit (which pages to keep, and what each form takes along), the page of reports that wait to be sent,
// and the labels that hang at the baths.
//
// Pages for a tablet name no person: a tablet shows them to whoever stands before it, and who logs something is known
// by their PIN when it is saved. What a kit says about limits only lets the tablet say at once what the server will
// say later; the server's verdict counts.
package floor

import (
	_ "embed" // For the service worker.
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Floor serves the pages. Pages, Records and Clock are required.
type Floor struct {
	Pages   frame.Pages
	Records plant.Finder
	Clock   func() time.Time
	Root    string            // what the addresses of the pages begin with
	Assets  map[string]string // static files, to their names with a hash
}

//go:embed sw.js
var worker []byte

// Register adds the routes. At lets people through who are signed in, and enrolled tablets; in only people.
func (fl *Floor) Register(app fiber.Router, at, in func(frame.Handler) fiber.Handler) {
	app.Get("/sw.js", func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderContentType, "text/javascript; charset=utf-8")
		c.Set(fiber.HeaderCacheControl, "no-cache")
		return c.Send(worker)
	})
	app.Get("/manifest.webmanifest", at(fl.manifest))
	app.Get("/device/clock", func(c *fiber.Ctx) error {
		return c.JSON(map[string]time.Time{"now": fl.Clock().UTC().Truncate(time.Millisecond)})
	})
	app.Get("/device/kit", at(fl.kit))
	app.Get("/device/offline", at(func(c *fiber.Ctx, f *frame.Frame) error {
		return fl.Pages.Show(c, fiber.StatusOK, "offline", f.T("offline.title"), &plainPage{f})
	}))
	app.Get("/waiting", at(func(c *fiber.Ctx, f *frame.Frame) error {
		return fl.Pages.Show(c, fiber.StatusOK, "waiting", f.T("waiting.title"), &plainPage{f})
	}))
	app.Get("/labels", in(fl.labels))
	app.Get("/unverified", in(fl.unverified))
}

// plainPage is a page whose content a script fills from what the device holds.
type plainPage struct{ *frame.Frame }

// manifest makes the pages installable (W3C Web Application Manifest).
func (fl *Floor) manifest(c *fiber.Ctx, f *frame.Frame) error {
	b, err := marshal(map[string]any{
		"name": f.Plant, "short_name": f.T("ui.short-name"), "lang": string(f.Lang), "id": fl.Root + "/", "start_url": fl.Root + "/", "scope": fl.Root + "/",
		"display": "standalone", "background_color": "#ffffff", "theme_color": "#0b3a5b",
		"icons": []map[string]string{{"src": "/static/" + fl.Assets["icon.svg"], "sizes": "any", "type": "image/svg+xml", "purpose": "any"}},
	})
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderContentType, "application/manifest+json")
	return c.Send(b)
}
