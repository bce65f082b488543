package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/plant"
)

type userCommands struct {
	Add     userAdd     `cmd:"" help:"Add a person; prints a one-time set-up code."`
	Disable userDisable `cmd:"" help:"Disable a person, or enable one again."`
	Role    userRole    `cmd:"" help:"Give a role to a person, or take it."`
	Reset   userReset   `cmd:"" help:"Make a new set-up code for a person who has lost the password."`
}

// userFolder is what every user command works on.
type userFolder struct {
	placeFlags
	Site string `help:"Site, where there are several." placeholder:"ID"`
}

// with opens the site and does the work on it.
func (u *userFolder) with(ctx context.Context, t *terminal, work func(*people) error) error {
	f, err := u.place().Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	id, err := f.SiteID(ctx, u.Site)
	if err != nil {
		return err
	}
	site, err := f.Open(ctx, id, t.progress("reading the record log", "records"))
	if err != nil {
		return err
	}
	defer closeSite(ctx, t, site)
	door, err := f.Door(ctx, site, access.Defaults(), app.DoorOptions{Logger: t.quiet()})
	if err != nil {
		return err
	}
	return work(&people{ctx: ctx, t: t, site: site, door: door})
}

// people is a site whose people are changed from the console.
type people struct {
	ctx  context.Context //nolint:containedctx // of one command
	t    *terminal
	site *plant.Site
	door *access.Gate
}

func (p *people) change(c haccp.PersonChange) error {
	_, err := p.site.Do(p.ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: p.t.now().UTC(),
		AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
	return err
}

// find gives a person by sign-in name or id.
func (p *people) find(name string) (*haccp.Person, error) {
	view := p.site.View()
	if who, ok := view.PersonBySignIn(access.SignInName(name)); ok {
		return who, nil
	}
	if who, ok := view.Person(name); ok {
		return who, nil
	}
	return nil, fmt.Errorf("there is no person with the sign-in name or id %q", name)
}

// code makes a set-up code and says what it is for; with a password that was asked for it is used up at
// once.
func (p *people) code(who *haccp.Person, secret string) error {
	code, err := p.door.IssueSetup(p.ctx, haccp.KnownConsole, who.ID, p.t.now())
	if err != nil {
		return err
	}
	if secret == "" {
		p.t.print("set-up code of %s (good for 24 hours, used once): %s", who.SignIn, code)
		p.t.say("with it %s chooses a password on the pages: Sign in, I have a one-time code (/set-up)", who.SignIn)
		return nil
	}
	if _, err := p.door.FinishSetup(p.ctx, who.SignIn, code, secret, access.Source{}, p.t.now()); err != nil {
		return fmt.Errorf("%w; choose with the set-up code instead (good for 24 hours): %s", err, code)
	}
	p.t.print("%s can sign in", who.SignIn)
	return nil
}

// askPassword asks for a new password, twice.
func (p *people) askPassword(signIn string) (string, error) {
	secret, err := p.t.askHidden("Password of " + signIn + " (at least 15 characters)")
	if err == nil && secret == "" {
		err = errors.New("no password was given: nothing was changed")
	}
	if err != nil {
		return "", err
	}
	again, err := p.t.askHidden("The same again")
	if err == nil && secret != again {
		err = errors.New("the two are not the same: nothing was changed")
	}
	return secret, err
}

type userAdd struct {
	Name string `arg:"" help:"Name as it is printed in records."`
	userFolder
	SignIn   string   `required:"" help:"Name typed at sign-in." placeholder:"NAME"`
	Role     []string `help:"Role: technician, line_lead, laboratory, manager, auditor or administrator; may be given several times." placeholder:"ROLE"`
	Password bool     `help:"Ask for the password here instead of printing a set-up code."`
}

// Help is shown by --help.
func (userAdd) Help() string {
	return `The person chooses the password with the set-up code, at the sign-in page.

Example:
  linewarden user add "Rosa Canul" --sign-in rosa --role manager --data /var/lib/linewarden`
}

// Run adds a person.
func (c *userAdd) Run(ctx context.Context, t *terminal) error {
	for _, role := range c.Role {
		if !slices.Contains(access.Roles(), role) {
			return fmt.Errorf("there is no role %q: one of %s", role, strings.Join(access.Roles(), ", "))
		}
	}
	return c.with(ctx, t, func(p *people) error { return p.add(c.Name, c.SignIn, c.Role, c.Password) })
}

// add adds a person with roles, and gives a set-up code or asks for the password. The password is asked for
// first: who gives up there has added nobody.
func (p *people) add(name, signIn string, roles []string, password bool) error {
	secret := ""
	if password {
		var err error
		if secret, err = p.askPassword(signIn); err != nil {
			return err
		}
	}
	id := "p-" + uuid.NewString()
	err := p.change(haccp.PersonChange{Change: "added",
		PersonBody: haccp.PersonBody{Person: id, Name: name, SignIn: access.SignInName(signIn)}})
	if err != nil {
		return err
	}
	for _, role := range roles {
		if err := p.change(haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: id, Role: role}}); err != nil {
			return err
		}
	}
	p.t.print("%s is added", name)
	who, err := p.find(id)
	if err != nil {
		return err
	}
	return p.code(who, secret)
}

type userDisable struct {
	Who string `arg:"" help:"Sign-in name or id."`
	userFolder
	Enable bool   `help:"Enable the person again."`
	Reason string `help:"Why; it is recorded." placeholder:"TEXT"`
}

// Help is shown by --help.
func (userDisable) Help() string {
	return "A disabled person cannot sign in; what they recorded stays.\n\nExample:\n  linewarden user disable rosa --data /var/lib/linewarden --reason \"left the plant\""
}

// Run disables or enables a person.
func (c *userDisable) Run(ctx context.Context, t *terminal) error {
	return c.with(ctx, t, func(p *people) error {
		who, err := p.find(c.Who)
		if err != nil {
			return err
		}
		change := "disabled"
		if c.Enable {
			change = "enabled"
		}
		err = p.change(haccp.PersonChange{Change: change, PersonBody: haccp.PersonBody{Person: who.ID, Reason: c.Reason}})
		if err != nil {
			return err
		}
		if err := p.door.EndPerson(ctx, who.ID, t.now()); err != nil {
			return err
		}
		t.print("%s is %s", who.SignIn, change)
		return nil
	})
}

type userRole struct {
	Who string `arg:"" help:"Sign-in name or id."`
	userFolder
	Give []string `help:"Role to give." placeholder:"ROLE"`
	Take []string `help:"Role to take." placeholder:"ROLE"`
}

// Help is shown by --help.
func (userRole) Help() string {
	return "Example:\n  linewarden user role rosa --give manager --take technician --data /var/lib/linewarden"
}

// Run gives and takes roles.
func (c *userRole) Run(ctx context.Context, t *terminal) error {
	if len(c.Give)+len(c.Take) == 0 {
		return errors.New("say which role to --give or to --take")
	}
	return c.with(ctx, t, func(p *people) error {
		who, err := p.find(c.Who)
		if err != nil {
			return err
		}
		for _, role := range c.Give {
			if err := p.change(haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: who.ID, Role: role}}); err != nil {
				return err
			}
		}
		for _, role := range c.Take {
			if err := p.change(haccp.PersonChange{Change: "role-taken", PersonBody: haccp.PersonBody{Person: who.ID, Role: role}}); err != nil {
				return err
			}
		}
		now, err := p.find(who.ID)
		if err != nil {
			return err
		}
		t.print("%s holds: %s", now.SignIn, strings.Join(now.RolesNow(), ", "))
		return nil
	})
}

type userReset struct {
	Who string `arg:"" help:"Sign-in name or id."`
	userFolder
	Password bool `help:"Ask for the new password here instead of printing a set-up code."`
}

// Help is shown by --help.
func (userReset) Help() string {
	return "The old password and PIN stop working and all sessions end.\n\nExample:\n  linewarden user reset rosa --data /var/lib/linewarden"
}

// Run makes a new set-up code.
func (c *userReset) Run(ctx context.Context, t *terminal) error {
	return c.with(ctx, t, func(p *people) error {
		who, err := p.find(c.Who)
		if err != nil {
			return err
		}
		secret := ""
		if c.Password {
			if secret, err = p.askPassword(who.SignIn); err != nil {
				return err
			}
		}
		return p.code(who, secret)
	})
}
