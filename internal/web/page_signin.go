package web

import (
	"errors"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// signInPage asks for name and password, or for the PIN on an enrolled tablet.
type signInPage struct {
	*frame.Frame
	Name, Back string
	Changed    bool // the PIN or password was changed
	Tablets    bool // there is a certificate for the tablets
}

// setUpPage lets a person choose a password with a one-time code.
type setUpPage struct {
	*frame.Frame
	Name, Code string
}

func (s *Server) routeSignIn(app fiber.Router) {
	app.Get("/sign-in", s.signInForm)
	app.Post("/sign-in", s.signIn)
	app.Post("/sign-out", s.signOut)
	app.Get("/set-up", func(c *fiber.Ctx) error {
		f := s.frame(c, nil)
		return s.show(c, fiber.StatusOK, "setup", f.T("setup.title"), &setUpPage{Frame: f})
	})
	app.Post("/set-up", s.setUp)
}

func (s *Server) signInPage(c *fiber.Ctx) *signInPage {
	w := &gate.Who{}
	if d, err := s.door.DeviceByToken(c.UserContext(), s.gate.Source(c, "").DeviceToken); err == nil && d.Kind == access.DeviceTablet {
		w.Device = d // it goes on sending what waits
	}
	return &signInPage{Frame: s.frame(c, w), Name: c.FormValue("name"), Back: frame.Local(c.FormValue("back")), Tablets: s.authority.Fingerprint != ""}
}

func (s *Server) signInForm(c *fiber.Ctx) error {
	p := s.signInPage(c)
	p.Name, p.Back, p.Changed = "", frame.Local(c.Query("back")), c.Query("changed") != ""
	return s.show(c, fiber.StatusOK, "signin", p.T("signin.title"), p)
}

func (s *Server) signIn(c *fiber.Ctx) error {
	if err := s.gate.SameSite(c); err != nil {
		return err
	}
	p := s.signInPage(c)
	o, err := s.enter(c, p.Frame.Device != "")
	if err != nil {
		e := s.gate.Explain(c, err)
		p.Problem = e.Detail
		return s.show(c, e.Status, "signin", p.T("signin.title"), p)
	}
	s.gate.SignedIn(c, o)
	return s.redirect(c, p.Back)
}

func (s *Server) enter(c *fiber.Ctx, tablet bool) (access.Opened, error) {
	name, from := c.FormValue("name"), s.gate.Source(c, "")
	for _, typed := range []string{c.FormValue("pin"), name} { // a scanner types where the cursor stands
		if tablet && access.IsBadge(typed) {
			return s.door.SignInBadge(c.UserContext(), typed, from, s.clock())
		}
	}
	if pin := c.FormValue("pin"); tablet && pin != "" {
		return s.door.SignInPIN(c.UserContext(), name, pin, from, s.clock())
	}
	return s.door.SignIn(c.UserContext(), name, c.FormValue("password"), from, s.clock())
}

func (s *Server) signOut(c *fiber.Ctx) error {
	w, err := s.gate.Who(c)
	if err != nil {
		return err
	}
	if err := s.gate.Protect(c, w); err != nil && !errors.Is(err, gate.ErrFormToken) {
		return err
	}
	if w.Token != "" {
		if err := s.door.SignOut(c.UserContext(), w.Token, s.clock()); err != nil {
			return err
		}
	}
	s.gate.SignedOut(c)
	return s.redirect(c, "/sign-in")
}

func (s *Server) setUp(c *fiber.Ctx) error {
	if err := s.gate.SameSite(c); err != nil {
		return err
	}
	p := &setUpPage{Frame: s.frame(c, nil), Name: c.FormValue("name"), Code: c.FormValue("code")}
	o, err := s.door.FinishSetup(c.UserContext(), p.Name, p.Code, c.FormValue("password"), s.gate.Source(c, ""), s.clock())
	if err != nil {
		e := s.gate.Explain(c, err)
		p.Problem = e.Detail
		if errors.Is(err, access.ErrSignIn) {
			p.Problem = p.T("setup.wrong")
		}
		return s.show(c, e.Status, "setup", p.T("setup.title"), p)
	}
	s.gate.SignedIn(c, o)
	return s.redirect(c, "/")
}
