package benchmark_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/api"
	"linewarden/internal/app"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

// whole is our service on a data folder: gate, sessions, API, rules, log.
type whole struct {
	folder    *app.Folder
	site      *plant.Site
	fiber     *fiber.App
	addr      string
	tokens    []session
	scattered bool // see client
}

// session is what a signed-in browser holds.
type session struct{ cookie, form string }

// startWhole founds a demo site with people, signs the demo plant's plan, serves it and signs everybody in.
func startWhole(tb testing.TB) side {
	tb.Helper()
	ctx := context.Background()
	text, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	check(tb, err)
	r := planfile.Check("plan.yaml", text, plan.Options{})
	if r.Plan == nil {
		tb.Fatal(r.Errors)
	}
	s := &whole{}
	s.folder, err = app.OpenFolder(ctx, tb.TempDir(), nil)
	check(tb, err)
	check(tb, s.folder.Found(ctx, plant.Founding{Site: r.Plan.Site, Name: r.Plan.Name, Demo: true}, time.Now))
	o, err := s.folder.Options(ctx, r.Plan.Site)
	check(tb, err)
	reg := prometheus.NewRegistry()
	o.Registerer, o.Clock, o.Logger = reg, time.Now, slog.New(slog.DiscardHandler)
	s.site, err = plant.Open(ctx, o)
	check(tb, err)
	_, _, err = app.SignPlan(ctx, s.site, app.PlanSigning{Plan: r.Plan, Source: text, By: app.Console(), Reason: "first plan",
		From: time.Now().AddDate(0, 0, -1), Now: time.Now()})
	check(tb, err)
	s.serve(tb, reg)
	return s
}

func check(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

func (s *whole) serve(tb testing.TB, reg prometheus.Registerer) {
	ctx := context.Background()
	set := access.Defaults()
	set.Params, set.WeakHashes = access.Params{Memory: 8, Time: 1, Threads: 1}, true // signing in is not measured
	door, err := s.folder.Door(ctx, s.site, set, app.DoorOptions{Registerer: reg})
	check(tb, err)
	g, err := gate.New(gate.Options{Door: door, Clock: time.Now, Registerer: reg})
	check(tb, err)
	a, err := api.New(api.Options{Site: s.site, Evidence: s.site, Gate: g,
		CheckPlan: func(text []byte) planfile.Report { return planfile.Check("plan.yaml", text, plan.Options{}) }})
	check(tb, err)
	s.fiber = fiber.New(g.Config())
	g.Use(s.fiber)
	a.Mount(s.fiber)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	check(tb, err)
	s.addr = l.Addr().String()
	go func() { _ = s.fiber.Listener(gate.Listener(l)) }()
	s.signIn(tb, door)
}

// signIn adds the people and signs them in through the API.
func (s *whole) signIn(tb testing.TB, door *access.Gate) {
	var ids []string
	for n := range people {
		id := fmt.Sprintf("person-%d", n)
		ids = append(ids, id)
		s.console(tb, haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: id, Name: fmt.Sprintf("Test Person %d", n), SignIn: id}})
		s.console(tb, haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: id, Role: haccp.RoleTechnician}})
	}
	passwords, err := door.DemoPasswords(context.Background(), ids, time.Now())
	check(tb, err)
	for _, id := range ids {
		body, err := json.Marshal(map[string]string{"name": id, "password": passwords[id]})
		check(tb, err)
		resp, err := http.Post("http://"+s.addr+"/api/v1/session", "application/json", bytes.NewReader(body))
		check(tb, err)
		answer, err := io.ReadAll(resp.Body)
		check(tb, errors.Join(err, resp.Body.Close()))
		var in struct {
			FormToken string `json:"form_token"`
		}
		check(tb, json.Unmarshal(answer, &in))
		if resp.StatusCode != http.StatusOK || len(resp.Cookies()) != 1 || in.FormToken == "" {
			tb.Fatalf("sign in: %d %s", resp.StatusCode, answer)
		}
		s.tokens = append(s.tokens, session{resp.Cookies()[0].Name + "=" + resp.Cookies()[0].Value, in.FormToken})
	}
}

func (s *whole) console(tb testing.TB, c haccp.PersonChange) {
	_, err := s.site.Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson,
		At: time.Now(), AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
	check(tb, err)
}

func (s *whole) dial(tb testing.TB, n int) *client {
	t := s.tokens[n%people]
	headers := "Cookie: " + t.cookie + "\r\n" + gate.FormHeader + ": " + t.form + "\r\nOrigin: http://" + s.addr + "\r\nSec-Fetch-Site: same-origin\r\n"
	c := dialTo(tb, s.addr, api.Base+"/readings", headers, n)
	c.scattered = s.scattered
	return c
}

func (s *whole) stop(tb testing.TB) int {
	tb.Helper()
	n := s.site.View().Counts.Readings
	ctx := context.Background()
	if err := errors.Join(s.fiber.Shutdown(), s.site.Close(ctx), s.folder.Close()); err != nil {
		tb.Error(err)
	}
	return int(n)
}
