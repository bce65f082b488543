package line

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// maxRows is how many lots of one step the board lists.
const maxRows = 12

// board is the steps of a line with the lots in them.
type board struct {
	Millis int64 // the server's clock, ms since 1970, for the countdown
	Steps  []boardStep
	Empty  []frame.Choice // places that carry product over and hold no lot: they may be reported empty
}

// boardStep is a step with its lots. The step with Waiting holds those that have left it and came to no other.
type boardStep struct {
	Name    string
	Waiting bool
	Store   bool // of no line and the last there is: lots lie there for days
	Rows    []boardRow
	More    int
}

// Count is how many lots there are.
func (s boardStep) Count() int64 { return int64(len(s.Rows) + s.More) }

// boardRow is a lot at a place.
type boardRow struct {
	frame.LotView
	Place, Since string
	Clocks       []boardClock
	Moves        []boardMove
}

// boardClock is a running clock; the page counts it down.
type boardClock struct {
	Name, Mark, Text string
	Start            int64 // ms since 1970
	Warn, Limit      int64 // 0: no limit
}

// boardMove is one way on from where a lot is. Direct ones take one touch, the others lead to the form.
type boardMove struct {
	What, From, To string // as the form names them
	Text, Form     string
	Direct         bool
	Command        string
}

// newBoard lists the lots in the steps of a line, in the order of the plan.
func newBoard(f *frame.Frame, line string) *board {
	b := &board{Millis: f.Now.UnixMilli()}
	if f.Plan == nil {
		return b
	}
	way, book := lot.NewWay(f.Plan), f.State.LotBook()
	steps := make([]boardStep, 2*len(f.Plan.Steps))
	at := map[string]int{}
	for i := range f.Plan.Steps {
		at[f.Plan.Steps[i].ID] = i
		steps[2*i].Name = f.Plan.Steps[i].Name
		steps[2*i+1].Name, steps[2*i+1].Waiting = f.Plan.Steps[i].Name, true
	}
	held := map[string]bool{}
	put := func(i int, l *haccp.LotState, stay *lot.Stay) {
		if len(steps[i].Rows) == maxRows {
			steps[i].More++
			return
		}
		steps[i].Rows = append(steps[i].Rows, newRow(f, book, l, &f.Plan.Steps[i/2], stay))
	}
	for _, l := range f.State.Lots() {
		if state := l.State(); state != haccp.LotInProcess && state != haccp.LotOnHold {
			continue
		}
		here := false
		for _, stay := range openStays(l) {
			i, known := at[stay.Step]
			if own := way.Line(stay.Place); known && (own == line || own == "") {
				steps[2*i].Store = own == "" && len(nextSteps(f.Plan, stay.Step)) == 0
				put(2*i, l, stay)
			}
			held[stay.Place], here = true, true
		}
		if step, ok := lastStep(f.Plan, l); ok && !here && len(nextSteps(f.Plan, step)) > 0 {
			put(2*at[step]+1, l, nil)
		}
	}
	for _, x := range steps {
		if len(x.Rows) > 0 {
			b.Steps = append(b.Steps, x)
		}
	}
	for _, place := range way.Carrying() {
		if way.Line(place) == line && !held[place] {
			b.Empty = append(b.Empty, frame.Choice{Code: place, Word: f.PlaceName(place)})
		}
	}
	return b
}

// openStays lists where a lot is recorded to be now.
func openStays(l *haccp.LotState) []*lot.Stay {
	var out []*lot.Stay
	for i := range l.Stays() {
		if s := &l.Stays()[i]; s.NoTo && s.To.IsZero() && !s.Unseen {
			out = append(out, s)
		}
	}
	return out
}

// lastStep is the last step that a lot was recorded at; false where there is none.
func lastStep(p *plan.Plan, l *haccp.LotState) (string, bool) {
	best, found := -1, false
	see := func(step string) {
		for i := range p.Steps {
			if p.Steps[i].ID == step && i >= best {
				best, found = i, true
			}
		}
	}
	for _, r := range l.Received {
		see(r.Step)
	}
	for i := range l.Acts {
		see(l.Acts[i].Step)
	}
	for i := range l.Fed {
		if slices.ContainsFunc(l.Fed[i].To, func(x lot.Part) bool { return x.Lot == l.Code }) {
			see(l.Fed[i].Step)
		}
	}
	if !found {
		return "", false
	}
	return p.Steps[best].ID, true
}

// nextSteps lists the steps that may follow one; where no step of the plan names its next, the one after it.
func nextSteps(p *plan.Plan, step string) []*plan.Step {
	linked := slices.ContainsFunc(p.Steps, func(s plan.Step) bool { return len(s.Next) > 0 })
	var out []*plan.Step
	for i := range p.Steps {
		if p.Steps[i].ID != step {
			continue
		}
		if !linked && i+1 < len(p.Steps) {
			return []*plan.Step{&p.Steps[i+1]}
		}
		for _, next := range p.Steps[i].Next {
			if s := findStep(p, next); s != nil {
				out = append(out, s)
			}
		}
	}
	return out
}

func findStep(p *plan.Plan, id string) *plan.Step {
	if p == nil {
		return nil
	}
	for i := range p.Steps {
		if p.Steps[i].ID == id {
			return &p.Steps[i]
		}
	}
	return nil
}

// newRow words a lot at a step; a nil stay: it has left the step and waits.
func newRow(f *frame.Frame, book *lot.Book, l *haccp.LotState, step *plan.Step, stay *lot.Stay) boardRow {
	r := boardRow{LotView: f.LotView(book, nil, l)}
	if stay != nil {
		r.Place, r.Since = f.PlaceName(stay.Place), f.T("line.since", "time", f.Clock(stay.From))
	}
	for _, t := range f.State.LotTimes(book, l.Code) {
		if t.Running && (stay == nil || t.Place == stay.Place || !slices.ContainsFunc(openStays(l), func(s *lot.Stay) bool { return s.Place == t.Place })) {
			r.Clocks = append(r.Clocks, clockOf(f, &t))
		}
	}
	slices.SortStableFunc(r.Clocks, func(a, b boardClock) int { return cmp.Compare(soonest(&a), soonest(&b)) })
	if f.May(haccp.AskLotEnter) {
		r.Moves = movesOf(f, l, step, stay)
	}
	return r
}

func soonest(c *boardClock) int64 {
	if c.Limit == 0 {
		return 1 << 62
	}
	return c.Limit
}

func clockOf(f *frame.Frame, t *haccp.LotTime) boardClock {
	c := boardClock{Name: t.Name, Mark: "open", Start: t.Start.UnixMilli()}
	switch left := t.Remaining(f.Now); {
	case t.LimitAt.IsZero():
		c.Text = f.T("line.clock-runs", "span", span(f.Now.Sub(t.Start)))
		return c
	case left < 0:
		c.Mark, c.Text = control.Outside, f.T("line.clock-over", "span", span(-left))
	case !f.Now.Before(t.WarnAt):
		c.Mark, c.Text = control.Act, f.T("line.clock-near", "span", span(left))
	default:
		c.Text = f.T("line.clock-left", "span", span(left))
	}
	c.Warn, c.Limit = t.WarnAt.UnixMilli(), t.LimitAt.UnixMilli()
	return c
}

// span writes a length of time; the script of the page writes the same.
func span(d time.Duration) string {
	s := int64(d / time.Second)
	switch {
	case s < 600:
		return two(s/60) + ":" + two(s%60)
	case s < 3600:
		return frame.Text(s/60) + " min"
	case s < 48*3600:
		return frame.Text(s/3600) + " h " + two(s/60%60)
	}
	return frame.Text(s/86400) + " d " + frame.Text(s/3600%24) + " h"
}

func two(n int64) string {
	if n < 10 {
		return "0" + frame.Text(n)
	}
	return frame.Text(n)
}

// What a move does.
const (
	moveOn    = "on"    // all of the lot leaves the step and comes to the next
	moveFirst = "first" // the first of it comes to the next step, the rest stays
	moveLast  = "last"  // the first of it came to the next step before: now the last of it follows
	moveOut   = "out"   // all of it leaves the step
)

// movesOf lists the ways on of a lot from a step, the usual one first.
func movesOf(f *frame.Frame, l *haccp.LotState, step *plan.Step, stay *lot.Stay) []boardMove {
	var out []boardMove
	from := ""
	if stay != nil {
		from = step.ID + "@" + stay.Place
	}
	add := func(what, to, text string, direct bool) {
		m := boardMove{What: what, From: from, To: to, Text: text, Direct: direct}
		m.Form = "/lots/" + url.PathEscape(l.Code) + "/move?what=" + what + "&from=" + escape(from) + "&to=" + escape(to)
		// The same touch twice is the same command, until something is recorded about the lot.
		m.Command = uuid.NewSHA1(touchSpace, []byte(strings.Join([]string{f.State.Site.LogID, f.PersonID, l.Code, frame.Text(l.Touched), what, from, to}, "\n"))).String()
		out = append(out, m)
	}
	quiet := stay == nil || !wantsOut(f.Plan, l, step)
	for _, next := range nextSteps(f.Plan, step.ID) {
		there := slices.ContainsFunc(openStays(l), func(s *lot.Stay) bool { return s.Step == next.ID })
		direct := len(next.Where()) == 1 && len(materialsOf(f.Plan, next.ID)) == 0
		switch {
		case there:
			add(moveLast, next.ID, f.T("line.move-last", "step", next.Name), quiet)
		case stay == nil:
			add(moveOn, next.ID, f.T("line.move-on", "step", next.Name), direct)
		default:
			add(moveOn, next.ID, f.T("line.move-on", "step", next.Name), direct && quiet)
			add(moveFirst, next.ID, f.T("line.move-first", "step", next.Name), direct)
		}
	}
	if len(out) == 0 && stay != nil {
		add(moveOut, "", f.T("line.move-out", "place", f.PlaceName(stay.Place)), quiet)
	}
	return out
}

// touchSpace is the name space of the ids of one-touch moves, drawn once at random.
var touchSpace = uuid.MustParse("0f6f0c5e-7a38-4e0b-9a51-6c2f4cf0b7d4")

// materialsOf lists the materials that a step takes.
func materialsOf(p *plan.Plan, step string) []*plan.Material {
	var out []*plan.Material
	for i := range p.Materials {
		if slices.Contains(p.Materials[i].Steps, step) {
			out = append(out, &p.Materials[i])
		}
	}
	return out
}

// wantsOut reports whether leaving a step wants a form: boxes were filled, or a material is not named with its amount.
func wantsOut(p *plan.Plan, l *haccp.LotState, step *plan.Step) bool {
	return packs(p, step.ID) || len(unnamed(p, l, step.ID)) > 0
}

// packs reports whether a step packs product: it takes packaging.
func packs(p *plan.Plan, step string) bool {
	return slices.ContainsFunc(materialsOf(p, step), func(m *plan.Material) bool { return m.Kind == "packaging" })
}

// unnamed lists the materials of a step of which the lot names no lot with an amount yet.
func unnamed(p *plan.Plan, l *haccp.LotState, step string) []*plan.Material {
	return slices.DeleteFunc(materialsOf(p, step), func(m *plan.Material) bool {
		return slices.ContainsFunc(l.Materials, func(u haccp.UsedAt) bool { return u.Step == step && u.Material == m.ID && u.Amount != nil })
	})
}
