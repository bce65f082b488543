// Package findings serves the manager's page of patterns that are worth a look in readings logged by hand. It words what
// package haccp/patterns finds, links to the readings, and records nothing.
package findings

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/patterns"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/standing"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Findings serves the page. All members are required.
type Findings struct {
	Pages   frame.Pages
	Records plant.Finder
}

// Register adds the route. in lets only people through who are signed in.
func (x *Findings) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/patterns", in(x.show))
}

const (
	daysShown    = 30
	mostReadings = 20_000
	mostLinks    = 12 // of one finding
)

// Page lists what is worth a look in a period.
type Page struct {
	*frame.Frame
	From, To string
	Readings int
	Series   int // that were looked at
	More     bool
	Rows     []Row
}

// Alarm words how often a test that rests on chance lists a series by chance alone.
func (p *Page) Alarm() string { return strconv.Itoa(int(1 / patterns.Alarm)) }

// Row is one finding.
type Row struct {
	Kind   patterns.Kind
	About  string // place and quantity, or person
	Text   string
	Chance string
	Links  []Link
	Rest   int // readings without a link here
}

// Link leads to a reading.
type Link struct{ ID, Text string }

// show is for whoever reviews records.
func (x *Findings) show(c *fiber.Ctx, f *frame.Frame) error {
	if !f.May(haccp.AskReview) {
		return &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	from, to, err := f.Period(c, daysShown)
	if err != nil {
		return err
	}
	p := &Page{Frame: f, From: from.Label, To: to.Label}
	reports, err := x.read(c.UserContext(), p, from.At, to.At)
	if err != nil {
		return err
	}
	p.look(reports)
	return x.Pages.Show(c, fiber.StatusOK, "patterns", f.T("patterns.title"), p)
}

// read gives the readings of a time that were logged by hand, as amended and without voided ones.
func (x *Findings) read(ctx context.Context, p *Page, from, to time.Time) ([]standing.Reading, error) {
	readings := standing.Readings{}
	for _, kind := range []string{haccp.KindReading, haccp.KindAmended, haccp.KindVoided} {
		n := 0
		for e, err := range plant.Each(ctx, x.Records, plant.Query{Kind: kind, From: from, To: to, Descending: kind == haccp.KindReading}) {
			if err != nil {
				return nil, err
			}
			if n++; n > mostReadings {
				p.More = true
				break
			}
			readings.Take(e)
		}
	}
	out := readings.Sorted(func(r *standing.Reading) bool { return r.Body.Mode == "hand" })
	p.Readings = len(out)
	return out, nil
}

// series is what is compared: the values of one quantity at one place, in one unit and by one method.
type series struct{ place, quantity, unit, method string }

// look runs every test over every series and person.
func (p *Page) look(reports []standing.Reading) {
	values := map[series][]patterns.Point{}
	people, times := map[string]string{}, map[string][]patterns.Point{}
	at := map[string]time.Time{}
	for _, r := range reports {
		e := r.Event
		at[e.ID] = e.At
		base := patterns.Point{ID: e.ID, By: e.By.ID, At: e.At, Recorded: e.RecordedAt, Typed: e.AtKnown == haccp.AtTyped}
		people[e.By.ID] = e.By.Name
		times[e.By.ID] = append(times[e.By.ID], base)
		for i := range r.Body.Entries {
			x := &r.Body.Entries[i]
			d, ok := x.Read.Number()
			if !ok {
				continue
			}
			pt := base
			pt.Text, pt.Value = d.String(), d.Float64()
			key := series{r.Body.Place, x.Quantity, string(x.Read.Unit()), x.Method}
			values[key] = append(values[key], pt)
		}
	}
	keys := slices.SortedFunc(maps.Keys(values), func(a, b series) int {
		return cmp.Or(cmp.Compare(a.place, b.place), cmp.Compare(a.quantity, b.quantity), cmp.Compare(a.method, b.method), cmp.Compare(a.unit, b.unit))
	})
	for _, k := range keys {
		p.values(k, values[k], at)
	}
	for _, id := range slices.Sorted(maps.Keys(times)) {
		for _, f := range patterns.OneGo(times[id]) {
			p.add(f, people[id], at)
		}
		tolerance := 15 * time.Minute
		if p.Plan != nil {
			tolerance = p.Plan.Tolerances.Late()
		}
		if f, found := patterns.Late(times[id], tolerance); found {
			p.add(f, people[id], at)
		}
	}
	p.Series = len(values)
}

// values runs the tests of values over a series.
func (p *Page) values(k series, points []patterns.Point, at map[string]time.Time) {
	about := p.PlaceName(k.place) + ", " + p.Word("quantity", k.quantity)
	for _, test := range []func([]patterns.Point) (patterns.Finding, bool){patterns.Identical, patterns.Flatness, patterns.Digits} {
		if f, found := test(points); found {
			p.add(f, about, at)
		}
	}
	if p.Plan == nil {
		return
	}
	for _, pt := range p.Plan.Points {
		for _, l := range pt.Limits {
			if l.Quantity != k.quantity || l.Kind == plan.Operating || !slices.Contains(pt.Places, k.place) {
				continue
			}
			for _, upper := range []bool{false, true} {
				bound := l.Min
				if upper {
					bound = l.Max
				}
				if bound == nil {
					continue
				}
				limit, ok := inUnit(k, bound)
				if !ok {
					continue
				}
				if f, found := patterns.Crowd(points, limit, upper); found {
					p.add(f, about+", "+p.Bounds(l), at)
				}
			}
		}
	}
}

// inUnit gives a bound in the unit of a series.
func inUnit(k series, bound *plan.Amount) (float64, bool) {
	if bound.Unit == k.unit {
		return bound.Value.Float64(), true
	}
	q, err := quantity.Get(quantity.ID(k.quantity))
	if err != nil {
		return 0, false
	}
	d, err := q.Convert(bound.Value, quantity.Unit(bound.Unit), quantity.Unit(k.unit), 6)
	return d.Float64(), err == nil
}

// chance words a probability as one series in so many, with one figure that counts.
func (p *Page) chance(x float64) string {
	if x < 1e-6 {
		return p.T("patterns.chance-tiny")
	}
	scale := 1
	for x*float64(scale) < 0.1 {
		scale *= 10
	}
	return p.T("patterns.chance", "chance", grouped(int(math.Round(1/(x*float64(scale))))*scale))
}

// grouped writes a number with a comma before every three digits.
func grouped(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

func (p *Page) add(f patterns.Finding, about string, at map[string]time.Time) {
	r := Row{Kind: f.Kind, About: about, Text: p.T("pattern."+string(f.Kind)+"-text", "n", strconv.Itoa(len(f.IDs)), "of", strconv.Itoa(f.Of), "value", f.Value)}
	if f.Chance > 0 {
		r.Chance = p.chance(f.Chance)
	}
	for i, id := range f.IDs {
		if i == mostLinks {
			r.Rest = len(f.IDs) - mostLinks
			break
		}
		r.Links = append(r.Links, Link{ID: id, Text: p.At(at[id])})
	}
	p.Rows = append(p.Rows, r)
}
