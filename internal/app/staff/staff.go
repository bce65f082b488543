// Package staff ties people to the logs they are recorded in: it looks them up in the published view of a site,
// or of a group and one of its sites, puts what sign-in noticed into the right log, and brings what a group's log
// says of people into the logs of its sites.
package staff

import (
	"context"
	"time"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/plant"
)

// directory lets package access look up people and devices in the published view.
type directory struct{ site *plant.Site }

// Of gives the people and devices of a site, and what puts happenings of sign-in into its log.
func Of(site *plant.Site) (access.Directory, func(context.Context, access.Happening) error) {
	return directory{site}, happenings{site}.report
}

// At gives the same for a site of a group.
func At(group, site *plant.Site) (access.Directory, func(context.Context, access.Happening) error) {
	return groupDirectory{directory{group}, directory{site}}, groupHappenings{happenings{group}, happenings{site}}.report
}

func (d directory) Person(id string) (access.Person, bool) {
	p, ok := d.site.View().Person(id)
	return personOf(p, ok)
}

func (d directory) ByName(signIn string) (access.Person, bool) {
	view := d.site.View()
	if p, ok := view.PersonBySignIn(signIn); ok {
		return personOf(p, ok)
	}
	for _, p := range view.People() {
		if access.SignInName(p.SignIn) == signIn {
			return personOf(p, true)
		}
	}
	return access.Person{}, false
}

func personOf(p *haccp.Person, ok bool) (access.Person, bool) {
	if !ok {
		return access.Person{}, false
	}
	return access.Person{ID: p.ID, Name: p.Name, SignIn: access.SignInName(p.SignIn), Roles: p.RolesNow(), Disabled: p.DisabledNow()}, true
}

func (d directory) Device(id string) (access.Device, bool) {
	s, ok := d.site.View().Device(id)
	if !ok {
		return access.Device{}, false
	}
	return access.Device{ID: s.ID, Name: s.Name, Revoked: !s.Revoked.IsZero()}, true
}

// happenings puts what package access noticed into the record log. The id of a happening is the command
// id, so that one reported twice is recorded once.
type happenings struct{ site *plant.Site }

func (h happenings) report(ctx context.Context, a access.Happening) error {
	cmd := &haccp.Command{ID: a.ID, At: a.At.UTC(), AtKnown: haccp.AtServer}
	if a.Kind == access.DeviceEnrolled || a.Kind == access.DeviceRevoked {
		cmd.Kind, cmd.By, cmd.Ask = haccp.AskDevice, h.administrator(a.By), deviceChange(a)
	} else {
		cmd.Kind, cmd.By, cmd.Ask = haccp.AskSecurity, alerts.Actor, securityOf(a)
	}
	_, err := h.site.Do(ctx, plant.Request{Command: cmd})
	return err
}

// Console is who holds the data folder.
var Console = haccp.Actor{ID: haccp.KnownConsole, Name: haccp.KnownConsole, Role: haccp.RoleConsole, Known: haccp.KnownConsole}

// administrator gives the actor of a person who acts as administrator; nobody is the console.
func (h happenings) administrator(id string) haccp.Actor {
	p, ok := h.site.View().Person(id)
	if !ok {
		return Console
	}
	return haccp.Actor{ID: p.ID, Name: p.Name, Role: haccp.RoleAdministrator, Known: haccp.KnownPassword}
}

func deviceChange(a access.Happening) *haccp.DeviceChange {
	c := &haccp.DeviceChange{Change: "revoked", DeviceBody: haccp.DeviceBody{Device: a.Device}}
	if a.Kind == access.DeviceEnrolled {
		c.Change, c.Name, c.Reason = "enrolled", a.DeviceName, a.DeviceKind
	}
	return c
}

// securityOf says in the reason what the record's members have no place for: device, address, who asked
// for it and until when it lasts.
func securityOf(a access.Happening) *haccp.SecurityHappened {
	body := haccp.PersonBody{Person: a.Person, What: a.What}
	var parts []string
	add := func(word, value string) {
		if value != "" {
			parts = append(parts, word+" "+value)
		}
	}
	add("device", a.Device)
	add("address", a.Address)
	add("asked for by", a.By)
	if !a.Until.IsZero() {
		add("until", a.Until.UTC().Format(time.RFC3339))
	} else if a.Kind == access.SignInLocked {
		parts = append(parts, "until an administrator lifts it")
	}
	for i, p := range parts {
		if i > 0 {
			body.Reason += ", "
		}
		body.Reason += p
	}
	return &haccp.SecurityHappened{Kind: a.Kind, PersonBody: body}
}

// groupDirectory knows the people that belong to the group and work at one of its sites, with their roles
// there.
type groupDirectory struct{ group, site directory }

// Person implements access.Directory.
func (d groupDirectory) Person(id string) (access.Person, bool) {
	g, ok := d.group.Person(id)
	if !ok {
		return access.Person{}, false
	}
	p, ok := d.site.Person(id)
	if !ok || p.SignIn != g.SignIn { // somebody else, of before the site joined, who happens to have this id
		return access.Person{}, false
	}
	p.Disabled = p.Disabled || g.Disabled
	return p, true
}

// ByName implements access.Directory.
func (d groupDirectory) ByName(signIn string) (access.Person, bool) {
	g, ok := d.group.ByName(signIn)
	if !ok {
		return access.Person{}, false
	}
	return d.Person(g.ID)
}

// Device implements access.Directory.
func (d groupDirectory) Device(id string) (access.Device, bool) { return d.site.Device(id) }

// groupHappenings puts what sign-in noticed where it belongs: what is about a person's credentials into the
// group's log, what happened at a site into that of the site.
type groupHappenings struct{ group, site happenings }

func (h groupHappenings) report(ctx context.Context, a access.Happening) error {
	if a.Kind == access.CredentialChanged || a.Kind == access.SignInLocked && a.Device == "" {
		return h.group.report(ctx, a)
	}
	return h.site.report(ctx, a)
}
