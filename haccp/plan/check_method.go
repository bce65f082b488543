package plan

import (
	"fmt"
	"slices"

	"linewarden/haccp/quantity"
)

// asCl2 is the only thing "ppm" may stand for (field kits and photometers: mg/L as Cl2 by volume).
const asCl2 = "mg/L as Cl2"

// methods checks methods and instruments for themselves.
func (c *checker) methods() {
	for i, m := range c.p.Methods {
		c.method(fmt.Sprintf("methods[%d]", i), m)
	}
	for i, in := range c.p.Instruments {
		path := fmt.Sprintf("instruments[%d].methods", i)
		if len(in.Methods) == 0 {
			c.add(path, "name what it is used for", "the instrument %q has no method", in.ID)
		}
		c.refs(path, "method", in.Methods, c.methodAt)
		if in.Probe != nil {
			c.probe(fmt.Sprintf("instruments[%d].probe", i), in)
		}
	}
}

// probe refuses averaging and waiting without a basis, and a wait longer than the interval of a check that the
// probe serves: a hand test as often would see it sooner.
func (c *checker) probe(path string, in Instrument) {
	if in.Probe.Averaging.IsZero() {
		c.add(path+".averaging", `write the length of time, such as "60 s"`, "the time over which the probe %q averages is missing", in.ID)
	}
	c.basis(path, "the averaging and waiting of the probe", Limit{Kind: Critical, Basis: in.Probe.Basis})
	for _, ch := range c.p.Checks {
		every := ch.Schedule.Every.Std()
		serves := slices.ContainsFunc(ch.Measures, func(m Measure) bool {
			return slices.ContainsFunc(in.Methods, func(id string) bool {
				at, ok := c.methodAt[id]
				return ok && c.p.Methods[at].Quantity == m.Quantity
			})
		})
		if serves && every > 0 && in.Probe.OutsideFor.Std() > every {
			c.add(path+".outside_for", "write no more than "+ch.Schedule.Every.String(), "the probe may be outside for longer than the interval of the check %q", ch.ID)
		}
	}
}

func (c *checker) method(path string, m Method) {
	q := c.quantity(path+".quantity", m.Quantity)
	if q == nil {
		return
	}
	if q.Computed() {
		c.add(path+".quantity", "name the quantities it is computed from", "%s is computed, no method measures it", q.Name())
		return
	}
	if q.IsYesNo() {
		if m.Unit != "" || m.Low != nil || m.High != nil || m.Step != nil {
			c.add(path, "take unit, low, high and step out", "a yes/no method has no unit, range or step")
		}
		return
	}
	c.methodUnit(path, q, m)
	if m.Low == nil || m.High == nil || m.Step == nil {
		c.add(path, "give low, high and step as the maker states them", "the method %q does not say its range and step, so it cannot be held against a limit", m.ID)
	}
	if m.Low != nil && m.High != nil && m.Low.Cmp(*m.High) >= 0 {
		c.add(path+".low", "let low be below high", "low %s is not below high %s", m.Low, m.High)
	}
	if m.Step != nil && m.Step.Sign() <= 0 {
		c.add(path+".step", "write the smallest difference it shows", "a step of %s shows nothing", m.Step)
	}
}

func (c *checker) methodUnit(path string, q *quantity.Quantity, m Method) {
	unit := quantity.Unit(m.Unit)
	if !c.unit(path+".unit", q, unit, true) {
		return
	}
	switch {
	case m.PPMMeans != "" && m.PPMMeans != asCl2:
		c.add(path+".ppm_means", fmt.Sprintf("write %q, or convert before typing in", asCl2), "%q is not taken as the meaning of ppm", m.PPMMeans)
	case m.PPMMeans != "" && !q.HasUnit(quantity.PPM):
		c.add(path+".ppm_means", "take it out", "%s is not given in ppm", q.Name())
	case q.MethodDeclared(unit) && m.PPMMeans == "":
		c.add(path+".ppm_means", fmt.Sprintf("write %q", asCl2), "the method shows %s but does not say what it stands for", m.Unit)
	}
}

// served is a limit that a measure of a check serves.
type served struct {
	point Point
	limit Limit
}

// separation checks that the methods of a measure can tell inside from outside at each bound of the limits
// it serves.
//
// A method separates a bound when its range reaches beyond the bound to the outside (for a min: below it,
// for a max: above it) and takes the bound in, and when its step is at most a quarter of the room that the
// plan leaves there: the gap between the operating and the critical bound of that side, or, where there is
// no such pair, the way from the bound to the outer end of the range; and never more than a quarter of the
// way from min to max. The quarter is common practice, no source.
//
// Each bound needs one method that separates it. A method that reaches a bound but is too coarse for it,
// or that reaches none, is refused even beside a good one, since nothing keeps a person from using it.
func (c *checker) separation(path string, m Measure, all []served) {
	q, err := quantity.Get(quantity.ID(m.Quantity))
	if err != nil || q.IsYesNo() || q.Computed() {
		return
	}
	reaches := map[string]bool{}
	bounds := 0
	for _, s := range all {
		for _, b := range []bound{{"min", s.limit.Min}, {"max", s.limit.Max}} {
			if b.amount != nil && q.HasUnit(quantity.Unit(b.amount.Unit)) && !q.MethodDeclared(quantity.Unit(b.amount.Unit)) {
				bounds++
				c.separate(path, q, m, s, b, reaches)
			}
		}
	}
	for i, id := range m.Methods {
		if at, ok := c.methodAt[id]; ok && bounds > 0 && !reaches[id] && c.p.Methods[at].Quantity == m.Quantity {
			c.add(fmt.Sprintf("%s.methods[%d]", path, i), "take it out; for diluted samples give a method of its own with the range after dilution",
				"the range of method %q reaches no bound of the limits this check serves", id)
		}
	}
}

// separate holds every method of a measure against one bound and notes which reach it.
func (c *checker) separate(path string, q *quantity.Quantity, m Measure, s served, b bound, reaches map[string]bool) {
	reached, known := false, len(m.Methods) == 0
	for i, id := range m.Methods {
		at, ok := c.methodAt[id]
		if !ok || c.p.Methods[at].Quantity != m.Quantity {
			continue // Reported with the measure.
		}
		known = true
		if c.reach(fmt.Sprintf("%s.methods[%d]", path, i), q, c.p.Methods[at], s, b) {
			reaches[id], reached = true, true
		}
	}
	if known && !reached {
		c.add(path+".methods", "add a method whose range takes in the bound and goes beyond it",
			"no method of this check separates %s %s of limit %q at point %q", b.name, b.amount, s.limit.ID, s.point.ID)
	}
}

// reach reports whether the range of a method takes in a bound; a step too coarse there is a fault.
func (c *checker) reach(path string, q *quantity.Quantity, m Method, s served, b bound) bool {
	if m.Low == nil || m.High == nil || m.Step == nil || m.Low.Cmp(*m.High) >= 0 {
		return true // Reported with the method.
	}
	at, err := inUnit(q, *b.amount, m.Unit)
	if err != nil {
		c.addFirst(path, "use a method in a unit that converts", "the method %q cannot be held against limit %q: %v", m.ID, s.limit.ID, err)
		return true
	}
	if !covers(m, at, b.name) {
		return false
	}
	for _, room := range c.rooms(q, m, s, b, at) {
		if !quarter(room, *m.Step) {
			c.addFirst(path, "use a finer method", "the step %s of method %q is more than a quarter of the %s %s that %s %s of limit %q leaves",
				m.Step, m.ID, room, m.Unit, b.name, b.amount, s.limit.ID)
			break
		}
	}
	return true
}

// covers reports whether a range holds the bound and reaches beyond it to the outside.
func covers(m Method, at quantity.Decimal, side string) bool {
	low, high := at.Cmp(*m.Low), at.Cmp(*m.High)
	if side == "min" {
		return low > 0 && high <= 0
	}
	return low >= 0 && high < 0
}

// rooms lists the lengths, in the unit of the method, that its step has to divide.
func (c *checker) rooms(q *quantity.Quantity, m Method, s served, b bound, at quantity.Decimal) []quantity.Decimal {
	var out []quantity.Decimal
	keep := func(a, b quantity.Decimal) {
		if d, err := a.Sub(b); err == nil && !d.IsZero() {
			if d.Sign() < 0 {
				d = d.Neg()
			}
			out = append(out, d)
		}
	}
	for _, other := range s.point.Limits {
		if other.Quantity != s.limit.Quantity || !pair(s.limit.Kind, other.Kind) {
			continue
		}
		facing := other.Min
		if b.name == "max" {
			facing = other.Max
		}
		if facing != nil {
			if v, err := inUnit(q, *facing, m.Unit); err == nil {
				keep(v, at)
			}
		}
	}
	if len(out) == 0 && b.name == "min" {
		keep(at, *m.Low)
	} else if len(out) == 0 {
		keep(*m.High, at)
	}
	if l := s.limit; l.Min != nil && l.Max != nil {
		low, err1 := inUnit(q, *l.Min, m.Unit)
		high, err2 := inUnit(q, *l.Max, m.Unit)
		if err1 == nil && err2 == nil {
			keep(high, low)
		}
	}
	return out
}

func pair(a, b LimitKind) bool {
	return a == Critical && b == Operating || a == Operating && b == Critical
}

// quarter reports whether four steps fit into room.
func quarter(room, step quantity.Decimal) bool {
	two, err := step.Add(step)
	if err != nil {
		return false
	}
	four, err := two.Add(two)
	return err == nil && four.Cmp(room) <= 0
}

// inUnit states an amount in another unit, to six decimals where it has to be converted.
func inUnit(q *quantity.Quantity, a Amount, unit string) (quantity.Decimal, error) {
	if a.Unit == unit {
		return a.Value, nil
	}
	return q.Convert(a.Value, quantity.Unit(a.Unit), quantity.Unit(unit), 6)
}

// addFirst adds a fault unless one stands at its path already: a method that is too coarse for one bound is
// exchanged, and need not be named again for the next.
func (c *checker) addFirst(path, fix, format string, args ...any) {
	if !slices.ContainsFunc(c.found, func(p Problem) bool { return p.Path == path }) {
		c.add(path, fix, format, args...)
	}
}
