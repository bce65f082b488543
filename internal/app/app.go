// Package app puts a service together, starts it and stops it: the data folder with its logs, keys and
// accounts, the site at work, the timetable, pages, API, metrics and health, behind plain http on loopback
// or TLS. It is the only package that knows every other.
//
// It also opens data folders for the command line, which works on them without a server.
package app

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	_ "time/tzdata" // The time zones, so that a plan means the same on every machine.

	"github.com/gofiber/fiber/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"linewarden/alerts"
	"linewarden/internal/access"
	"linewarden/internal/config"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

// MetricsPrefix begins the name of every metric of our own.
const MetricsPrefix = "linewarden_"

// Parts are what a service is given beside its configuration.
type Parts struct {
	Logger  *slog.Logger     // nil: nothing is logged
	Clock   func() time.Time // nil: time.Now
	Version string
	// Folder is the data folder where it is open already; nil: New opens it. Stop closes it either way.
	Folder *Folder
	// Progress is called while the record log is read, from one goroutine.
	Progress func(done, total int64)
	// Access are the numbers of sign-in; nil: access.Defaults.
	Access *access.Settings
}

// DoorOptions says what a sign-in that Folder.Door opens works with; both may be nil.
type DoorOptions struct {
	Logger     *slog.Logger
	Registerer prometheus.Registerer
}

// App is one service. Start and Stop are called once each.
type App struct {
	cfg       config.Config
	parts     Parts
	logger    *slog.Logger
	registry  *prometheus.Registry
	folder    *Folder
	site      *plant.Site
	door      *access.Gate
	gate      *gate.Gate
	timetable *alerts.Timetable
	desk      atomic.Pointer[alerts.Desk]
	fiber     *fiber.App
	tls       *tls.Config
	authority []byte // certificate of the plant's own authority, PEM
	proxies   []netip.Prefix

	listener net.Listener
	quit     chan struct{} // closed when the service is to end: streams and housekeeping look at it
	served   chan error    // what serving ended with
	chores   sync.WaitGroup
	once     sync.Once
	stopped  error
}

// New opens the data folder and everything on it. The record log is read in the background; see Ready.
// Nothing listens yet. What it opened is closed again where it fails.
func New(ctx context.Context, cfg config.Config, p Parts) (*App, error) {
	if p.Logger == nil {
		p.Logger = slog.New(slog.DiscardHandler)
	}
	if p.Clock == nil {
		p.Clock = time.Now
	}
	a := &App{cfg: cfg, parts: p, logger: p.Logger, folder: p.Folder, registry: prometheus.NewRegistry(),
		quit: make(chan struct{}), served: make(chan error, 1)}
	TuneMemory()
	err := cfg.Check()
	if err == nil {
		err = a.open(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, a.close(context.WithoutCancel(ctx)))
	}
	return a, nil
}

func (a *App) open(ctx context.Context) error {
	var err error
	if a.tls, a.authority, err = tlsConfig(&a.cfg, a.parts.Clock()); err != nil {
		return err
	}
	for _, text := range a.cfg.BehindProxy {
		p, err := netip.ParsePrefix(text)
		if err != nil {
			return fmt.Errorf("behind_proxy: %w", err)
		}
		a.proxies = append(a.proxies, p)
	}
	if a.folder == nil {
		if a.folder, err = OpenFolder(ctx, a.cfg.Data, a.logger); err != nil {
			return err
		}
	}
	reg := prometheus.WrapRegistererWithPrefix(MetricsPrefix, a.registry)
	a.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	if err := a.openSite(ctx, reg); err != nil {
		return err
	}
	if a.timetable, err = alerts.New(alerts.Options{Site: a.site, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg}); err != nil {
		return err
	}
	if err := a.openDesk(reg); err != nil {
		return err
	}
	return a.mount(reg)
}

func (a *App) openSite(ctx context.Context, reg prometheus.Registerer) error {
	id, err := a.folder.SiteID(ctx, a.cfg.Site)
	if err != nil {
		return err
	}
	o, err := a.folder.Options(ctx, id)
	if err != nil {
		return err
	}
	o.Clock, o.Logger, o.Registerer, o.SnapshotEvery = a.parts.Clock, a.logger, reg, a.cfg.SnapshotEvery
	o.Progress, o.Committed = a.parts.Progress, a.noticed
	if a.site, err = plant.Begin(ctx, o); err != nil {
		return err
	}
	set := access.Defaults()
	if a.parts.Access != nil {
		set = *a.parts.Access
	}
	set.Hashers = a.cfg.Hashers
	a.door, err = a.folder.Door(ctx, a.site, set, DoorOptions{Logger: a.logger, Registerer: reg})
	return err
}

// Site gives the site at work.
func (a *App) Site() *plant.Site { return a.site }

// Door gives the sign-in.
func (a *App) Door() *access.Gate { return a.door }

// Timetable gives the timetable.
func (a *App) Timetable() *alerts.Timetable { return a.timetable }

// Desk gives what raises alerts and tells of them.
func (a *App) Desk() *alerts.Desk { return a.desk.Load() }

// Registry gives the metrics of the service.
func (a *App) Registry() *prometheus.Registry { return a.registry }

// Ready gives nil when the service takes commands, or why it does not.
func (a *App) Ready() error { return a.site.Ready() }

// Wait waits until the record log is read.
func (a *App) Wait(ctx context.Context) error { return a.site.Wait(ctx) }

// Start listens, and answers from then on; the timetable begins when the record log is read.
func (a *App) Start() error {
	l, err := net.Listen("tcp", a.cfg.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", a.cfg.Listen, err)
	}
	a.listener = gate.Listener(l)
	serve := a.listener
	if a.tls != nil {
		serve = tls.NewListener(a.listener, a.tls)
	}
	if err := a.folder.Announce(a.URL()); err != nil {
		return errors.Join(fmt.Errorf("announce the server in the lock file: %w", err), l.Close())
	}
	go func() { a.served <- a.fiber.Listener(serve) }()
	a.chores.Go(a.begin)
	a.chores.Go(a.housekeeping)
	a.logger.Info("serving", "address", a.URL(), "version", a.parts.Version)
	return nil
}

// begin waits for the record log and then starts the timetable.
func (a *App) begin() {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-a.quit:
			cancel()
		case <-ctx.Done():
		}
	}()
	if err := a.site.Wait(ctx); err != nil {
		if ctx.Err() == nil {
			a.logger.Error("the record log cannot be read; only what needs no state is served", "error", err)
		}
		return
	}
	select {
	case <-a.quit:
	default:
		a.timetable.Start()
		a.desk.Load().Start()
	}
}

const sweepEvery = time.Minute

// housekeeping forgets what has run out at sign-in, and reports what the log did not take before.
func (a *App) housekeeping() {
	t := time.NewTicker(sweepEvery)
	defer t.Stop()
	for {
		select {
		case <-a.quit:
			return
		case <-t.C:
			TuneMemory()
			if err := a.door.Sweep(context.Background(), a.parts.Clock()); err != nil {
				a.logger.Warn("housekeeping of sign-in", "error", err)
			}
		}
	}
}

// Addr gives the address that the service listens on.
func (a *App) Addr() string {
	if a.listener == nil {
		return a.cfg.Listen
	}
	return a.listener.Addr().String()
}

// URL gives the address for a browser. A plant certificate's first name stands for the machine.
func (a *App) URL() string {
	addr := a.Addr()
	if a.tls == nil {
		return "http://" + addr
	}
	if _, port, err := net.SplitHostPort(addr); err == nil && len(a.cfg.TLS.Plant) > 0 {
		addr = net.JoinHostPort(a.cfg.TLS.Plant[0], port)
	}
	return "https://" + addr
}

// Authority gives where a tablet fetches the certificate of the plant's own authority, and the SHA-256 of the
// certificate, by which a person knows that it is the right one; both "" where the service has none.
func (a *App) Authority() (url, fingerprint string) {
	block, _ := pem.Decode(a.authority)
	if block == nil {
		return "", ""
	}
	sum := sha256.Sum256(block.Bytes)
	return a.URL() + AuthorityPath, strings.ToUpper(strings.ReplaceAll(fmt.Sprintf("% x", sum[:]), " ", ":"))
}

// Served tells when serving has ended; nil after Stop.
func (a *App) Served() <-chan error { return a.served }

// Quit is closed when the service begins to stop, so that streams end.
func (a *App) Quit() <-chan struct{} { return a.quit }

// Stop ends the service and loses nothing: no new requests, streams end, requests under way are answered,
// the commands that wait are recorded, the state is saved, a checkpoint is signed, the folder is closed.
// When ctx ends first, what is left is cut short; an acknowledged command is never lost.
func (a *App) Stop(ctx context.Context) error {
	a.once.Do(func() {
		a.logger.Info("stopping")
		a.stopped = a.close(ctx)
		if a.stopped == nil {
			a.logger.Info("stopped")
		}
	})
	return a.stopped
}

func (a *App) close(ctx context.Context) error {
	var errs []error
	note := func(what string, err error) {
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", what, err))
		}
	}
	close(a.quit)
	if a.listener != nil {
		note("stop serving", a.fiber.ShutdownWithContext(ctx))
	}
	a.chores.Wait()
	if d := a.desk.Load(); d != nil {
		d.Stop()
	}
	if a.timetable != nil {
		note("stop", a.timetable.Stop(ctx))
	}
	if a.door != nil {
		note("record what sign-in noticed", a.door.Sweep(ctx, a.parts.Clock()))
	}
	if a.site != nil {
		note("close the site", a.site.Close(ctx))
	}
	if a.folder != nil {
		note("close the data folder", a.folder.Close())
	}
	return errors.Join(errs...)
}
