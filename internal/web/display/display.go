// Package display serves the line display: one page, full screen, for a wall beside the line.
//
// It shows how the baths and the other control points stand, the clocks that run, the next checks, the lots on hold
// and the open deviations. A value always stands with its age and its limits; a state is a shape and a word beside its
// colour. What is not known is never shown as good, and that holds on the screen too: each state carries the moment
// until which it stands, and the script takes it back by itself when that has passed or the connection is lost.
//
// The page is whole without script and is then loaded anew; the script asks for the same content when the
// stream of changes says that there is something new, and every few seconds where it says nothing.
package display

import (
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Display serves the page. All members are required.
type Display struct {
	Site  *plant.Site
	Pages frame.Pages
}

// Register adds the routes. in lets only people through who are signed in.
func (d *Display) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/display", in(d.show))
	app.Get("/display/now", in(d.now))
}

// page is the display.
type page struct {
	*frame.Frame
	Theme    string // light, dark or as the device has it
	Ready    bool
	Lines    []line
	Baths    []place
	Others   []place
	Clocks   []clock
	Checks   []check
	More     int // checks that are late or missed and not listed
	Hold     []string
	HoldMore int
	Open     []deviation
	OpenMore int
	OpenAll  int
	HoldAll  int
}

// line is whether a line runs.
type line struct {
	Name  string
	Word  string
	State string
	Since stamp
}

// stamp is a moment for the script, in milliseconds since 1970, with the time that has passed since or is to pass.
type stamp struct {
	Millis int64
	Text   string
}

func (p *page) stamp(t time.Time) stamp {
	if t.IsZero() {
		return stamp{}
	}
	return stamp{t.UnixMilli(), span(p.Now.Sub(t).Abs())}
}

// Before is what stands before an age.
func (p *page) Before() string { b, _, _ := strings.Cut(p.T("display.ago"), "{age}"); return b }

// After is what follows an age.
func (p *page) After() string { _, a, _ := strings.Cut(p.T("display.ago"), "{age}"); return a }

func (d *Display) page(c *fiber.Ctx, f *frame.Frame) *page {
	p := &page{Frame: f, Ready: d.Site.Ready() == nil, Theme: f.Mode}
	if theme := c.Query("theme"); slices.Contains(frame.Modes, theme) {
		p.Theme = theme
	}
	p.gather()
	return p
}

func (d *Display) show(c *fiber.Ctx, f *frame.Frame) error {
	return d.Pages.Show(c, fiber.StatusOK, "display", f.T("display.title"), d.page(c, f))
}

// news is the content of the page as it stands, and when that was.
type news struct {
	At   int64  `json:"at"` // the server's clock, ms since 1970
	HTML string `json:"html"`
}

func (d *Display) now(c *fiber.Ctx, f *frame.Frame) error {
	html, err := d.Pages.Render("display-now", d.page(c, f))
	if err != nil {
		return err
	}
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.JSON(news{At: f.Now.UnixMilli(), HTML: html})
}
