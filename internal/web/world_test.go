package web

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"io"
	"log/slog"
	"maps"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/web/desk"
	"linewarden/internal/web/frame"
)

// world is a plant with its pages, over a store in memory, with a clock that only tests move.
type world struct {
	t       testing.TB
	now     time.Time
	site    *plant.Site
	door    *access.Gate
	pages   *Server
	app     *fiber.App
	cookies map[string]string
	lang    string
}

const testPassword = "quiet river stones nine"

var start = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) // Monday, 06:00 in America/Merida

type people struct{ w *world }

func (d people) Person(id string) (access.Person, bool) {
	p, ok := d.w.site.View().Person(id)
	if !ok {
		return access.Person{}, false
	}
	return access.Person{ID: p.ID, Name: p.Name, SignIn: p.SignIn, Roles: p.RolesNow(), Disabled: p.DisabledNow()}, true
}

func (d people) ByName(name string) (access.Person, bool) {
	p, ok := d.w.site.View().PersonBySignIn(name)
	if !ok {
		return access.Person{}, false
	}
	return d.Person(p.ID)
}

func (d people) Device(id string) (access.Device, bool) {
	for _, x := range d.w.site.View().Devices() {
		if x.ID == id {
			return access.Device{ID: x.ID, Name: x.Name, Revoked: !x.Revoked.IsZero()}, true
		}
	}
	return access.Device{}, false
}

// happened records the devices that the door tells of; the rest is not looked at here.
func (w *world) happened(_ context.Context, h access.Happening) error {
	change := map[string]string{access.DeviceEnrolled: "enrolled", access.DeviceRevoked: "revoked"}[string(h.Kind)]
	if change != "" {
		w.do(haccp.AskDevice, consoleActor, &haccp.DeviceChange{Change: change, DeviceBody: haccp.DeviceBody{Device: h.Device, Name: h.DeviceName}})
	}
	return nil
}

func newWorld(t testing.TB) *world {
	t.Helper()
	w := &world{t: t, now: start, cookies: map[string]string{}, lang: "en"}
	ctx := context.Background()
	p, src := demoPlan(t)
	logID, err := record.NewLogID(rand.Reader)
	w.must(err)
	secret, _, err := record.GenerateKey(rand.Reader, p.Site, logID)
	w.must(err)
	signer, err := record.NewSigner(secret)
	w.must(err)
	o := plant.Options{Log: memstore.New().Site(p.Site), Signer: signer, Zones: time.LoadLocation, Clock: func() time.Time { return w.now }}
	w.must(plant.Found(ctx, o, plant.Founding{Site: p.Site, Name: "Vallequince leaf-gel plant", Demo: true}))
	w.site, err = plant.Open(ctx, o)
	w.must(err)
	t.Cleanup(func() { _ = w.site.Close(context.Background()) })
	set := access.Defaults()
	set.Params, set.WeakHashes, set.Demo = access.Params{Memory: 8, Time: 1, Threads: 1}, true, true
	w.door, err = access.New(access.Parts{Accounts: memstore.NewAccounts(), Directory: people{w},
		Report: w.happened, Log: slog.New(slog.DiscardHandler)}, set)
	w.must(err)
	w.staff()
	w.signPlan(p, src)
	w.serve()
	return w
}

func (w *world) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

func demoPlan(t testing.TB) (*plan.Plan, []byte) {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r := planfile.Check("plan.yaml", src, plan.Options{})
	if r.Plan == nil {
		t.Fatal(r.Errors)
	}
	return r.Plan, src
}

var consoleActor = haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}

func (w *world) do(kind string, by haccp.Actor, ask any) []*haccp.Event {
	w.t.Helper()
	r, err := w.site.Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: w.now,
		AtKnown: haccp.AtServer, By: by, Ask: ask}})
	w.must(err)
	return r.Events
}

// staff adds one person for each role: Inés (technician), Leo (line lead), Marta (manager), Ana (administrator).
func (w *world) staff() {
	for _, x := range [][3]string{{"ines", "Inés Robledo", haccp.RoleTechnician}, {"leo", "Leo Paredes", haccp.RoleLineLead},
		{"marta", "Marta Quijano", haccp.RoleManager}, {"ana", "Ana Solís", haccp.RoleAdministrator}, {"olga", "Olga Vera", haccp.RoleAuditor}} {
		body := haccp.PersonBody{Person: x[0], Name: x[1], SignIn: x[0]}
		w.do(haccp.AskPerson, consoleActor, &haccp.PersonChange{Change: "added", PersonBody: body})
		w.do(haccp.AskPerson, consoleActor, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: x[0], Role: x[2]}})
		code, err := w.door.IssueSetup(context.Background(), "", x[0], w.now)
		w.must(err)
		_, err = w.door.FinishSetup(context.Background(), x[0], code, testPassword, access.Source{}, w.now)
		w.must(err)
	}
}

func (w *world) signPlan(p *plan.Plan, src []byte) {
	head := w.site.Head()
	w.do(haccp.AskSignPlan, consoleActor, &haccp.SignPlan{Plan: p, Source: string(src), Reason: "first plan", Signature: haccp.Signature{
		Head: haccp.Head{Size: head.Size, Root: base64.StdEncoding.EncodeToString(head.Root[:])}, Language: "en",
		Meaning: haccp.MeaningPlan, Statement: "I approve this plan."}})
}

func (w *world) serve() {
	var err error
	w.pages, err = New(Options{Site: w.site, Clock: func() time.Time { return w.now }, Logger: slog.New(slog.DiscardHandler),
		Authority: desk.Authority{Fingerprint: "0A:1B", Address: func() string { return "https://plant.test/plant-authority.crt" }}})
	w.must(err)
	logger := slog.New(slog.DiscardHandler)
	if testing.Verbose() {
		logger = slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	}
	g, err := gate.New(gate.Options{Door: w.door, Clock: func() time.Time { return w.now }, Page: w.pages.Problem, Logger: logger})
	w.must(err)
	w.pages.UseGate(g)
	w.app = fiber.New(g.Config())
	g.Use(w.app)
	w.pages.Register(w.app)
}

// answer is what a page answered.
type answer struct {
	status   int
	body     string
	location string
	header   http.Header
}

func (w *world) send(method, path string, form url.Values) answer {
	w.t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	return w.sendBody(method, path, body, "application/x-www-form-urlencoded")
}

func (w *world) sendBody(method, path string, body io.Reader, kind string) answer {
	w.t.Helper()
	r := httptest.NewRequest(method, path, body)
	r.Host = "plant.test"
	r.Header.Set("Accept-Language", w.lang)
	if body != nil {
		r.Header.Set("Content-Type", kind)
		r.Header.Set("Origin", "http://plant.test")
	}
	for k, v := range w.cookies {
		r.AddCookie(&http.Cookie{Name: k, Value: v})
	}
	res, err := w.app.Test(r, -1)
	w.must(err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	w.must(err)
	for _, c := range res.Cookies() {
		w.cookies[c.Name] = c.Value
	}
	return answer{res.StatusCode, string(b), res.Header.Get("Location"), res.Header}
}

func (w *world) get(path string) answer {
	w.t.Helper()
	return w.send("GET", path, nil)
}

// page gets a path that must be there.
func (w *world) page(path string) string {
	w.t.Helper()
	a := w.get(path)
	if a.status != 200 {
		w.t.Fatalf("GET %s: %d\n%s", path, a.status, frame.Text(bytes.TrimSpace([]byte(a.body))))
	}
	return a.body
}

func (w *world) signIn(name string) {
	w.t.Helper()
	w.cookies = map[string]string{}
	a := w.send("POST", "/sign-in", url.Values{"name": {name}, "password": {testPassword}})
	if a.status != 303 || w.cookies["linewarden"] == "" {
		w.t.Fatalf("sign in as %s: %d %s", name, a.status, a.body)
	}
}

var hidden = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`)

// submit opens a page, takes its hidden fields and sends it with the values given.
func (w *world) submit(page, action string, values url.Values) answer {
	w.t.Helper()
	body := w.page(page)
	i := strings.Index(body, `action="`+action+`"`)
	if i < 0 {
		w.t.Fatalf("%s has no form for %s", page, action)
	}
	end := strings.Index(body[i:], "</form>")
	form := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(body[i:i+end], -1) {
		form.Set(m[1], unescape(m[2]))
	}
	maps.Copy(form, values)
	return w.send("POST", action, form)
}

// upload sends a plan file with the form of a page, as a browser does.
func (w *world) upload(path, source string) answer {
	w.t.Helper()
	body := w.page(path)
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	i := strings.Index(body, `enctype="multipart/form-data"`)
	for _, h := range hidden.FindAllStringSubmatch(body[i:], -1) {
		w.must(m.WriteField(h[1], unescape(h[2])))
	}
	f, err := m.CreateFormFile("file", "new.yaml")
	w.must(err)
	_, err = f.Write([]byte(source))
	w.must(err)
	w.must(m.Close())
	return w.sendBody("POST", path, &b, m.FormDataContentType())
}

// planSource is the file of the demo plan.
func (w *world) planSource() string {
	w.t.Helper()
	_, src := demoPlan(w.t)
	return string(src)
}

func unescape(s string) string {
	return strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&#43;", "+", "&lt;", "<", "&gt;", ">", "&amp;", "&").Replace(s)
}

func exact(n, u string) quantity.Value {
	return quantity.Exact(quantity.MustDecimal(n), quantity.Unit(u))
}

func actor(id, name, role string) haccp.Actor {
	return haccp.Actor{ID: id, Name: name, Role: role, Known: haccp.KnownPassword}
}

var (
	ines = actor("ines", "Inés Robledo", haccp.RoleTechnician)
	leo  = actor("leo", "Leo Paredes", haccp.RoleLineLead)
)

// test logs a bath test with a free chlorine and a pH.
func (w *world) test(bath, chlorine, ph string) {
	w.t.Helper()
	w.do(haccp.KindReading, ines, &haccp.Reading{Check: "bath-test", Place: bath, Mode: "hand", Entries: []haccp.Entry{
		{Quantity: "free_chlorine", Method: "chlorine-titration", Read: exact(chlorine, "mg/L")}, {Quantity: "ph", Read: exact(ph, "pH")},
		{Quantity: "temperature", Read: exact("17.5", "°C")}, {Quantity: "salt", Read: exact("30", "g/L")}}})
}

// running fills both baths, tests them and starts the line.
func (w *world) running() {
	w.t.Helper()
	for _, b := range []string{"bath-1", "bath-2"} {
		level := exact("62", "cm")
		w.do(haccp.KindFilled, ines, &haccp.Bath{Place: b, Water: "municipal", Level: &level})
	}
	w.now = w.now.Add(10 * time.Minute)
	w.test("bath-1", "122", "6.75")
	w.test("bath-2", "118", "6.80")
	w.now = w.now.Add(5 * time.Minute)
	var items []haccp.PreOp
	for _, id := range []string{"clean-seen", "blades-in", "rinse-clear", "tools-out"} {
		items = append(items, haccp.PreOp{At: w.now, By: "leo", Item: id, OK: true})
	}
	w.do(haccp.AskStart, leo, &haccp.LineStarted{Line: "line-1", PreOp: items})
	w.now = w.now.Add(20 * time.Minute)
}
