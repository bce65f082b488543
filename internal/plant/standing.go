package plant

import (
	"time"

	"linewarden/haccp"
)

// Standing is how a site stands, in a few numbers.
type Standing struct {
	Site     string         `json:"site"`
	Name     string         `json:"name"`
	NotReady string         `json:"not_ready,omitempty" doc:"Why it does not record; missing: it does."`
	Records  int64          `json:"records" doc:"In its log."`
	Points   map[string]int `json:"points" doc:"Control points by state: inside, act, outside, not-known, not-in-use."`
	Open     int            `json:"open" doc:"Deviations and nonconformities that are not closed."`
	Overdue  int            `json:"overdue" doc:"Of these, past the plan's time."`
	Behind   int            `json:"behind" doc:"Checks late or missed."`
}

// Standing gives how the site stands at a time.
func (s *Site) Standing(now time.Time) Standing {
	view := s.View()
	out := Standing{Site: s.site, Name: view.Site.Name, Records: view.Size, Points: map[string]int{}, Open: len(view.Cases()), Overdue: len(view.Overdue(now))}
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
