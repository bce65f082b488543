package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/demo"
)

type demoCommand struct {
	Data   string `help:"Data folder: a new one gets the history, one made before is served as it stands (default: a new one under the cache folder each time)." placeholder:"DIR"`
	Listen string `default:"127.0.0.1:8080" help:"Address on this machine to listen on." placeholder:"ADDR"`
	Days   int    `default:"21" help:"Length of the history."`
	At     string `help:"Moment at which the demo's clock stands when it starts, such as 2026-11-24T15:05:00Z; it goes on from there (default: now). The plant works Monday to Saturday, 06:00 to 22:00 in America/Merida." placeholder:"TIME"`
	Keep   bool   `help:"Serve the last demo as it was left, where --data is not given."`
}

// Help is shown by --help.
func (demoCommand) Help() string {
	return `Plant, people and every limit are invented. It prints a name and a password for each role; the
passwords are made anew at each start.

Example:
  linewarden demo --listen 127.0.0.1:8090`
}

// Run makes the demo plant and serves it.
func (c *demoCommand) Run(ctx context.Context, t *terminal) error {
	cfg := config.Default()
	cfg.Listen, cfg.Site, cfg.Log.Level = c.Listen, demo.Site, "warn"
	if !cfg.Loopback() {
		return fmt.Errorf("--listen %s: the demo is served on this machine only, such as 127.0.0.1:8080", c.Listen)
	}
	now, err := c.clock(t.now)
	if err != nil {
		return err
	}
	dir, err := c.folder()
	if err != nil {
		return err
	}
	cfg.Data = dir
	logger := t.logger(cfg.Log.Level, cfg.Log.Format)
	f, err := app.OpenFolder(ctx, dir, logger)
	if err != nil {
		return err
	}
	if err := c.history(ctx, t, f, now()); err != nil {
		return errors.Join(err, f.Close())
	}
	a, err := app.New(ctx, cfg, app.Parts{Home: f, Logger: logger, Version: version, Clock: now, Progress: t.progress("reading the record log", "records")})
	if err != nil {
		return err
	}
	if err := a.Wait(ctx); err != nil {
		return errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	people, err := signIns(ctx, a, now())
	if err != nil {
		return errors.Join(err, a.Stop(context.WithoutCancel(ctx)))
	}
	return serve(ctx, t, a, cfg.StopWithin.Std(), func() {
		t.print("The demo plant is at %s\nEverything in it is invented: plant, people and limits. Data folder: %s\n\n%s\n\nStop it with Ctrl+C.", a.URL(), dir, people)
	})
}

// clock gives the demo's clock: that of the machine, or one that began at the moment asked for.
func (c *demoCommand) clock(real func() time.Time) (func() time.Time, error) {
	if c.At == "" {
		return real, nil
	}
	at, err := time.Parse(time.RFC3339, c.At)
	if err != nil {
		return nil, fmt.Errorf("--at %s: a time is wanted with its zone, such as 2026-11-24T15:05:00Z", c.At)
	}
	began := real()
	return func() time.Time { return at.Add(real().Sub(began)) }, nil
}

// folder gives the data folder: the one named, or one of our own under the cache folder, made anew.
func (c *demoCommand) folder() (string, error) {
	if c.Data != "" {
		return c.Data, nil
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	dir := filepath.Join(cache, "linewarden-demo")
	if c.Keep {
		return dir, nil
	}
	return dir, clearDemo(dir)
}

// clearDemo takes a demo of before away. It removes only what a data folder holds, and only where no
// server runs on it: the lock is asked for first.
func clearDemo(dir string) error {
	if _, err := os.Stat(dir); err != nil {
		return nil //nolint:nilerr // nothing there to take away
	}
	f, err := app.OpenFolder(context.Background(), dir, nil)
	if err != nil {
		return err
	}
	sites, err := f.SiteID(context.Background(), "")
	if err == nil && sites != demo.Site {
		err = fmt.Errorf("%s holds the site %s, which is no demo: name another folder with --data", dir, sites)
	}
	if errors.Is(err, app.ErrNoSite) {
		err = nil
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("clear the last demo: %w", err)
	}
	for _, e := range entries {
		if e.Name() == "lock" {
			continue
		}
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return fmt.Errorf("clear the last demo: %w", err)
		}
	}
	return nil
}

// history writes the history into a new folder; one that holds the demo is left as it is.
func (c *demoCommand) history(ctx context.Context, t *terminal, f *app.Folder, now time.Time) error {
	id, err := f.SiteID(ctx, "")
	if err == nil && id == demo.Site {
		t.say("the demo of before is served as it was left")
		return nil
	}
	if err == nil {
		return fmt.Errorf("the data folder %s holds the site %s, which is not the demo plant", f.Dir, id)
	}
	if !errors.Is(err, app.ErrNoSite) {
		return err
	}
	t.say("making the invented plant with %d days of history in %s", c.Days, f.Dir)
	began := t.now()
	o, err := f.NewOptions(ctx, demo.Site)
	if err != nil {
		return err
	}
	show := t.progress("writing history", "steps")
	h, err := demo.Write(ctx, demo.Options{Plant: o, Now: now, Days: c.Days,
		Progress: func(done, total int) { show(int64(done), int64(total)) }})
	if err != nil {
		return err
	}
	t.say("%d records written in %s", h.Records, t.now().Sub(began).Round(100*time.Millisecond))
	return nil
}

// signIns gives everybody a new password and lists one person for each role.
func signIns(ctx context.Context, a *app.App, now time.Time) (string, error) {
	var ids []string
	people := a.Site().View().People()
	for _, p := range people {
		if !p.DisabledNow() {
			ids = append(ids, p.ID)
		}
	}
	passwords, err := a.Door().DemoPasswords(ctx, ids, now)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "  %-14s %-20s %-12s %s", "role", "person", "name", "password")
	for _, role := range access.Roles() {
		for _, p := range people {
			if password := passwords[p.ID]; password != "" && slices.Contains(p.RolesNow(), role) {
				fmt.Fprintf(&b, "\n  %-14s %-20s %-12s %s", strings.ReplaceAll(role, "_", " "), p.Name, p.SignIn, password)
				break
			}
		}
	}
	return b.String(), nil
}
