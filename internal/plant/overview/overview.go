// Package overview says in a few numbers how a site stands.
package overview

import (
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// SiteStanding is how a site stands.
type SiteStanding struct {
	Site     string         `json:"site"`
	Name     string         `json:"name"`
	NotReady string         `json:"not_ready,omitempty" doc:"Why it does not record; missing: it does."`
	Records  int64          `json:"records" doc:"In its log."`
	Points   map[string]int `json:"points" doc:"Control points by state: inside, act, outside, not-known, not-in-use."`
	Open     int            `json:"open" doc:"Deviations and nonconformities that are not closed."`
	Overdue  int            `json:"overdue" doc:"Of these, past the plan's time."`
	Behind   int            `json:"behind" doc:"Checks late or missed."`
}

// Of gives how a site stands at a time.
func Of(s *plant.Site, now time.Time) SiteStanding {
	id, _ := s.Name()
	view := s.View()
	out := SiteStanding{Site: id, Name: view.Site.Name, Records: view.Size, Points: map[string]int{}, Open: len(view.Cases()), Overdue: len(view.Overdue(now))}
	if err := s.Ready(); err != nil {
		out.NotReady = err.Error()
	}
	for _, p := range view.PointStates(now) {
		out.Points[p.State]++
	}
	for _, d := range view.DueList(now) {
		if d.State == haccp.DueMissed || d.State == haccp.DueLate {
			out.Behind++
		}
	}
	return out
}
