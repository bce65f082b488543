package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/alerts"
	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/internal/api"
	"linewarden/internal/config"
	"linewarden/internal/record/evidence"
	"linewarden/internal/web"
)

// noticed hands the records of a commit to the timetable, the streams and the desk, once there are any.
func (h *house) noticed(events []*haccp.Event) {
	if t := h.ticking.Load(); t != nil {
		t.Noticed(events)
	}
	if l := h.watched.Load(); l != nil {
		l.Noticed(events)
	}
	if d := h.desk.Load(); d != nil {
		d.Noticed(events)
	}
}

// openDesk opens the outbox and the channels, and makes the desk of the site.
func (a *App) openDesk(h *house, reg prometheus.Registerer) error {
	box, err := a.home.Outbox()
	if err != nil {
		return err
	}
	channels, err := channelsOf(&a.cfg.Alerts, os.Getenv, a.parts.Clock)
	if err != nil {
		return err
	}
	link := strings.TrimSuffix(a.cfg.Alerts.Link, "/")
	if link != "" {
		link += h.root
	}
	o := alerts.DeskOptions{Site: h.site, Outbox: box, Channels: channels, Timetable: h.timetable.Status, Turn: h.timetable.Turn, Verify: a.proving(h), Checkpoint: signing(h), Summaries: h.site,
		Link: link, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg}
	if o.Backup, err = a.backups(h); err != nil {
		return err
	}
	if file := a.cfg.Alerts.HeartbeatFile; file != "" {
		address, err := config.ReadSecretFile(file)
		if err != nil {
			return fmt.Errorf("alerts.heartbeat_file: %w", err)
		}
		if o.Heartbeat, err = notify.NewHeartbeat(address); err != nil {
			return fmt.Errorf("alerts.heartbeat_file: %w", err)
		}
	}
	desk, err := alerts.NewDesk(o)
	if err != nil {
		return err
	}
	h.desk.Store(desk)
	return nil
}

// signing gives what signs the head of the record log.
func signing(h *house) func(ctx context.Context) error {
	return func(ctx context.Context) error {
		_, err := h.site.Checkpoint(ctx)
		return err
	}
}

// proving gives what verifies the whole record log of a site as it stands in the store.
func (a *App) proving(h *house) func(ctx context.Context) error {
	return func(ctx context.Context) error {
		o, err := a.home.Options(ctx, h.id)
		if err != nil {
			return err
		}
		res, err := evidence.VerifyLog(ctx, h.id, o.Log, evidence.VerifyOptions{})
		if err == nil && res.Fault != nil {
			err = errors.New(res.Fault.Error())
		}
		return err
	}
}

// channelsOf makes the channels of the settings. A secret is in no error and in no log.
func channelsOf(c *config.Alerts, getenv func(string) string, clock func() time.Time) ([]alerts.Channel, error) {
	var out []alerts.Channel
	for i := range c.Channels {
		ch := &c.Channels[i]
		via, err := senderOf(ch, getenv, clock)
		if err != nil {
			return nil, fmt.Errorf("alerts.channels: %s: %w", ch.Name, err)
		}
		least := ch.Least
		if least == "" {
			least = "warning"
		}
		out = append(out, alerts.Channel{Name: ch.Name, Language: ch.Language, Roles: ch.Roles, Least: least, Digest: ch.Digest, Via: via})
	}
	return out, nil
}

func senderOf(ch *config.Channel, getenv func(string) string, clock func() time.Time) (alerts.Sender, error) {
	secret, err := ch.Secret(getenv)
	if err != nil {
		return nil, err
	}
	switch ch.Kind {
	case config.ChannelMail:
		return notify.NewMail(notify.Mail{Server: ch.Address, Security: ch.Security, User: ch.User, Password: secret, From: ch.From, To: ch.To})
	case config.ChannelWebhook:
		return notify.NewWebhook(ch.Address, []byte(secret), clock)
	case config.ChannelAlertmanager:
		return notify.NewAlertmanager(ch.Address, clock)
	}
	return notify.NewService(secret)
}

// apiAlerts says how channels and timetable stand, for the API.
func (h *house) apiAlerts(ctx context.Context) (api.AlertService, error) {
	list, err := h.desk.Load().Channels(ctx)
	if err != nil {
		return api.AlertService{}, err
	}
	s := h.timetable.Status()
	out := api.AlertService{Channels: []api.ChannelState{}, Jobs: []api.JobState{}, Alive: h.desk.Load().Alive(),
		Timetable: api.TimetableState{LastRun: s.LastRun, NextRun: s.NextRun, Outcome: s.Outcome, Error: s.Error, ClockOff: s.ClockOff}}
	for _, c := range list {
		out.Channels = append(out.Channels, api.ChannelState(c))
	}
	for _, j := range h.desk.Load().Jobs() {
		out.Jobs = append(out.Jobs, api.JobState(j))
	}
	return out, nil
}

// webAlerts says the same for the page.
func (h *house) webAlerts(ctx context.Context) (web.AlertService, error) {
	list, err := h.desk.Load().Channels(ctx)
	if err != nil {
		return web.AlertService{}, err
	}
	s := h.timetable.Status()
	out := web.AlertService{LastRun: s.LastRun, NextRun: s.NextRun}
	for _, c := range list {
		out.Channels = append(out.Channels, web.ChannelState(c))
	}
	return out, nil
}
