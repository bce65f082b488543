package web

import (
	"context"
	"strconv"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Group is what the pages of a group ask of its sites.
type Group interface {
	// Standings gives how the sites stand that a person may see, in the order of their ids.
	Standings(p access.Person) []plant.Standing
	// Settle brings what the group's log says of people and roles into the logs of the sites.
	Settle(ctx context.Context) error
}

// sitesPage is the overview of a group.
type sitesPage struct {
	*frame.Frame
	Rows []siteRow
}

type siteRow struct {
	plant.Standing
	Path                             string
	OpenText, OverdueText, ChecksOff string
	Marks                            []stateCount
}

type stateCount struct{ State, Text string }

// states lists the five states in the order in which they need somebody.
var states = []string{control.StateOutside, control.StateNotKnown, control.StateAct, control.StateInside, control.StateNotInUse}

func (s *Server) routeGroup(app fiber.Router, in func(func(*fiber.Ctx, *frame.Frame) error) fiber.Handler) {
	app.Get("/", in(s.sitesShow))
	app.Post("/people/:id/site-role", in(s.siteRoleChange))
}

func (s *Server) sitesShow(c *fiber.Ctx, f *frame.Frame) error {
	p := &sitesPage{Frame: f}
	for _, x := range s.group.Standings(f.Who.Person) {
		row := siteRow{Standing: x, Path: "/sites/" + x.Site + "/", OpenText: strconv.Itoa(x.Open), OverdueText: strconv.Itoa(x.Overdue),
			ChecksOff: strconv.Itoa(x.Behind)}
		for _, state := range states {
			if n := x.Points[state]; n > 0 {
				row.Marks = append(row.Marks, stateCount{state, f.T("sites.count", "state", f.Word("state", state), "count", strconv.Itoa(n))})
			}
		}
		p.Rows = append(p.Rows, row)
	}
	return s.show(c, fiber.StatusOK, "sites", f.T("sites.title"), p)
}

// siteRoleChange gives or takes a role at a site.
func (s *Server) siteRoleChange(c *fiber.Ctx, f *frame.Frame) error {
	form := frame.ReadForm(c)
	var err error = gate.ErrFormToken
	if !f.Stale {
		_, err = s.ask(c, f, &form, haccp.AskSiteRole, &haccp.SiteRoleChange{Change: c.FormValue("change"),
			SiteRole: haccp.SiteRole{Person: c.Params("id"), Role: c.FormValue("role"), Site: c.FormValue("site")}})
	}
	if err == nil {
		if err = s.group.Settle(c.UserContext()); err == nil {
			return s.redirect(c, "/people")
		}
	}
	p, perr := s.newPeoplePage(f)
	if perr != nil {
		return perr
	}
	status := s.refused(c, f, &p.Form, err, nil)
	return s.show(c, status, "people", f.T("people.title"), p)
}
