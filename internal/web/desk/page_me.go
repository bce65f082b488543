package desk

import (
	"errors"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// MePage is where people choose their own PIN and password.
type MePage struct {
	*frame.Frame
	Form   frame.Form
	HasPIN bool
	Done   string // what was changed, as a message key
}

func (d *Desk) newMePage(c *fiber.Ctx, f *frame.Frame) (*MePage, error) {
	has, err := d.door().HasPIN(c.UserContext(), f.Who.Person.ID)
	if err != nil {
		return nil, err
	}
	return &MePage{Frame: f, Form: frame.NewForm(), HasPIN: has}, nil
}

func (d *Desk) meShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newMePage(c, f)
	if err != nil {
		return err
	}
	if c.Query("done") == "pin" {
		p.Done = "me.pin-done"
	}
	return d.show(c, fiber.StatusOK, "me", f.T("me.title"), p)
}

// meChange sets the PIN or the password. Nothing typed is shown again: these are secrets.
func (d *Desk) meChange(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newMePage(c, f)
	if err != nil {
		return err
	}
	what := c.Params("what")
	switch what {
	case "pin":
		err = d.setPIN(c, f)
	case "password":
		err = d.setPassword(c, f)
	default:
		return fiber.ErrNotFound
	}
	if err == nil {
		// A PIN in the place of another one, and every new password, end the person's sessions.
		if what == "pin" && !p.HasPIN {
			return d.Pages.Redirect(c, "/me?done=pin")
		}
		d.Gate.SignedOut(c)
		return d.Pages.Redirect(c, "/sign-in?changed=1")
	}
	if errors.Is(err, access.ErrSignIn) {
		err = &gate.Fault{Status: fiber.StatusForbidden, Code: "signature-password", Field: "present", Message: f.T("me.wrong-password")}
	}
	status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"present": what + "-present", "pin": "pin", "password": "password",
		"again": what + "-again"})
	return d.show(c, status, "me", f.T("me.title"), p)
}

func (d *Desk) setPIN(c *fiber.Ctx, f *frame.Frame) error {
	pin := strings.TrimSpace(c.FormValue("pin"))
	switch {
	case f.Stale:
		return gate.ErrFormToken
	case pin != strings.TrimSpace(c.FormValue("again")):
		return notTheSame(f)
	}
	return d.door().SetPIN(c.UserContext(), f.Who.Person.ID, c.FormValue("present"), pin, d.Gate.Source(c, ""), d.Clock())
}

func (d *Desk) setPassword(c *fiber.Ctx, f *frame.Frame) error {
	next := c.FormValue("password")
	switch {
	case f.Stale:
		return gate.ErrFormToken
	case next != c.FormValue("again"):
		return notTheSame(f)
	}
	return d.door().ChangePassword(c.UserContext(), f.Who.Person.ID, c.FormValue("present"), next, d.Gate.Source(c, ""), d.Clock())
}

func notTheSame(f *frame.Frame) error {
	return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "not-the-same", Field: "again", Message: f.T("me.not-the-same")}
}
