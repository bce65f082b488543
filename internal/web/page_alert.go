package web

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/web/frame"
)

// AlertService is how the service does at telling people of alerts.
type AlertService struct {
	Channels         []ChannelState
	LastRun, NextRun time.Time // of the timetable
}

// ChannelState is how one way to the outside stands.
type ChannelState struct {
	Name      string
	Delivered time.Time // when it last took a message
	Waiting   int
	Since     time.Time // when the oldest of those that wait was queued
	Failure   string    // what the last attempt said
}

// alertPage shows what is open, lets people take it on, hand it over and silence it, and says how they are told.
type alertPage struct {
	*frame.Frame
	Form            frame.Form
	About           string // the alert that the form sent was about
	Open, Cleared   []alertRow
	People          []mark // who may take something on
	Service         *AlertService
	MayTake, MaySil bool
	Demo            bool
}

type alertRow struct {
	ID, Severity, Shape, Text, Do, Path string
	Since, Ended                        time.Time
	Held, Doing, Note                   string
	Silenced                            string
	Round                               int
}

// shapes says which shape a severity has; the word stands beside it.
var shapes = map[string]string{alarm.Critical: "outside", alarm.Warning: "act", alarm.Notice: "do"}

func (s *Server) routeAlerts(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/alerts", in(s.alertList))
	app.Post("/alerts/:alert/:act", in(s.alertAct))
}

func (s *Server) newAlertPage(ctx context.Context, f *frame.Frame) (*alertPage, error) {
	p := &alertPage{Frame: f, Form: frame.NewForm(), MayTake: f.May(haccp.AskAcknowledge), MaySil: f.May(haccp.AskSilence), Demo: f.State.Site.Demo}
	silences := f.State.SilencesAt(f.Now)
	for _, a := range alarm.OpenFirst(f.State.Alerts()) {
		r := alertRow{ID: a.Alert, Severity: a.Severity, Shape: shapes[a.Severity], Since: a.Since, Ended: a.Ended, Round: a.Round}
		r.Text, r.Do = f.Lang.Alert(f.State, a)
		switch {
		case a.Cause == alarm.LotReleased:
			r.Path = "/recalls/" + a.Deviation
		case a.Deviation != "":
			r.Path = "/deviations/" + a.Deviation
		case a.Check != "":
			r.Path = checkPath(a.Check, a.Place)
		case a.Cause == alarm.Instrument:
			r.Path = "/instruments"
		}
		if a.Ack != nil {
			r.Held, r.Doing, r.Note = a.Ack.Name, a.Ack.Doing, a.Ack.Note
		}
		for _, x := range silences {
			if x.Covers(a, f.Now) {
				r.Silenced = f.T("alerts.silenced", "time", f.At(x.Until), "reason", x.Reason)
			}
		}
		if a.Open() {
			p.Open = append(p.Open, r)
		} else {
			p.Cleared = append(p.Cleared, r)
		}
	}
	for _, x := range f.State.People() {
		may := slices.ContainsFunc(x.RolesNow(), func(r string) bool { return f.State.May(r, haccp.AskAcknowledge, f.Now) })
		if may && !x.DisabledNow() {
			p.People = append(p.People, mark{Code: x.ID, Word: x.Name})
		}
	}
	if s.alerts == nil {
		return p, nil
	}
	service, err := s.alerts(ctx)
	p.Service = &service
	return p, err
}

func (s *Server) alertList(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newAlertPage(c.UserContext(), f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "alerts", f.T("alerts.title"), p)
}

// alertAct takes an alert on, hands it over, or silences it.
func (s *Server) alertAct(c *fiber.Ctx, f *frame.Frame) error {
	form, ids := frame.ReadForm(c), []string{c.Params("alert")}
	var err error
	switch c.Params("act") {
	case "take":
		_, err = s.ask(c, f, &form, haccp.AskAcknowledge, &alarm.Acknowledged{Alerts: ids, Doing: c.FormValue("doing")})
	case "hand-over":
		_, err = s.ask(c, f, &form, haccp.AskHandOver, &alarm.HandedOver{Alerts: ids, To: c.FormValue("to"), Note: c.FormValue("note")})
	case "silence":
		hours, nerr := strconv.Atoi(c.FormValue("hours"))
		if nerr != nil {
			hours = 0
		}
		_, err = s.ask(c, f, &form, haccp.AskSilence, &alarm.Silenced{Alerts: ids, Reason: c.FormValue("reason"),
			Until: f.Now.Add(time.Duration(min(max(hours, 0), 1000)) * time.Hour)})
	default:
		return fiber.ErrNotFound
	}
	if err == nil {
		return s.redirect(c, "/alerts")
	}
	p, perr := s.newAlertPage(c.UserContext(), f)
	if perr != nil {
		return perr
	}
	p.Form, p.About = form, ids[0]
	status := s.refused(c, f, &p.Form, err, map[string]string{"doing": "doing", "to": "to", "reason": "reason", "until": "hours"})
	return s.show(c, status, "alerts", f.T("alerts.title"), p)
}
