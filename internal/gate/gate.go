// Package gate is what every request passes on its way to a page or to the API: limits, security headers,
// the session or device token it comes with, the protection against requests that another site made a
// browser send, and the one table that turns errors into answers.
//
// It knows fiber and package access. It decides nothing about control: who may give which command is for
// package haccp to say, and who may sign in for package access.
package gate

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/prometheus/client_golang/prometheus"

	"linewarden/internal/access"
)

// Limits of a request.
const (
	BodyLimit   = 1 << 20 // bytes of a body
	headerLimit = 16 << 10
	readTimeout = 30 * time.Second
	idleTimeout = 2 * time.Minute
)

// Options says what a gate works with. Door and Clock are required.
type Options struct {
	Door       *access.Gate
	Clock      func() time.Time
	Logger     *slog.Logger          // nil: nothing is logged
	Registerer prometheus.Registerer // nil: counted and shown nowhere
	// Proxies are the networks of trusted proxies. Only from these are X-Forwarded-For, -Proto and -Host believed.
	Proxies []netip.Prefix
	// TLS says that the service itself speaks TLS.
	TLS bool
	// Page answers an error outside /api, where a person looks at a page; nil: the problem document.
	Page func(c *fiber.Ctx, p *Problem) error
}

// Gate is the gate of one service. Its methods may be called by several goroutines at once.
type Gate struct {
	opt     Options
	metrics *metrics
	prefix  string // of request ids, drawn at start
	count   atomic.Uint64
}

// New gives the gate, or says which option is missing.
func New(o Options) (*Gate, error) {
	if o.Door == nil || o.Clock == nil {
		return nil, errors.New("gate: options lack a door or a clock")
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	m, err := newMetrics(o.Registerer)
	if err != nil {
		return nil, err
	}
	var b [6]byte
	if _, err := rand.Read(b[:]); err != nil {
		return nil, fmt.Errorf("gate: draw request ids: %w", err)
	}
	return &Gate{opt: o, metrics: m, prefix: hex.EncodeToString(b[:]) + "-"}, nil
}

// Door gives the access gate behind it.
func (g *Gate) Door() *access.Gate { return g.opt.Door }

// Now reads the clock it was given.
func (g *Gate) Now() time.Time { return g.opt.Clock() }

// Config gives the configuration of the fiber app. Answers may stream for long, so there is no write
// timeout. Let the app listen through [Listener], so that a body over the limit gets its answer.
func (g *Gate) Config() fiber.Config {
	return fiber.Config{
		AppName:                 "Linewarden",
		Immutable:               true,
		BodyLimit:               BodyLimit,
		ReadBufferSize:          headerLimit,
		ReadTimeout:             readTimeout,
		IdleTimeout:             idleTimeout,
		CaseSensitive:           true,
		DisableStartupMessage:   true,
		EnableTrustedProxyCheck: true, // and no proxies listed: fiber itself believes no forwarded header
		ErrorHandler:            g.Fail,
	}
}

// Use puts the gate in front of everything the app serves.
func (g *Gate) Use(app *fiber.App) { app.Use(g.watch) }

// watch numbers, measures and logs a request, sets the headers, and keeps a panic from ending the service.
func (g *Gate) watch(c *fiber.Ctx) (err error) {
	began := time.Now()
	id := g.prefix + strconv.FormatUint(g.count.Add(1), 36)
	c.Locals(keyRequest, id)
	g.headers(c, id)
	if l := connOf(c); l != nil {
		l.under.Add(1)
		defer l.under.Add(-1)
	}
	defer func() {
		if r := recover(); r != nil {
			g.opt.Logger.Error("request panicked", "request", id, "panic", fmt.Sprint(r), "stack", string(debug.Stack()))
			err = g.Fail(c, fmt.Errorf("panic: %v", r))
		}
		g.done(c, id, time.Since(began))
	}()
	if err := c.Next(); err != nil {
		return g.Fail(c, err)
	}
	return nil
}

// done counts and logs an answer. The log names the route, never the person, the address or the query.
func (g *Gate) done(c *fiber.Ctx, id string, took time.Duration) {
	status, route := c.Response().StatusCode(), c.Route().Path
	g.metrics.observe(c.Method(), route, status, took)
	level := slog.LevelDebug
	if status >= fiber.StatusInternalServerError {
		level = slog.LevelWarn
	}
	ctx := c.Context()
	if g.opt.Logger.Enabled(ctx, level) {
		g.opt.Logger.Log(ctx, level, "request", "id", id, "method", c.Method(), "route", route, "status", status,
			"took", took)
	}
}

// The policies of what a page may load: nothing inline, nothing from elsewhere. Answers of the API are no pages.
const (
	pagePolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; " +
		"connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
	apiPolicy = "default-src 'none'; frame-ancestors 'none'"
)

// header is one of an answer, its name written as HTTP writes it.
type header struct{ name, value []byte }

// common are the headers of every answer.
var common = []header{
	{[]byte(fiber.HeaderXContentTypeOptions), []byte("nosniff")},
	{[]byte(fiber.HeaderReferrerPolicy), []byte("same-origin")},
	{[]byte("Cross-Origin-Opener-Policy"), []byte("same-origin")},
	{[]byte("Cross-Origin-Resource-Policy"), []byte("same-origin")},
	{[]byte(fiber.HeaderCacheControl), []byte("no-store")},
}

// headers sets what keeps a browser from being used against us. The referrer policy is same-origin and not
// no-referrer, under which a browser would send the Origin of a form as null.
func (g *Gate) headers(c *fiber.Ctx, id string) {
	h := &c.Response().Header
	h.Set("X-Request-Id", id)
	for _, x := range common {
		h.SetCanonical(x.name, x.value)
	}
	if isAPI(c.Path()) {
		h.Set(fiber.HeaderContentSecurityPolicy, apiPolicy)
	} else {
		h.Set(fiber.HeaderContentSecurityPolicy, pagePolicy)
		h.Set(fiber.HeaderXFrameOptions, "DENY")
		h.Set("Permissions-Policy", "camera=(self), geolocation=(), microphone=()")
	}
	host, _, _ := strings.Cut(string(c.Request().Host()), ":")
	if g.Secure(c) && host != "localhost" { // there it would bind every other program of the machine too
		h.Set(fiber.HeaderStrictTransportSecurity, "max-age=31536000")
	}
}

func isAPI(path string) bool { return strings.HasPrefix(path, "/api/") }
