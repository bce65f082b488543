package app_test

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/plant"
	"linewarden/internal/plant/live"
)

// event is one event of a stream; the zero event: the stream has ended.
type event struct {
	id   int64
	name string
	data live.State
}

// listening is a reader of a stream.
type listening struct {
	t      testing.TB
	events chan event
	cancel context.CancelFunc
}

// listen opens a stream, from a record on where after is not 0.
func (c *client) listen(after int64) *listening {
	c.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	c.t.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.url+"/api/v1/stream", nil)
	check(c.t, err)
	if after > 0 {
		req.Header.Set("Last-Event-ID", strconv.FormatInt(after, 10))
	}
	res, err := c.http.Do(req)
	check(c.t, err)
	if res.StatusCode != http.StatusOK || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/event-stream") {
		c.t.Fatalf("stream: %s, %s", res.Status, res.Header.Get("Content-Type"))
	}
	l := &listening{t: c.t, events: make(chan event, 100), cancel: cancel}
	go func() {
		defer close(l.events)
		defer res.Body.Close()
		var e event
		in := bufio.NewScanner(res.Body)
		in.Buffer(nil, 1<<24)
		for in.Scan() {
			word, rest, _ := strings.Cut(in.Text(), ": ")
			switch word {
			case "id":
				e.id, _ = strconv.ParseInt(rest, 10, 64)
			case "event":
				e.name = rest
			case "data":
				if json.Unmarshal([]byte(rest), &e.data) != nil {
					return
				}
			case "":
				if e.name != "" {
					l.events <- e
				}
				e = event{}
			}
		}
	}()
	return l
}

// next gives the next event that fits.
func (l *listening) next(what string, fits func(event) bool) event {
	l.t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case e, open := <-l.events:
			if !open {
				l.t.Fatalf("the stream ended before %s", what)
			}
			if fits(e) {
				return e
			}
		case <-late:
			l.t.Fatalf("%s did not come", what)
		}
	}
}

// ends waits for the end of the stream.
func (l *listening) ends(because string) {
	l.t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case _, open := <-l.events:
			if !open {
				return
			}
		case <-late:
			l.t.Fatalf("the stream goes on after %s", because)
		}
	}
}

func named(name string) func(event) bool { return func(e event) bool { return e.name == name } }

func ofKind(kind string) func(event) bool {
	return func(e event) bool { return strings.Contains(strings.Join(e.data.Kinds, " "), kind) }
}

// A stream over the real socket: everything first, then what is reported, taken up where it broke off; it ends when its
// reader signs out or is disabled, and when the service stops.
func TestStream(t *testing.T) {
	s := start(t, founded(t), nil)
	tina, mara := s.as(t, "tina"), s.as(t, "mara")
	l := mara.listen(0)
	first := l.next("a snapshot", named("snapshot"))
	if len(first.data.Points) == 0 || len(first.data.Lines) == 0 || first.data.Clocks == nil || first.data.Time.IsZero() {
		t.Fatalf("snapshot %+v", first.data)
	}
	tina.say("/api/v1/fillings", obj{"place": "bath-1", "water": "town water", "level": obj{"value": "60", "unit": "cm"}})
	tina.say("/api/v1/readings", bathTest("124"))
	reading := l.next("the reading", ofKind(haccp.KindReading))
	var expires time.Time
	for _, p := range reading.data.Points {
		if p.Point == "wash-chlorine" && p.Place == "bath-1" {
			expires = p.Expires
		}
	}
	if reading.id != reading.data.Seq || reading.id <= first.id || expires.IsZero() {
		t.Fatalf("after %d: %+v", first.id, reading)
	}
	l.cancel()
	l.ends("its reader went")
	tina.say("/api/v1/notes", obj{"text": "while nobody looked"})
	again := mara.listen(reading.id)
	if e := again.next("anything", func(event) bool { return true }); e.id <= reading.id {
		t.Fatalf("taken up with %+v", e)
	}

	// At sign-out one stream ends and no other.
	other := tina.listen(0)
	other.next("a snapshot", named("snapshot"))
	mara.want("DELETE", "/api/v1/session", nil, 204)
	again.ends("signing out")
	tina.say("/api/v1/notes", obj{"text": "still here"})
	other.next("a note", ofKind(haccp.KindNote))

	// Disabled people see nothing more.
	_, err := s.Site().Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(), AtKnown: haccp.AtServer,
		By: app.Console(), Ask: &haccp.PersonChange{Change: "disabled", PersonBody: haccp.PersonBody{Person: "tina"}}}})
	check(t, err)
	other.ends("disabling")

	lea := s.as(t, "lea")
	last := lea.listen(0)
	last.next("a snapshot", named("snapshot"))
	stop(t, s)
	last.ends("the service stopped")
}

// A person has a few streams at once.
func TestStreamsOfOnePerson(t *testing.T) {
	s := start(t, founded(t), nil)
	mara := s.as(t, "mara")
	for range live.MaxEach {
		mara.listen(0).next("a snapshot", named("snapshot"))
	}
	mara.want("GET", "/api/v1/stream", nil, http.StatusTooManyRequests)
	if status, _ := newClient(t, s.URL()).send("GET", "/api/v1/stream", nil); status != http.StatusUnauthorized {
		t.Fatalf("nobody gets %d", status)
	}
}

// What one instance writes the streams of another tell.
func TestStreamBesideAnotherInstance(t *testing.T) {
	shared := sharedPlant(t)
	a, b := shared.instance(t), shared.instance(t)
	passwords, err := a.Door().DemoPasswords(t.Context(), []string{"tina", "mara"}, time.Now())
	check(t, err)
	tina, mara := newClient(t, a.URL()).signIn("tina", passwords["tina"]), newClient(t, b.URL()).signIn("mara", passwords["mara"])
	l := mara.listen(0)
	l.next("a snapshot", named("snapshot"))
	tina.say("/api/v1/notes", obj{"text": "from the other instance"})
	l.next("the note of the other instance", ofKind(haccp.KindNote))
}
