package frame

import (
	"strconv"

	"linewarden/haccp/control"
	"linewarden/internal/access"
	"linewarden/internal/plant/overview"
)

// SitesPage is the overview of a group.
type SitesPage struct {
	*Frame
	Rows []siteRow
}

type siteRow struct {
	overview.SiteStanding
	Path                             string
	OpenText, OverdueText, ChecksOff string
	Marks                            []stateCount
}

type stateCount struct{ State, Text string }

// states lists the five states in the order in which they need somebody.
var states = []string{control.StateOutside, control.StateNotKnown, control.StateAct, control.StateInside, control.StateNotInUse}

// RolesAtSites words the roles that a person holds at the sites of a group.
func (f *Frame) RolesAtSites(person string) []string {
	var out []string
	for _, m := range f.State.Members() {
		for _, r := range access.Roles() {
			if held := m.Holds(person, r); held != nil && held.To.IsZero() {
				out = append(out, m.Name+": "+f.Word("role", r))
			}
		}
	}
	return out
}

// MemberSites lists the ids of the sites that belong to a group now.
func (f *Frame) MemberSites() []string {
	var out []string
	for _, m := range f.State.Members() {
		if m.Retired.IsZero() {
			out = append(out, m.Site)
		}
	}
	return out
}

// NewSitesPage words how the sites stand.
func NewSitesPage(f *Frame, sites []overview.SiteStanding) *SitesPage {
	p := &SitesPage{Frame: f}
	for _, x := range sites {
		row := siteRow{SiteStanding: x, Path: "/sites/" + x.Site + "/", OpenText: strconv.Itoa(x.Open), OverdueText: strconv.Itoa(x.Overdue),
			ChecksOff: strconv.Itoa(x.Behind)}
		for _, state := range states {
			if n := x.Points[state]; n > 0 {
				row.Marks = append(row.Marks, stateCount{state, f.T("sites.count", "state", f.Word("state", state), "count", strconv.Itoa(n))})
			}
		}
		p.Rows = append(p.Rows, row)
	}
	return p
}
