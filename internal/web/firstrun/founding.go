// Package firstrun leads a new plant through its first run: the founding of its site, on a page of its own since there is
// nothing yet that the others could show, and then the steps to the first reading.
//
// Nothing here remembers where somebody was: each step follows from what is recorded, so that whoever was interrupted, at
// any step and in any browser, finds the next one.
package firstrun

import (
	"bytes"
	"context"
	_ "embed" // The template.
	"errors"
	"fmt"
	"html/template"
	"strings"
	"sync"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/record"
	"linewarden/internal/web/frame"
	"linewarden/internal/wording"
)

//go:embed founding.tmpl
var foundingTemplate string

// Wish is what is asked for at the founding of a site.
type Wish struct {
	Site, Name string // of the plant; not asked for where the site is founded already
	Plan       string // the plan to begin from, as YAML; it is signed later
	Person     string // name of who founds it, as printed in records; not asked for where there is somebody already
	SignIn     string
	Password   string
	Language   wording.Language
}

// Standing is what an earlier try, interrupted, has done already.
type Standing struct {
	Site, Name     string // ""; not founded yet
	Person, SignIn string // "": nobody yet
}

// FoundingOptions says what the page works with. All members are required.
type FoundingOptions struct {
	Code     string // the one-time code of the console
	Standing Standing
	Found    func(ctx context.Context, w Wish) error
	Clock    func() time.Time
	Style    []byte
	TLS      bool
}

// Founding is the page on which a site is founded.
type Founding struct {
	o        FoundingOptions
	template *template.Template
	done     chan struct{}

	mu    sync.Mutex
	wrong int
	until time.Time // no code is looked at before
}

// NewFounding gives the page.
func NewFounding(o FoundingOptions) (*Founding, error) {
	t, err := template.New("founding").Parse(foundingTemplate)
	if err != nil {
		return nil, fmt.Errorf("read the template of the first run: %w", err)
	}
	return &Founding{o: o, template: t, done: make(chan struct{})}, nil
}

// Done is closed once the site is founded and somebody can sign in.
func (f *Founding) Done() <-chan struct{} { return f.done }

const (
	foundingPath = "/first-run"
	stylePath    = "/static/first-run.css"
	pagePolicy   = "default-src 'none'; style-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

// Config gives the configuration of the fiber app that serves the page.
func (f *Founding) Config() fiber.Config {
	return fiber.Config{AppName: "Linewarden", Immutable: true, BodyLimit: gate.BodyLimit, DisableStartupMessage: true, CaseSensitive: true,
		ReadTimeout: 30 * time.Second, IdleTimeout: 5 * time.Second,
		ErrorHandler: func(c *fiber.Ctx, err error) error {
			status := fiber.StatusInternalServerError
			if e, ok := errors.AsType[*fiber.Error](err); ok {
				status = e.Code
			}
			return f.show(c, status, &foundingPage{Problem: gate.Language(c).Text("ui.wrong")})
		}}
}

// Register adds the routes.
func (f *Founding) Register(app fiber.Router) {
	app.Use(func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderXContentTypeOptions, "nosniff")
		c.Set(fiber.HeaderReferrerPolicy, "same-origin")
		c.Set(fiber.HeaderCacheControl, "no-store")
		c.Set(fiber.HeaderContentSecurityPolicy, pagePolicy)
		c.Set(fiber.HeaderXFrameOptions, "DENY")
		return c.Next()
	})
	app.Get("/healthz", gate.Healthz)
	unready := func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderRetryAfter, "30")
		return c.Status(fiber.StatusServiceUnavailable).SendString("no site has been founded yet\n")
	}
	app.Get("/readyz", unready)
	app.All("/api/*", unready)
	app.Get(stylePath, func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderContentType, "text/css; charset=utf-8")
		return c.Send(f.o.Style)
	})
	app.Get(foundingPath, func(c *fiber.Ctx) error { return f.show(c, fiber.StatusOK, &foundingPage{Template: "file"}) })
	app.Post(foundingPath, f.found)
	app.Get("/*", func(c *fiber.Ctx) error { return c.Redirect(foundingPath, fiber.StatusSeeOther) })
}

// foundingPage is what the template shows.
type foundingPage struct {
	Lang                         wording.Language
	Standing                     Standing
	Templates                    []string
	Template                     string // chosen; "file" for a file of one's own
	Code, Site, Name             string
	Person, SignIn, Source, File string
	Wrong                        map[string]string
	Problem                      string
	Errors, Warnings             planfile.Problems
	Checked, Done, TLS           bool
}

// T words a message.
func (p *foundingPage) T(key string, pairs ...string) string { return p.Lang.Text(key, pairs...) }

// Other is the language that the page is not in.
func (p *foundingPage) Other() wording.Language {
	if p.Lang == wording.Spanish {
		return wording.English
	}
	return wording.Spanish
}

func (f *Founding) show(c *fiber.Ctx, status int, p *foundingPage) error {
	p.Lang, p.Standing, p.Templates, p.TLS = gate.Language(c), f.o.Standing, planfile.Templates(), f.o.TLS
	var b bytes.Buffer
	if err := f.template.Execute(&b, p); err != nil {
		return fmt.Errorf("render the first run: %w", err)
	}
	c.Set(fiber.HeaderContentType, "text/html; charset=utf-8")
	return c.Status(status).Send(b.Bytes())
}

// found checks the form and has the site founded. Whatever was typed comes back, but for the password.
func (f *Founding) found(c *fiber.Ctx) error {
	select {
	case <-f.done:
		return f.show(c, fiber.StatusOK, &foundingPage{Done: true})
	default:
	}
	lang := gate.Language(c)
	if err := access.CrossSite(c.Method(), c.Get(fiber.HeaderOrigin), c.Get("Sec-Fetch-Site"), string(c.Request().Header.Host())); err != nil {
		return f.show(c, fiber.StatusForbidden, &foundingPage{Problem: lang.Text("refusal.cross-site")})
	}
	p := &foundingPage{Lang: lang, Wrong: map[string]string{}, Code: strings.TrimSpace(c.FormValue("code")), Template: c.FormValue("template"),
		Site: strings.TrimSpace(c.FormValue("site")), Name: strings.TrimSpace(c.FormValue("name")), Person: strings.TrimSpace(c.FormValue("person")),
		SignIn: strings.TrimSpace(c.FormValue("sign_in")), Source: strings.ReplaceAll(c.FormValue("source"), "\r\n", "\n")}
	if status := f.checkCode(p); status != fiber.StatusOK {
		return f.show(c, status, p)
	}
	if err := f.readPlan(c, p); err != nil {
		return err
	}
	w := f.wish(c, p)
	if len(p.Wrong) > 0 || len(p.Errors) > 0 {
		return f.show(c, fiber.StatusUnprocessableEntity, p)
	}
	if err := f.o.Found(c.UserContext(), w); err != nil {
		f.explain(p, err)
		return f.show(c, fiber.StatusUnprocessableEntity, p)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	select {
	case <-f.done:
	default:
		close(f.done)
	}
	c.Set(fiber.HeaderConnection, "close")
	return f.show(c, fiber.StatusOK, &foundingPage{Done: true})
}

// explain says in words what the founding failed for.
func (f *Founding) explain(p *foundingPage, err error) {
	var refused *haccp.Refusal
	var weak *access.Weak
	switch {
	case errors.As(err, &weak):
		p.Wrong["password"] = p.T("refusal.weak-password")
	case errors.As(err, &refused):
		p.Problem = p.Lang.Refusal(refused)
	default:
		p.Problem = p.T("firstrun.failed") + " " + err.Error()
	}
}

// checkCode compares the code, with a wait after each wrong one that grows.
func (f *Founding) checkCode(p *foundingPage) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	now := f.o.Clock()
	if wait := f.until.Sub(now); wait > 0 {
		p.Wrong["code"] = p.T("firstrun.code-wait", "seconds", fmt.Sprint(int(wait/time.Second)+1))
		return fiber.StatusTooManyRequests
	}
	if access.SameCode(f.o.Code, p.Code) {
		return fiber.StatusOK
	}
	f.wrong++
	if f.wrong > 3 {
		f.until = now.Add(min(time.Second<<min(f.wrong-3, 6), time.Minute))
	}
	p.Code, p.Wrong["code"] = "", p.T("firstrun.code-wrong")
	return fiber.StatusForbidden
}

// readPlan takes the plan: a template, or a file of one's own that was chosen now or before.
func (f *Founding) readPlan(c *fiber.Ctx, p *foundingPage) error {
	if f.o.Standing.Site != "" {
		return nil
	}
	name, text, err := frame.File(c, "file")
	if err != nil {
		return err
	}
	if name != "" {
		p.File, p.Source, p.Template = name, text, "file"
	}
	if p.Template != "file" {
		p.Source = ""
		return nil
	}
	if strings.TrimSpace(p.Source) == "" {
		p.Wrong["file"] = p.T("newplan.no-file")
		return nil
	}
	if name = p.File; name == "" {
		name = "plan.yaml"
	}
	r := planfile.Check(name, []byte(p.Source), plan.Options{Acts: haccp.Acts()})
	p.Checked, p.Errors, p.Warnings = true, r.Errors, r.Warnings
	if r.Plan != nil {
		p.Site, p.Name = r.Plan.Site, r.Plan.Name
		if r.Plan.Demo {
			p.Wrong["file"] = p.T("firstrun.demo-plan")
		}
	}
	return nil
}

// wish puts together what is asked for, and notes what is missing.
func (f *Founding) wish(c *fiber.Ctx, p *foundingPage) Wish {
	w := Wish{Site: p.Site, Name: p.Name, Plan: p.Source, Person: p.Person, SignIn: access.SignInName(p.SignIn), Password: c.FormValue("password"), Language: p.Lang}
	missing := p.T("refusal.missing")
	if s := f.o.Standing; s.Site != "" {
		w.Site, w.Name = s.Site, s.Name
	} else if p.Template != "file" {
		text, err := planfile.Template(p.Template)
		switch {
		case err != nil:
			p.Wrong["template"] = missing
		case w.Name == "" || len(w.Name) > 200:
			p.Wrong["name"] = missing
		}
		if w.Site == haccp.GroupID || !record.ValidSite(w.Site) {
			p.Wrong["site"] = p.T("firstrun.site-wrong")
		}
		w.Plan = string(planfile.For(text, w.Site, w.Name))
	}
	if s := f.o.Standing; s.Person != "" {
		w.Person, w.SignIn = s.Person, s.SignIn
	} else {
		if w.Person == "" || len(w.Person) > 200 {
			p.Wrong["person"] = missing
		}
		if w.SignIn == "" || len(w.SignIn) > 200 {
			p.Wrong["sign_in"] = missing
		}
	}
	return w
}
