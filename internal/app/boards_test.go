package app_test

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/dashboards/board"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/quantity"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/demo"
	"linewarden/internal/plant"
)

// working is a moment two hours into a shift of the invented plant.
var working = time.Date(2026, 11, 24, 14, 5, 0, 0, time.UTC)

// atWork serves the invented plant as it stands then: the first of some histories in which a forecast stands. Its clock
// goes on from there. One channel leads nowhere.
func atWork(t *testing.T) *app.App {
	t.Helper()
	began := time.Now()
	clock := func() time.Time { return working.Add(time.Since(began)) }
	for chance := range uint64(24) {
		dir := filepath.Join(t.TempDir(), "data")
		f, err := app.OpenFolder(t.Context(), dir, nil)
		check(t, err)
		o, err := f.NewOptions(t.Context(), demo.Site)
		check(t, err)
		_, err = demo.Write(t.Context(), demo.Options{Plant: o, Now: working, Days: 4, Chance: chance + 1})
		check(t, err)
		cfg := config.Default()
		cfg.Data, cfg.Listen, cfg.Site = dir, "127.0.0.1:0", demo.Site
		cfg.Alerts.Channels = []config.Channel{{Name: "nowhere", Kind: config.ChannelAlertmanager, Address: "http://127.0.0.1:9"}}
		a, err := app.New(t.Context(), cfg, app.Parts{Home: f, Access: quick(), Clock: clock, Logger: slog.New(slog.DiscardHandler)})
		check(t, err)
		check(t, a.Wait(t.Context()))
		s := a.Site().View()
		if len(s.Foreseen("bath-1", working))+len(s.Foreseen("bath-2", working)) > 0 {
			check(t, a.Start())
			t.Cleanup(func() { check(t, a.Stop(context.Background())) })
			return a
		}
		check(t, a.Stop(t.Context()))
	}
	t.Fatal("the invented plant foresees nothing in any history")
	return nil
}

// busy has the plant record something and refuse something, take on what it alerts of, and answer a request, so that
// there is all of it to show.
func busy(t *testing.T, a *app.App) {
	t.Helper()
	s := a.Site().View()
	do := func(role, kind string, ask any) error {
		var by haccp.Actor
		for _, p := range s.People() {
			if slices.Contains(p.RolesNow(), role) && !p.DisabledNow() {
				by = haccp.Actor{ID: p.ID, Name: p.Name, Role: role, Known: haccp.KnownPassword}
			}
		}
		_, err := a.Site().Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: a.Site().View().LastRecorded,
			AtKnown: haccp.AtServer, By: by, Ask: ask}})
		return err
	}
	check(t, do(haccp.RoleTechnician, haccp.KindNote, &haccp.Note{Text: "Looked at by a test."}))
	if err := do(haccp.RoleTechnician, haccp.KindNote, &haccp.Note{}); err == nil {
		t.Error("an empty note is recorded")
	}
	if len(s.Alerts()) == 0 { // a warm cold room
		check(t, do(haccp.RoleTechnician, haccp.KindReading, &haccp.Reading{Check: "cold-room-check", Place: "cold-room", Mode: "hand", Entries: []haccp.Entry{
			{Quantity: "temperature", Method: "thermometer", Instrument: "thermometer-2", Read: quantity.Exact(quantity.MustDecimal("9.0"), quantity.Celsius)}}}))
	}
	for _, x := range s.Alerts() {
		if x.Open() && x.Ack == nil {
			check(t, do(haccp.RoleManager, haccp.AskAcknowledge, &alarm.Acknowledged{Alerts: []string{x.Alert}, Doing: "Seen by a test."}))
		}
	}
	if status, _ := newClient(t, a.URL()).send("GET", "/healthz", nil); status != 200 {
		t.Errorf("healthz: %d", status)
	}
}

var (
	metricName   = regexp.MustCompile(`\b(linewarden|process|go)_[a-z0-9_]+\b`)
	recordedName = regexp.MustCompile(`\b[a-z_]+:linewarden_[a-z0-9_:]+\b`)
	parts        = regexp.MustCompile(`_(bucket|sum|count)$`)
)

// Every metric that a dashboard or a rule asks for is one that the service shows, or that a rule records; every panel of a
// recorded name has its rule.
func TestNamesExist(t *testing.T) {
	a := atWork(t)
	busy(t, a)
	families, done, err := a.Figures().Gather()
	check(t, err)
	var known []string
	for _, f := range families {
		known = append(known, f.GetName())
	}
	done()
	rules := map[string]string{}
	files, err := filepath.Glob(filepath.Join("..", "..", "alerts", "rules", "*.yml"))
	check(t, err)
	for _, name := range files {
		if !strings.HasSuffix(name, "_test.yml") {
			b, err := os.ReadFile(name)
			check(t, err)
			rules[filepath.Base(name)] = string(b)
		}
	}
	if len(rules) < 3 {
		t.Fatalf("%d files of rules", len(rules))
	}
	recorded := map[string]bool{}
	for _, text := range rules {
		for _, m := range regexp.MustCompile(`record: (\S+)`).FindAllStringSubmatch(text, -1) {
			recorded[m[1]] = true
		}
	}
	look := func(where, text string) {
		for _, name := range recordedName.FindAllString(text, -1) {
			if !recorded[name] {
				t.Errorf("%s asks for %s, which no rule records", where, name)
			}
		}
		for _, name := range metricName.FindAllString(recordedName.ReplaceAllString(text, ""), -1) {
			if !slices.Contains(known, name) && !slices.Contains(known, parts.ReplaceAllString(name, "")) {
				t.Errorf("%s asks for %s, which the service does not show", where, name)
			}
		}
	}
	n := 0
	for _, b := range board.All() {
		for _, q := range b.Asked() {
			look(q.Legend, q.Expr)
			n++
		}
	}
	for name, text := range rules {
		for _, m := range regexp.MustCompile(`(?s)expr: (.*?)\n\s+(?:for|labels|- record|- alert|#)|expr: (.*)$`).FindAllStringSubmatch(text, -1) {
			look(name, m[1]+m[2])
			n++
		}
	}
	if n < 60 {
		t.Errorf("only %d queries were looked at", n)
	}
}

// Every alert has its section in DEVELOPERS.md, under the address that it names.
func TestRunbooks(t *testing.T) {
	doc, err := os.ReadFile(filepath.Join("..", "..", "DEVELOPERS.md"))
	check(t, err)
	n := 0
	for _, name := range []string{"control.yml", "service.yml"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "alerts", "rules", name))
		check(t, err)
		for _, m := range regexp.MustCompile(`(?s)- alert: (\S+).*?runbook_url: '(\S+?)'`).FindAllStringSubmatch(string(b), -1) {
			n++
			if m[2] != "DEVELOPERS.md#"+strings.ToLower(m[1]) || !strings.Contains(string(doc), "\n### "+m[1]+"\n") {
				t.Errorf("%s: DEVELOPERS.md has no section for %s, or it is not %s", name, m[1], m[2])
			}
		}
		if strings.Count(string(b), "- alert: ") != strings.Count(string(b), "runbook_url: ") {
			t.Errorf("%s: an alert names no runbook", name)
		}
	}
	if n < 16 {
		t.Errorf("only %d alerts were looked at", n)
	}
}
