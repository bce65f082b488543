package web

import (
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// planPage is a plan version that people can read.
type planPage struct {
	*frame.Frame
	Plan     *plan.Plan
	From     time.Time
	Version  int
	Source   string
	Versions []frame.Choice
}

// VersionText is the number of the version shown.
func (p *planPage) VersionText() string { return strconv.Itoa(p.Version) }

func (s *Server) planShow(c *fiber.Ctx, f *frame.Frame) error {
	p := &planPage{Frame: f}
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
	events, _, err := s.site.Find(c.UserContext(), plant.Query{Kind: haccp.KindPlanSigned})
	if err != nil {
		return err
	}
	for _, e := range events {
		if b, ok := e.Body.(*haccp.PlanSigned); ok && b.Version == p.Version {
			p.Source = b.Source
		}
	}
	return s.show(c, fiber.StatusOK, "plan", f.T("nav.plan"), p)
}
