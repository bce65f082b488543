package haccp

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/plan"
)

// toolsBehind names the instruments that the value of a limit came from, with spaces between.
func toolsBehind(p *plan.Plan, r *Reading, point, limit string) string {
	l := control.FindLimit(p, point, limit)
	if l == nil {
		return ""
	}
	if !l.Computed() {
		return instrumentOf(r, l.Quantity)
	}
	var out []string
	for i := range r.Entries {
		if e := &r.Entries[i]; e.Instrument != "" && slices.Contains(chemistry.HOClInputs(), e.Quantity) {
			out = with(out, e.Instrument)
		}
	}
	return strings.Join(out, " ")
}

// barred reports whether an instrument behind a mark was not in order at a moment. One that was never checked is no
// ground: it shows at release.
func (s *State) barred(m *control.Mark, at time.Time) bool {
	if m.Tool == "" {
		return false
	}
	bad := func(id string) bool {
		standing := s.ToolStanding(id, at)
		return standing != instrument.NeverChecked && !instrument.Good(standing)
	}
	if !strings.Contains(m.Tool, " ") { // nearly always
		return bad(m.Tool)
	}
	return slices.ContainsFunc(m.Tools(), bad)
}

// toolSeries lists the series that readings of an instrument may touch.
func (s *State) toolSeries(id string) []string {
	var out []string
	for i := range s.Plans {
		p := s.Plans[i].Plan
		in := p.Instrument(id)
		if in == nil {
			continue
		}
		for j := range p.Checks {
			c := &p.Checks[j]
			if !slices.ContainsFunc(c.Measures, func(m plan.Measure) bool {
				return slices.ContainsFunc(m.Methods, func(method string) bool { return slices.Contains(in.Methods, method) })
			}) {
				continue
			}
			for _, place := range c.Places {
				for _, k := range s.memo.feeds[key(c.ID, place)] {
					out = with(out, k)
				}
			}
		}
	}
	return out
}

// rejudgeTool looks again at which readings bound spans since a moment at which something was recorded about their
// instrument.
func (s *State) rejudgeTool(id string, since time.Time, c changes) {
	for _, k := range s.toolSeries(id) {
		ser, ok := s.series.get(k)
		if !ok {
			continue
		}
		if !ser.Window.Covers(since) { // what is older comes from the facts, and is judged then
			c.at(k, since).rebuild = true
		}
		for x := range ser.Window.All() {
			if next := s.remarked(x, id, since); next != nil {
				ch := c.at(k, x.At)
				ch.replace = append(ch.replace, replacement{x.ID, next})
			}
		}
	}
}

// remarked gives a sample with its marks judged again, nil where they stay as they are.
func (s *State) remarked(x *control.Sample, id string, since time.Time) *control.Sample {
	if x.At.Before(since) {
		return nil
	}
	var next *control.Sample
	for i := range x.Marks {
		m := &x.Marks[i]
		if !slices.Contains(m.Tools(), id) {
			continue
		}
		if b := s.barred(m, x.At); b != m.Barred {
			if next == nil {
				own := *x
				own.Marks = slices.Clone(x.Marks)
				next = &own
			}
			next.Marks[i].Barred = b
		}
	}
	return next
}
