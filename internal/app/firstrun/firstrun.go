// Package firstrun serves a data folder in which no plant can work yet: it shows the page on which the site is founded and
// its first person chooses a password, and ends when that is done. Whoever was interrupted there is taken up again: a site
// that is founded and in which nobody can sign in yet comes here too.
package firstrun

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/app/certs"
	"linewarden/internal/app/staff"
	"linewarden/internal/config"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/web"
	page "linewarden/internal/web/firstrun"
)

// Options says what is founded and served where.
type Options struct {
	Folder *app.Folder
	Config config.Config
	Clock  func() time.Time
	Logger *slog.Logger     // nil: nothing is logged
	Access *access.Settings // nil: access.Defaults
}

// small is how many records a log has at most in which nobody could sign in yet.
const small = 64

// Needed says whether the folder has no plant that somebody could sign in to.
func Needed(ctx context.Context, o Options) (needed bool, standing page.Standing, err error) {
	sites, err := o.Folder.Sites(ctx)
	switch {
	case err != nil:
		return false, standing, err
	case len(sites) == 0:
		return true, standing, nil
	case len(sites) > 1 || sites[0] == haccp.GroupID:
		return false, standing, nil
	}
	log, err := o.Folder.Log(ctx, sites[0])
	if err != nil {
		return false, standing, err
	}
	head, err := log.Head(ctx)
	if err != nil || head.Size > small {
		return false, standing, err
	}
	err = o.with(ctx, sites[0], func(site *plant.Site, door *access.Gate) error {
		if site.View().Site.Demo || len(site.View().Plans) > 0 {
			return nil // founded and used otherwise
		}
		standing.Site, standing.Name = site.Name()
		for _, p := range site.View().People() {
			has, err := door.HasWayIn(ctx, p.ID)
			if err != nil {
				return err
			}
			if has {
				standing = page.Standing{}
				return nil
			}
			if p.ID == firstID(sites[0]) {
				standing.Person, standing.SignIn = p.Name, p.SignIn
			}
		}
		return nil
	})
	return standing.Site != "", standing, err
}

// with opens a site and does the work on it.
func (o *Options) with(ctx context.Context, id string, work func(*plant.Site, *access.Gate) error) error {
	site, err := o.Folder.Open(ctx, id, nil)
	if err != nil {
		return err
	}
	set := access.Defaults()
	if o.Access != nil {
		set = *o.Access
	}
	door, err := o.Folder.Door(ctx, site, set, app.DoorOptions{Logger: o.Logger})
	if err == nil {
		err = work(site, door)
	}
	return errors.Join(err, site.Close(context.WithoutCancel(ctx)))
}

// firstID is the id of the person who founds a site.
func firstID(site string) string { return derived(site, "person") }

func derived(site string, parts ...string) string {
	return record.DerivedID(record.SiteNamespace(site), append([]string{"first-run"}, parts...)...).String()
}

// found founds the site, keeps the plan to begin from, and adds its first person as manager and administrator. What an
// earlier try has done is not done again.
func (o *Options) found(ctx context.Context, w page.Wish) error {
	set := access.Defaults()
	if o.Access != nil {
		set = *o.Access
	}
	set.Words = append(set.Words, w.CheckedWords...)
	if err := set.CheckPassword(w.Password, access.Person{Name: w.Person, SignIn: w.SignIn}); err != nil {
		return err // before anything is founded
	}
	sites, err := o.Folder.Sites(ctx)
	if err != nil {
		return err
	}
	if len(sites) == 0 {
		if err := o.Folder.Found(ctx, plant.Founding{Site: w.Site, Name: w.Name}, o.Clock); err != nil {
			return err
		}
	}
	if w.Plan != "" {
		if err := o.Folder.Draft(w.Site).Keep(w.Plan); err != nil {
			return err
		}
	}
	return o.with(ctx, w.Site, func(site *plant.Site, door *access.Gate) error {
		id := firstID(w.Site)
		if _, ok := site.View().Person(id); !ok {
			if err := o.change(ctx, site, "added", haccp.PersonBody{Person: id, Name: w.Person, SignIn: w.SignIn}); err != nil {
				return err
			}
		}
		for _, role := range []string{haccp.RoleManager, haccp.RoleAdministrator} {
			p, ok := site.View().Person(id)
			if !ok || p.Held(role, o.Clock()) {
				continue
			}
			if err := o.change(ctx, site, "role-given", haccp.PersonBody{Person: id, Role: role}); err != nil {
				return err
			}
		}
		return door.FirstPassword(ctx, haccp.KnownConsole, id, w.Password, o.Clock())
	})
}

func (o *Options) change(ctx context.Context, site *plant.Site, change string, b haccp.PersonBody) error {
	id, _ := site.Name()
	_, err := site.Do(ctx, plant.Request{Command: &haccp.Command{ID: derived(id, change, b.Role), Kind: haccp.AskPerson, At: o.Clock().UTC(),
		AtKnown: haccp.AtServer, By: staff.Console, Ask: &haccp.PersonChange{Change: change, PersonBody: b}}})
	return err
}

// stopWithin is how long answers under way may take at the end.
const stopWithin = 3 * time.Second

// Serve shows the page until the site is founded, or ctx ends: founded is false then. It gives the address that it listened
// on, which the service takes over. started is called with the address for a browser and the one-time code.
func Serve(ctx context.Context, o Options, standing page.Standing, started func(url, code string)) (addr string, founded bool, err error) {
	code := access.NewOneTimeCode()
	style, err := web.StyleSheet()
	if err != nil {
		return "", false, err
	}
	encrypted, _, err := certs.Config(&o.Config, o.Clock())
	if err != nil {
		return "", false, err
	}
	p, err := page.NewFounding(page.FoundingOptions{Code: code, Standing: standing, Clock: o.Clock, Style: style, TLS: encrypted != nil || len(o.Config.BehindProxy) > 0,
		Found: func(ctx context.Context, w page.Wish) error { return o.found(ctx, w) }})
	if err != nil {
		return "", false, err
	}
	l, err := net.Listen("tcp", o.Config.Listen)
	if err != nil {
		return "", false, fmt.Errorf("listen on %s: %w", o.Config.Listen, err)
	}
	addr = l.Addr().String()
	scheme := "http://"
	if encrypted != nil {
		l, scheme = tls.NewListener(l, encrypted), "https://"
	}
	server := fiber.New(p.Config())
	p.Register(server)
	served := make(chan error, 1)
	go func() { served <- server.Listener(l) }()
	started(scheme+addr+"/first-run", code)
	select {
	case err = <-served:
		return addr, false, err
	case <-ctx.Done():
	case <-p.Done():
		founded = true
	}
	if err := server.ShutdownWithTimeout(stopWithin); err != nil && o.Logger != nil {
		o.Logger.Warn("an answer of the first run was cut short", "error", err)
	}
	return addr, founded, nil
}
