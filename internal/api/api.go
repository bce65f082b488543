// Package api is the JSON interface of a site under /api/v1: what a page can do, a program can do here, by
// the same rules. It reads requests strictly, turns them into commands of package haccp, hands them to the
// site, and words the answers. It judges nothing itself.
//
// The OpenAPI 3.1 document of the interface is made from the Go types that requests and answers are read
// into and written from, and is served beside it.
package api

import (
	"bytes"
	"context"
	_ "embed" // For the OpenAPI document.
	"errors"
	"io"
	"log/slog"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/api/reply"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// Site is the site whose API this is; *plant.Site is one.
type Site interface {
	// Do has a command decided and recorded.
	Do(ctx context.Context, r plant.Request) (plant.Result, error)
	// View gives the state of the last commit, not to be changed.
	View() *haccp.State
	// Head gives the end of the log.
	Head() record.Head
	Recorded
	// CorrectiveLog puts the corrective-action log of a period together.
	CorrectiveLog(ctx context.Context, from, to, now time.Time) (haccp.Log, error)
	// FoldCase folds the records of a case that the state has forgotten.
	FoldCase(ctx context.Context, records []*haccp.Event) (*haccp.Deviation, error)
}

// Recorded is read by key, number and id.
type Recorded interface {
	plant.Finder
	// Gather reads what a question wants beyond a state and what was read for it before.
	Gather(ctx context.Context, state *haccp.State, had haccp.Facts, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error)
	// Record gives a record by its number, with its exact bytes.
	Record(ctx context.Context, seq int64) (string, *haccp.Event, error)
	// ByID gives a record by its id, with its exact bytes.
	ByID(ctx context.Context, id string) (string, *haccp.Event, error)
}

// Evidence is what shows that the log was not changed; *plant.Site gives it.
type Evidence interface {
	// Checkpoint signs the head of the log.
	Checkpoint(ctx context.Context) (string, error)
	// Inclusion proves that a record is in the log of a size.
	Inclusion(ctx context.Context, seq, size int64) (plant.Inclusion, error)
	// Consistency proves that a smaller log is the beginning of a larger one.
	Consistency(ctx context.Context, from, to int64) (plant.Consistency, error)
	// Records calls fn with the exact bytes of the records from..to.
	Records(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error
	// Export writes records in the export format.
	Export(ctx context.Context, w io.Writer, first, last int64) error
	// Key gives the key that checkpoints are checked with.
	Key() string
}

// Options says what the API works with. Site, Evidence, Gate and CheckPlan are required.
type Options struct {
	Site     Site
	Evidence Evidence
	Gate     *gate.Gate
	// CheckPlan reads a plan file and holds it against every rule.
	CheckPlan func(source []byte) planfile.Report
	// LogCSV writes the corrective-action log as CSV, with the checkpoint it stands under; nil: CSV is not offered.
	LogCSV func(w io.Writer, lang string, log haccp.Log, checkpoint string) error
	// Cautions gives the safety notes to show where the work is done; nil: none.
	Cautions func(lang string) []string
	// Alerts says how the ways to the outside and the timetable stand; nil: not known.
	Alerts func(ctx context.Context) (AlertService, error)
	// Live is what streams of changes come from; nil: there are none.
	Live   *Live
	Logger *slog.Logger // nil: nothing is logged
	// Group says that this is the API of a group, and gives its sites; nil: of one site.
	Group Group
}

// API is the interface of one site. Its methods may be called by several goroutines at once.
type API struct {
	Options
	routes  []route
	reports map[string]reportKind
	buffers sync.Pool
}

// New gives the API, or says which option is missing.
func New(o Options) (*API, error) {
	if o.Site == nil || o.Evidence == nil || o.Gate == nil || o.CheckPlan == nil {
		return nil, errors.New("api: options lack a site, its evidence, a gate or a plan check")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	a := &API{Options: o, reports: reportKinds()}
	maps.Copy(a.reports, supplyKinds())
	a.buffers.New = func() any { return new(bytes.Buffer) }
	a.routes = a.table()
	return a, nil
}

// Base is the path under which the API stands.
const Base = "/api/v1"

//go:embed openapi.json
var document []byte

// Mount puts the API into an app that has passed through gate.Use.
func (a *API) Mount(app *fiber.App) {
	for _, r := range a.routes {
		app.Add(r.method, Base+r.path, a.handler(r))
	}
	app.Get(Base+documentPath, func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderContentType, "application/json")
		return c.Send(document)
	})
}

const documentPath = "/openapi.json"

// Who may come to a route.
type door int

const (
	doorPerson door = iota // somebody signed in
	doorAny                // somebody signed in, or a probe
	doorOpen               // anybody
)

// route is one operation of the API.
type route struct {
	method, path string // path with fiber's parameters
	summary      string
	door         door
	act          access.Act // what the role must allow; "": the rules of control decide
	in, out      reflect.Type
	text         string // media type of the body where it is not JSON
	media        string // media type of the answer where it is not JSON
	query        []query
	created      bool // answers 201
	delivered    bool // takes a report that a device delivers under a grant
	run          func(q *call) error
}

// query is a query member of a route.
type query struct {
	name, doc string
	kind      string // string, time, integer
	enum      []string
	required  bool
}

// call is one request on its way.
type call struct {
	*fiber.Ctx
	api  *API
	who  *gate.Who
	now  time.Time
	sent []intake.Member // of the body, as sent
}

// handler lets a request in, runs the route and answers.
func (a *API) handler(r route) fiber.Handler {
	return func(c *fiber.Ctx) error {
		q := &call{Ctx: c, api: a, now: a.Gate.Now()}
		if err := q.enter(&r); err != nil {
			return err
		}
		if err := q.asked(&r); err != nil {
			return err
		}
		return r.run(q)
	}
}

// enter finds out who asks and refuses those that may not.
func (q *call) enter(r *route) error {
	if r.door == doorOpen {
		return q.api.Gate.SameSite(q.Ctx)
	}
	if r.delivered {
		w, err := q.api.Gate.Deliverer(q.Ctx)
		if err != nil || w != nil {
			q.who = w
			return err
		}
	}
	w, err := q.api.Gate.Who(q.Ctx)
	if err != nil {
		return err
	}
	q.who = w
	switch {
	case w.Nobody(), w.Bearer && !w.Probe():
		return access.ErrSession
	case w.Bearer && r.door == doorPerson:
		return &gate.Fault{Status: 403, Code: "role-may-not", Message: "a device token may only send readings"}
	}
	if err := q.api.Gate.Protect(q.Ctx, w); err != nil {
		return err
	}
	if r.act == "" || w.Bearer {
		return nil
	}
	if _, ok := access.MayAny(w.Person.Roles, r.act); !ok {
		return &gate.Fault{Status: 403, Code: "role-may-not", Message: "your role may not do this (" + r.act + ")"}
	}
	return nil
}

// asked refuses a member of a query that is not known: what is misspelt would else be left out silently.
func (q *call) asked(r *route) (err error) {
	if len(r.query) == 0 || len(q.Request().URI().QueryString()) == 0 {
		return nil
	}
	known := []string{"lang"}
	for i := range r.query {
		known = append(known, r.query[i].name)
	}
	q.Context().QueryArgs().VisitAll(func(k, _ []byte) {
		if name := string(k); err == nil && !slices.Contains(known, name) {
			list := strings.Join(known, ", ")
			err = &haccp.Refusal{Kind: haccp.ErrInvalid, Field: name, Code: "unknown-member", Data: map[string]string{"known": list},
				Message: "there is no such query member here; known are: " + list}
		}
	})
	return err
}

// get makes a route that only reads.
func get[Out any](path, summary string, act access.Act, run func(q *call) (Out, error), query ...query) route {
	return route{method: fiber.MethodGet, path: path, summary: summary, act: act, out: reflect.TypeFor[Out](), query: query,
		run: func(q *call) error {
			out, err := run(q)
			if err != nil {
				return err
			}
			return q.answer(out)
		}}
}

// post makes a route that takes a JSON body.
func post[In, Out any](path, summary string, run func(q *call, in *In) (Out, error)) route {
	sh := intake.For[In]()
	return route{method: fiber.MethodPost, path: path, summary: summary, in: reflect.TypeFor[In](), out: reflect.TypeFor[Out](),
		run: func(q *call) error {
			in := new(In)
			if _, none := any(in).(*empty); !none || len(q.Request().Body()) > 0 {
				if err := q.read(sh, in); err != nil {
					return err
				}
			}
			out, err := run(q, in)
			if err != nil {
				return err
			}
			return q.answer(out)
		}}
}

func (r route) at(d door) route              { r.door = d; return r }
func (r route) needs(act access.Act) route   { r.act = act; return r }
func (r route) creates() route               { r.created = true; return r }
func (r route) with(method string) route     { r.method = method; return r }
func (r route) answering(media string) route { r.media = media; return r }
func (r route) taking(media string) route    { r.text = media; return r }

// refused refuses a member of the query or of the address.
func (q *call) refused(field, code, msg string) error {
	return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: field, Code: code, Message: msg}
}

// read reads the JSON body.
func (q *call) read(sh *intake.Shape, into any) error {
	if err := q.wantsBody(fiber.MIMEApplicationJSON); err != nil {
		return err
	}
	sent, err := sh.Read(q.Request().Body(), into)
	q.sent = sent
	return err
}

// wantsBody refuses a body of another media type, and a compressed one: the limit of a body is on what is read.
func (q *call) wantsBody(media string) error {
	if q.Get(fiber.HeaderContentEncoding) != "" {
		return &gate.Fault{Status: 415, Code: "content-encoding", Message: "send the body without compression"}
	}
	if !mediaIs(q.Get(fiber.HeaderContentType), media) {
		return &gate.Fault{Status: 415, Code: "content-type", Message: "send the body as " + media, Data: map[string]string{"wanted": media}}
	}
	return nil
}

func mediaIs(header, media string) bool {
	n := len(media)
	return len(header) >= n && bytes.EqualFold([]byte(header[:n]), []byte(media)) && (len(header) == n || header[n] == ';' || header[n] == ' ')
}

// answer writes a value as JSON.
func (q *call) answer(v any) error {
	if _, none := v.(nothing); none {
		return q.SendStatus(fiber.StatusNoContent)
	}
	b, _ := q.api.buffers.Get().(*bytes.Buffer)
	defer q.api.buffers.Put(b)
	b.Reset()
	if err := reply.Encode(b, v); err != nil {
		return err
	}
	q.Response().Header.SetContentType(fiber.MIMEApplicationJSON)
	q.Response().SetBody(b.Bytes())
	return nil
}

// nothing is the answer 204.
type nothing struct{}

// lang gives the language asked for.
func (q *call) lang() string { return string(gate.Language(q.Ctx)) }

// when reads a query member that is a time; zero where it is not given.
func (q *call) when(name string) (time.Time, error) {
	s := q.Query(name)
	if s == "" {
		return time.Time{}, nil
	}
	t, err := intake.ParseTime(s)
	if err != nil {
		return t, q.refused(name, "bad-time", err.Error())
	}
	return t, nil
}

// whole reads a query member that is a whole number in a range.
func (q *call) whole(name string, otherwise, least, most int64) (int64, error) {
	s := q.Query(name)
	if s == "" {
		return otherwise, nil
	}
	n, ok := intake.ParseInteger(s)
	if !ok || n < least || n > most {
		return 0, q.refused(name, "bad-integer", name+" is no whole number that can be taken here")
	}
	return n, nil
}

// choice reads a query member that is one of a few words.
func (q *call) choice(name string, words ...string) (string, error) {
	s := q.Query(name)
	if s == "" {
		return words[0], nil
	}
	if slices.Contains(words, s) {
		return s, nil
	}
	return "", q.refused(name, "not-a-choice", name+" is none of the words it may be")
}
