package firstrun

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Guide serves the page of the steps from a founded site to its first reading. Pages and Records are required.
type Guide struct {
	Pages   frame.Pages
	Records plant.Finder
	Draft   frame.Draft // nil: none is kept
	Trust   string      // address of the page on which a tablet learns to trust the plant's certificate; "": none
	TLS     bool        // the service is reached over TLS
}

// Register adds the route. in lets only people through who are signed in.
func (g *Guide) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/first-run", in(g.show))
}

// What a step can be. Open is one that nothing records.
const (
	done = "closed"
	next = "do"
	rest = "upcoming"
)

// GuidePage is the list of steps.
type GuidePage struct {
	*frame.Frame
	Steps []Step
	Baths []Bath
	TLS   bool
	All   bool // every step that can be seen is done
}

// Step is one step to the first reading.
type Step struct {
	Key, State string
	Notes      []string
	Ways       []frame.Way
}

// Bath is a bath of the plan.
type Bath struct {
	ID, Name, Volume, Mixing string
	Filled                   string
}

func (g *Guide) show(c *fiber.Ctx, f *frame.Frame) error {
	if !f.May(haccp.AskSignPlan) && !f.May(haccp.AskPerson) {
		return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	p := &GuidePage{Frame: f, TLS: g.TLS}
	for _, step := range []func(context.Context, *GuidePage) (Step, error){g.plan, people, baths, labels, g.tablet, g.reading} {
		s, err := step(c.UserContext(), p)
		if err != nil {
			return err
		}
		p.Steps = append(p.Steps, s)
	}
	first := slices.IndexFunc(p.Steps, func(s Step) bool { return s.State == rest })
	if p.All = first < 0; !p.All {
		p.Steps[first].State = next
	}
	return g.Pages.Show(c, fiber.StatusOK, "firstrun", f.T("firstrun.guide"), p)
}

func stateOf(finished bool) string {
	if finished {
		return done
	}
	return rest
}

func (p *GuidePage) way(path, key string, pairs ...string) frame.Way {
	return frame.Way{Path: path, Text: p.T(key, pairs...)}
}

// plan is done once a plan is signed; until then it tells how the draft stands.
func (g *Guide) plan(_ context.Context, p *GuidePage) (Step, error) {
	s := Step{Key: "plan", State: stateOf(len(p.State.Plans) > 0)}
	if s.State == done {
		s.Ways = []frame.Way{p.way("/plan", "nav.plan")}
		if p.Plan == nil {
			s.Notes = append(s.Notes, p.T("firstrun.plan-later"))
		}
		return s, nil
	}
	s.Ways = []frame.Way{p.way("/plan/new", "firstrun.plan-go")}
	if g.Draft == nil {
		return s, nil
	}
	text, err := g.Draft.Text()
	if err != nil || text == "" {
		return s, err
	}
	r := planfile.Check("plan.yaml", []byte(text), plan.Options{Acts: haccp.Acts()})
	if n := len(r.Errors); n > 0 {
		s.Notes = append(s.Notes, p.T("firstrun.plan-open", "count", fmt.Sprint(n)))
	} else {
		s.Notes = append(s.Notes, p.T("firstrun.plan-ready"))
	}
	return s, nil
}

// people is done once somebody may test.
func people(_ context.Context, p *GuidePage) (Step, error) {
	var names []string
	tests := false
	for _, x := range p.State.People() {
		if x.DisabledNow() {
			continue
		}
		names = append(names, x.Name)
		tests = tests || slices.Contains(x.RolesNow(), haccp.RoleTechnician)
	}
	return Step{Key: "people", State: stateOf(tests), Notes: []string{strings.Join(names, ", ")}, Ways: []frame.Way{p.way("/people", "nav.people")}}, nil
}

// baths lists the baths of the plan; it is done once each is filled.
func baths(_ context.Context, p *GuidePage) (Step, error) {
	s, all := Step{Key: "baths", State: rest}, true
	if p.Plan == nil {
		s.Notes = []string{p.T("firstrun.after-plan")}
		return s, nil
	}
	for _, x := range p.Plan.Places {
		if x.Kind != plan.Bath {
			continue
		}
		b := Bath{ID: x.ID, Name: x.Name, Mixing: x.Mixing.String()}
		if x.Volume != nil {
			b.Volume = x.Volume.String()
		}
		if fl, in := p.State.FillingAt(x.ID, p.Now); in {
			b.Filled = p.At(fl.From)
		}
		all = all && b.Filled != ""
		p.Baths = append(p.Baths, b)
	}
	s.State = stateOf(all)
	return s, nil
}

// labels cannot be seen to be done: nothing records a printed sheet.
func labels(_ context.Context, p *GuidePage) (Step, error) {
	s := Step{Key: "labels", State: "not-in-use"}
	if p.Plan == nil {
		s.Notes = []string{p.T("firstrun.after-plan")}
	} else {
		s.Ways = []frame.Way{p.way("/labels", "nav.labels")}
	}
	return s, nil
}

// tablet is done once a device is enrolled.
func (g *Guide) tablet(_ context.Context, p *GuidePage) (Step, error) {
	s := Step{Key: "tablet"}
	enrolled := slices.ContainsFunc(p.State.Devices(), func(d *haccp.DeviceState) bool { return d.Revoked.IsZero() })
	s.State = stateOf(enrolled)
	if g.Trust != "" {
		s.Ways = append(s.Ways, p.way(g.Trust, "firstrun.trust"))
	}
	if _, ok := access.MayAny(p.Roles, access.ManageDevices); ok {
		s.Ways = append(s.Ways, p.way("/devices", "firstrun.enrol"))
	}
	return s, nil
}

// reading is done with the first one.
func (g *Guide) reading(ctx context.Context, p *GuidePage) (Step, error) {
	found, _, err := g.Records.Find(ctx, plant.Query{Kind: haccp.KindReading, Limit: 1})
	if err != nil {
		return Step{}, err
	}
	s := Step{Key: "reading", State: stateOf(len(found) > 0)}
	if p.Plan != nil {
		s.Ways = []frame.Way{p.way("/", "nav.due")}
	}
	return s, nil
}
