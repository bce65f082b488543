package web

import (
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
)

// duePage is the start: what is due now, the most urgent first, then what comes next.
type duePage struct {
	*Frame
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

func (s *Server) dueList(c *fiber.Ctx, f *Frame) error {
	p := &duePage{Frame: f, Overdue: len(f.state.Overdue(f.Now))}
	listed := map[string]bool{}
	for _, d := range f.state.DueList(f.Now) {
		r := dueRow{Path: checkPath(d.Check, d.Place), Check: d.CheckName, Place: d.PlaceName, State: d.State, Due: d.Due, Critical: d.Critical}
		listed[r.Path] = true
		if d.State == haccp.DueUpcoming || (d.State == haccp.DueNow && d.Due.Sub(f.Now) > soon) {
			p.Next = append(p.Next, r)
		} else {
			p.Open = append(p.Open, r)
		}
	}
	if f.plan != nil {
		for _, check := range f.plan.Checks {
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

// codes splits what was typed with commas or line ends between.
func codes(typed string) []string {
	var out []string
	for _, part := range strings.FieldsFunc(typed, func(r rune) bool { return r == ',' || r == ';' || r == '\n' }) {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}
