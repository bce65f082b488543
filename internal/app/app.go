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
	"os"
	"slices"
	"strings"
	"sync"
	"time"
	_ "time/tzdata" // The time zones, so that a plan means the same on every machine.

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"linewarden/alerts"
	"linewarden/dashboards"
	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app/certs"
	"linewarden/internal/app/memory"
	"linewarden/internal/config"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/plant/follow"
)

// MetricsPrefix begins the name of every metric of our own.
const MetricsPrefix = "linewarden_"

// Parts are what a service is given beside its configuration.
type Parts struct {
	Logger  *slog.Logger     // nil: nothing is logged
	Clock   func() time.Time // nil: time.Now
	Version string
	// Home is where the sites are, where it is open already; nil: New opens the data folder. Stop closes it either
	// way.
	Home Home
	// Progress is called while the record log is read, from one goroutine.
	Progress func(done, total int64)
	// Access are the numbers of sign-in; nil: access.Defaults.
	Access *access.Settings
	// Backup gives the job that keeps backups of a site; nil: settings that ask for backups are refused.
	Backup func(BackupSeries) alerts.Backups
}

// DoorOptions says what a sign-in that Folder.Door opens works with; both may be nil.
type DoorOptions struct {
	Logger     *slog.Logger
	Registerer prometheus.Registerer
}

// App is one service. Start and Stop are called once each.
type App struct {
	cfg      config.Config
	parts    Parts
	logger   *slog.Logger
	registry *prometheus.Registry
	figures  *dashboards.Gatherer // of the registry and of the sites
	home     Home
	shared   Shared // nil: no other instance uses the home
	rota     *alerts.Rota
	// neighbours are told of what is written here; nil: nobody is.
	neighbours *neighbours
	peerKey    []byte
	front      *house // the only site, or the group
	group      *group // nil: one site is served
	tls        *tls.Config
	authority  []byte // certificate of the plant's own authority, PEM
	proxies    []netip.Prefix

	listener *gate.Listening
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
	a := &App{cfg: cfg, parts: p, logger: p.Logger, home: p.Home, registry: prometheus.NewRegistry(),
		quit: make(chan struct{}), served: make(chan error, 1)}
	a.figures = dashboards.NewGatherer(a.registry)
	memory.Tune()
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
	if a.tls, a.authority, err = certs.Config(&a.cfg, a.parts.Clock()); err != nil {
		return err
	}
	for _, text := range a.cfg.BehindProxy {
		p, err := netip.ParsePrefix(text)
		if err != nil {
			return fmt.Errorf("behind_proxy: %w", err)
		}
		a.proxies = append(a.proxies, p)
	}
	if a.home == nil {
		place := Place{Data: a.cfg.Data, MongoDB: a.cfg.MongoDB, SigningKey: a.cfg.SigningKey}
		f, err := place.Open(ctx, a.logger)
		if err != nil {
			return err
		}
		a.home = f
	}
	if a.shared = a.home.Shared(); a.shared != nil {
		a.rota = alerts.NewRota(a.shared, instanceName(), a.logger)
	}
	if err := a.openPeers(ctx); err != nil {
		return err
	}
	reg := prometheus.WrapRegistererWithPrefix(MetricsPrefix, a.registry)
	a.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return a.openSites(ctx, reg)
}

// openSites opens the site that is wished for, or the only one; without a wish, the group where there is one.
func (a *App) openSites(ctx context.Context, reg prometheus.Registerer) error {
	sites, err := a.home.Sites(ctx)
	if err != nil {
		return err
	}
	if a.cfg.Site == "" && slices.Contains(sites, haccp.GroupID) {
		return a.openGroup(ctx, reg)
	}
	id, err := pickSite(a.home.Where(), sites, a.cfg.Site)
	if err != nil {
		return err
	}
	reg = labelled(reg, id)
	a.front, err = a.openHouse(ctx, id, "", reg, func(site *plant.Site) (*access.Gate, error) {
		return Door(ctx, a.home, site, a.settings(), DoorOptions{Logger: a.logger, Registerer: reg})
	})
	return err
}

// instanceName names this process among the instances, and no other one ever.
func instanceName() string {
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "instance"
	}
	return host + "-" + uuid.NewString()[:8]
}

// Site gives the site at work.
func (a *App) Site() *plant.Site { return a.front.site }

// Door gives the sign-in.
func (a *App) Door() *access.Gate { return a.front.door }

// Timetable gives the timetable.
func (a *App) Timetable() *alerts.Timetable { return a.front.timetable }

// Registry gives the metrics of the service.
func (a *App) Registry() *prometheus.Registry { return a.registry }

// Figures gives the metrics of the service with those of its sites.
func (a *App) Figures() *dashboards.Gatherer { return a.figures }

// Ready gives nil when the service takes commands, or why it does not.
func (a *App) Ready() error {
	if a.group != nil {
		return a.group.ready()
	}
	return a.front.site.Ready()
}

// Wait waits until the record log is read.
func (a *App) Wait(ctx context.Context) error { return a.front.site.Wait(ctx) }

// Start listens, and answers from then on; the timetable begins when the record log is read.
func (a *App) Start() error {
	l, err := net.Listen("tcp", a.cfg.Listen)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", a.cfg.Listen, err)
	}
	a.listener = gate.Listener(l)
	var serve net.Listener = a.listener
	if a.tls != nil {
		serve = tls.NewListener(a.listener, a.tls)
	}
	if err := a.home.Announce(a.URL()); err != nil {
		return errors.Join(fmt.Errorf("announce the server in the lock file: %w", err), l.Close())
	}
	go func() { a.served <- a.front.fiber.Listener(serve) }()
	a.chores.Go(func() { a.front.begin(a) })
	a.chores.Go(a.housekeeping)
	if a.group != nil {
		a.chores.Go(a.group.run)
	}
	a.follow()
	if err := a.tell(); err != nil {
		return err
	}
	a.logger.Info("serving", "address", a.URL(), "version", a.parts.Version)
	return nil
}

// life gives a context that ends when the service begins to stop.
func (a *App) life() (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		select {
		case <-a.quit:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

// follow begins to read what other instances write, and to share the timetables out among them.
func (a *App) follow() {
	if a.shared == nil {
		return
	}
	f := &follow.Follower{News: a.shared, Sites: a.sites, Logger: a.logger, Needed: func(site string) bool {
		_, mine := a.rota.Epoch(site)
		return mine
	}}
	for _, run := range []func(context.Context){f.Run, a.rota.Run} {
		a.chores.Go(func() {
			ctx, cancel := a.life()
			defer cancel()
			run(ctx)
		})
	}
}

// sites lists every site at work.
func (a *App) sites() []*plant.Site {
	var out []*plant.Site
	for _, h := range a.houses() {
		out = append(out, h.site)
	}
	return out
}

// houses lists everything that is served, the front first.
func (a *App) houses() []*house {
	if a.front == nil {
		return nil
	}
	all := []*house{a.front}
	if a.group != nil {
		all = append(all, a.group.all()...)
	}
	return all
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
			memory.Tune()
			for i, h := range a.houses() {
				if i > 0 && h.door.Unrecorded() == 0 {
					continue // what runs out at sign-in is common to them all
				}
				if err := h.door.Sweep(context.Background(), a.parts.Clock()); err != nil {
					a.logger.Warn("housekeeping of sign-in", "site", h.id, "error", err)
				}
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

// mostOf gives a context with two thirds of the time that is left, so that what follows has the rest.
func mostOf(ctx context.Context) (context.Context, context.CancelFunc) {
	end, is := ctx.Deadline()
	if !is {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, time.Until(end)*2/3)
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
		serving, cancel := mostOf(ctx)
		go a.listener.Release(serving)
		note("stop serving", a.front.fiber.ShutdownWithContext(serving))
		cancel()
	}
	a.chores.Wait()
	for _, h := range a.houses() {
		note("site "+h.id, h.close(ctx, a.parts.Clock()))
	}
	if a.home != nil {
		note("close "+a.home.Where(), a.home.Close())
	}
	return errors.Join(errs...)
}
