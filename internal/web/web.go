// Package web serves the pages: server-rendered HTML for a wet tablet beside a bath, a phone and a desk.
//
// A page is page_<name>.go (route, handler, typed struct that embeds the frame) and templates/<name>.tmpl.
// Handlers are thin: a form becomes a haccp.Command, which the plant decides; a refusal is shown at its field
// with all that was typed kept. Every page works without script; the one small script only stamps the
// device's clock. Nothing here judges a value or knows a rule of control.
package web

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/url"
	"slices"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/assets"
	"linewarden/internal/web/badges"
	"linewarden/internal/web/desk"
	"linewarden/internal/web/display"
	"linewarden/internal/web/findings"
	"linewarden/internal/web/firstrun"
	"linewarden/internal/web/floor"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/line"
	"linewarden/internal/web/tracing"
	"linewarden/internal/web/verifying"
)

//go:embed templates
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// StyleSheet gives the style of all pages, for one that is shown before there is a site.
func StyleSheet() ([]byte, error) {
	b, err := staticFiles.ReadFile("static/site.css")
	if err != nil {
		return nil, fmt.Errorf("read static files: %w", err)
	}
	return b, nil
}

// Options says what the pages work with. Site, Gate and Clock are required.
type Options struct {
	Site   *plant.Site
	Gate   *gate.Gate
	Clock  func() time.Time
	Logger *slog.Logger // nil: nothing is logged
	// Authority is the plant's own certificate authority, for the tablets; empty: there is none.
	Authority desk.Authority
	// Alerts says how the ways to the outside stand; nil: not known.
	Alerts func(ctx context.Context) (AlertService, error)
	// Root is what the addresses of the pages begin with where they are one site of several, such as
	// /sites/north; whoever routes takes it off.
	Root string
	// Draft keeps the plan that is worked on before the first one is signed; nil: none is kept.
	Draft frame.Draft
	// Group says that these are the pages of a group, and how its sites stand; nil: of a site.
	Group Group
}

// Server serves the pages of one site. Its methods may be called by several goroutines at once.
type Server struct {
	site      *plant.Site
	gate      *gate.Gate
	door      *access.Gate
	clock     func() time.Time
	log       *slog.Logger
	authority desk.Authority
	root      string
	group     Group
	draft     frame.Draft
	templates *template.Template
	alerts    func(ctx context.Context) (AlertService, error)
	static    *assets.Set
}

// New gives the pages, or says which option is missing or which template is at fault. The gate may be set
// later with [Server.UseGate], since a gate shows its problems with [Server.Problem].
func New(o Options) (*Server, error) {
	if o.Site == nil || o.Clock == nil {
		return nil, errors.New("web: options lack a site or a clock")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Server{site: o.Site, clock: o.Clock, log: o.Logger, root: o.Root, group: o.Group, authority: o.Authority, alerts: o.Alerts, draft: o.Draft}
	if o.Gate != nil {
		s.UseGate(o.Gate)
	}
	var err error
	if s.static, err = assets.Read(staticFiles, "static"); err != nil {
		return nil, err
	}
	t, err := parse(s.static.Names, s.root)
	if err != nil {
		return nil, err
	}
	s.templates = t
	return s, nil
}

// UseGate tells the pages which gate stands in front of them. It is called before the first request.
func (s *Server) UseGate(g *gate.Gate) { s.gate, s.door = g, g.Door() }

// parse reads all templates. names maps a static file to its address; every other address begins with root.
func parse(names map[string]string, root string) (*template.Template, error) {
	t := template.New("").Funcs(template.FuncMap{
		"root":  func() string { return root },
		"asset": func(name string) string { return "/static/" + names[name] },
		"pass":  func(f *frame.Frame, x any) passed { return passed{f, x} },
		"both":  func(page, x any) both { return both{page, x} },
		"markof": func(f *frame.Frame, group, code, word any) mark {
			return mark{frame.Text(code), f.Word(frame.Text(group), frame.Text(word))}
		},
		"scripts": func() []string { return tabletScripts },
		"markcodes": func() []string {
			return []string{"inside", "act", "outside", "not-evaluated", "upcoming", "not-known", "due"}
		},
		"qr":       func(code *frame.QR, label string) shownQR { return shownQR{code, label} },
		"markword": func(code, word string) mark { return mark{code, word} },
		"text":     frame.Text,
		"anymore": func(entries []frame.Entry) bool {
			return slices.ContainsFunc(entries, func(e frame.Entry) bool { return e.More })
		},
		"kinds": verifying.Kinds,
		"signs": func() []string { return []string{frame.SignExact, frame.SignBelow, frame.SignAbove, frame.SignBand} },
	})
	files, err := fs.Sub(templateFiles, "templates")
	if err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	if t, err = t.ParseFS(files, "*.tmpl"); err != nil {
		return nil, fmt.Errorf("read templates: %w", err)
	}
	return t, nil
}

// tabletScripts are the scripts of an enrolled tablet, in the order in which they run.
var tabletScripts = []string{"queue.js", "judge.js", "report.js", "device.js", "badge.js", "keypad.js", "due.js", "waiting.js", "floor.js"}

// passed hands a piece the frame and what it shows.
type passed struct {
	F *frame.Frame
	X any
}

// both hands a piece its page and what it shows.
type both struct{ F, X any }

// shownQR is a QR code and what it is for, in words.
type shownQR struct {
	QR    *frame.QR
	Label string
}

// mark is a shape and the word beside it.
type mark struct{ Code, Word string }

// Register adds the routes of all pages. The gate's own middleware must be in place before.
func (s *Server) Register(app fiber.Router) {
	app.Get("/static/:name", s.static.Serve)
	app.Post("/language", s.setLanguage)
	app.Post("/mode", s.setMode)
	s.routeSignIn(app)
	in := func(h frame.Handler) fiber.Handler { return s.inside(h) }
	if s.group != nil {
		s.routeGroup(app, in)
	} else {
		app.Get("/", s.atTablet(s.dueList))
		s.routePlant(app, in)
	}
	s.routeRecords(app, in)
	(&verifying.Verifying{Pages: host{s}, Gate: s.gate, Text: s.static.Text}).Register(app)
	app.Get("/people", in(s.peopleList))
	app.Post("/people", in(s.personAdd))
	app.Post("/people/:id", in(s.personChange))
}

// routePlant adds the pages of a plant's work.
func (s *Server) routePlant(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	at := s.atTablet
	app.Get("/checks/:check/:place", at(s.checkForm))
	app.Get("/b/:place", at(s.labelForm))
	app.Post("/checks/:check/:place", in(s.checkSave))
	app.Get("/readings/:id", in(s.readingShow))
	app.Get("/baths/:place/:act", at(s.bathForm))
	app.Post("/baths/:place/:act", in(s.bathSave))
	app.Get("/places", at(s.placeList))
	(&line.Line{Site: s.site, Clock: s.clock, Pages: host{s}, Commands: host{s}}).Register(app, in)
	s.routeAlerts(app, in)
	s.routeCases(app, in)
	s.routeLots(app, in)
	s.routeLaboratory(app, in)
	d := &desk.Desk{Site: s.site, Gate: s.gate, Clock: s.clock, Pages: host{s}, Commands: host{s}, Authority: s.authority, Root: s.root, Draft: s.draft}
	d.Register(app, in)
	(&tracing.Tracing{Pages: host{s}, Commands: host{s}, Log: s.site, Root: s.root}).Register(app, in)
	guide := &firstrun.Guide{Pages: host{s}, Records: s.site, Draft: s.draft, TLS: s.gate.TLS()}
	if s.authority.Fingerprint != "" {
		guide.Trust = "/tablets"
	}
	guide.Register(app, in)
	(&findings.Findings{Pages: host{s}, Records: s.site}).Register(app, in)
	(&badges.Badges{Pages: host{s}, Door: s.door, Clock: s.clock}).Register(app, in)
	(&display.Display{Site: s.site, Pages: host{s}}).Register(app, in)
	fl := &floor.Floor{Pages: host{s}, Records: s.site, Clock: s.clock, Root: s.root, Assets: s.static.Names}
	fl.Register(app, at, in)
}

// inside lets through only who is signed in, and forms only from our own pages.
func (s *Server) inside(h frame.Handler) fiber.Handler {
	return func(c *fiber.Ctx) error {
		w, err := s.gate.Who(c)
		if err != nil {
			return err
		}
		if w.Person.ID == "" {
			back := "/"
			if c.Method() == fiber.MethodGet {
				back = c.OriginalURL()
			}
			return s.redirect(c, "/sign-in?back="+url.QueryEscape(back))
		}
		f := s.frame(c, w)
		err = s.gate.Protect(c, w)
		switch {
		case errors.Is(err, gate.ErrFormToken):
			f.Stale = true // the handler shows the form again with what was typed
		case err != nil:
			return err
		}
		return h(c, f)
	}
}

// atTablet lets through who is signed in, and whoever stands before an enrolled tablet. For the latter, and where the
// tablet asks for a page to keep (device=1), the page names nobody.
func (s *Server) atTablet(h frame.Handler) fiber.Handler {
	inside := s.inside(h)
	return func(c *fiber.Ctx) error {
		w, err := s.gate.Who(c)
		if err != nil {
			return err
		}
		if w.Person.ID != "" && c.Query("device") == "" {
			return inside(c)
		}
		d, err := s.door.DeviceByToken(c.UserContext(), s.gate.Source(c, "").DeviceToken)
		switch {
		case err == nil && d.Kind == access.DeviceTablet:
			return h(c, s.frame(c, &gate.Who{Device: d}))
		case err == nil || errors.Is(err, access.ErrDevice):
			return inside(c)
		}
		return err
	}
}

// redirect sends the browser on to a page of ours.
func (s *Server) redirect(c *fiber.Ctx, to string) error {
	return c.Redirect(s.root+to, fiber.StatusSeeOther)
}
