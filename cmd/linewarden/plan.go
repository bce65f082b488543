package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

type planCommands struct {
	Check    planCheck    `cmd:"" help:"Check a plan file; errors as FILE:LINE:COLUMN: message."`
	Sign     planSign     `cmd:"" help:"Check a plan file and put it in force; founds the site in a new folder."`
	Template planTemplate `cmd:"" help:"Print a plan to begin from; it lists what a plant has to decide."`
}

type planCheck struct {
	File string `arg:"" help:"Plan file (YAML)."`
}

// Help is shown by --help.
func (planCheck) Help() string {
	return "Exits 1 where there are errors; warnings name their source and exit 0.\n\nExample:\n  linewarden plan check plan.yaml"
}

// Run checks a plan file.
func (c *planCheck) Run(t *terminal) error {
	_, r, err := readPlan(t, c.File)
	if err != nil {
		return err
	}
	t.print("%s: %d control points, %d checks at %d places; no errors, %d warnings", c.File, len(r.Plan.Points), len(r.Plan.Checks), len(r.Plan.Places), len(r.Warnings))
	return nil
}

const maxPlan = 1 << 20

// readPlan reads and checks a plan file and prints what is wrong. The error is errSilent where the plan has
// errors: they stand on the terminal then.
func readPlan(t *terminal, file string) ([]byte, planfile.Report, error) {
	info, err := os.Stat(file)
	if err != nil {
		return nil, planfile.Report{}, fmt.Errorf("read the plan: %w", err)
	}
	if info.Size() > maxPlan {
		return nil, planfile.Report{}, fmt.Errorf("%s: a plan file has at most 1 MiB, this one has %d bytes", file, info.Size())
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, planfile.Report{}, fmt.Errorf("read the plan: %w", err)
	}
	r := planfile.Check(file, text, plan.Options{Acts: haccp.Acts()})
	for _, p := range r.Errors {
		t.say("%s", p.Error())
	}
	for _, p := range r.Warnings {
		t.say("%s", p.Error())
	}
	if len(r.Errors) > 0 {
		errs := "errors"
		if len(r.Errors) == 1 {
			errs = "error"
		}
		t.say("%s: %d %s", file, len(r.Errors), errs)
		return nil, r, errSilent
	}
	return text, r, nil
}

type planTemplate struct {
	Name string `arg:"" optional:"" default:"leaf-gel" help:"leaf-gel (a leaf-gel line), wash (a fresh-cut wash line) or empty."`
}

// Help is shown by --help.
func (planTemplate) Help() string {
	return "None holds a critical-limit number: limits come from your validation.\n\nExample:\n  linewarden plan template wash > plan.yaml"
}

// Run prints the template.
func (c *planTemplate) Run(t *terminal) error {
	text, err := planfile.Template(c.Name)
	if err != nil {
		return err
	}
	_, err = t.out.Write(text)
	return err
}

type planSign struct {
	File string `arg:"" help:"Plan file (YAML)."`
	placeFlags
	Site   string `help:"Id of the site; it must be the plan's. Given, a further site is founded beside those that are there." placeholder:"ID"`
	Name   string `help:"Name of the site for people (default: the plan's)." placeholder:"NAME"`
	Demo   bool   `help:"Found the site as a demo: it takes invented limits, and its plans are signed from the console."`
	From   moment `help:"When the plan takes effect (RFC 3339; default: at once; a first plan may lie in the past)." placeholder:"TIME"`
	Reason string `help:"Why the plan is changed." default:"signed from the command line" placeholder:"TEXT"`
}

// Help is shown by --help.
func (planSign) Help() string {
	return `A new folder becomes the data folder of the plan's site; in a database the site is founded with the key
of --signing-key, which linewarden key makes. On a demo site the console signs. On any
other the name and password of a manager are asked for; the first one is added on the way.

Examples:
  linewarden plan sign plan.yaml --data /var/lib/linewarden --reason "second bath"
  linewarden plan sign station.yaml --data /tmp/station --demo`
}

// Run signs a plan.
func (c *planSign) Run(ctx context.Context, t *terminal) error {
	text, r, err := readPlan(t, c.File)
	if err != nil {
		return err
	}
	f, err := c.place().Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	if err := c.found(ctx, t, f, r.Plan); err != nil {
		return err
	}
	site, err := f.Open(ctx, r.Plan.Site, t.progress("reading the record log", "records"))
	if err != nil {
		return err
	}
	defer closeSite(ctx, t, site)
	by := app.Console()
	if !site.View().Site.Demo {
		if by, err = askManager(ctx, t, f, site); err != nil {
			return err
		}
	}
	v, again, err := app.SignPlan(ctx, site, app.PlanSigning{Plan: r.Plan, Source: text, By: by, Reason: c.Reason, From: c.From.Time, Now: t.now()})
	if err != nil {
		return err
	}
	if again {
		t.print("this plan is in force already as version %d; nothing was recorded", v)
		return nil
	}
	t.print("plan version %d of site %s is signed", v, r.Plan.Site)
	return nil
}

// found makes the site of the plan where the folder holds none, or where a further one is wished for.
func (c *planSign) found(ctx context.Context, t *terminal, f *app.Folder, p *plan.Plan) error {
	if c.Site != "" && c.Site != p.Site {
		return fmt.Errorf("the plan is for site %q, not %q", p.Site, c.Site)
	}
	sites, err := f.Sites(ctx)
	if err != nil || slices.Contains(sites, p.Site) {
		return err
	}
	if len(sites) > 0 && c.Site == "" {
		_, err = f.SiteID(ctx, p.Site)
		return fmt.Errorf("%w; to found a further one say --site %s", err, p.Site)
	}
	if p.Demo && !c.Demo {
		return errors.New("this plan has invented limits: only a site founded as demo takes it (--demo)")
	}
	name := c.Name
	if name == "" {
		name = p.Name
	}
	if err := f.Found(ctx, plant.Founding{Site: p.Site, Name: name, Demo: c.Demo}, t.now); err != nil {
		return err
	}
	secret, public := f.KeyFile(p.Site)
	t.say("site %s is founded; its signing key is %s (keep a copy), the key to verify with is %s", p.Site, secret, public)
	return nil
}

// askManager asks for the name and password of a manager.
func askManager(ctx context.Context, t *terminal, f *app.Folder, site *plant.Site) (haccp.Actor, error) {
	none := haccp.Actor{}
	door, err := f.Door(ctx, site, access.Defaults(), app.DoorOptions{Logger: t.quiet()})
	if err != nil {
		return none, err
	}
	if !anyManager(site.View()) {
		if err := firstManager(&people{ctx: ctx, t: t, site: site, door: door}); err != nil {
			return none, fmt.Errorf("the site has no manager who could sign yet: run this again, or add one with linewarden user add NAME --sign-in SIGN-IN --role manager (%w)", err)
		}
	}
	name, err := t.ask("Sign-in name of the manager who signs")
	if err != nil {
		return none, err
	}
	password, err := t.askHidden("Password")
	if err != nil {
		return none, err
	}
	now := t.now()
	p, ok := site.View().PersonBySignIn(access.SignInName(name))
	if !ok || !p.Held(haccp.RoleManager, now) {
		return none, errors.New("this is no manager's name, or the password is not right")
	}
	if err := door.Reauthenticate(ctx, p.ID, password, access.Source{}, now); err != nil {
		if errors.Is(err, access.ErrSignIn) || errors.Is(err, access.ErrUnknown) {
			return none, errors.New("this is no manager's name, or the password is not right")
		}
		return none, err
	}
	return haccp.Actor{ID: p.ID, Name: p.Name, Role: haccp.RoleManager, Known: haccp.KnownPassword}, nil
}

// firstManager adds the first manager of a site.
func firstManager(p *people) error {
	p.t.say("the site has no manager yet; who signs its first plan becomes one")
	name, err := p.t.ask("Name as it is printed in records")
	if err != nil {
		return err
	}
	signIn, err := p.t.ask("Name for signing in")
	if err != nil {
		return err
	}
	return p.add(name, signIn, []string{haccp.RoleManager}, true)
}

func anyManager(s *haccp.State) bool {
	for _, p := range s.People() {
		for _, r := range p.RolesNow() {
			if r == haccp.RoleManager && !p.DisabledNow() {
				return true
			}
		}
	}
	return false
}

// closing closes a folder and says what went wrong.
func closing(t *terminal, f *app.Folder) {
	if err := f.Close(); err != nil {
		t.say("linewarden: close the data folder: %v", err)
	}
}

// closeSite closes a site and says what went wrong.
func closeSite(ctx context.Context, t *terminal, s *plant.Site) {
	if err := s.Close(context.WithoutCancel(ctx)); err != nil {
		t.say("linewarden: close the site: %v", err)
	}
}
