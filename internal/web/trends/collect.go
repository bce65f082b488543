package trends

import (
	"context"
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/standing"
	"linewarden/haccp/trend"
	"linewarden/internal/plant"
)

// Collect reads the records of a point at a place from the log and lays them out. The state says how cases stand
// and which plan was in force when.
func Collect(ctx context.Context, log plant.Finder, s *haccp.State, a Asked) (*Picture, error) {
	p := &Picture{Asked: a, Since: a.From}
	readings, err := p.readings(ctx, log, s)
	if err != nil {
		return nil, err
	}
	if err := p.acts(ctx, log); err != nil {
		return nil, err
	}
	p.stops(s)
	p.empty()
	p.cases(s)
	for _, name := range quantitiesOf(s, a.Point) {
		p.Series = append(p.Series, p.series(s, name, readings))
	}
	return p, nil
}

// page reads the records about a key, the latest first, and gives them in order of seq.
func (p *Picture) page(ctx context.Context, log plant.Finder, about string) ([]*haccp.Event, error) {
	var out []*haccp.Event
	for e, err := range plant.Each(ctx, log, plant.Query{About: about, From: p.From, To: p.To, Descending: true}) {
		if err != nil {
			return nil, err
		}
		if len(out) == MostRecords {
			if oldest := out[len(out)-1].At; oldest.After(p.Since) {
				p.Since = oldest
			}
			break
		}
		out = append(out, e)
	}
	return plant.BySeq(out), nil
}

// readings gives the readings of all checks that ever served the point at the place, in order of time.
func (p *Picture) readings(ctx context.Context, log plant.Finder, s *haccp.State) ([]standing.Reading, error) {
	readings := standing.Readings{}
	for _, check := range checksOf(s, p.Point, p.Place) {
		events, err := p.page(ctx, log, "check:"+check+"@"+p.Place)
		if err != nil {
			return nil, err
		}
		for _, e := range events {
			readings.Take(e)
		}
	}
	return readings.Sorted(func(r *standing.Reading) bool { return !r.Event.At.Before(p.Since) }), nil
}

func checksOf(s *haccp.State, point, place string) []string {
	var out []string
	for _, v := range s.Plans {
		for _, c := range v.Plan.Checks {
			if slices.Contains(c.Points, point) && slices.Contains(c.Places, place) && !slices.Contains(out, c.ID) {
				out = append(out, c.ID)
			}
		}
	}
	return out
}

// quantitiesOf lists the measured quantities on which the point has limits in any version, the newest version first.
func quantitiesOf(s *haccp.State, point string) []string {
	var out []string
	for _, v := range slices.Backward(s.Plans) {
		for _, pt := range v.Plan.Points {
			if pt.ID != point {
				continue
			}
			for _, l := range pt.Limits {
				if l.YesNo == nil && (l.Min != nil || l.Max != nil) && !slices.Contains(out, l.Quantity) {
					out = append(out, l.Quantity)
				}
			}
		}
	}
	return out
}

var bathKinds = []string{haccp.KindFilled, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained, haccp.KindCleaned}

func (p *Picture) acts(ctx context.Context, log plant.Finder) error {
	events, err := p.page(ctx, log, "bath:"+p.Place)
	if err != nil {
		return err
	}
	for _, e := range events {
		switch b := e.Body.(type) {
		case *haccp.Bath:
			if slices.Contains(bathKinds, e.Kind) {
				p.Acts = append(p.Acts, Act{ID: e.ID, Kind: e.Kind, At: e.At, What: whatOf(b)})
			}
		case *haccp.Voided:
			p.Acts = slices.DeleteFunc(p.Acts, func(a Act) bool { return a.ID == b.Target })
		case *haccp.Amended:
			if n, ok := b.New.(*haccp.Bath); ok {
				for i := range p.Acts {
					if p.Acts[i].ID == b.Target {
						p.Acts[i].What = whatOf(n)
					}
				}
			}
		}
	}
	slices.SortFunc(p.Acts, func(a, b Act) int { return a.At.Compare(b.At) })
	return nil
}

func whatOf(b *haccp.Bath) string {
	if b.Amount == nil || b.Amount.IsZero() {
		return b.Chemical
	}
	if b.Chemical == "" {
		return b.Amount.String()
	}
	return b.Chemical + " " + b.Amount.String()
}

// stops are when the line of the place stood, as far back as the state knows.
func (p *Picture) stops(s *haccp.State) {
	line := ""
	for _, v := range s.Plans {
		for _, pl := range v.Plan.Places {
			if pl.ID == p.Place {
				line = pl.Line
			}
		}
	}
	runs := s.LineRuns(line)
	if line == "" || len(runs) == 0 {
		return
	}
	for i, r := range runs {
		if r.To.IsZero() {
			continue
		}
		end := p.To
		if i+1 < len(runs) {
			end = runs[i+1].From
		}
		p.Stopped = appendWithin(p.Stopped, Stretch{r.To, end}, Stretch{p.Since, p.To})
	}
}

// empty are the times between a drain and the next filling.
func (p *Picture) empty() {
	for i, a := range p.Acts {
		if a.Kind != haccp.KindDrained {
			continue
		}
		end := p.To
		for _, next := range p.Acts[i+1:] {
			if next.Kind == haccp.KindFilled {
				end = next.At
				break
			}
		}
		p.Stopped = appendWithin(p.Stopped, Stretch{a.At, end}, Stretch{p.Since, p.To})
	}
}

// appendWithin adds what of a stretch lies within another.
func appendWithin(list []Stretch, x, within Stretch) []Stretch {
	if x.From.Before(within.From) {
		x.From = within.From
	}
	if x.To.IsZero() || x.To.After(within.To) {
		x.To = within.To
	}
	if !x.From.Before(x.To) {
		return list
	}
	return append(list, x)
}

func (p *Picture) cases(s *haccp.State) {
	for _, d := range s.HeldCases() {
		if d.Point != p.Point || d.Place != p.Place {
			continue
		}
		in := appendWithin(nil, Stretch{d.Now.Begin, d.Now.End}, Stretch{p.Since, p.To})
		if len(in) > 0 {
			p.Cases = append(p.Cases, Case{Stretch: in[0], ID: d.Deviation, Number: d.Number, Closed: d.IsClosed})
		}
	}
}

func (p *Picture) series(s *haccp.State, name string, readings []standing.Reading) Series {
	out := Series{Quantity: name}
	q, err := quantity.Get(quantity.ID(name))
	if err != nil {
		return out
	}
	out.Unit = unitOf(s, p.Point, name, q)
	p.limits(&out, s, q)
	for i := range readings {
		r := &readings[i]
		for j := range r.Body.Entries {
			if r.Body.Entries[j].Quantity != name {
				continue
			}
			x, ok := p.reading(r, &r.Body.Entries[j], q, out.Unit)
			if !ok {
				out.Unread++
				continue
			}
			out.Readings = append(out.Readings, x)
		}
	}
	p.gaps(&out, s)
	out.signal()
	if n := len(readings); n > 0 {
		if f := readings[n-1].Body.Forecast; f != nil && len(f.Crossings) > 0 && name == string(quantity.FreeChlorine) {
			out.Forecast = f
		}
	}
	return out
}

// unitOf is the unit of the newest limit on a quantity.
func unitOf(s *haccp.State, point, name string, q *quantity.Quantity) string {
	for _, v := range slices.Backward(s.Plans) {
		for _, pt := range v.Plan.Points {
			for _, l := range pt.Limits {
				for _, a := range []*plan.Amount{l.Min, l.Max} {
					if pt.ID == point && l.Quantity == name && a != nil && a.Unit != "" {
						return a.Unit
					}
				}
			}
		}
	}
	return string(q.DefaultUnit())
}

// shownPlaces is to how many decimals a value is converted for drawing.
const shownPlaces = 6

func inUnit(q *quantity.Quantity, d quantity.Decimal, from quantity.Unit, to string) (float64, bool) {
	if from == "" {
		from = q.DefaultUnit()
	}
	if string(from) == to {
		return d.Float64(), true
	}
	c, err := q.Convert(d, from, quantity.Unit(to), shownPlaces)
	return c.Float64(), err == nil
}

func (p *Picture) reading(r *standing.Reading, entry *haccp.Entry, q *quantity.Quantity, unit string) (Reading, bool) {
	v := entry.Result()
	x := Reading{ID: r.Event.ID, At: r.Event.At, Text: v.String(), By: r.Event.By.Name, Imported: r.Event.AtKnown == haccp.AtImported,
		Verdict: control.NotEvaluated}
	var of []control.Verdict
	for _, d := range r.Body.Verdicts {
		if d.Point == p.Point && d.Value == v.String() {
			of = append(of, d)
		}
	}
	if len(of) > 0 {
		x.Verdict = control.Worst(of)
	}
	low, high := v.Ends()
	var ok bool
	switch v.Kind() {
	case quantity.KindExact:
		x.Value, ok = inUnit(q, low, v.Unit(), unit)
	case quantity.KindBelow:
		x.Value, ok = inUnit(q, high, v.Unit(), unit)
		x.Edge = -1
	case quantity.KindAbove:
		x.Value, ok = inUnit(q, low, v.Unit(), unit)
		x.Edge = 1
	case quantity.KindBand:
		a, okA := inUnit(q, low, v.Unit(), unit)
		b, okB := inUnit(q, high, v.Unit(), unit)
		x.Value, ok = (a+b)/2, okA && okB
	}
	return x, ok
}

// limits are the bounds of every version for as long as it was in force within the picture.
func (p *Picture) limits(out *Series, s *haccp.State, q *quantity.Quantity) {
	for i, v := range s.Plans {
		end := p.To
		for _, later := range s.Plans[i+1:] {
			if later.From.Before(end) {
				end = later.From
			}
		}
		in := appendWithin(nil, Stretch{v.From, end}, Stretch{p.Since, p.To})
		if len(in) == 0 {
			continue
		}
		for _, pt := range v.Plan.Points {
			if pt.ID != p.Point || !slices.Contains(pt.Places, p.Place) {
				continue
			}
			for _, l := range pt.Limits {
				if l.Quantity == out.Quantity {
					out.bound(q, in[0], l, l.Min, true)
					out.bound(q, in[0], l, l.Max, false)
				}
			}
		}
	}
}

func (out *Series) bound(q *quantity.Quantity, in Stretch, l plan.Limit, a *plan.Amount, lower bool) {
	if a == nil {
		return
	}
	if v, ok := inUnit(q, a.Value, quantity.Unit(a.Unit), out.Unit); ok {
		out.Limits = append(out.Limits, Limit{Stretch: in, Kind: l.Kind, Lower: lower, Value: v, Text: a.String()})
	}
}

// gaps are the times in which the line ran and the plan's interval with its grace passed without a reading.
func (p *Picture) gaps(out *Series, s *haccp.State) {
	every := p.interval(s)
	if every == 0 {
		return
	}
	last := p.Since
	for i := range out.Readings {
		p.gap(out, last, out.Readings[i].At, every)
		last = out.Readings[i].At
	}
	end := p.To
	if p.Now.Before(end) {
		end = p.Now
	}
	p.gap(out, last, end, every)
}

// gap notes what of a time without readings lies beyond the interval, stops of the line left out.
func (p *Picture) gap(out *Series, from, to time.Time, every time.Duration) {
	free := []Stretch{{from, to}}
	for _, stop := range p.Stopped {
		var rest []Stretch
		for _, f := range free {
			if !stop.From.Before(f.To) || !stop.To.After(f.From) {
				rest = append(rest, f)
				continue
			}
			if f.From.Before(stop.From) {
				rest = append(rest, Stretch{f.From, stop.From})
			}
			if stop.To.Before(f.To) {
				rest = append(rest, Stretch{stop.To, f.To})
			}
		}
		free = rest
	}
	for _, f := range free {
		if f.To.Sub(f.From) > every {
			out.Gaps = append(out.Gaps, Stretch{f.From.Add(every), f.To})
		}
	}
}

// interval is the shortest interval with its grace of the checks of the point at the place, by the newest plan; 0
// where they have none.
func (p *Picture) interval(s *haccp.State) time.Duration {
	if len(s.Plans) == 0 {
		return 0
	}
	var out time.Duration
	for _, c := range s.Plans[len(s.Plans)-1].Plan.Checks {
		if !slices.Contains(c.Points, p.Point) || !slices.Contains(c.Places, p.Place) || c.Schedule.Every.IsZero() {
			continue
		}
		if d := c.Schedule.Every.Std() + c.Grace.Std(); out == 0 || d < out {
			out = d
		}
	}
	return out
}

// signal works out the chart of the readings and the runs rules at each of them. Censored values and those of
// other instruments' ranges are no part of a chart of single values.
func (out *Series) signal() {
	var values []float64
	for i := range out.Readings {
		if out.Readings[i].Edge == 0 {
			values = append(values, out.Readings[i].Value)
		}
	}
	if len(values) < trend.Few {
		return
	}
	chart, err := trend.Individuals(values)
	if err != nil || chart.Values.Sigma <= 0 {
		return
	}
	rules, err := trend.NewRules(trend.WesternElectric, chart.Values.Centre, chart.Values.Sigma, trend.FullWindow)
	if err != nil {
		return
	}
	for i := range out.Readings {
		if r := &out.Readings[i]; r.Edge == 0 {
			if r.Signals, err = rules.Add(r.Value); err != nil {
				return
			}
		}
	}
	out.Chart = &chart
}
