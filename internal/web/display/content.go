package display

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// How much a screen holds that is read from three metres.
const (
	maxChecks = 5
	maxClocks = 3
	maxLots   = 4
	maxOpen   = 3
)

// place is a place with what its control points say.
type place struct {
	Name   string
	Mark   string // the worst state of its points
	Word   string
	Groups []group
	Change bool  // the water is due to be changed
	Low    stamp // when chlorine is expected below a limit; 0: no forecast
}

// group is the values of one control point, read from one sample.
type group struct {
	Name   string
	Mark   string
	Word   string
	Read   stamp // 0: no reading
	Until  int64 // past that the point is not known; 0: without end
	Main   bool  // of a critical control point
	Values []value
}

// value is one quantity with its limits.
type value struct {
	Name, Number, Unit, Limits string
	Mark                       string // not shown where the value is inside
}

type clock struct {
	Name, Lot, Mark, Word string
	Start                 stamp
	Limit                 string
	WarnAt, LimitAt       int64
}

type check struct {
	Name, Place, Mark, Word string
	Due                     stamp
	Past                    bool
}

type deviation struct {
	Number, Text string
	Critical     bool
	Since        stamp
}

// seriousness orders the states, the worst last.
var seriousness = map[string]int{control.StateNotInUse: 0, control.StateInside: 1, control.StateAct: 2, control.StateNotKnown: 3, control.StateOutside: 4}

func (p *page) gather() {
	if p.Plan == nil {
		return
	}
	for _, l := range p.Plan.Lines {
		p.Lines = append(p.Lines, p.line(&l))
	}
	byPlace := map[string][]haccp.PointState{}
	for _, ps := range p.State.PointStates(p.Now) {
		byPlace[ps.Place] = append(byPlace[ps.Place], ps)
	}
	for i := range p.Plan.Places {
		pl := &p.Plan.Places[i]
		states := byPlace[pl.ID]
		switch {
		case len(states) == 0:
		case pl.Kind == plan.Bath:
			p.Baths = append(p.Baths, p.place(pl, states))
		default:
			p.Others = append(p.Others, p.place(pl, states))
		}
	}
	p.clocks()
	p.checks()
	p.cases()
}

func (p *page) line(l *plan.Line) line {
	out := line{Name: l.Name, State: "not-in-use", Word: p.T("display.never")}
	runs := p.State.LineRuns(l.ID)
	if len(runs) == 0 {
		return out
	}
	last := runs[len(runs)-1]
	if last.To.IsZero() {
		out.State, out.Word, out.Since = "open", p.T("display.running"), p.stamp(last.From)
	} else {
		out.Word, out.Since = p.T("display.stopped"), p.stamp(last.To)
	}
	return out
}

func (p *page) place(pl *plan.Place, states []haccp.PointState) place {
	out := place{Name: pl.Name, Mark: control.StateNotInUse}
	for i := range states {
		ps := &states[i]
		if seriousness[ps.State] > seriousness[out.Mark] {
			out.Mark = ps.State
		}
		out.Groups = append(out.Groups, p.group(ps))
	}
	slices.SortStableFunc(out.Groups, func(a, b group) int { return cmp.Compare(b2i(b.Main), b2i(a.Main)) })
	out.Word = p.Word("state", out.Mark)
	if f, in := p.State.FillingAt(pl.ID, p.Now); in {
		out.Change = len(f.ChangeWater) > 0
	}
	for _, x := range p.State.Foreseen(pl.ID, p.Now) {
		if !x.Expected.IsZero() && (out.Low.Millis == 0 || x.Expected.UnixMilli() < out.Low.Millis) && x.Expected.After(p.Now) {
			out.Low = p.stamp(x.Expected)
		}
	}
	return out
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// group words what a point at a place says.
func (p *page) group(ps *haccp.PointState) group {
	g := group{Name: ps.PointName, Mark: ps.State, Word: p.Word("state", ps.State), Main: ps.Class == plan.CCP}
	if ps.Last == nil {
		return g
	}
	g.Read = p.stamp(ps.Last.At)
	if ps.Frequency > 0 && ps.State != control.StateNotInUse {
		g.Until = ps.Last.At.Add(ps.Frequency).UnixMilli()
	}
	seen := map[string]int{}
	for _, v := range ps.Last.Verdicts {
		l := control.FindLimit(p.Plan, ps.Point, v.Limit)
		if l == nil {
			continue
		}
		at, ok := seen[l.Quantity]
		if !ok {
			at = len(g.Values)
			seen[l.Quantity] = at
			number, unit := p.split(v.Value)
			name, _, _ := strings.Cut(p.Word("quantity", l.Quantity), " (") // what it is stated as is in the pages
			if l.Quantity == string(quantity.HOCl) {
				name = "HOCl"
			}
			g.Values = append(g.Values, value{Name: name, Number: number, Unit: unit})
		}
		x := &g.Values[at]
		if l.Kind != plan.Operating || x.Limits == "" && !hasHard(p.Plan, ps.Point, l.Quantity) {
			x.Limits = p.limits(l, x.Unit)
		}
		if worse(v.Verdict, x.Mark) {
			x.Mark = v.Verdict
		}
	}
	for i := range g.Values {
		if g.Values[i].Mark == control.Inside {
			g.Values[i].Mark = ""
		}
	}
	return g
}

func worse(a, b string) bool {
	return b == "" || control.Worst([]control.Verdict{{Verdict: a}, {Verdict: b}}) == a
}

// hasHard reports whether a point has a critical limit or action criterion on a quantity.
func hasHard(pl *plan.Plan, point, quantity string) bool {
	for i := range pl.Points {
		if pl.Points[i].ID == point {
			return slices.ContainsFunc(pl.Points[i].Limits, func(l plan.Limit) bool { return l.Quantity == quantity && l.Kind != plan.Operating })
		}
	}
	return false
}

// split parts a value as recorded into number and unit.
func (p *page) split(text string) (number, unit string) {
	v, ok := quantity.ParseText(text)
	if yes, is := v.Yes(); ok && is {
		if yes {
			return p.Word("answer", "yes"), ""
		}
		return p.Word("answer", "no"), ""
	}
	if text == "" {
		return "–", ""
	}
	text = strings.TrimPrefix(text, "pH ")
	if i := strings.LastIndex(text, " "); ok && i > 0 && v.Unit() != "" && v.Unit() != quantity.PHUnit {
		return strings.TrimSuffix(text, " "+v.Unit().Symbol()), v.Unit().Symbol()
	}
	return text, ""
}

// limits words the bounds of a limit beside a value; their unit is left out where it is that of the value.
func (p *page) limits(l *plan.Limit, beside string) string {
	amount := func(a *plan.Amount) string {
		if u := quantity.Unit(a.Unit); u == quantity.PHUnit || u.Symbol() == beside {
			return a.Value.String()
		}
		return a.String()
	}
	switch {
	case l.YesNo != nil:
		return ""
	case l.Min != nil && l.Max != nil:
		low := amount(l.Min)
		if l.Min.Unit == l.Max.Unit {
			low = l.Min.Value.String()
		}
		return p.T("display.within", "min", low, "max", amount(l.Max))
	case l.Min != nil:
		return p.T("display.least", "min", amount(l.Min))
	case l.Max != nil:
		return p.T("display.most", "max", amount(l.Max))
	}
	return ""
}

// clocks lists the clocks that run, the one with the least time left first.
func (p *page) clocks() {
	lots := p.State.Lots()
	if len(lots) == 0 {
		return
	}
	book := p.State.LotBook()
	for _, l := range lots {
		for _, t := range p.State.LotTimes(book, l.Code) {
			if !t.Running {
				continue
			}
			c := clock{Name: t.Name, Lot: l.Code, Mark: "open", Start: p.stamp(t.Start)}
			if !t.LimitAt.IsZero() {
				c.LimitAt, c.WarnAt, c.Limit = t.LimitAt.UnixMilli(), t.WarnAt.UnixMilli(), span(t.LimitAt.Sub(t.Start))
				if !p.Now.Before(t.WarnAt) {
					c.Mark = control.StateAct
				}
				if p.Now.After(t.LimitAt) {
					c.Mark = control.StateOutside
				}
			}
			p.Clocks = append(p.Clocks, c)
		}
	}
	slices.SortStableFunc(p.Clocks, func(a, b clock) int { return cmp.Compare(a.Start.Millis, b.Start.Millis) })
	p.Clocks = p.Clocks[:min(len(p.Clocks), maxClocks)]
}

// checks lists what comes next, what is missed or late first.
func (p *page) checks() {
	rank := map[string]int{haccp.DueMissed: 0, haccp.DueLate: 1}
	list := p.State.DueList(p.Now)
	slices.SortStableFunc(list, func(a, b haccp.DueItem) int {
		ra, oka := rank[a.State]
		rb, okb := rank[b.State]
		if !oka {
			ra = 2
		}
		if !okb {
			rb = 2
		}
		return cmp.Or(cmp.Compare(ra, rb), a.Due.Compare(b.Due))
	})
	for _, d := range list {
		_, pressing := rank[d.State]
		if len(p.Checks) >= maxChecks {
			if pressing {
				p.More++
			}
			continue
		}
		p.Checks = append(p.Checks, check{Name: d.CheckName, Place: d.PlaceName, Mark: d.State, Word: p.Word("due", d.State), Due: p.stamp(d.Due), Past: p.Now.After(d.Due)})
	}
}

// cases lists the lots on hold and the cases that are not closed.
func (p *page) cases() {
	for _, l := range p.State.Lots() {
		if l.State() != haccp.LotOnHold {
			continue
		}
		if p.HoldAll++; len(p.Hold) < maxLots {
			p.Hold = append(p.Hold, l.Code)
		}
	}
	p.HoldMore = p.HoldAll - len(p.Hold)
	open := p.State.Cases()
	slices.SortStableFunc(open, func(a, b *haccp.Deviation) int { return cmp.Compare(b2i(b.Critical), b2i(a.Critical)) })
	p.OpenAll = len(open)
	for _, d := range open {
		if len(p.Open) == maxOpen {
			break
		}
		p.Open = append(p.Open, deviation{Number: strconv.FormatInt(d.Number, 10), Critical: d.Critical, Since: p.stamp(d.Found),
			Text: p.PlaceName(d.Place)})
	}
	p.OpenMore = p.OpenAll - len(p.Open)
}

// span writes a length of time in at most two units; the script writes the same.
func span(d time.Duration) string {
	s := int64(d / time.Second)
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		return fmt.Sprintf("%d min", s/60)
	case s < 48*3600:
		return fmt.Sprintf("%d h %02d", s/3600, s/60%60)
	}
	return fmt.Sprintf("%d d %d h", s/86400, s/3600%24)
}
