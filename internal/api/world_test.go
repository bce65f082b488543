package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

var monday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) // 06:00 in America/Merida

// world is a running service over memory: site, access, gate and API, with a clock that stands.
type world struct {
	t      testing.TB
	site   *plant.Site
	door   *access.Gate
	api    *API
	app    *fiber.App
	mu     sync.Mutex
	now    time.Time
	passes map[string]string
	logged *bytes.Buffer
}

func (w *world) clock() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

func (w *world) later(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = w.now.Add(d)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

var console = haccp.Actor{ID: "console", Name: "Console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}

var staff = []struct{ id, role string }{{"tina", haccp.RoleTechnician}, {"teo", haccp.RoleTechnician}, {"lea", haccp.RoleLineLead},
	{"lara", haccp.RoleLaboratory}, {"mara", haccp.RoleManager}, {"milo", haccp.RoleManager}, {"aldo", haccp.RoleAuditor}, {"ada", haccp.RoleAdministrator}}

func demoSource(t testing.TB) []byte {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	must(t, err)
	return src
}

func checkPlan(src []byte) planfile.Report { return planfile.Check("plan.yaml", src, plan.Options{}) }

// newWorld founds a demo site with a plan and its staff.
func newWorld(t testing.TB) *world {
	t.Helper()
	w := &world{t: t, now: monday, passes: map[string]string{}, logged: &bytes.Buffer{}}
	src := demoSource(t)
	rep := checkPlan(src)
	if rep.Plan == nil {
		t.Fatal(rep.Errors)
	}
	name := rep.Plan.Site
	logID, err := record.NewLogID(rand.Reader)
	must(t, err)
	secret, _, err := record.GenerateKey(rand.Reader, name, logID)
	must(t, err)
	signer, err := record.NewSigner(secret)
	must(t, err)
	store := memstore.New().Site(name)
	o := plant.Options{Log: store, Signer: signer, Zones: time.LoadLocation, Clock: w.clock}
	ctx := context.Background()
	must(t, plant.Found(ctx, o, plant.Founding{Site: name, Name: "Test plant", Demo: true}))
	w.site, err = plant.Open(ctx, o)
	must(t, err)
	t.Cleanup(func() { must(t, w.site.Close(context.Background())) })
	for _, p := range staff {
		w.console(haccp.AskPerson, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: p.id, Name: strings.ToUpper(p.id), SignIn: p.id}})
		w.console(haccp.AskPerson, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: p.id, Role: p.role}})
	}
	head := w.site.Head()
	w.console(haccp.AskSignPlan, &haccp.SignPlan{From: w.now.AddDate(-1, 0, 0), Plan: rep.Plan, Reason: "first", Source: string(src),
		Signature: haccp.Signature{Meaning: haccp.MeaningPlan, Statement: "I approve", Language: "en", Head: headOf(head)}})
	w.serve()
	w.later(time.Minute)
	return w
}

func (w *world) console(kind string, ask any) {
	w.t.Helper()
	_, err := w.site.Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: w.clock(),
		AtKnown: haccp.AtServer, By: console, Ask: ask}})
	must(w.t, err)
}

func (w *world) serve() {
	set := access.Defaults()
	set.Params, set.WeakHashes, set.Demo = access.Params{Memory: 8, Time: 1, Threads: 1}, true, true
	logger := slog.New(slog.NewTextHandler(&lockedWriter{w: w.logged}, &slog.HandlerOptions{Level: slog.LevelDebug}))
	var err error
	w.door, err = access.New(access.Parts{Accounts: memstore.NewAccounts(), Directory: folk{w.site}, Report: w.happened, Log: logger}, set)
	must(w.t, err)
	var ids []string
	for _, p := range staff {
		ids = append(ids, p.id)
	}
	w.passes, err = w.door.DemoPasswords(context.Background(), ids, w.now)
	must(w.t, err)
	g, err := gate.New(gate.Options{Door: w.door, Clock: w.clock, Logger: logger})
	must(w.t, err)
	w.api, err = New(Options{Site: w.site, Evidence: w.site, Gate: g, CheckPlan: checkPlan, Logger: logger,
		Cautions: func(string) []string { return []string{"Never mix hypochlorite with acid."} },
		LogCSV: func(out io.Writer, _ string, l haccp.Log, note string) error {
			_, err := io.WriteString(out, l.Site+"\n"+note)
			return err
		}})
	must(w.t, err)
	w.app = fiber.New(g.Config())
	g.Use(w.app)
	w.api.Mount(w.app)
}

type lockedWriter struct {
	mu sync.Mutex
	w  *bytes.Buffer
}

func (l *lockedWriter) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

// folk is the directory over the published view.
type folk struct{ site *plant.Site }

func (f folk) Person(id string) (access.Person, bool) { return folkPerson(f.site.View().Person(id)) }

func (f folk) ByName(n string) (access.Person, bool) {
	return folkPerson(f.site.View().PersonBySignIn(n))
}

func folkPerson(p *haccp.Person, ok bool) (access.Person, bool) {
	if !ok {
		return access.Person{}, false
	}
	return access.Person{ID: p.ID, Name: p.Name, SignIn: p.SignIn, Roles: p.RolesNow(), Disabled: p.DisabledNow()}, true
}

func (f folk) Device(id string) (access.Device, bool) {
	d, ok := f.site.View().Device(id)
	if !ok {
		return access.Device{}, false
	}
	return access.Device{ID: d.ID, Name: d.Name, Revoked: !d.Revoked.IsZero()}, true
}

// happened records what access noticed.
func (w *world) happened(ctx context.Context, h access.Happening) error {
	c := &haccp.Command{ID: h.ID, At: h.At, AtKnown: haccp.AtServer}
	switch h.Kind {
	case access.DeviceEnrolled, access.DeviceRevoked:
		change := map[string]string{access.DeviceEnrolled: "enrolled", access.DeviceRevoked: "revoked"}[h.Kind]
		c.Kind, c.By = haccp.AskDevice, console
		c.Ask = &haccp.DeviceChange{Change: change, DeviceBody: haccp.DeviceBody{Device: h.Device, Name: h.DeviceName}}
	default:
		c.Kind = haccp.AskSecurity
		c.By = haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}
		c.Ask = &haccp.SecurityHappened{Kind: h.Kind, PersonBody: haccp.PersonBody{Person: h.Person, What: h.What}}
	}
	_, err := w.site.Do(ctx, plant.Request{Command: c})
	return err
}

// client is a browser or a device.
type client struct {
	w      *world
	cookie string
	form   string
	bearer string
	header map[string]string
}

// response is an answer read to its end.
type response struct {
	t      testing.TB
	req    *http.Request
	sent   []byte
	status int
	header http.Header
	body   []byte
}

func (w *world) nobody() *client { return &client{w: w, header: map[string]string{}} }

// as signs in by password.
func (w *world) as(name string) *client {
	w.t.Helper()
	c := w.nobody()
	r := c.do("POST", "/session", obj{"name": name, "password": w.passes[name]})
	r.want(200)
	c.form, _ = r.object()["form_token"].(string)
	for _, ck := range (&http.Response{Header: r.header}).Cookies() {
		if ck.Name == "linewarden" {
			c.cookie = ck.Name + "=" + ck.Value
		}
	}
	if c.cookie == "" || c.form == "" {
		w.t.Fatalf("no session: %s", r.body)
	}
	return c
}

type obj = map[string]any

// do sends a request; body is bytes, text or something to encode.
func (c *client) do(method, path string, body any) *response {
	c.w.t.Helper()
	var raw []byte
	media := "application/json"
	switch b := body.(type) {
	case nil:
	case []byte:
		raw = b
	case string:
		raw = []byte(b)
	default:
		var err error
		raw, err = json.Marshal(b)
		must(c.w.t, err)
	}
	req := httptest.NewRequest(method, Base+path, bytes.NewReader(raw))
	if body != nil {
		req.Header.Set("Content-Type", media)
	}
	if c.cookie != "" {
		req.Header.Set("Cookie", c.cookie)
	}
	if c.form != "" {
		req.Header.Set("X-Form-Token", c.form)
	}
	if c.bearer != "" {
		req.Header.Set("Authorization", "Bearer "+c.bearer)
	}
	for k, v := range c.header {
		req.Header.Set(k, v)
	}
	resp, err := c.w.app.Test(req, -1)
	must(c.w.t, err)
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	must(c.w.t, err)
	r := &response{t: c.w.t, req: req, sent: raw, status: resp.StatusCode, header: resp.Header, body: out}
	validate(r)
	return r
}

func (r *response) want(status int) *response {
	r.t.Helper()
	if r.status != status {
		r.t.Fatalf("%s %s: status %d, want %d: %s\nsent: %.500s", r.req.Method, r.req.URL, r.status, status, r.body, r.sent)
	}
	return r
}

func (r *response) object() obj {
	r.t.Helper()
	var o obj
	if err := json.Unmarshal(r.body, &o); err != nil {
		r.t.Fatalf("%s: %v: %s", r.req.URL, err, r.body)
	}
	return o
}

// problem checks that the answer is a problem document with a code and a field.
func (r *response) problem(status int, code, field string) *response {
	r.t.Helper()
	r.want(status)
	o := r.object()
	got, _ := o["field"].(string)
	if r.header.Get("Content-Type") != gate.ProblemType || o["code"] != code || got != field || o["detail"] == "" || o["title"] == "" {
		r.t.Errorf("%s %s: want code %q field %q: %s\nsent: %.300s", r.req.Method, r.req.URL, code, field, r.body, r.sent)
	}
	return r
}

func id() string { return uuid.NewString() }

// reading is a bath test inside all limits.
func reading(mods ...func(obj)) obj {
	o := obj{"id": id(), "check": "bath-test", "place": "bath-1", "entries": []obj{
		{"quantity": "free_chlorine", "read": obj{"value": "120", "unit": "mg/L"}, "method": "chlorine-titration"},
		{"quantity": "ph", "read": obj{"value": "6.75", "unit": "pH"}},
		{"quantity": "salt", "read": obj{"value": "30", "unit": "g/L"}},
		{"quantity": "temperature", "read": obj{"value": "15.0", "unit": "°C"}},
	}}
	for _, m := range mods {
		m(o)
	}
	return o
}

func (w *world) signature() obj {
	h := headOf(w.site.Head())
	return obj{"statement": "I have looked at it.", "language": "en", "head": obj{"size": h.Size, "root": h.Root}}
}
