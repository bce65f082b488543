package desk

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/trend"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/trends"
)

// TrendListPage leads to the chart of every control point at each of its places.
type TrendListPage struct {
	*frame.Frame
	Places []TrendPlace
}

// TrendPlace is a place with its points.
type TrendPlace struct {
	Name   string
	Points []TrendLink
}

// TrendLink is one control point, how it stands, and where its chart is.
type TrendLink struct {
	Name, Path, State, Value string
	Class                    plan.Class
	At                       time.Time
}

// TrendPage is the chart of a control point at a place, with its readings in a table.
type TrendPage struct {
	*frame.Frame
	Name, Place    string
	Class          plan.Class
	From, To       time.Time
	Since          time.Time // zero: all of the time is shown
	Span           string
	Spans          []TrendSpan
	Earlier, Later string
	Charts         []TrendChart
	Acts           []TrendAct
	Cases          []TrendCase
	Cautions       []string
}

// TrendSpan is a length of time to choose.
type TrendSpan struct {
	Path, Text string
	Here       bool
}

// TrendChart is one quantity of the point.
type TrendChart struct {
	Name, Unit    string
	Summary       string // what the picture shows, in a sentence
	Wide, Narrow  *trends.Drawing
	Lines         string // of the control chart
	Forecast      []string
	Unread        int
	Rows          []TrendRow
	Left          int // readings drawn that are not in the table
	HasGaps       bool
	HasStops      bool
	HasChart, Any bool
	Signals       bool
	Read          string // the newest readings for the read-out: place in the wide picture, time, value, verdict
}

// TrendRow is a reading in the table.
type TrendRow struct {
	ID, Text, By, Verdict, Signals string
	At                             time.Time
}

// TrendAct is something done to the water.
type TrendAct struct {
	ID, Kind, What string
	At             time.Time
}

// TrendCase is a deviation in the time shown.
type TrendCase struct {
	ID, Status string
	Number     int64
	From, To   time.Time
}

// Of more readings the newest stand in the table, and in the read-out.
const (
	tableRows = 60
	readRows  = 400
)

// The lengths of time that a chart shows.
var trendSpans = []struct {
	name string
	long time.Duration
}{{"shift", 8 * time.Hour}, {"day", 24 * time.Hour}, {"week", 7 * 24 * time.Hour}, {"month", 31 * 24 * time.Hour}}

func (d *Desk) trendList(c *fiber.Ctx, f *frame.Frame) error {
	p := &TrendListPage{Frame: f}
	for _, x := range f.State.PointStates(f.Now) {
		n := slices.IndexFunc(p.Places, func(t TrendPlace) bool { return t.Name == x.PlaceName })
		if n < 0 {
			n = len(p.Places)
			p.Places = append(p.Places, TrendPlace{Name: x.PlaceName})
		}
		l := TrendLink{Name: x.PointName, Path: "/trends/" + x.Point + "/" + x.Place, State: x.State, Class: x.Class}
		if x.Last != nil {
			l.At = x.Last.At
			for _, v := range x.Last.Verdicts {
				if v.Value != "" && !strings.Contains(l.Value, v.Value) {
					l.Value = strings.TrimPrefix(l.Value+", "+f.Value(v.Value), ", ")
				}
			}
		}
		p.Places[n].Points = append(p.Places[n].Points, l)
	}
	return d.show(c, fiber.StatusOK, "trends", f.T("trend.list-title"), p)
}

func (d *Desk) trendShow(c *fiber.Ctx, f *frame.Frame) error {
	point := frame.Ever(f, func(p *plan.Plan) *plan.Point { return frame.FindPoint(p, c.Params("point")) })
	place := frame.Ever(f, func(p *plan.Plan) *plan.Place { return frame.FindPlace(p, c.Params("place")) })
	if point == nil || place == nil {
		return &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "no-page", Message: f.T("ui.not-found")}
	}
	p := &TrendPage{Frame: f, Name: point.Name, Place: place.Name, Class: point.Class}
	base := "/trends/" + point.ID + "/" + place.ID
	p.spans(c, base)
	x, err := trends.Collect(c.UserContext(), d.Site, f.State, trends.Asked{Point: point.ID, Place: place.ID, From: p.From, To: p.To, Now: f.Now})
	if err != nil {
		return err
	}
	if x.Since.After(x.From) {
		p.Since = x.Since
	}
	for i := range x.Series {
		p.Charts = append(p.Charts, p.chart(x, &x.Series[i]))
	}
	for _, a := range x.Acts {
		p.Acts = append(p.Acts, TrendAct{ID: a.ID, Kind: a.Kind, What: p.chemical(a.What), At: a.At})
	}
	for _, k := range x.Cases {
		status := "open"
		if k.Closed {
			status = "closed"
		}
		p.Cases = append(p.Cases, TrendCase{ID: k.ID, Status: status, Number: k.Number, From: k.From, To: k.To})
	}
	return d.show(c, fiber.StatusOK, "trend", p.Name+", "+p.Place, p)
}

// Around gives the charts of a point at a place for a stretch of time, for a page that is about something else: of
// the quantities that were outside, where any was.
func Around(ctx context.Context, log plant.Finder, f *frame.Frame, a trends.Asked) ([]TrendChart, error) {
	a.Now = f.Now
	x, err := trends.Collect(ctx, log, f.State, a)
	if err != nil {
		return nil, err
	}
	p := &TrendPage{Frame: f, From: a.From, To: a.To}
	outside := slices.ContainsFunc(x.Series, func(s trends.Series) bool { return s.Count(control.Outside) > 0 })
	for i := range x.Series {
		if s := &x.Series[i]; len(s.Readings) > 0 && (!outside || s.Count(control.Outside) > 0) {
			p.Charts = append(p.Charts, p.chart(x, &x.Series[i]))
		}
	}
	return p.Charts, nil
}

// spans reads which time is wanted. The end is a moment of the plant's clock; left out it is now.
func (p *TrendPage) spans(c *fiber.Ctx, base string) {
	p.Span, p.To = c.Query("span", "day"), p.Now
	if t, err := time.ParseInLocation("2006-01-02T15:04", c.Query("to"), p.Location); err == nil && t.Before(p.Now) {
		p.To = t
	}
	long := time.Duration(0)
	for _, s := range trendSpans {
		if s.name == p.Span {
			long = s.long
		}
	}
	if long == 0 {
		p.Span, long = "day", 24*time.Hour
	}
	p.From = p.To.Add(-long)
	end := ""
	if p.To.Before(p.Now) {
		end = "&to=" + p.To.In(p.Location).Format("2006-01-02T15:04")
	}
	for _, s := range trendSpans {
		p.Spans = append(p.Spans, TrendSpan{Path: base + "?span=" + s.name + end, Text: p.T("trend.span-" + s.name), Here: s.name == p.Span})
	}
	at := func(t time.Time) string {
		return base + "?span=" + p.Span + "&to=" + t.In(p.Location).Format("2006-01-02T15:04")
	}
	p.Earlier = at(p.From)
	if later := p.To.Add(long); later.Before(p.Now) {
		p.Later = at(later)
	} else if p.To.Before(p.Now) {
		p.Later = base + "?span=" + p.Span
	}
}

// chemical names the product of an addition as the plan does.
func (p *TrendPage) chemical(what string) string {
	if p.Plan == nil {
		return what
	}
	for _, x := range p.Plan.Chemicals {
		if rest, ok := strings.CutPrefix(what, x.ID); ok {
			return x.Name + rest
		}
	}
	return what
}

func (p *TrendPage) chart(x *trends.Picture, s *trends.Series) TrendChart {
	t := TrendChart{Name: p.Word("quantity", s.Quantity), Unit: s.Unit, Unread: s.Unread, Any: len(s.Readings) > 0,
		HasGaps: len(s.Gaps) > 0, HasStops: len(x.Stopped) > 0, HasChart: s.Chart != nil,
		Wide: x.Draw(s, trends.Wide, p.Location, p.Value), Narrow: x.Draw(s, trends.Narrow, p.Location, p.Value)}
	t.Read = p.readOut(t.Wide, s)
	t.Summary = p.T("trend.summary", "count", strconv.Itoa(len(s.Readings)), "outside", strconv.Itoa(s.Count(control.Outside)),
		"act", strconv.Itoa(s.Count(control.Act)), "gaps", strconv.Itoa(len(s.Gaps)))
	if s.Chart != nil {
		v := s.Chart.Values
		one := func(x float64) string { return strconv.FormatFloat(x, 'f', s.Decimals(), 64) }
		t.Lines = p.T("trend.lines", "centre", one(v.Centre), "lower", one(v.Lower), "upper", one(v.Upper), "unit", s.Unit, "count", strconv.Itoa(s.Chart.N))
	}
	if s.Forecast != nil {
		for _, f := range s.Forecast.Crossings {
			if !f.Expected.IsZero() && f.Expected.After(p.To) {
				t.Forecast = append(t.Forecast, p.T("trend.ahead", "bound", f.Bound.String(), "time", p.Clock(f.Expected), "from", p.orDash(f.Earliest), "to", p.orDash(f.Latest)))
			}
		}
	}
	for i, r := range slices.Backward(s.Readings) {
		if len(t.Rows) == tableRows {
			t.Left = i + 1
			break
		}
		row := TrendRow{ID: r.ID, At: r.At, Text: p.Value(r.Text), By: r.By, Verdict: r.Verdict, Signals: p.signals(r.Signals)}
		t.Signals = t.Signals || row.Signals != ""
		t.Rows = append(t.Rows, row)
	}
	return t
}

// readOut writes the newest readings for the script, one a line.
func (p *TrendPage) readOut(d *trends.Drawing, s *trends.Series) string {
	var b strings.Builder
	for i := max(0, len(s.Readings)-readRows); i < len(s.Readings); i++ {
		r := &s.Readings[i]
		b.WriteString(d.Xs[i] + "|" + p.Clock(r.At) + "|" + p.Value(r.Text))
		if r.Verdict != control.Inside {
			b.WriteString("|" + p.Word("verdict", r.Verdict))
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func (p *TrendPage) orDash(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return p.Clock(t)
}

// signals words the rules that a reading breaks.
func (p *TrendPage) signals(s trend.Signals) string {
	var out []string
	for i, one := range []trend.Signals{trend.WesternElectric1, trend.WesternElectric2, trend.WesternElectric3, trend.WesternElectric4} {
		if s&one != 0 {
			out = append(out, p.T("trend.rule-"+strconv.Itoa(i+1)))
		}
	}
	return strings.Join(out, "; ")
}
