package notify

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

var secret = []byte("a secret of more than sixteen bytes")

func sample() Message {
	return Message{ID: "0197b6c0-5c5e-7aa1-9f0e-3d2a7c1b4e55", Kind: Raised, Site: "plant", SiteName: "Plant", Language: "es", Group: "outside/line-1",
		Severity: "critical", At: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), Subject: "Alerta: Tina 1 · cloro", Text: "CRÍTICA: cloro libre fuera del límite\n  Ahora: añada\n.\nfin\n",
		Items: []Item{{Alert: "a1", Cause: "outside", Severity: "critical", Group: "outside/line-1", Text: "cloro", Do: "añada", Place: "bath-1", Line: "line-1",
			Since: time.Now().Add(-time.Minute).UTC()}}, Alerts: []Ref{{"a1", 1}}}
}

// The signature is that of the HMAC-SHA256 test case 2 of RFC 4231 (section 4.3): key "Jefe", data "what do ya want for
// nothing?". The period splits the data into what stands for the timestamp and for the body.
func TestSignatureIsHMACSHA256(t *testing.T) {
	const want = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
	const data = "what do ya want for nothing?"
	// RFC 4231 has no period in its data, so the plain function is checked on the parts joined by hand.
	if got := hexOf(plainHMAC([]byte("Jefe"), []byte(data))); got != want {
		t.Fatalf("got %s", got)
	}
	if got, plain := hexOf(sign([]byte("Jefe"), "12", []byte("body"))), hexOf(plainHMAC([]byte("Jefe"), []byte("12.body"))); got != plain {
		t.Fatalf("the signed text is not timestamp, period, body: %s %s", got, plain)
	}
}

// A receiver fails, hangs, answers 500 and then 200: each attempt says what happened, has the same id and a signature that
// holds, and nothing of the address or the secret is in an error.
func TestWebhook(t *testing.T) {
	var mu sync.Mutex
	step := 0
	var ids []string
	hang := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		if err := Check(secret, r.Header.Get(HeaderTimestamp), r.Header.Get(HeaderSignature), body, time.Now()); err != nil {
			t.Error(err)
		}
		if err := Check([]byte("another secret of enough bytes"), r.Header.Get(HeaderTimestamp), r.Header.Get(HeaderSignature), body, time.Now()); err == nil {
			t.Error("another secret fits")
		}
		var m Message
		if err := json.Unmarshal(body, &m); err != nil || m.Subject != sample().Subject {
			t.Errorf("%+v %v", m, err)
		}
		mu.Lock()
		ids = append(ids, r.Header.Get(HeaderDelivery))
		step++
		now := step
		mu.Unlock()
		switch now {
		case 1:
			http.Error(w, "broken", http.StatusInternalServerError)
		case 2:
			select {
			case <-r.Context().Done():
			case <-hang:
			}
		case 3:
			http.Redirect(w, r, "http://127.0.0.1:1/elsewhere", http.StatusTemporaryRedirect)
		}
	}))
	defer srv.Close()
	defer close(hang)
	hook, err := NewWebhook(srv.URL+"/path-with-token-s3cret", secret, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"the webhook answered 500", "no answer in time", "the webhook answered 307", ""} {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		err := hook.Send(ctx, sample())
		cancel()
		if got := Failure(err); got != want {
			t.Errorf("attempt %d: %q, want %q", i+1, got, want)
		}
	}
	mu.Lock()
	for _, id := range ids {
		if id != sample().ID {
			t.Errorf("an attempt has the id %s", id)
		}
	}
	mu.Unlock()
	srv.CloseClientConnections()
	srv.Close()
	err = hook.Send(t.Context(), sample())
	if got := Failure(err); !strings.Contains(got, "connection refused") || strings.Contains(got, "s3cret") {
		t.Errorf("closed: %q", got)
	}
}

func TestReplayWindow(t *testing.T) {
	now := time.Unix(1_800_000_000, 0)
	for _, x := range []struct {
		off time.Duration
		ok  bool
	}{{0, true}, {-ReplayWindow, true}, {ReplayWindow, true}, {-ReplayWindow - time.Second, false}, {ReplayWindow + time.Second, false}} {
		stamp := strconv.FormatInt(now.Add(x.off).Unix(), 10)
		err := Check(secret, stamp, "v1="+hexOf(sign(secret, stamp, []byte("x"))), []byte("x"), now)
		if (err == nil) != x.ok {
			t.Errorf("%s from now: %v", x.off, err)
		}
	}
	stamp := strconv.FormatInt(now.Unix(), 10)
	if Check(secret, stamp, "v1="+hexOf(sign(secret, stamp, []byte("x"))), []byte("y"), now) == nil {
		t.Error("another body has the same signature")
	}
	if Check(secret, "soon", "", nil, now) == nil {
		t.Error("a timestamp that is no number")
	}
}

func TestAddressesInTheClearAreRefused(t *testing.T) {
	for address, ok := range map[string]bool{
		"https://plant.example/x": true, "http://127.0.0.1:9/x": true, "http://[::1]:9": true, "http://localhost:9": true,
		"http://plant.example/x": false, "http://10.0.0.1/x": false, "ftp://127.0.0.1": false, "plant.example": false, "": false, "http://127.0.0.1.example.org": false,
	} {
		if err := checkAddress(address); (err == nil) != ok {
			t.Errorf("%s: %v", address, err)
		}
	}
	if _, err := NewWebhook("https://plant.example", []byte("short"), time.Now); err == nil {
		t.Error("a short secret is taken")
	}
}

func TestHeartbeatAndService(t *testing.T) {
	beats, texts := 0, ""
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		switch r.URL.Path {
		case "/beat":
			beats++
		case "/sms":
			texts += string(body)
		default:
			w.WriteHeader(http.StatusTeapot)
		}
	}))
	defer srv.Close()
	h, err := NewHeartbeat(srv.URL + "/beat")
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Beat(t.Context()); err != nil || beats != 1 {
		t.Fatalf("%d beats, %v", beats, err)
	}
	s, err := NewService("generic+" + srv.URL + "/sms?disabletls=yes")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), sample()); err != nil || !strings.Contains(texts, "fuera del límite") {
		t.Fatalf("%q %v", texts, err)
	}
	s, err = NewService("generic+" + srv.URL + "/other?disabletls=yes")
	if err != nil {
		t.Fatal(err)
	}
	err = s.Send(t.Context(), sample())
	if got := Failure(err); got != "the service did not take it" {
		t.Errorf("%q", got)
	}
	if _, err := NewService("no-such-service://s3cret"); err == nil || strings.Contains(err.Error(), "s3cret") {
		t.Errorf("%v", err)
	}
}

func TestFailureHidesAddresses(t *testing.T) {
	if got := Failure(nil); got != "" {
		t.Error(got)
	}
	if got := Failure(errors.New("plain")); got != "plain" {
		t.Error(got)
	}
	_, err := http.Get("http://s3cret.invalid/token") //nolint:bodyclose,noctx // there is no such host
	if got := Failure(err); err == nil || strings.Contains(got, "s3cret") {
		t.Errorf("%q from %v", got, err)
	}
}
