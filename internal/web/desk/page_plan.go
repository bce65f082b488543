package desk

import (
	"context"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/plandiff"
)

// PlanPage is a plan version that people can read.
type PlanPage struct {
	*frame.Frame
	Plan     *plan.Plan
	From     time.Time
	Version  int
	Source   string
	Changes  []frame.Changed // from the version before
	Versions []frame.Choice
}

// VersionText is the number of the version shown.
func (p *PlanPage) VersionText() string { return strconv.Itoa(p.Version) }

// BeforeText is the number of the version before.
func (p *PlanPage) BeforeText() string { return strconv.Itoa(p.Version - 1) }

func (d *Desk) planShow(c *fiber.Ctx, f *frame.Frame) error {
	p := &PlanPage{Frame: f}
	if signed, ok := f.State.PlanAt(f.Now); ok {
		p.Plan, p.From, p.Version = signed.Plan, signed.From, signed.Version
	}
	want, _ := strconv.Atoi(c.Query("version"))
	for _, x := range f.State.Plans {
		if x.Version == want {
			p.Plan, p.From, p.Version = x.Plan, x.From, x.Version
		}
		v := strconv.Itoa(x.Version)
		p.Versions = append(p.Versions, frame.Choice{Code: v, Word: f.T("ui.plan-version", "version", v) + ", " + f.T("plan.from", "time", f.At(x.From))})
	}
	if p.Version > 1 {
		changes, err := plandiff.Of(f, f.State.Plans[p.Version-2].Plan, p.Plan)
		if err != nil {
			return err
		}
		p.Changes = changes
	}
	source, err := d.source(c.UserContext(), p.Version)
	if err != nil {
		return err
	}
	p.Source = source
	return d.show(c, fiber.StatusOK, "plan", f.T("nav.plan"), p)
}

// source gives the file of a plan version as it was signed.
func (d *Desk) source(ctx context.Context, version int) (string, error) {
	for e, err := range plant.Each(ctx, d.Site, plant.Query{Kind: haccp.KindPlanSigned}) {
		if err != nil {
			return "", err
		}
		if b, ok := e.Body.(*haccp.PlanSigned); ok && b.Version == version {
			return b.Source, nil
		}
	}
	return "", nil
}
