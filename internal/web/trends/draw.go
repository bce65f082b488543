package trends

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// Size is how large a drawing is, in units of its view box, and what is left free around the plot.
type Size struct{ Width, Height, Left, Right, Top, Bottom float64 }

// Wide is for a screen or a sheet, Narrow for a phone.
var (
	Wide   = Size{Width: 960, Height: 340, Left: 62, Right: 112, Top: 34, Bottom: 34}
	Narrow = Size{Width: 360, Height: 300, Left: 44, Right: 10, Top: 34, Bottom: 34}
)

// Drawing is a chart laid out: numbers are written as they stand in the picture.
type Drawing struct {
	Width, Height            string
	Left, Right, Top, Bottom string
	Rows, Columns            []Tick
	Bands                    []Band // stops, gaps, cases, in this order
	Limits                   []Line
	Centre, Low, High        string // of the control chart; empty: none
	Path                     string // through the readings, broken at gaps and stops
	Plain                    string // dots of readings inside, one path
	Marks                    []Mark // readings that are not inside, or that a rule speaks of
	Acts, ActLines           string // ticks below the plot for what was done to the water; lines up from them where they are few
	Forecast                 []Ahead
	Xs                       []string // of every reading, in order
}

// Tick is a line of the grid with its label.
type Tick struct{ At, Text string }

// Band is a stretch of time behind the readings.
type Band struct {
	Kind, X, Width, ID, Text string
	End                      string // where a label ends that would not fit to the right; empty: it begins at X
}

// Line is a limit for as long as it held. Text is empty where its label stands at another line already.
type Line struct{ Kind, X1, X2, Y, Text, LabelY string }

// Mark is a reading drawn as a shape of its own.
type Mark struct{ Verdict, Path, ID string }

// Ahead is when a lower bound is expected to be crossed.
type Ahead struct{ Kind, Y, From, Width, At string }

type canvas struct {
	Size
	from, to  time.Time
	low, high float64
}

func (c *canvas) x(t time.Time) float64 {
	return c.Left + (c.Width-c.Left-c.Right)*float64(t.Sub(c.from))/float64(c.to.Sub(c.from))
}

func (c *canvas) y(v float64) float64 {
	bottom := c.Height - c.Bottom
	return bottom - (bottom-c.Top)*(min(max(v, c.low), c.high)-c.low)/(c.high-c.low)
}

func num(f float64) string { return strconv.FormatFloat(math.Round(f*10)/10, 'f', -1, 64) }

// Draw lays a series out. number writes a value as people of the page's language read it.
func (p *Picture) Draw(s *Series, size Size, zone *time.Location, number func(string) string) *Drawing {
	c := &canvas{Size: size, from: p.Since, to: p.To}
	if s.Forecast != nil {
		for _, x := range s.Forecast.Crossings {
			if x.Expected.After(c.to) && x.Expected.Sub(c.from) < 3*p.To.Sub(p.Since)/2 {
				c.to = x.Expected
			}
		}
	}
	steps := c.scale(s)
	d := &Drawing{Width: num(size.Width), Height: num(size.Height), Left: num(size.Left), Right: num(size.Width - size.Right),
		Top: num(size.Top), Bottom: num(size.Height - size.Bottom)}
	for _, v := range steps {
		d.Rows = append(d.Rows, Tick{num(c.y(v)), number(strconv.FormatFloat(v, 'f', -1, 64))})
	}
	d.columns(c, zone)
	d.bands(c, p, s)
	for _, l := range s.Limits {
		d.Limits = append(d.Limits, Line{Kind: string(l.Kind), X1: num(c.x(l.From)), X2: num(c.x(l.To)), Y: num(c.y(l.Value)), Text: number(l.Text)})
	}
	d.spread()
	if s.Chart != nil {
		v := s.Chart.Values
		d.Centre, d.Low, d.High = num(c.y(v.Centre)), num(c.y(v.Lower)), num(c.y(v.Upper))
	}
	d.readings(c, s, slices.Concat(s.Gaps, p.Stopped))
	for _, a := range p.Acts {
		if a.At.Before(c.from) {
			continue
		}
		d.Acts += fmt.Sprintf("M%s %sl4 8h-8z", num(c.x(a.At)), d.Bottom)
		if len(p.Acts) <= fewActs {
			d.ActLines += fmt.Sprintf("M%s %sV%s", num(c.x(a.At)), d.Top, d.Bottom)
		}
	}
	d.ahead(c, s)
	return d
}

// fewActs is how many lines a picture bears for what was done to the water.
const fewActs = 30

// scale picks the ends of the values and the lines of the grid: all readings and limits are in the plot.
func (c *canvas) scale(s *Series) []float64 {
	low, high := math.Inf(1), math.Inf(-1)
	take := func(v float64) { low, high = min(low, v), max(high, v) }
	for i := range s.Readings {
		take(s.Readings[i].Value)
	}
	for i := range s.Limits {
		take(s.Limits[i].Value)
	}
	if math.IsInf(low, 0) {
		low, high = 0, 1
	}
	if span := high - low; span == 0 {
		low, high = low-1, high+1
	} else {
		low, high = low-span*0.06, high+span*0.06
	}
	step := niceStep((high - low) / 5)
	c.low, c.high = math.Floor(low/step)*step, math.Ceil(high/step)*step
	var out []float64
	for i := 0.0; c.low+i*step <= c.high+step/2; i++ {
		out = append(out, math.Round((c.low+i*step)/step)*step)
	}
	for i, v := range out { // 0.30000000000000004 reads badly
		out[i], _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 10, 64), 64)
	}
	return out
}

// niceStep is the smallest of 1, 2 and 5 times a power of ten that is not below a length.
func niceStep(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= v {
			return m * ten
		}
	}
	return 10 * ten
}

var columnSteps = []time.Duration{5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour,
	12 * time.Hour, 24 * time.Hour, 48 * time.Hour, 7 * 24 * time.Hour}

// columns are at round times of the plant's clock.
func (d *Drawing) columns(c *canvas, zone *time.Location) {
	most := max(3, int((c.Width-c.Left-c.Right)/86))
	step := columnSteps[len(columnSteps)-1]
	for _, s := range columnSteps {
		if c.to.Sub(c.from) <= time.Duration(most)*s {
			step = s
			break
		}
	}
	layout := "15:04"
	if step >= 24*time.Hour {
		layout = "01-02"
	}
	first := c.from.In(zone)
	day := time.Date(first.Year(), first.Month(), first.Day(), 0, 0, 0, 0, zone)
	for t := day; !t.After(c.to); {
		if !t.Before(c.from) {
			text := t.Format(layout)
			if step < 24*time.Hour && t.Hour() == 0 && t.Minute() == 0 {
				text = t.Format("01-02")
			}
			d.Columns = append(d.Columns, Tick{num(c.x(t)), text})
		}
		next := t.Add(step)
		if step >= 24*time.Hour {
			next = t.AddDate(0, 0, int(step/(24*time.Hour)))
		} else if next.Day() != t.Day() { // the clock may have been changed on this day
			next = time.Date(t.Year(), t.Month(), t.Day()+1, 0, 0, 0, 0, zone)
		}
		t = next
	}
}

func (d *Drawing) bands(c *canvas, p *Picture, s *Series) {
	add := func(kind string, x Stretch, id, text string) {
		b := Band{Kind: kind, X: num(c.x(x.From)), Width: num(max(c.x(x.To)-c.x(x.From), 1)), ID: id, Text: text}
		if c.Width-c.x(x.From) < 100 {
			b.End = num(max(c.x(x.To), c.Left+100))
		}
		d.Bands = append(d.Bands, b)
	}
	for _, x := range p.Stopped {
		add("stopped", x, "", "")
	}
	for _, x := range s.Gaps {
		add("gap", x, "", "")
	}
	for _, x := range p.Cases {
		add("case", x.Stretch, x.ID, strconv.FormatInt(x.Number, 10))
	}
}

// spread moves the labels of limits apart where they would lie over one another, and writes each bound once.
func (d *Drawing) spread() {
	const apart = 15
	seen := map[string]bool{}
	var order []*Line
	for i := range d.Limits {
		l := &d.Limits[i]
		if seen[l.Kind+l.Text] {
			l.Text = ""
			continue
		}
		seen[l.Kind+l.Text] = true
		order = append(order, l)
	}
	height := func(l *Line) float64 { v, _ := strconv.ParseFloat(l.Y, 64); return v }
	slices.SortStableFunc(order, func(a, b *Line) int { return int(height(a) - height(b)) })
	last := math.Inf(-1)
	for _, l := range order {
		at := max(height(l), last+apart)
		last = at
		l.LabelY = num(at)
	}
}

// mostDots is how many readings are drawn as dots; of more only the line, and what is not inside.
const mostDots = 400

func (d *Drawing) readings(c *canvas, s *Series, breaks []Stretch) {
	var path, plain strings.Builder
	dots := len(s.Readings) <= mostDots
	var last time.Time
	column, low, high := math.Inf(-1), 0.0, 0.0
	for i := range s.Readings {
		r := &s.Readings[i]
		x, y := c.x(r.At), c.y(r.Value)
		d.Xs = append(d.Xs, num(x))
		move := last.IsZero() || slices.ContainsFunc(breaks, func(g Stretch) bool { return g.From.Before(r.At) && g.To.After(last) })
		last = r.At
		switch {
		case move:
			fmt.Fprintf(&path, "M%s %s", num(x), num(y))
			column, low, high = math.Floor(x), y, y
		case dots || math.Floor(x) != column:
			fmt.Fprintf(&path, "L%s %s", num(x), num(y))
			column, low, high = math.Floor(x), y, y
		case y < low || y > high: // what a column of the picture spans is drawn, however many readings it has
			low, high = min(low, y), max(high, y)
			fmt.Fprintf(&path, "L%s %s", num(x), num(y))
		}
		shape := r.Verdict
		if r.Edge != 0 {
			shape = "edge"
		}
		switch {
		case shape == control.Outside || shape == control.Act || shape == "edge" || r.Signals != 0:
			d.Marks = append(d.Marks, Mark{Verdict: shape, Path: shapeOf(shape, x, y), ID: r.ID})
			if r.Signals != 0 {
				d.Marks = append(d.Marks, Mark{Verdict: "signal", Path: circle(x, y, 7)})
			}
		case dots:
			plain.WriteString(circle(x, y, 2.4))
		}
	}
	d.Path, d.Plain = path.String(), plain.String()
}

// shapeOf is the shape that the state has everywhere: octagon outside, triangle act.
func shapeOf(verdict string, x, y float64) string {
	switch verdict {
	case control.Outside:
		return fmt.Sprintf("M%s %sh5l3.5 3.5v5l-3.5 3.5h-5l-3.5-3.5v-5z", num(x-2.5), num(y-6))
	case control.Act:
		return fmt.Sprintf("M%s %sl6.5 11h-13z", num(x), num(y-7))
	case "edge":
		return fmt.Sprintf("M%s %sh8v8h-8z", num(x-4), num(y-4))
	}
	return circle(x, y, 2.4)
}

func circle(x, y, r float64) string {
	return fmt.Sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 -%s 0", num(x-r), num(y), num(r), num(r), num(2*r), num(r), num(r), num(2*r))
}

func (d *Drawing) ahead(c *canvas, s *Series) {
	if s.Forecast == nil || len(s.Readings) == 0 {
		return
	}
	last := s.Readings[len(s.Readings)-1].At
	for _, x := range s.Forecast.Crossings {
		v := x.Bound.Value.Float64()
		if x.Bound.Unit != s.Unit || x.Expected.IsZero() || x.Expected.Before(last) || x.Expected.After(c.to) {
			continue
		}
		from, to := x.Earliest, x.Latest
		if from.IsZero() || from.Before(last) {
			from = last
		}
		if to.IsZero() || to.After(c.to) {
			to = c.to
		}
		d.Forecast = append(d.Forecast, Ahead{Kind: string(x.Kind), Y: num(c.y(v)), From: num(c.x(from)),
			Width: num(max(c.x(to)-c.x(from), 1)), At: num(c.x(x.Expected))})
	}
}

// Count is how many readings have a verdict.
func (s *Series) Count(verdict string) int {
	n := 0
	for i := range s.Readings {
		if s.Readings[i].Verdict == verdict {
			n++
		}
	}
	return n
}

// Critical reports whether the series has a critical limit at all.
func (s *Series) Critical() bool {
	return slices.ContainsFunc(s.Limits, func(l Limit) bool { return l.Kind == plan.Critical })
}

// Decimals is to how many decimals the readings were written at most, and one more: for what is worked out of them.
func (s *Series) Decimals() int {
	most := 0
	for i := range s.Readings {
		if _, after, found := strings.Cut(strconv.FormatFloat(s.Readings[i].Value, 'f', -1, 64), "."); found {
			most = max(most, len(after))
		}
	}
	return min(most, 5) + 1
}

// Tall is the height of the plot.
func (d *Drawing) Tall() string { return num(parse(d.Bottom) - parse(d.Top)) }

// LabelX is where the labels of the rows end.
func (d *Drawing) LabelX() string { return num(parse(d.Left) - 6) }

// BelowY is the line of the labels of the columns.
func (d *Drawing) BelowY() string { return num(parse(d.Bottom) + 24) }

// LimitX is where the labels of the limits begin, beside a wide plot.
func (d *Drawing) LimitX() string { return num(parse(d.Right) + 8) }

// Roomy reports whether labels of limits have room beside the plot.
func (d *Drawing) Roomy() bool { return parse(d.Width)-parse(d.Right) > 60 }

func parse(s string) float64 { v, _ := strconv.ParseFloat(s, 64); return v }
