package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// unsent are the fields that do not belong to what was reported: they differ when the same form is sent again.
var unsent = map[string]bool{gate.FormField: true, "sent": true, "password": true}

// sentJSON gives the form as the JSON whose hash tells a repeated command from another one.
func sentJSON(c *fiber.Ctx) ([]byte, error) {
	values := map[string][]string{}
	c.Request().PostArgs().VisitAll(func(k, v []byte) {
		if name := string(k); !unsent[name] {
			values[name] = append(values[name], string(v))
		}
	})
	b, err := json.Marshal(map[string]any{"form": values, "path": c.Path()})
	if err != nil {
		return nil, fmt.Errorf("write form: %w", err)
	}
	return b, nil
}

// unenrolled names the device of a browser that is not enrolled.
const unenrolled = "browser"

// stampOf says when the thing of a form happened: typed by a person, stamped by the device and corrected by
// the offset of its clock, or else the server's time now.
func (s *Server) stampOf(c *fiber.Ctx, f *frame.Frame, form *frame.Form, cmd *haccp.Command) error {
	now := s.clock()
	cmd.At, cmd.AtKnown, cmd.LateReason = now, haccp.AtServer, form.LateReason
	device := unenrolled
	if f.Who.Device.ID != "" {
		device = f.Who.Device.ID
	}
	opened, err := time.Parse(time.RFC3339Nano, form.Opened)
	if err == nil {
		var offset time.Duration
		if sent, serr := time.Parse(time.RFC3339Nano, c.FormValue("sent")); serr == nil {
			offset = sent.Sub(now).Truncate(time.Millisecond)
		}
		cmd.Device = &haccp.Device{ID: device, Clock: opened, OffsetMS: offset.Milliseconds()}
		cmd.At, cmd.AtKnown = opened.Add(-offset), haccp.AtDevice
	} else if f.Who.Device.ID != "" {
		cmd.Device = &haccp.Device{ID: device}
	}
	if form.Typed == "" {
		return nil
	}
	at, err := frame.LocalTime(form.Typed, f.Location, c.FormValue("twice"))
	if err != nil {
		form.Twice = errors.Is(err, frame.ErrTwice)
		return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "at", Code: err.Error(), Message: f.Lang.Text("refusal." + err.Error())}
	}
	cmd.At, cmd.AtKnown = at, haccp.AtTyped
	return nil
}

// report sends a report of a form to the plant.
func (s *Server) report(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any) (plant.Result, error) {
	return s.reportFrom(c, f, form, time.Time{}, kind, ask)
}

// reportFrom sends a report of a thing that began at a moment and ended when the form says; a zero moment: all at once.
func (s *Server) reportFrom(c *fiber.Ctx, f *frame.Frame, form *frame.Form, began time.Time, kind string, ask any) (plant.Result, error) {
	cmd := &haccp.Command{ID: form.Command, Kind: kind, Ask: ask}
	if err := s.stampOf(c, f, form, cmd); err != nil {
		return plant.Result{}, err
	}
	if began.Before(cmd.At) && !began.IsZero() {
		cmd.At, cmd.Until = began, cmd.At
	}
	cmd.By = gate.Actor(f.State, f.Who, kind, cmd.At, "")
	return s.do(c, f, cmd)
}

// ask sends a decision of a form to the plant.
func (s *Server) ask(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any, prefer ...string) (plant.Result, error) {
	now := s.clock()
	by := gate.Actor(f.State, f.Who, kind, now, "", prefer...)
	return s.do(c, f, &haccp.Command{ID: form.Command, Kind: kind, At: now, AtKnown: haccp.AtServer, By: by, Ask: ask})
}

func (s *Server) do(c *fiber.Ctx, f *frame.Frame, cmd *haccp.Command) (plant.Result, error) {
	if f.Stale {
		return plant.Result{}, gate.ErrFormToken
	}
	sent, err := sentJSON(c)
	if err != nil {
		return plant.Result{}, err
	}
	return s.site.Do(c.UserContext(), plant.Request{Command: cmd, Sent: sent})
}

// refused puts an error onto a form that is shown again: at its field where the form has it, else at the head
// of the page. It gives the status of the answer.
func (s *Server) refused(c *fiber.Ctx, f *frame.Frame, form *frame.Form, err error, fields map[string]string) int {
	p := s.gate.Explain(c, err)
	switch {
	case errors.Is(err, gate.ErrFormToken):
		p.Detail = f.T("refusal.cross-site")
	case p.Code == "in-future", p.Code == "role-may-not": // the refusal itself names times in UTC, and commands
		p.Detail = f.T("refusal." + p.Code)
	}
	for _, member := range []string{"value: ", "unit: "} { // it stands at its field
		p.Detail = strings.TrimPrefix(p.Detail, member)
	}
	name, ok := fields[p.Field]
	if !ok {
		name, ok = longest(fields, p.Field)
	}
	if ok {
		form.Wrong[name] = p.Detail
		f.Problem = f.T("form.look-below")
	} else {
		f.Problem = p.Detail
	}
	f.Items = p.Items
	return p.Status
}

// longest finds the form field of the member that a refusal's field lies in: entries[0].read for
// entries[0].read.value.
func longest(fields map[string]string, field string) (string, bool) {
	best, name := -1, ""
	for member, n := range fields {
		if strings.HasPrefix(field, member) && len(member) > best {
			best, name = len(member), n
		}
	}
	return name, best >= 0
}
