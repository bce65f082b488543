package main

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/app/firstrun"
	"linewarden/internal/app/transfer"
	"linewarden/internal/config"
)

type serveCommand struct {
	placeFlags
	Config      string   `help:"YAML file with settings; flags and LINEWARDEN_ variables go before it." placeholder:"FILE"`
	Site        string   `help:"Site to serve, where there are several." placeholder:"ID"`
	Listen      string   `help:"Address to listen on (default 127.0.0.1:8080)." placeholder:"ADDR"`
	TLSCert     string   `name:"tls-cert" help:"Certificate with its chain, PEM." placeholder:"FILE"`
	TLSKey      string   `name:"tls-key" help:"Key of the certificate, PEM." placeholder:"FILE"`
	TLSPlant    []string `name:"tls-plant" help:"Make the plant's own authority, and a certificate for these names and addresses." placeholder:"NAMES"`
	BehindProxy []string `help:"Networks of the trusted proxies that end TLS in front." placeholder:"CIDR"`
	LogLevel    string   `help:"debug, info, warn or error." placeholder:"LEVEL"`
	LogFormat   string   `help:"text or json." placeholder:"FORMAT"`
	PrintConfig bool     `help:"Print the settings as they would be, and stop."`
}

// Help is shown by --help.
func (serveCommand) Help() string {
	return `Off loopback the service speaks TLS only, or stands behind a trusted proxy.

Examples:
  linewarden serve --data /var/lib/linewarden
  linewarden serve --data /var/lib/linewarden --listen 0.0.0.0:8443 --tls-plant wash-hall.example,192.0.2.10
  linewarden serve --mongodb /run/secrets/mongodb-uri --signing-key /run/secrets/signing-key --listen 0.0.0.0:8080 --behind-proxy 10.0.0.0/24
  linewarden serve --config /etc/linewarden.yaml --print-config`
}

// settings puts the flags before variables and file.
func (c *serveCommand) settings(getenv func(string) string) (config.Config, error) {
	cfg, err := config.Load(c.Config, getenv)
	if err != nil {
		return cfg, err
	}
	for _, f := range []struct {
		flag string
		to   *string
	}{
		{c.Data, &cfg.Data}, {c.MongoDB, &cfg.MongoDB}, {c.SigningKey, &cfg.SigningKey}, {c.Site, &cfg.Site}, {c.Listen, &cfg.Listen}, {c.TLSCert, &cfg.TLS.Cert}, {c.TLSKey, &cfg.TLS.Key},
		{c.LogLevel, &cfg.Log.Level}, {c.LogFormat, &cfg.Log.Format},
	} {
		if f.flag != "" {
			*f.to = f.flag
		}
	}
	if len(c.TLSPlant) > 0 {
		cfg.TLS.Plant = c.TLSPlant
	}
	if len(c.BehindProxy) > 0 {
		cfg.BehindProxy = c.BehindProxy
	}
	return cfg, nil
}

// Run serves until it is told to stop.
func (c *serveCommand) Run(ctx context.Context, t *terminal) error {
	cfg, err := c.settings(t.getenv)
	if err != nil {
		return err
	}
	if c.PrintConfig {
		return errors.Join(cfg.Print(t.out), cfg.Check())
	}
	home, err := firstRun(ctx, t, &cfg)
	if err != nil || home == nil {
		return err
	}
	a, err := app.New(ctx, cfg, app.Parts{Logger: t.logger(cfg.Log.Level, cfg.Log.Format), Version: version, Backup: transfer.Series, Home: home,
		Progress: t.progress("reading the record log", "records")})
	if err != nil {
		return err
	}
	return serve(ctx, t, a, cfg.StopWithin.Std(), func() {
		t.say("Linewarden is at %s (stop it with Ctrl+C)", a.URL())
		if url, fingerprint := a.Authority(); url != "" {
			t.say("each tablet installs the plant's certificate once, as a certificate authority: %s\nits SHA-256 is %s", url, fingerprint)
		}
	})
}

// firstRun opens the home of the sites, and leads through the founding of one where a data folder holds none that somebody
// could sign in to. The home is nil where it was told to stop meanwhile.
func firstRun(ctx context.Context, t *terminal, cfg *config.Config) (*app.Folder, error) {
	if err := cfg.Check(); err != nil {
		return nil, err
	}
	f, err := app.Place{Data: cfg.Data, MongoDB: cfg.MongoDB, SigningKey: cfg.SigningKey}.Open(ctx, t.logger(cfg.Log.Level, cfg.Log.Format))
	if err != nil || cfg.MongoDB != "" || cfg.Site != "" || len(cfg.BehindProxy) > 0 {
		return f, err
	}
	o := firstrun.Options{Folder: f, Config: *cfg, Clock: t.now, Logger: t.logger(cfg.Log.Level, cfg.Log.Format)}
	needed, standing, err := firstrun.Needed(ctx, o)
	if err != nil || !needed {
		return f, closeOn(f, err)
	}
	addr, founded, err := firstrun.Serve(ctx, o, standing, func(url, code string) {
		t.say("this data folder holds no plant yet: set one up at %s (stop with Ctrl+C)", url)
		t.print("one-time code: %s", code)
	})
	if err != nil || !founded {
		return nil, errors.Join(err, f.Close())
	}
	cfg.Listen = addr
	secret, public := f.KeyFile(firstSite(ctx, f))
	t.say("the plant is set up; its signing key is %s (keep a copy), the key to verify with is %s", secret, public)
	return f, nil
}

// firstSite names the only site of a folder; "" where that cannot be read.
func firstSite(ctx context.Context, f *app.Folder) string {
	id, err := f.SiteID(ctx, "")
	if err != nil {
		return ""
	}
	return id
}

// closeOn closes a folder where something went wrong with it.
func closeOn(f *app.Folder, err error) error {
	if err == nil {
		return nil
	}
	return errors.Join(err, f.Close())
}

// serve starts a service, waits for the end and stops it.
func serve(ctx context.Context, t *terminal, a *app.App, stopWithin time.Duration, started func()) error {
	err := a.Start()
	if errors.Is(err, syscall.EADDRINUSE) {
		err = fmt.Errorf("another program listens on %s: choose another address with --listen", a.Addr())
	}
	if err == nil {
		started()
		select {
		case <-ctx.Done():
			t.say("stopping; what was entered is being saved")
		case err = <-a.Served():
		}
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
	defer cancel()
	return errors.Join(err, a.Stop(stop))
}
