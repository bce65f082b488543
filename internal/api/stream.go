package api

import (
	"bufio"
	"context"
	"errors"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant/live"
)

// Live is what streams of changes come from.
type Live struct {
	Hub *live.Hub
	// Quit is closed when the service begins to stop.
	Quit <-chan struct{}
	// Refresh reads what other instances of the service wrote; nil: there are none.
	Refresh func(ctx context.Context) error
}

const (
	pingEvery  = 15 * time.Second
	lookEvery  = 500 * time.Millisecond // at whether the reader may still read
	writeLimit = 10 * time.Second       // for a message to be taken by the other side
	// refreshEvery keeps the site among those that are followed; see plant.Site.InUse.
	refreshEvery = 5 * time.Second
	retryAfter   = "retry: 2000\n\n"
)

// streaming is one stream on its way to a reader.
type streaming struct {
	api     *API
	stream  *live.Stream
	conn    net.Conn
	token   string
	endings uint64 // of sessions, as of the last look
	people  uint64
	looked  time.Time
	asked   time.Time // for what other instances wrote
	person  string
	pinged  time.Time
}

// stream answers with Server-Sent Events until the reader goes, may no longer read, or the service stops.
func (q *call) stream() error {
	l := q.api.Live
	if l == nil {
		return &gate.Fault{Status: fiber.StatusNotFound, Code: "no-stream", Message: "this service has no stream of changes"}
	}
	after, err := q.resumed()
	if err != nil {
		return err
	}
	s, err := l.Hub.Open(q.who.Person.ID, after)
	if errors.Is(err, live.ErrTooMany) {
		return &gate.Fault{Status: fiber.StatusTooManyRequests, Code: "too-many-streams", Message: "too many streams are open: close one of them"}
	}
	if err != nil {
		return err
	}
	now := time.Now()
	w := &streaming{api: q.api, stream: s, conn: q.Context().Conn(), token: q.who.Token, person: q.who.Person.ID, endings: q.api.Gate.Door().Endings(), people: l.Hub.People(), looked: now, pinged: now}
	q.Set(fiber.HeaderContentType, "text/event-stream; charset=utf-8")
	q.Set("X-Accel-Buffering", "no") // a proxy hands on what comes at once
	q.Set(fiber.HeaderConnection, "close")
	q.Context().SetBodyStreamWriter(w.write)
	return nil
}

// resumed reads which record the reader knows: the header that a browser sends by itself, or a member of the query.
func (q *call) resumed() (int64, error) {
	text := strings.TrimSpace(q.Get("Last-Event-ID"))
	if text == "" {
		return q.whole("after", 0, 1, 1<<52)
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 {
		return 0, nil //nolint:nilerr // an id that is none of ours begins anew
	}
	return n, nil
}

// write sends what the stream gives.
func (w *streaming) write(out *bufio.Writer) {
	defer w.stream.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-w.api.Live.Quit:
			cancel()
		case <-ctx.Done():
		}
	}()
	if !w.send(out, retryAfter) {
		return
	}
	for {
		wait, done := context.WithTimeout(ctx, lookEvery)
		m, open := w.stream.Next(wait)
		done()
		if !open || ctx.Err() != nil || !w.stands(ctx) {
			return
		}
		if m.ID > 0 && !w.send(out, "id: "+strconv.FormatInt(m.ID, 10)+"\nevent: "+m.Name+"\ndata: "+string(m.Data)+"\n\n") {
			return
		}
		if time.Since(w.pinged) >= pingEvery && !w.send(out, ": ping\n\n") {
			return
		}
	}
}

// send writes one block; false where the reader did not take it.
func (w *streaming) send(out *bufio.Writer, block string) bool {
	w.pinged = time.Now()
	if w.conn != nil && w.conn.SetWriteDeadline(w.pinged.Add(writeLimit)) != nil {
		return false
	}
	_, err := out.WriteString(block)
	return err == nil && out.Flush() == nil
}

// stands reports whether the reader may still read: signed in, not disabled, on a device that was not revoked. It asks at
// once where one of these may have changed, and else as often as it pings.
func (w *streaming) stands(ctx context.Context) bool {
	door, l := w.api.Gate.Door(), w.api.Live
	endings, people, now := door.Endings(), l.Hub.People(), time.Now()
	if l.Refresh != nil && now.Sub(w.asked) >= refreshEvery {
		w.asked = now
		if err := l.Refresh(ctx); err != nil && ctx.Err() == nil {
			w.api.Logger.Warn("a stream could not look for what other instances wrote", "error", err)
		}
	}
	if endings == w.endings && people == w.people && now.Sub(w.looked) < pingEvery {
		return true
	}
	ok, err := door.Standing(ctx, w.token, w.api.Gate.Now())
	if err != nil {
		if ctx.Err() == nil {
			w.api.Logger.Warn("a stream ends: sessions cannot be read", "error", err)
		}
		return false
	}
	if p, known := door.Directory.Person(w.person); ok && known {
		_, ok = access.MayAny(p.Roles, access.ReadRecords)
	}
	w.endings, w.people, w.looked = endings, people, now
	return ok
}

// streamRoutes lists the stream of changes.
func (a *API) streamRoutes() []route {
	r := get("/stream", "Changes as they are recorded, as Server-Sent Events. The id of an event is the number of the last record behind it: "+
		"send the last one seen as Last-Event-ID, or as after, to go on from there. A stream that is new, or whose id is too old, begins with an event snapshot; "+
		"then come events change, and a comment every 15 seconds. Their data is the schema shown here as JSON. What runs out by the clock is given as the moment at which it does. "+
		"At most 8 streams a person. The stream ends at sign-out, when the person or device is disabled, and when the service stops.",
		access.ReadRecords, func(*call) (live.State, error) { return live.State{}, nil },
		query{name: "after", kind: "integer", doc: "Number of the last record that is known."}).answering("text/event-stream")
	r.run = func(q *call) error { return q.stream() }
	return []route{r}
}
