package web

import (
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/line"
)

// placesPage shows every place with its points, their state and the age of their values.
type placesPage struct {
	*frame.Frame
	Lines  []lineRow
	Places []placeRow
}

type lineRow struct{ ID, Name, Text string }

type placeRow struct {
	Name, Kind, Water string
	Change            []string
	Points            []pointRow
	Acts              []link
}

type pointRow struct {
	Name, Class, State, Value string
	At                        time.Time
}

func (s *Server) placeList(c *fiber.Ctx, f *frame.Frame) error {
	p := &placesPage{Frame: f}
	if f.Plan != nil {
		states := f.State.PointStates(f.Now)
		for _, l := range f.Plan.Lines {
			p.Lines = append(p.Lines, lineRow{l.ID, l.Name, line.Standing(f, l.ID)})
		}
		for i := range f.Plan.Places {
			p.Places = append(p.Places, newPlaceRow(f, &f.Plan.Places[i], states))
		}
	}
	return s.show(c, fiber.StatusOK, "places", f.T("places.title"), p)
}

func newPlaceRow(f *frame.Frame, pl *plan.Place, states []haccp.PointState) placeRow {
	row := placeRow{Name: pl.Name, Kind: string(pl.Kind)}
	for _, ps := range states {
		if ps.Place != pl.ID {
			continue
		}
		r := pointRow{Name: ps.PointName, Class: string(ps.Class), State: ps.State}
		if ps.Last != nil {
			r.At = ps.Last.At
			var values []string
			for _, v := range ps.Last.Verdicts {
				if v.Value != "" && v.Kind != plan.Operating {
					values = append(values, f.Value(v.Value)+" ("+f.Word("verdict", v.Verdict)+")")
				} else if v.Verdict == control.NotEvaluated {
					values = append(values, f.LimitName(f.Plan, ps.Point, v.Limit)+": "+f.Word("verdict", v.Verdict))
				}
			}
			r.Value = strings.Join(values, ", ")
		}
		row.Points = append(row.Points, r)
	}
	acts := []string{"out-of-service", "in-service"}
	if pl.Kind == plan.Bath {
		acts = []string{"added", "filled", "part-replaced", "drained", "cleaned", "out-of-service", "in-service"}
		row.Water = f.T("places.empty")
		if fl, in := f.State.FillingAt(pl.ID, f.Now); in {
			row.Water, row.Change = f.T("places.filled", "since", f.At(fl.From), "count", frame.Text(fl.Additions)), fl.ChangeWater
		}
	}
	for _, a := range acts {
		if f.May(bathActs[a]) {
			row.Acts = append(row.Acts, link{"/baths/" + pl.ID + "/" + a, f.Word("do", bathActs[a])})
		}
	}
	return row
}
