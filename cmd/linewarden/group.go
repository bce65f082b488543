package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/plant"
)

type groupCommands struct {
	Found  groupFound  `cmd:"" help:"Found a group in a place that holds, or is to hold, several sites."`
	Add    groupAdd    `cmd:"" help:"Add a site to the group."`
	Retire groupRetire `cmd:"" help:"Retire a site from the group; its log stays."`
	Role   groupRole   `cmd:"" help:"Give a role at a site to a person of the group, or take it."`
}

type groupFound struct {
	Name string `arg:"" help:"Name of the group for people."`
	placeFlags
}

// Help is shown by --help.
func (groupFound) Help() string {
	return `The group has a log of its own, with the id "group": its sites, its people, and the roles they hold at each
site. Once it is there, serve serves every site that was added to it. People are added to the group with user add
--site group. In a database the group's key is made first: linewarden key group -o DIR/group.signing-key.

Example:
  linewarden group found "Example growers" --data /var/lib/linewarden`
}

// Run founds a group.
func (c *groupFound) Run(ctx context.Context, t *terminal) error {
	f, err := c.place().Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	if err := f.FoundGroup(ctx, c.Name, t.now); err != nil {
		return err
	}
	t.print("the group %s is founded; add its administrator: linewarden user add NAME --site %s --sign-in NAME --role administrator", c.Name, haccp.GroupID)
	return nil
}

// inGroup opens the group's log and gives it a command from the console.
func (p *placeFlags) inGroup(ctx context.Context, t *terminal, kind string, ask func(*app.Folder, *plant.Site) (any, error)) error {
	f, err := p.place().Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	if _, err := f.Founding(ctx, haccp.GroupID); err != nil {
		return fmt.Errorf("%w: found the group first: linewarden group found", err)
	}
	site, err := f.Open(ctx, haccp.GroupID, nil)
	if err != nil {
		return err
	}
	defer closeSite(ctx, t, site)
	what, err := ask(f, site)
	if err != nil {
		return err
	}
	_, err = site.Do(ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: t.now().UTC(),
		AtKnown: haccp.AtServer, By: app.Console(), Ask: what}})
	return err
}

type groupAdd struct {
	Site string `arg:"" help:"Id of a site that has been founded in the same place."`
	placeFlags
}

// Help is shown by --help.
func (groupAdd) Help() string {
	return "Example:\n  linewarden group add north --data /var/lib/linewarden"
}

// Run adds a site to the group.
func (c *groupAdd) Run(ctx context.Context, t *terminal) error {
	err := c.inGroup(ctx, t, haccp.AskGroupSite, func(f *app.Folder, _ *plant.Site) (any, error) {
		founding, err := f.Founding(ctx, c.Site)
		if err != nil {
			return nil, fmt.Errorf("site %s: %w", c.Site, err)
		}
		return &haccp.GroupSiteChange{Change: "added", GroupSite: haccp.GroupSite{Site: founding.Site, Name: founding.Name,
			LogID: founding.LogID, Key: founding.Key}}, nil
	})
	if err == nil {
		t.print("%s belongs to the group", c.Site)
	}
	return err
}

type groupRetire struct {
	Site   string `arg:"" help:"Id of the site."`
	Reason string `required:"" help:"Why." placeholder:"TEXT"`
	placeFlags
}

// Help is shown by --help.
func (groupRetire) Help() string {
	return "Example:\n  linewarden group retire north --reason \"sold\" --data /var/lib/linewarden"
}

// Run retires a site from the group.
func (c *groupRetire) Run(ctx context.Context, t *terminal) error {
	err := c.inGroup(ctx, t, haccp.AskGroupSite, func(*app.Folder, *plant.Site) (any, error) {
		return &haccp.GroupSiteChange{Change: "retired", GroupSite: haccp.GroupSite{Site: c.Site, Reason: c.Reason}}, nil
	})
	if err == nil {
		t.print("%s is retired from the group", c.Site)
	}
	return err
}

type groupRole struct {
	Person string `arg:"" help:"Sign-in name or id of a person of the group."`
	Site   string `required:"" help:"Id of the site." placeholder:"ID"`
	Give   string `help:"Role to give: technician, line_lead, laboratory, manager, auditor or administrator." placeholder:"ROLE"`
	Take   string `help:"Role to take." placeholder:"ROLE"`
	placeFlags
}

// Help is shown by --help.
func (groupRole) Help() string {
	return `The service records it in the site's log too, within seconds or when it starts.

Example:
  linewarden group role rosa --site north --give manager --data /var/lib/linewarden`
}

// Run gives or takes a role at a site.
func (c *groupRole) Run(ctx context.Context, t *terminal) error {
	if (c.Give == "") == (c.Take == "") {
		return errors.New("say either --give ROLE or --take ROLE")
	}
	change, role := "given", c.Give
	if role == "" {
		change, role = "taken", c.Take
	}
	err := c.inGroup(ctx, t, haccp.AskSiteRole, func(_ *app.Folder, site *plant.Site) (any, error) {
		who, err := (&people{site: site}).find(c.Person)
		if err != nil {
			return nil, err
		}
		return &haccp.SiteRoleChange{Change: change, SiteRole: haccp.SiteRole{Person: who.ID, Role: role, Site: c.Site}}, nil
	})
	if err == nil {
		t.print("%s: %s %s at %s", c.Person, role, change, c.Site)
	}
	return err
}
