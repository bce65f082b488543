package app_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"testing"

	"github.com/google/uuid"
)

type obj = map[string]any

// client is a browser or a program that speaks to the service as people do: over its socket.
type client struct {
	t    testing.TB
	url  string
	http *http.Client
	form string
}

func newClient(t testing.TB, url string) *client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &client{t: t, url: url, http: &http.Client{Jar: jar}}
}

// signIn opens a session and keeps its form token.
func (c *client) signIn(name, password string) *client {
	c.t.Helper()
	c.form, _ = c.want("POST", "/api/v1/session", obj{"name": name, "password": password}, 200)["form_token"].(string)
	if c.form == "" {
		c.t.Fatal("no form token")
	}
	return c
}

// send sends a request and gives status and body.
func (c *client) send(method, path string, body any) (int, []byte) {
	c.t.Helper()
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			c.t.Fatal(err)
		}
		in = bytes.NewReader(b)
	}
	req, err := http.NewRequest(method, c.url+path, in)
	if err != nil {
		c.t.Fatal(err)
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if c.form != "" {
		req.Header.Set("X-Form-Token", c.form)
	}
	res, err := c.http.Do(req)
	if err != nil {
		c.t.Fatal(err)
	}
	defer res.Body.Close()
	out, err := io.ReadAll(res.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return res.StatusCode, out
}

// try sends a report and gives the status, or why there is none.
func (c *client) try(path string, body obj) (int, error) {
	b, err := json.Marshal(body)
	if err != nil {
		return 0, err
	}
	req, err := http.NewRequest("POST", c.url+path, bytes.NewReader(b))
	if err != nil {
		return 0, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Form-Token", c.form)
	res, err := c.http.Do(req)
	if err != nil {
		return 0, err
	}
	_, err = io.Copy(io.Discard, res.Body)
	return res.StatusCode, errors.Join(err, res.Body.Close())
}

// want sends a request, wants a status and gives the object of the answer.
func (c *client) want(method, path string, body any, status int) obj {
	c.t.Helper()
	got, out := c.send(method, path, body)
	if got != status {
		c.t.Fatalf("%s %s: %d, want %d: %s", method, path, got, status, out)
	}
	var o obj
	if len(out) > 0 {
		if err := json.Unmarshal(out, &o); err != nil {
			c.t.Fatalf("%s %s: %v: %.300s", method, path, err, out)
		}
	}
	return o
}

// say reports something: the body gets an id of its own.
func (c *client) say(path string, body obj) obj {
	c.t.Helper()
	body["id"] = uuid.NewString()
	return c.want("POST", path, body, 201)
}

// sign signs with the password at the head that stands now.
func (c *client) sign(path, password string, body obj) (int, obj) {
	c.t.Helper()
	site := c.want("GET", "/api/v1/site", nil, 200)
	body["id"], body["password"] = uuid.NewString(), password
	body["signature"] = obj{"statement": "I sign this part of the case.", "language": "en", "head": site["head"]}
	status, out := c.send("POST", path, body)
	var o obj
	if err := json.Unmarshal(out, &o); err != nil {
		c.t.Fatalf("%s: %v: %s", path, err, out)
	}
	return status, o
}

// bathTest is a test of the first bath with a free chlorine in mg/L.
func bathTest(chlorine string) obj {
	return obj{"check": "bath-test", "place": "bath-1", "entries": []obj{
		{"quantity": "free_chlorine", "read": obj{"value": chlorine, "unit": "mg/L"}, "method": "chlorine-titration"},
		{"quantity": "ph", "read": obj{"value": "6.75", "unit": "pH"}},
		{"quantity": "salt", "read": obj{"value": "30", "unit": "g/L"}},
		{"quantity": "temperature", "read": obj{"value": "15.0", "unit": "°C"}},
	}}
}

func text(v any) string { return fmt.Sprint(v) }
