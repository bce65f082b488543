package gate

import (
	"bytes"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/plant"
	"linewarden/internal/wording"
)

// server is an app behind a gate without a door: nobody signs in here.
func server(t *testing.T, o Options) (*fiber.App, *Gate) {
	t.Helper()
	o.Door, o.Clock = new(access.Gate), time.Now
	g, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	app := fiber.New(g.Config())
	g.Use(app)
	return app, g
}

func ask(t *testing.T, app *fiber.App, path string, header map[string]string) (*http.Response, string) {
	t.Helper()
	req := httptest.NewRequest(http.MethodGet, path, nil)
	for k, v := range header {
		req.Header.Set(k, v)
	}
	resp, err := app.Test(req, -1)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(body)
}

func TestNewWantsItsParts(t *testing.T) {
	if _, err := New(Options{}); err == nil {
		t.Error("a gate without a door was made")
	}
}

// TestAddress: app.Test speaks from 0.0.0.0, which stands for the proxy here.
func TestAddress(t *testing.T) {
	proxy := []netip.Prefix{netip.MustParsePrefix("0.0.0.0/32"), netip.MustParsePrefix("10.0.0.0/8")}
	for _, x := range []struct {
		name      string
		proxies   []netip.Prefix
		forwarded string
		want      string
	}{
		{"no proxy trusted", nil, "203.0.113.9", "0.0.0.0"},
		{"one", proxy, "203.0.113.9", "203.0.113.9"},
		{"written by the client", proxy, "198.51.100.1, 203.0.113.9", "203.0.113.9"},
		{"two proxies", proxy, "198.51.100.1, 203.0.113.9, 10.1.2.3", "203.0.113.9"},
		{"nothing", proxy, "", "0.0.0.0"},
		{"nonsense", proxy, "203.0.113.9, unknown", "0.0.0.0"},
		{"only proxies", proxy, "10.1.2.3", "0.0.0.0"},
	} {
		app, g := server(t, Options{Proxies: x.proxies})
		app.Get("/", func(c *fiber.Ctx) error { return c.SendString(g.Address(c)) })
		if _, got := ask(t, app, "/", map[string]string{"X-Forwarded-For": x.forwarded}); got != x.want {
			t.Errorf("%s: %s, want %s", x.name, got, x.want)
		}
	}
}

// On localhost a promise of https would hold for every program of the machine, on every port.
func TestNoTransportPromiseForLocalhost(t *testing.T) {
	app, _ := server(t, Options{TLS: true})
	app.Get("/page", func(c *fiber.Ctx) error { return c.SendString("x") })
	for host, want := range map[string]bool{"localhost": false, "localhost:8080": false, "wash-hall.example:8443": true, "localhost.example": true} {
		resp, _ := ask(t, app, "https://"+host+"/page", nil)
		if got := resp.Header.Get("Strict-Transport-Security") != ""; got != want {
			t.Errorf("%s: HSTS %v, want %v", host, got, want)
		}
	}
}

func TestHeadersAndCookies(t *testing.T) {
	for _, x := range []struct {
		name   string
		o      Options
		proto  string
		secure bool
	}{
		{"plain", Options{}, "", false},
		{"plain, client says https", Options{}, "https", false},
		{"TLS", Options{TLS: true}, "", true},
		{"behind proxy", Options{Proxies: []netip.Prefix{netip.MustParsePrefix("0.0.0.0/32")}}, "https", true},
		{"behind proxy, plain", Options{Proxies: []netip.Prefix{netip.MustParsePrefix("0.0.0.0/32")}}, "http", false},
	} {
		app, g := server(t, x.o)
		app.Get("/page", func(c *fiber.Ctx) error {
			g.SignedIn(c, access.Opened{Token: "secret"})
			return c.SendString("x")
		})
		resp, _ := ask(t, app, "/page", map[string]string{"X-Forwarded-Proto": x.proto})
		ck := resp.Cookies()[0]
		if !ck.HttpOnly || ck.SameSite != http.SameSiteStrictMode || ck.Path != "/" || ck.Secure != x.secure || ck.Domain != "" || ck.MaxAge != 0 {
			t.Errorf("%s: cookie %s", x.name, resp.Header.Get("Set-Cookie"))
		}
		if strings.HasPrefix(ck.Name, "__Host-") != x.secure || (resp.Header.Get("Strict-Transport-Security") != "") != x.secure {
			t.Errorf("%s: cookie %s, HSTS %q", x.name, ck.Name, resp.Header.Get("Strict-Transport-Security"))
		}
		csp := resp.Header.Get("Content-Security-Policy")
		if strings.Contains(csp, "unsafe") || !strings.Contains(csp, "frame-ancestors 'none'") || !strings.Contains(csp, "default-src 'none'") {
			t.Errorf("%s: policy %q", x.name, csp)
		}
		for h, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-store", "X-Frame-Options": "DENY"} {
			if got := resp.Header.Get(h); got != want {
				t.Errorf("%s: %s is %q, want %q", x.name, h, got, want)
			}
		}
	}
}

// TestProblems holds the table of errors against the statuses of the contract.
func TestProblems(t *testing.T) {
	app, _ := server(t, Options{})
	var fail error
	app.Get("/api/x", func(*fiber.Ctx) error { return fail })
	for _, x := range []struct {
		err    error
		status int
		code   string
		retry  bool
	}{
		{&haccp.Refusal{Kind: haccp.ErrInvalid, Code: "missing"}, 422, "missing", false},
		{fmt.Errorf("wrapped: %w", &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "no-record"}), 404, "no-record", false},
		{&haccp.Refusal{Kind: haccp.ErrConflict, Code: "id-used"}, 409, "id-used", false},
		{&haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not"}, 403, "role-may-not", false},
		{fmt.Errorf("bare: %w", haccp.ErrConflict), 409, "refused", false},
		{&plant.BusyError{After: 3 * time.Second}, 503, "busy", true},
		{plant.ErrReplaying, 503, "replaying", true},
		{fmt.Errorf("x: %w", plant.ErrStopped), 503, "stopped", true},
		{plant.ErrClosed, 503, "closed", true},
		{access.ErrSession, 401, "not-signed-in", false},
		{access.ErrSignIn, 401, "sign-in", false},
		{&access.Wait{Err: access.ErrLocked, After: time.Minute}, 429, "locked", true},
		{&access.Wait{Err: access.ErrBusy, After: time.Second}, 503, "busy", true},
		{&access.Weak{Reason: access.WeakPIN}, 422, "weak-pin", false},
		{access.ErrCrossSite, 403, "cross-site", false},
		{errors.New("disk /var/secret is full"), 500, "internal", false},
		{fiber.ErrRequestTimeout, 408, "too-slow", false},
	} {
		fail = x.err
		resp, body := ask(t, app, "/api/x", nil)
		if resp.StatusCode != x.status || !strings.Contains(body, `"code":"`+x.code+`"`) || (resp.Header.Get("Retry-After") != "") != x.retry || strings.Contains(body, "secret") {
			t.Errorf("%v: %d %s %v", x.err, resp.StatusCode, body, resp.Header)
		}
	}
}

func TestPointer(t *testing.T) {
	for field, want := range map[string]string{"": "", "at": "#/at", "entries[0].read.value": "#/entries/0/read/value", "lots[12]": "#/lots/12", "a[1][2]": "#/a/1/2"} {
		if got := Pointer(field); got != want {
			t.Errorf("%q: %q, want %q", field, got, want)
		}
	}
}

// TestPanicDoesNotEndTheService: the answer hides it, the log has it, and a page is asked for where a person looks.
func TestPanicDoesNotEndTheService(t *testing.T) {
	var log bytes.Buffer
	app, _ := server(t, Options{Logger: slog.New(slog.NewTextHandler(&log, nil)), Page: func(c *fiber.Ctx, p *Problem) error {
		return c.Status(p.Status).SendString("page " + p.Code)
	}})
	app.Get("/page", func(*fiber.Ctx) error { panic("secret inside") })
	resp, body := ask(t, app, "/page", nil)
	if resp.StatusCode != 500 || body != "page internal" || !strings.Contains(log.String(), "secret inside") {
		t.Errorf("%d %q %s", resp.StatusCode, body, log.String())
	}
	if _, body := ask(t, app, "/nowhere", nil); body != "page no-such-address" {
		t.Errorf("%q", body)
	}
}

func TestReadyz(t *testing.T) {
	app, g := server(t, Options{})
	why := plant.ErrReplaying
	app.Get("/readyz", g.Readyz(func() error { return why }))
	app.Get("/healthz", Healthz)
	if resp, body := ask(t, app, "/readyz", nil); resp.StatusCode != 503 || !strings.Contains(body, "record log") {
		t.Errorf("%d %q", resp.StatusCode, body)
	}
	why = nil
	if resp, _ := ask(t, app, "/readyz", nil); resp.StatusCode != 200 {
		t.Errorf("%d", resp.StatusCode)
	}
	if resp, _ := ask(t, app, "/healthz", nil); resp.StatusCode != 200 {
		t.Errorf("%d", resp.StatusCode)
	}
}

var codeForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// TestEveryCodeIsWorded reads the sources of gate and API for the codes of refusals: each has words in both languages.
func TestEveryCodeIsWorded(t *testing.T) {
	found := map[string]bool{}
	for _, dir := range []string{".", "../api"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil || len(files) == 0 {
			t.Fatal(dir, err)
		}
		for _, f := range files {
			if !strings.HasSuffix(f, "_test.go") {
				codesIn(t, f, found)
			}
		}
	}
	for _, k := range known {
		found[k.code] = true
	}
	for code := range found {
		if !wording.Has("refusal." + code) {
			t.Errorf("the code %q has no words", code)
		}
	}
	if len(found) < 40 {
		t.Errorf("only %d codes were found: has their form changed?", len(found))
	}
}

// codesIn finds the codes: members called Code, and the code argument of refuse and refused.
func codesIn(t *testing.T, file string, found map[string]bool) {
	t.Helper()
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	tree, err := parser.ParseFile(token.NewFileSet(), file, src, 0)
	if err != nil {
		t.Fatal(err)
	}
	add := func(e ast.Expr) {
		if lit, ok := e.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			if s, err := strconv.Unquote(lit.Value); err == nil && codeForm.MatchString(s) {
				found[s] = true
			}
		}
	}
	ast.Inspect(tree, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.KeyValueExpr:
			if k, ok := x.Key.(*ast.Ident); ok && k.Name == "Code" {
				add(x.Value)
			}
		case *ast.CallExpr:
			if sel, ok := x.Fun.(*ast.SelectorExpr); ok && len(x.Args) > 1 {
				switch sel.Sel.Name {
				case "refuse":
					add(x.Args[0])
				case "refused":
					add(x.Args[1])
				}
			}
		}
		return true
	})
}
