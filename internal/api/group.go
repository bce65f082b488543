package api

import (
	"context"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/api/reply"
	"linewarden/internal/gate"
	"linewarden/internal/plant/overview"
	"linewarden/internal/record"
)

// Group is what the API of a group asks of its sites.
type Group interface {
	// Standings gives how the sites stand that a person may see, in the order of their ids.
	Standings(p access.Person) []overview.SiteStanding
	// Founded reads the founding of a site that is to join the group.
	Founded(ctx context.Context, site string) (record.Founding, error)
	// Settle brings what the group's log says into the logs of the sites.
	Settle(ctx context.Context) error
}

// Sites is the overview of a group.
type Sites struct {
	Sites []overview.SiteStanding `json:"sites"`
}

// group gives the sites; a refusal where one site alone is served.
func (q *call) group() (Group, error) {
	if q.api.Group == nil {
		return nil, &gate.Fault{Status: fiber.StatusNotFound, Code: "not-a-group", Message: "this service serves one site, not a group"}
	}
	return q.api.Group, nil
}

func (q *call) listSites() (Sites, error) {
	g, err := q.group()
	if err != nil {
		return Sites{}, err
	}
	return Sites{append([]overview.SiteStanding{}, g.Standings(q.who.Person)...)}, nil
}

type siteNewIn struct {
	ID   string `json:"id" max:"36" doc:"UUID in lower case, made by the client."`
	Site string `json:"site" max:"40" doc:"Id of a site that has been founded in the same place."`
}

func (q *call) addSite(in *siteNewIn) (Done, error) {
	g, err := q.group()
	if err != nil {
		return Done{}, err
	}
	f, err := g.Founded(q.UserContext(), in.Site)
	if err != nil {
		return Done{}, err
	}
	return q.inGroup(g, in.ID, haccp.AskGroupSite, &haccp.GroupSiteChange{Change: "added",
		GroupSite: haccp.GroupSite{Site: f.Site, Name: f.Name, LogID: f.LogID, Key: f.Key}})
}

type siteRetireIn struct {
	ID     string `json:"id" max:"36" doc:"UUID in lower case, made by the client."`
	Reason string `json:"reason"`
}

func (q *call) retireSite(in *siteRetireIn) (Done, error) {
	g, err := q.group()
	if err != nil {
		return Done{}, err
	}
	return q.inGroup(g, in.ID, haccp.AskGroupSite, &haccp.GroupSiteChange{Change: "retired",
		GroupSite: haccp.GroupSite{Site: q.Params("site"), Reason: in.Reason}})
}

type siteRoleIn struct {
	rolesIn
	Site string `json:"site" max:"40"`
}

func (q *call) siteRole(in *siteRoleIn) (Done, error) {
	g, err := q.group()
	if err != nil {
		return Done{}, err
	}
	if (in.Give == "") == (in.Take == "") {
		return Done{}, intake.Missing("give", "either give or take")
	}
	change, role := "given", in.Give
	if role == "" {
		change, role = "taken", in.Take
	}
	return q.inGroup(g, in.ID, haccp.AskSiteRole, &haccp.SiteRoleChange{Change: change,
		SiteRole: haccp.SiteRole{Person: q.Params("id"), Role: role, Site: in.Site, Reason: in.Reason}})
}

// inGroup has the group's log decide, and then brings it to the sites; what cannot be brought there now is
// brought later.
func (q *call) inGroup(g Group, id, kind string, ask any) (Done, error) {
	c, err := q.command(kind, &stamp{ID: id}, ask)
	if err != nil {
		return Done{}, err
	}
	r, err := q.do(c)
	if err != nil {
		return Done{}, err
	}
	if err := g.Settle(q.UserContext()); err != nil {
		q.api.Logger.Warn("the sites are not all in step with the group yet", "error", err)
	}
	return reply.DoneOf(r.Events[0]), nil // each of these commands records something
}

// groupRoutes lists what a group has beside what every log has.
func (a *API) groupRoutes() []route {
	return []route{
		get("/sites", "How the sites of a group stand, as far as one may see them. What else there is to ask of a site stands under /sites/{site}.", "", (*call).listSites),
		post("/sites", "Add a site to the group.", (*call).addSite).needs(access.ManagePeople),
		post("/sites/:site/retire", "Retire a site from the group. Its log stays.", (*call).retireSite).needs(access.ManagePeople),
		post("/people/:id/site-roles", "Give or take a role at a site of the group.", (*call).siteRole).needs(access.ManagePeople),
	}
}
