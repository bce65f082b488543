package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

// Form is what every form carries beside its own fields.
type Form struct {
	Command    string // UUID; sending the form twice records it once
	Opened     string // device's clock when the form was opened
	Typed      string // time typed by hand, as a datetime-local field writes it
	LateReason string
	Twice      bool              // the typed time came twice: ask which
	Wrong      map[string]string // field to what is wrong with it
}

func newForm() Form { return Form{Command: uuid.NewString(), Wrong: map[string]string{}} }

// readForm takes back what a form carried, so that nothing typed is lost.
func readForm(c *fiber.Ctx) Form {
	f := Form{Command: c.FormValue("command"), Opened: c.FormValue("opened"), Typed: c.FormValue("at"),
		LateReason: strings.TrimSpace(c.FormValue("late_reason")), Wrong: map[string]string{}}
	if _, err := uuid.Parse(f.Command); err != nil {
		f.Command = uuid.NewString()
	}
	f.Command = strings.ToLower(f.Command)
	return f
}

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
func (s *Server) stampOf(c *fiber.Ctx, f *Frame, form *Form, cmd *haccp.Command) error {
	now := s.clock()
	cmd.At, cmd.AtKnown, cmd.LateReason = now, haccp.AtServer, form.LateReason
	device := unenrolled
	if f.who.Device.ID != "" {
		device = f.who.Device.ID
	}
	opened, err := time.Parse(time.RFC3339Nano, form.Opened)
	if err == nil {
		var offset time.Duration
		if sent, serr := time.Parse(time.RFC3339Nano, c.FormValue("sent")); serr == nil {
			offset = sent.Sub(now).Truncate(time.Millisecond)
		}
		cmd.Device = &haccp.Device{ID: device, Clock: opened, OffsetMS: offset.Milliseconds()}
		cmd.At, cmd.AtKnown = opened.Add(-offset), haccp.AtDevice
	} else if f.who.Device.ID != "" {
		cmd.Device = &haccp.Device{ID: device}
	}
	if form.Typed == "" {
		return nil
	}
	at, err := localTime(form.Typed, f.zone, c.FormValue("twice"))
	if err != nil {
		form.Twice = errors.Is(err, errTwice)
		return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "at", Code: err.Error(), Message: f.Lang.Text("refusal." + err.Error())}
	}
	cmd.At, cmd.AtKnown = at, haccp.AtTyped
	return nil
}

// What can be wrong with a typed local time; the texts are codes of wording.
var (
	errBadTime = errors.New("bad-time")
	errSkipped = errors.New("time-skipped")
	errTwice   = errors.New("time-twice")
)

// localTime reads a local time of a zone. One that the clocks skipped is refused, one that came twice wants
// "first" or "second".
func localTime(typed string, zone *time.Location, which string) (time.Time, error) {
	var wall time.Time
	err := errBadTime
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05"} {
		if t, perr := time.Parse(layout, strings.TrimSpace(typed)); perr == nil {
			wall, err = t, nil
			break
		}
	}
	if err != nil {
		return time.Time{}, err
	}
	same := func(t time.Time) bool { return t.In(zone).Format("20060102150405") == wall.Format("20060102150405") }
	var found []time.Time
	guess := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), 0, zone)
	// A change of the clocks moves them by 2 hours at most; half hours occur (Lord Howe Island).
	for d := -3 * time.Hour; d <= 3*time.Hour; d += 30 * time.Minute {
		if t := guess.Add(d); same(t) {
			found = append(found, t)
		}
	}
	switch {
	case len(found) == 0:
		return time.Time{}, errSkipped
	case len(found) == 1 || which == "first":
		return found[0], nil
	case which == "second":
		return found[len(found)-1], nil
	}
	return time.Time{}, errTwice
}

// report sends a report of a form to the plant.
func (s *Server) report(c *fiber.Ctx, f *Frame, form *Form, kind string, ask any) (plant.Result, error) {
	cmd := &haccp.Command{ID: form.Command, Kind: kind, Ask: ask}
	if err := s.stampOf(c, f, form, cmd); err != nil {
		return plant.Result{}, err
	}
	cmd.By = gate.Actor(f.state, f.who, kind, cmd.At, "")
	return s.do(c, f, cmd)
}

// ask sends a decision of a form to the plant.
func (s *Server) ask(c *fiber.Ctx, f *Frame, form *Form, kind string, ask any, prefer ...string) (plant.Result, error) {
	now := s.clock()
	by := gate.Actor(f.state, f.who, kind, now, "", prefer...)
	return s.do(c, f, &haccp.Command{ID: form.Command, Kind: kind, At: now, AtKnown: haccp.AtServer, By: by, Ask: ask})
}

func (s *Server) do(c *fiber.Ctx, f *Frame, cmd *haccp.Command) (plant.Result, error) {
	if f.stale {
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
func (s *Server) refused(c *fiber.Ctx, f *Frame, form *Form, err error, fields map[string]string) int {
	p := s.gate.Explain(c, err)
	if errors.Is(err, gate.ErrFormToken) {
		p.Detail = f.T("refusal.cross-site")
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

// Choice is a code with its words, for lists and radio buttons.
type Choice struct {
	Code, Word, Text string
	Chosen           bool
}

// Field is a field of a simple form.
type Field struct {
	Type     string // text, date, area, amount or choice
	Name     string
	Label    string
	Hint     string // in place of "may be left empty"
	Value    string
	Unit     string // amount
	Options  []Choice
	Required bool
	Wrong    string
}
