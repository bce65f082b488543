package web

import (
	"context"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant/overview"
	"linewarden/internal/web/frame"
)

// Group is what the pages of a group ask of its sites.
type Group interface {
	// Standings gives how the sites stand that a person may see, in the order of their ids.
	Standings(p access.Person) []overview.SiteStanding
	// Settle brings what the group's log says of people and roles into the logs of the sites.
	Settle(ctx context.Context) error
}

func (s *Server) routeGroup(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/", in(s.sitesShow))
	app.Post("/people/:id/site-role", in(s.siteRoleChange))
}

func (s *Server) sitesShow(c *fiber.Ctx, f *frame.Frame) error {
	return s.show(c, fiber.StatusOK, "sites", f.T("sites.title"), frame.NewSitesPage(f, s.group.Standings(f.Who.Person)))
}

// siteRoleChange gives or takes a role at a site.
func (s *Server) siteRoleChange(c *fiber.Ctx, f *frame.Frame) error {
	form := frame.ReadForm(c)
	err := gate.ErrFormToken
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
