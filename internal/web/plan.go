package web

import (
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func findPlace(p *plan.Plan, id string) *plan.Place {
	return find(p, func(p *plan.Plan) []plan.Place { return p.Places }, func(x *plan.Place) bool { return x.ID == id })
}

func findCheck(p *plan.Plan, id string) *plan.Check {
	return find(p, func(p *plan.Plan) []plan.Check { return p.Checks }, func(x *plan.Check) bool { return x.ID == id })
}

func findPoint(p *plan.Plan, id string) *plan.Point {
	return find(p, func(p *plan.Plan) []plan.Point { return p.Points }, func(x *plan.Point) bool { return x.ID == id })
}

func findLine(p *plan.Plan, id string) *plan.Line {
	return find(p, func(p *plan.Plan) []plan.Line { return p.Lines }, func(x *plan.Line) bool { return x.ID == id })
}

func find[T any](p *plan.Plan, list func(*plan.Plan) []T, is func(*T) bool) *T {
	if p == nil {
		return nil
	}
	all := list(p)
	for i := range all {
		if is(&all[i]) {
			return &all[i]
		}
	}
	return nil
}

// ever looks through the plan versions, the newest first.
func ever[T any](f *Frame, find func(*plan.Plan) *T) *T {
	for i := len(f.state.Plans) - 1; i >= 0; i-- {
		if x := find(f.state.Plans[i].Plan); x != nil {
			return x
		}
	}
	return nil
}

// PlaceName gives the name of a place, or its id where no plan has it.
func (f *Frame) PlaceName(id string) string {
	if x := ever(f, func(p *plan.Plan) *plan.Place { return findPlace(p, id) }); x != nil {
		return x.Name
	}
	if x := ever(f, func(p *plan.Plan) *plan.Line { return findLine(p, id) }); x != nil {
		return x.Name
	}
	return id
}

func (f *Frame) checkName(id string) string {
	if x := ever(f, func(p *plan.Plan) *plan.Check { return findCheck(p, id) }); x != nil {
		return x.Name
	}
	return id
}

func (f *Frame) pointName(id string) string {
	if x := ever(f, func(p *plan.Plan) *plan.Point { return findPoint(p, id) }); x != nil {
		return x.Name
	}
	return id
}

func amount(a *plan.Amount) string {
	return strings.TrimSpace(a.Value.String() + " " + strings.TrimSuffix(quantity.Unit(a.Unit).Symbol(), "pH"))
}

// Bounds words a limit: what it is on and between which ends.
func (f *Frame) Bounds(l plan.Limit) string { return f.Word("quantity", l.Quantity) + ": " + f.ends(l) }

// ends words between which ends a limit lies.
func (f *Frame) ends(l plan.Limit) string {
	switch {
	case l.YesNo != nil:
		return f.YesNo(l.YesNo)
	case l.Min != nil && l.Max != nil:
		return f.T("plan.between", "min", amount(l.Min), "max", amount(l.Max))
	case l.Min != nil:
		return f.T("plan.at-least", "min", amount(l.Min))
	case l.Max != nil:
		return f.T("plan.at-most", "max", amount(l.Max))
	}
	return "–"
}

// Basis words what a limit rests on.
func (f *Frame) Basis(l plan.Limit) string {
	var out []string
	b := l.Basis
	if b.Source != "" {
		out = append(out, f.T("plan.basis", "source", b.Source))
	}
	if b.Validation != "" {
		out = append(out, f.T("plan.validation", "ref", b.Validation))
	}
	if b.ValidationUntil != "" {
		out = append(out, f.T("plan.running", "date", string(b.ValidationUntil)))
	}
	if b.Invented {
		out = append(out, f.T("plan.invented"))
	}
	if len(out) == 0 {
		return f.T("plan.no-basis")
	}
	return strings.Join(out, "; ")
}

// When words the schedule of a check.
func (f *Frame) When(c plan.Check) string {
	var out []string
	if !c.Schedule.Every.IsZero() {
		out = append(out, f.T("plan.every", "every", c.Schedule.Every.String()))
		if c.Schedule.AtStart {
			out = append(out, f.T("plan.at-start"))
		}
	}
	if c.Schedule.Cron != nil {
		out = append(out, f.T("plan.cron", "cron", c.Schedule.Cron.Text))
	}
	if len(c.Schedule.After) > 0 {
		events := make([]string, len(c.Schedule.After))
		for i, e := range c.Schedule.After {
			events[i] = f.Word("kind", "bath."+e)
		}
		out = append(out, f.T("plan.after")+" "+strings.Join(events, ", "))
	}
	return strings.Join(out, "; ")
}

// cautionsFor lists the cautions for work with chlorine or acid. What to do below the plan's pH floor stands
// apart from them, above.
func cautionsFor(chlorineOrAcid bool) []string {
	if !chlorineOrAcid {
		return nil
	}
	return []string{"caution.mix", "caution.apart", "caution.water", "caution.dose", "caution.exposure", "caution.store"}
}

// involvesChlorine says whether a limit's quantity is one that is corrected with hypochlorite or acid.
func involvesChlorine(q string) bool {
	switch quantity.ID(q) {
	case quantity.FreeChlorine, quantity.TotalChlorine, quantity.CombinedChlorine, quantity.HOCl, quantity.PH, quantity.ORP:
		return true
	}
	return false
}

// measured words the value of a sample of a case with the quantity it is of.
func (f *Frame) measured(version int, point string, x *haccp.SampleFacts) string {
	if version >= 1 && version <= len(f.state.Plans) {
		if l := control.FindLimit(f.state.Plans[version-1].Plan, point, x.Limit); l != nil {
			return f.Word("quantity", l.Quantity) + " " + f.value(x.Value)
		}
	}
	return f.value(x.Value)
}
