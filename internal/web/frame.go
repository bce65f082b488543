package web

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// frame makes the frame of a request.
func (s *Server) frame(c *fiber.Ctx, w *gate.Who) *frame.Frame {
	st, now := s.site.View(), s.clock()
	f := &frame.Frame{Lang: gate.Language(c), Mode: chosenMode(c), Plant: st.Site.Name, Demo: st.Site.Demo, Now: now, Path: c.Path(), Here: c.Path(), Location: st.Zone(), State: st, Who: w, Sites: s.root != ""}
	f.Zone = f.Location.String() + ", UTC" + now.In(f.Location).Format("-07:00")
	if signed, ok := st.PlanAt(now); ok {
		f.PlanVersion, f.Plan = signed.Version, signed.Plan
	}
	if c.Method() != fiber.MethodGet {
		f.Path = "/"
	}
	head := s.site.Head()
	f.Checkpoint = strconv.FormatInt(head.Size, 10) + " " + head.Root.String()
	f.API = "/api/v1" + s.root
	if w != nil && w.Device.ID != "" {
		f.Device, f.DeviceName = w.Device.ID, w.Device.Name
	}
	if w == nil || w.Person.ID == "" {
		f.AtTablet()
		return f
	}
	f.PersonID = w.Person.ID
	f.Person, f.Roles, f.FormToken = w.Person.Name, w.Person.Roles, w.FormToken()
	f.Ways()
	return f
}

// show renders a page whole before any of it is sent.
func (s *Server) show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error {
	page.Base().Title = title
	var b bytes.Buffer
	if err := s.templates.ExecuteTemplate(&b, name, page); err != nil {
		return fmt.Errorf("render page %s: %w", name, err)
	}
	c.Set(fiber.HeaderContentType, "text/html; charset=utf-8")
	return c.Status(status).Send(b.Bytes())
}

// messagePage is a page of one sentence.
type messagePage struct {
	*frame.Frame
	Text string
}

// Problem shows an error as a page; it is what gate.Options.Page wants.
func (s *Server) Problem(c *fiber.Ctx, p *gate.Problem) error {
	w, err := s.gate.Who(c)
	if err != nil {
		w = nil
	}
	f := s.frame(c, w)
	title := f.T("ui.wrong")
	switch p.Status {
	case fiber.StatusNotFound:
		title = f.T("ui.not-found")
	case fiber.StatusForbidden:
		if strings.HasPrefix(p.Code, "role") {
			title = f.T("ui.forbidden")
		}
	case fiber.StatusUnprocessableEntity:
		title = f.T("ui.not-valid")
	case fiber.StatusServiceUnavailable:
		title = f.T("ui.not-ready")
	}
	f.Items = p.Items
	return s.show(c, p.Status, "message", title, &messagePage{f, p.Detail})
}
