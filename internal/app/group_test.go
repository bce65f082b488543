package app_test

import (
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record/evidence"
)

const groupPassword = "a wet glove on the third hook"

// groupFolder makes a data folder with a group and two plants that belong to nothing yet. In the group stands
// one person: ada, its administrator.
func groupFolder(t *testing.T) string {
	t.Helper()
	dir, ctx := filepath.Join(t.TempDir(), "data"), t.Context()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	check(t, err)
	f, err := app.OpenFolder(ctx, dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	for _, id := range []string{"north", "south"} {
		r := planfile.Check("plan.yaml", src, plan.Options{Acts: haccp.Acts()})
		check(t, r.Errors.Err())
		r.Plan.Site, r.Plan.LiveFrom = id, time.Now().AddDate(1, 0, 0).Truncate(time.Second)
		check(t, f.Found(ctx, plant.Founding{Site: id, Name: "Plant " + id, Demo: true}, time.Now))
		site, err := f.Open(ctx, id, nil)
		check(t, err)
		_, _, err = app.SignPlan(ctx, site, app.PlanSigning{Plan: r.Plan, Source: src, By: app.Console(), Reason: "first",
			From: time.Now().Add(-24 * time.Hour), Now: time.Now()})
		check(t, err)
		check(t, site.Close(ctx))
	}
	check(t, f.FoundGroup(ctx, "Invented group", time.Now))
	site, err := f.Open(ctx, haccp.GroupID, nil)
	check(t, err)
	for _, c := range []haccp.PersonChange{{Change: "added", PersonBody: haccp.PersonBody{Person: "ada", Name: "Ada Test", SignIn: "ada"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "ada", Role: haccp.RoleAdministrator}}} {
		_, err := site.Do(ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(),
			AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
		check(t, err)
	}
	check(t, site.Close(ctx))
	return dir
}

// serveGroup starts a service of the folder and gives ada a password.
func serveGroup(t *testing.T, dir string) (*app.App, *client) {
	t.Helper()
	cfg := config.Default()
	cfg.Data, cfg.Listen = dir, "127.0.0.1:0"
	a, err := app.New(t.Context(), cfg, app.Parts{Access: quick()})
	check(t, err)
	t.Cleanup(func() { check(t, a.Stop(context.Background())) })
	check(t, a.Start())
	check(t, a.Wait(t.Context()))
	return a, choose(t, a, "ada", "ada")
}

// choose lets a person choose a password, which signs in.
func choose(t *testing.T, a *app.App, person, name string) *client {
	t.Helper()
	code, err := a.Door().IssueSetup(t.Context(), haccp.KnownConsole, person, time.Now())
	check(t, err)
	c := newClient(t, a.URL())
	c.form = text(c.want("POST", "/api/v1/password", obj{"name": name, "code": code, "password": groupPassword}, 200)["form_token"])
	return c
}

// A group's instance serves its sites under addresses of their own; people belong to the group and hold roles
// site by site; every site's log records its own people and verifies by itself.
func TestGroup(t *testing.T) {
	dir := groupFolder(t)
	a, ada := serveGroup(t, dir)
	if sites := ada.want("GET", "/api/v1/sites", nil, 200)["sites"].([]any); len(sites) != 0 {
		t.Fatalf("sites before any joined: %v", sites)
	}
	ada.want("POST", "/api/v1/sites", obj{"id": uuid.NewString(), "site": "west"}, 404)
	for _, id := range []string{"north", "south"} {
		ada.want("POST", "/api/v1/sites", obj{"id": uuid.NewString(), "site": id}, 201)
	}
	ready(t, a, ada, 2)
	tina := text(ada.want("POST", "/api/v1/people", obj{"id": uuid.NewString(), "name": "Tina Test", "sign_in": "tina"}, 201)["person"])
	ada.want("POST", "/api/v1/people/"+tina+"/site-roles", obj{"id": uuid.NewString(), "site": "north", "give": haccp.RoleTechnician}, 201)
	ada.want("POST", "/api/v1/people/"+tina+"/site-roles", obj{"id": uuid.NewString(), "site": "north", "give": haccp.RoleTechnician}, 409)

	worker := choose(t, a, tina, "tina")
	saved := worker.want("POST", "/api/v1/sites/north/readings", with(bathTest("121"), "id", uuid.NewString()), 201)
	if saved["verdict"] == nil {
		t.Errorf("reading: %v", saved)
	}
	worker.want("POST", "/api/v1/sites/south/readings", with(bathTest("121"), "id", uuid.NewString()), 401)
	worker.want("GET", "/api/v1/sites/north/site", nil, 200) // the visit next door has not ended the session
	worker.want("POST", "/api/v1/sites/west/readings", with(bathTest("121"), "id", uuid.NewString()), 404)
	worker.want("POST", "/api/v1/sites", obj{"id": uuid.NewString(), "site": "south"}, 403)
	if sites := worker.want("GET", "/api/v1/sites", nil, 200)["sites"].([]any); len(sites) != 1 || sites[0].(obj)["site"] != "north" {
		t.Errorf("a technician of one site sees %v", sites)
	}
	sites := ada.want("GET", "/api/v1/sites", nil, 200)["sites"].([]any)
	if len(sites) != 2 || len(sites[0].(obj)["points"].(obj)) == 0 || sites[0].(obj)["not_ready"] != nil {
		t.Errorf("the administrator sees %v", sites)
	}
	page := wantPage(t, worker, "/", "Plant north")
	if strings.Contains(page, "Plant south") {
		t.Error("the overview shows a site at which the person holds no role")
	}
	for _, path := range []string{"/sites/north/", "/sites/north/places", "/sites/north/checks/bath-test/bath-1"} {
		for _, found := range regexp.MustCompile(`(?:href|action)="(/[^"]*)"`).FindAllStringSubmatch(wantPage(t, worker, path, "Plant north"), -1) {
			if !strings.HasPrefix(found[1], "/sites/north/") && found[1] != "/" && !strings.HasPrefix(found[1], "/static/") {
				t.Errorf("%s leads out of the site, to %s", path, found[1])
			}
		}
	}
	nobody := newClient(t, a.URL())
	nobody.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	res, err := nobody.http.Get(a.URL() + "/sites/north/places")
	check(t, err)
	check(t, res.Body.Close())
	if to := res.Header.Get("Location"); to != "/sites/north/sign-in?back=%2Fplaces" {
		t.Errorf("who is not signed in is sent to %q", to)
	}

	ada.want("POST", "/api/v1/people/"+tina+"/disable", obj{"id": uuid.NewString()}, 201)
	worker.want("GET", "/api/v1/sites/north/site", nil, 401)
	ada.want("POST", "/api/v1/sites/south/retire", obj{"id": uuid.NewString(), "reason": "sold"}, 201)
	ada.want("GET", "/api/v1/sites/south/site", nil, 404)
	check(t, a.Stop(context.Background()))

	f, err := app.ReadFolder(t.Context(), dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	for _, id := range []string{"north", "south", haccp.GroupID} {
		log, err := f.Log(t.Context(), id)
		check(t, err)
		res, err := evidence.VerifyLog(t.Context(), id, log, evidence.VerifyOptions{})
		if err != nil || res.Fault != nil {
			t.Errorf("%s: %v %v", id, err, res.Fault)
		}
	}
	site, err := f.Open(t.Context(), "north", nil)
	check(t, err)
	defer func() { check(t, site.Close(context.Background())) }()
	p, ok := site.View().Person(tina)
	if !ok || p.Name != "Tina Test" || !p.DisabledNow() {
		t.Errorf("tina at north: %+v", p)
	}
	events, _, err := site.Find(t.Context(), plant.Query{About: "person:" + tina})
	check(t, err)
	for _, e := range events {
		if e.By.Role != haccp.RoleGroup {
			t.Errorf("record %d (%s) is by %+v", e.Seq, e.Kind, e.By)
		}
	}
}

// A person of a plant who is not the person of that id in the group is not taken for them, and nobody comes in
// who does not belong to the group.
func TestGroupTakesNobodyForSomebodyElse(t *testing.T) {
	dir := groupFolder(t)
	f, err := app.OpenFolder(t.Context(), dir, nil)
	check(t, err)
	site, err := f.Open(t.Context(), "north", nil)
	check(t, err)
	for _, c := range []haccp.PersonChange{{Change: "added", PersonBody: haccp.PersonBody{Person: "ada", Name: "Adan Other", SignIn: "adan"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "ada", Role: haccp.RoleTechnician}},
		{Change: "added", PersonBody: haccp.PersonBody{Person: "lone", Name: "Lone Other", SignIn: "lone"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "lone", Role: haccp.RoleTechnician}}} {
		_, err := site.Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(),
			AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
		check(t, err)
	}
	check(t, site.Close(context.Background()))
	check(t, f.Close())
	a, ada := serveGroup(t, dir)
	ada.want("POST", "/api/v1/sites", obj{"id": uuid.NewString(), "site": "north"}, 201)
	ready(t, a, ada, 1)
	ada.want("POST", "/api/v1/people/ada/site-roles", obj{"id": uuid.NewString(), "site": "north", "give": haccp.RoleManager}, 201)
	ada.want("POST", "/api/v1/sites/north/readings", with(bathTest("121"), "id", uuid.NewString()), 401)
	newClient(t, a.URL()).want("POST", "/api/v1/sites/north/session", obj{"name": "lone", "password": groupPassword}, 401)
}

// ready waits until the sites of the group record.
func ready(t *testing.T, a *app.App, c *client, want int) {
	t.Helper()
	for range 200 {
		n := 0
		for _, s := range c.want("GET", "/api/v1/sites", nil, 200)["sites"].([]any) {
			if s.(obj)["not_ready"] == nil {
				n++
			}
		}
		if n == want && a.Ready() == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatal("the sites do not become ready")
}

func with(o obj, name string, value any) obj {
	o[name] = value
	return o
}

func wantPage(t *testing.T, c *client, path, holds string) string {
	t.Helper()
	res, err := c.http.Get(c.url + path)
	check(t, err)
	b, err := io.ReadAll(res.Body)
	check(t, err)
	check(t, res.Body.Close())
	if res.StatusCode != http.StatusOK || !strings.Contains(string(b), holds) {
		t.Fatalf("%s: %d, without %q: %.500s", path, res.StatusCode, holds, b)
	}
	return string(b)
}
