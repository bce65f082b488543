package benchmark_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/api"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

// whole is our service as it is served: gate, sessions, API, pages, timetable, rules, log.
type whole struct {
	app       *app.App
	site      *plant.Site
	addr      string
	tokens    []session
	scattered bool // see client
}

// session is what a signed-in browser holds.
type session struct{ cookie, form string }

// startWhole founds a demo site, serves it, signs the demo plant's plan and signs everybody in.
func startWhole(tb testing.TB) side {
	tb.Helper()
	ctx := context.Background()
	text, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	check(tb, err)
	r := planfile.Check("plan.yaml", text, plan.Options{})
	if r.Plan == nil {
		tb.Fatal(r.Errors)
	}
	folder, err := app.OpenFolder(ctx, tb.TempDir(), nil)
	check(tb, err)
	check(tb, folder.Found(ctx, plant.Founding{Site: r.Plan.Site, Name: r.Plan.Name, Demo: true}, time.Now))
	set := access.Defaults()
	set.Params, set.WeakHashes = access.Params{Memory: 8, Time: 1, Threads: 1}, true // signing in is not measured
	cfg := config.Default()
	cfg.Data, cfg.Listen = folder.Dir, "127.0.0.1:0"
	s := &whole{}
	s.app, err = app.New(ctx, cfg, app.Parts{Home: folder, Access: &set})
	check(tb, err)
	check(tb, s.app.Start())
	check(tb, s.app.Wait(ctx))
	s.site, s.addr = s.app.Site(), s.app.Addr()
	_, _, err = app.SignPlan(ctx, s.site, app.PlanSigning{Plan: r.Plan, Source: text, By: app.Console(), Reason: "first plan",
		From: time.Now().AddDate(0, 0, -1), Now: time.Now()})
	check(tb, err)
	s.signIn(tb, s.app.Door())
	return s
}

func check(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
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
	if err := s.app.Stop(context.Background()); err != nil {
		tb.Error(err)
	}
	return int(n)
}
