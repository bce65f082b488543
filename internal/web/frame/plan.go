package frame

import (
	"slices"
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func (f *Frame) fixName(id string) string {
	if x := Ever(f, func(p *plan.Plan) *plan.Fix {
		return find(p, func(p *plan.Plan) []plan.Fix { return p.Fixes }, func(x *plan.Fix) bool { return x.ID == id })
	}); x != nil {
		return x.Name
	}
	return id
}

// PlanOf is the plan version that judged a case.
func (f *Frame) PlanOf(d *haccp.Deviation) *plan.Plan {
	if d.PlanVersion < 1 || d.PlanVersion > len(f.State.Plans) {
		return f.Plan
	}
	return f.State.Plans[d.PlanVersion-1].Plan
}

// RolesFor lists the roles that sign a part, by the plan that judged the case; the manager where it is silent.
func RolesFor(p *plan.Plan, d *haccp.Deviation, part string) []string {
	if p != nil {
		for _, r := range p.Classes {
			for _, c := range r.Closing {
				if r.Class == d.Class && c.Part == part {
					return c.Roles
				}
			}
		}
	}
	return []string{haccp.RoleManager}
}

// Words lists the words for codes of a group with a comma between them.
func (f *Frame) Words(group string, codes []string) string {
	words := make([]string, len(codes))
	for i, c := range codes {
		words[i] = f.Word(group, c)
	}
	return strings.Join(words, ", ")
}

// FindPlace finds a place of a plan by id; nil where there is none.
func FindPlace(p *plan.Plan, id string) *plan.Place {
	return find(p, func(p *plan.Plan) []plan.Place { return p.Places }, func(x *plan.Place) bool { return x.ID == id })
}

// FindCheck finds a check of a plan by id; nil where there is none.
func FindCheck(p *plan.Plan, id string) *plan.Check {
	return find(p, func(p *plan.Plan) []plan.Check { return p.Checks }, func(x *plan.Check) bool { return x.ID == id })
}

// FindPoint finds a control point of a plan by id; nil where there is none.
func FindPoint(p *plan.Plan, id string) *plan.Point {
	return find(p, func(p *plan.Plan) []plan.Point { return p.Points }, func(x *plan.Point) bool { return x.ID == id })
}

// FindLine finds a line of a plan by id; nil where there is none.
func FindLine(p *plan.Plan, id string) *plan.Line {
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

// Ever looks through the plan versions, the newest first.
func Ever[T any](f *Frame, find func(*plan.Plan) *T) *T {
	for _, v := range slices.Backward(f.State.Plans) {
		if x := find(v.Plan); x != nil {
			return x
		}
	}
	return nil
}

// PlaceName gives the name of a place, or its id where no plan has it.
func (f *Frame) PlaceName(id string) string {
	if x := Ever(f, func(p *plan.Plan) *plan.Place { return FindPlace(p, id) }); x != nil {
		return x.Name
	}
	if x := Ever(f, func(p *plan.Plan) *plan.Line { return FindLine(p, id) }); x != nil {
		return x.Name
	}
	return id
}

// PointName gives the name of a control point, or its id where no plan has it.
func (f *Frame) PointName(id string) string {
	if x := Ever(f, func(p *plan.Plan) *plan.Point { return FindPoint(p, id) }); x != nil {
		return x.Name
	}
	return id
}

// CheckName gives the name of a check, or its id where no plan has it.
func (f *Frame) CheckName(id string) string {
	if x := Ever(f, func(p *plan.Plan) *plan.Check { return FindCheck(p, id) }); x != nil {
		return x.Name
	}
	return id
}

func (f *Frame) pointName(id string) string {
	if x := Ever(f, func(p *plan.Plan) *plan.Point { return FindPoint(p, id) }); x != nil {
		return x.Name
	}
	return id
}

func amount(a *plan.Amount) string {
	return strings.TrimSpace(a.Value.String() + " " + strings.TrimSuffix(quantity.Unit(a.Unit).Symbol(), "pH"))
}

// Bounds words a limit: what it is on and between which ends.
func (f *Frame) Bounds(l plan.Limit) string { return f.Word("quantity", l.Quantity) + ": " + f.Ends(l) }

// Ends words between which ends a limit lies.
func (f *Frame) Ends(l plan.Limit) string {
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
func (f *Frame) Basis(l plan.Limit) string { return f.Rests(l.Basis) }

// Rests words what a limit, a cure or a probe's times rest on.
func (f *Frame) Rests(b plan.Basis) string {
	var out []string
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

// CautionsFor lists the cautions for work with chlorine or acid. What to do below the plan's pH floor stands
// apart from them, above.
func CautionsFor(chlorineOrAcid bool) []string {
	if !chlorineOrAcid {
		return nil
	}
	return []string{"caution.mix", "caution.apart", "caution.water", "caution.dose", "caution.exposure", "caution.store", "caution.aid"}
}

// InvolvesChlorine says whether a limit's quantity is one that is corrected with hypochlorite or acid.
func InvolvesChlorine(q string) bool {
	switch quantity.ID(q) {
	case quantity.FreeChlorine, quantity.TotalChlorine, quantity.CombinedChlorine, quantity.HOCl, quantity.PH, quantity.ORP:
		return true
	}
	return false
}

// LimitName words a limit of a plan by its quantity, its ends and its kind; one that is not known has its id.
func (f *Frame) LimitName(p *plan.Plan, point, limit string) string {
	if l := control.FindLimit(p, point, limit); l != nil {
		return f.Word("quantity", l.Quantity) + ", " + f.Ends(*l) + " (" + f.Word("limit", l.Kind) + ")"
	}
	return limit
}

// signed gives a version of the plan; nil where there is none.
func (f *Frame) signed(version int) *plan.Plan {
	if version < 1 || version > len(f.State.Plans) {
		return nil
	}
	return f.State.Plans[version-1].Plan
}

// Count words so many of a thing.
func (f *Frame) Count(thing string, n int64) string { return f.Lang.Count(thing, n) }

// Unit words a unit: what is counted in pieces has its word, all others are written alike in every language.
func (f *Frame) Unit(unit string) string {
	if unit == plan.Pieces {
		return f.T("materials.pieces")
	}
	return unit
}

// Pieces words the unit of an amount, such as "120 pieces".
func (f *Frame) Pieces(amount string) string {
	if i := strings.LastIndexByte(amount, ' '); i >= 0 {
		return amount[:i+1] + f.Unit(amount[i+1:])
	}
	return amount
}

// measured words the value of a sample of a case with the quantity it is of.
func (f *Frame) measured(version int, point string, x *haccp.SampleFacts) string {
	if l := control.FindLimit(f.signed(version), point, x.Limit); l != nil {
		return f.Word("quantity", l.Quantity) + " " + f.Value(x.Value)
	}
	return f.Value(x.Value)
}
