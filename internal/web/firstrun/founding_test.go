package firstrun

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
)

const code = "0123-4567-89ab-cdef"

// bench is the page with a clock and a founder of its own.
type bench struct {
	t      *testing.T
	app    *fiber.App
	page   *Founding
	now    time.Time
	wishes []Wish
	fails  error
}

func newBench(t *testing.T, standing Standing) *bench {
	t.Helper()
	b := &bench{t: t, now: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)}
	var err error
	b.page, err = NewFounding(FoundingOptions{Code: code, Standing: standing, Clock: func() time.Time { return b.now }, Style: []byte("body{}"),
		Found: func(_ context.Context, w Wish) error {
			if b.fails != nil {
				return b.fails
			}
			b.wishes = append(b.wishes, w)
			return nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	b.app = fiber.New(b.page.Config())
	b.page.Register(b.app)
	return b
}

func (b *bench) ask(r *http.Request) (int, string) {
	b.t.Helper()
	res, err := b.app.Test(r, -1)
	if err != nil {
		b.t.Fatal(err)
	}
	text, err := io.ReadAll(res.Body)
	if err = errors.Join(err, res.Body.Close()); err != nil {
		b.t.Fatal(err)
	}
	if policy := res.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "default-src 'none'") {
		b.t.Errorf("policy %q", policy)
	}
	return res.StatusCode, string(text)
}

func (b *bench) send(fields map[string]string, file string) (int, string) {
	b.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, v := range fields {
		if err := w.WriteField(k, v); err != nil {
			b.t.Fatal(err)
		}
	}
	if file != "" {
		part, err := w.CreateFormFile("file", "plan.yaml")
		if err == nil {
			_, err = part.Write([]byte(file))
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		b.t.Fatal(err)
	}
	r := httptest.NewRequest(http.MethodPost, "/first-run?lang=en", &body)
	r.Header.Set("Content-Type", w.FormDataContentType())
	r.Header.Set("Origin", "http://example.com")
	return b.ask(r)
}

func good() map[string]string {
	return map[string]string{"code": code, "template": "wash", "name": "Agua Clara", "site": "agua-clara", "person": "Elena Ruiz", "sign_in": "Elena",
		"password": "cedar lamp quarry nine"}
}

func TestFoundingFromTemplate(t *testing.T) {
	b := newBench(t, Standing{})
	if status, page := b.ask(httptest.NewRequest(http.MethodGet, "/first-run?lang=es", nil)); status != 200 || !strings.Contains(page, "No hay contraseña predeterminada") {
		t.Fatalf("%d %s", status, page)
	}
	status, page := b.send(good(), "")
	if status != 200 || !strings.Contains(page, "The plant is set up") || len(b.wishes) != 1 {
		t.Fatalf("%d %s", status, page)
	}
	w := b.wishes[0]
	if w.Site != "agua-clara" || w.SignIn != "elena" || !strings.Contains(w.Plan, `name: "Agua Clara"`) || !strings.Contains(w.Plan, "site: agua-clara") {
		t.Errorf("%+v", w)
	}
	select {
	case <-b.page.Done():
	default:
		t.Error("not done")
	}
	if b.send(good(), ""); len(b.wishes) != 1 {
		t.Error("founded twice: the code is good once")
	}
}

func TestFoundingRefused(t *testing.T) {
	for name, x := range map[string]struct {
		change map[string]string
		file   string
		want   string
		status int
	}{
		"wrong code":      {map[string]string{"code": "0000-0000-0000-0000"}, "", "not the code", 403},
		"no code":         {map[string]string{"code": ""}, "", "not the code", 403},
		"no template":     {map[string]string{"template": "other"}, "", "wrong", 422},
		"bad site":        {map[string]string{"site": "Agua Clara"}, "", "small letters", 422},
		"group":           {map[string]string{"site": "group"}, "", "small letters", 422},
		"no name":         {map[string]string{"name": ""}, "", "wrong", 422},
		"nobody":          {map[string]string{"person": " "}, "", "wrong", 422},
		"no file":         {map[string]string{"template": "file"}, "", "wrong", 422},
		"a faulty plan":   {map[string]string{"template": "file"}, "site: x\nzone: nowhere\n", "line 2, column 7", 422},
		"a plan of demos": {map[string]string{"template": "file"}, "site: x\ndemo: true\n", "line", 422},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, Standing{})
			fields := good()
			maps.Copy(fields, x.change)
			status, page := b.send(fields, x.file)
			if status != x.status || !strings.Contains(page, x.want) || len(b.wishes) != 0 {
				t.Errorf("%d, %d wishes, no %q:\n%s", status, len(b.wishes), x.want, page)
			}
			if strings.Contains(page, "cedar lamp") {
				t.Error("the password comes back")
			}
			if x.change["person"] == "" && !strings.Contains(page, "Elena Ruiz") {
				t.Error("what was typed is lost")
			}
		})
	}
}

func TestFoundingIsProtected(t *testing.T) {
	b := newBench(t, Standing{})
	r := httptest.NewRequest(http.MethodPost, "/first-run", strings.NewReader("code="+code))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "http://elsewhere.example")
	if status, _ := b.ask(r); status != http.StatusForbidden || len(b.wishes) != 0 {
		t.Errorf("another site's form: %d", status)
	}
	// Guesses have to wait longer and longer; the right code waits with them.
	wrong := good()
	wrong["code"] = "zzzz-zzzz-zzzz-zzzz"
	for range 6 {
		b.send(wrong, "")
	}
	if status, _ := b.send(good(), ""); status != http.StatusTooManyRequests || len(b.wishes) != 0 {
		t.Errorf("after six guesses: %d", status)
	}
	b.now = b.now.Add(2 * time.Minute)
	if status, _ := b.send(good(), ""); status != 200 || len(b.wishes) != 1 {
		t.Errorf("after a wait: %d", status)
	}
}

// A site that was founded before somebody had a password is taken up: only what is missing is asked for.
func TestFoundingResumed(t *testing.T) {
	b := newBench(t, Standing{Site: "agua-clara", Name: "Agua Clara", Person: "Elena Ruiz", SignIn: "elena"})
	b.fails = &access.Weak{Reason: access.WeakShort, Limit: 15}
	if status, page := b.send(map[string]string{"code": code, "password": "short"}, ""); status != 422 || !strings.Contains(page, "15 characters") {
		t.Errorf("a weak password: %d", status)
	}
	b.fails = nil
	if status, _ := b.send(map[string]string{"code": code, "password": "cedar lamp quarry nine"}, ""); status != 200 || len(b.wishes) != 1 {
		t.Fatalf("%d", status)
	}
	if w := b.wishes[0]; w.Site != "agua-clara" || w.SignIn != "elena" || w.Plan != "" {
		t.Errorf("%+v", w)
	}
}
