package web

import (
	"cmp"
	"slices"
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
	Again      []dueRow // outside now: to be corrected and tested again; Due is when that began
	Overdue    int
}

type dueRow struct {
	Key, Path           string // check@place; address
	Check, Place, State string
	Due                 time.Time
	Critical            bool
}

// ISO is the due time for scripts.
func (r dueRow) ISO() string { return r.Due.UTC().Format(time.RFC3339) }

// pressing says which states of a check stand before all others, whatever their due time.
var pressing = map[string]int{haccp.DueMissed: 2, haccp.DueLate: 1}

// soon is how far ahead a check whose window is open still stands among those to do now.
const soon = time.Hour

func (s *Server) dueList(c *fiber.Ctx, f *frame.Frame) error {
	p := &duePage{Frame: f, Overdue: len(f.State.Overdue(f.Now))}
	listed := map[string]bool{}
	for _, d := range f.State.DueList(f.Now) {
		r := dueRow{Key: d.Check + "@" + d.Place, Path: checkPath(d.Check, d.Place), Check: d.CheckName, Place: d.PlaceName, State: d.State, Due: d.Due, Critical: d.Critical}
		listed[r.Path] = true
		if d.State == haccp.DueUpcoming || (d.State == haccp.DueNow && d.Due.Sub(f.Now) > soon) {
			p.Next = append(p.Next, r)
		} else {
			p.Open = append(p.Open, r)
		}
	}
	byDue := func(a, b dueRow) int { return cmp.Or(pressing[b.State]-pressing[a.State], a.Due.Compare(b.Due)) }
	slices.SortStableFunc(p.Open, byDue)
	slices.SortStableFunc(p.Next, func(a, b dueRow) int { return a.Due.Compare(b.Due) })
	p.Again = outsideNow(f)
	if f.Plan != nil {
		for _, check := range f.Plan.Checks {
			for _, place := range check.Places {
				if path := checkPath(check.ID, place); !listed[path] {
					p.Other = append(p.Other, dueRow{Key: check.ID + "@" + place, Path: path, Check: check.Name, Place: f.PlaceName(place)})
				}
			}
		}
	}
	return s.show(c, fiber.StatusOK, "due", f.T("due.title"), p)
}

// outsideNow lists, once for each check and place, what a reading left outside and none has shown inside since.
func outsideNow(f *frame.Frame) []dueRow {
	var rows []dueRow
	for _, d := range f.State.Cases() {
		if d.IsClosed || d.Ground != haccp.GroundExcursion || d.Now.Begin.IsZero() || !d.Now.End.IsZero() {
			continue
		}
		r := dueRow{Path: "/deviations/" + d.Deviation, Place: f.PlaceName(d.Place), Due: d.At, Critical: d.Critical}
		if f.Plan != nil {
			for i := range f.Plan.Checks {
				if c := &f.Plan.Checks[i]; slices.Contains(c.Points, d.Point) && slices.Contains(c.Places, d.Place) {
					r.Path, r.Check = checkPath(c.ID, d.Place), c.Name
				}
			}
		}
		at := slices.IndexFunc(rows, func(x dueRow) bool { return x.Path == r.Path })
		if at < 0 {
			rows = append(rows, r)
		} else {
			rows[at].Critical = rows[at].Critical || r.Critical
		}
	}
	return rows
}

func checkPath(check, place string) string { return "/checks/" + check + "/" + place }
