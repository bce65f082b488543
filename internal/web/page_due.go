package web

import (
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/web/frame"
)

// duePage is the start: what is due now, the most urgent first, then what comes next.
type duePage struct {
	*frame.Frame
	Open, Next []dueRow
	Other      []dueRow // checks without a due time
	Overdue    int
}

type dueRow struct {
	Path, Check, Place, State string
	Due                       time.Time
	Critical                  bool
}

// soon is how far ahead a check whose window is open still stands among those to do now.
const soon = time.Hour

func (s *Server) dueList(c *fiber.Ctx, f *frame.Frame) error {
	p := &duePage{Frame: f, Overdue: len(f.State.Overdue(f.Now))}
	listed := map[string]bool{}
	for _, d := range f.State.DueList(f.Now) {
		r := dueRow{Path: checkPath(d.Check, d.Place), Check: d.CheckName, Place: d.PlaceName, State: d.State, Due: d.Due, Critical: d.Critical}
		listed[r.Path] = true
		if d.State == haccp.DueUpcoming || (d.State == haccp.DueNow && d.Due.Sub(f.Now) > soon) {
			p.Next = append(p.Next, r)
		} else {
			p.Open = append(p.Open, r)
		}
	}
	if f.Plan != nil {
		for _, check := range f.Plan.Checks {
			for _, place := range check.Places {
				if path := checkPath(check.ID, place); !listed[path] {
					p.Other = append(p.Other, dueRow{Path: path, Check: check.Name, Place: f.PlaceName(place)})
				}
			}
		}
	}
	return s.show(c, fiber.StatusOK, "due", f.T("due.title"), p)
}

func checkPath(check, place string) string { return "/checks/" + check + "/" + place }
