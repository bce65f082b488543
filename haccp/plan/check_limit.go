package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/quantity"
)

// points checks the control points and their limits.
func (c *checker) points() {
	for i, pt := range c.p.Points {
		path := fmt.Sprintf("points[%d]", i)
		if !knownClass(pt.Class) {
			c.add(path+".class", "write ccp, oprp, sanitation or quality", "the class %q is not known", pt.Class)
		}
		if pt.Step != "" {
			c.ref(path+".step", "step", pt.Step, c.stepAt)
		}
		if len(pt.Places) == 0 {
			c.add(path+".places", "name at least one", "the point %q has no place", pt.ID)
		}
		c.refs(path+".places", "place", pt.Places, c.placeAt)
		c.refs(path+".fixes", "fix", pt.Fixes, c.fixAt)
		if pt.Ends.InsideInRow < 0 || pt.Ends.InsideInRow > 100 {
			c.add(path+".ends.inside_in_row", "write 1 to 100, or leave it out", "%d readings in a row cannot be asked for", pt.Ends.InsideInRow)
		}
		c.limits(path, pt)
		c.clock(path, &pt)
		c.advice(path, pt)
	}
}

// advice warns of what a point works without, but should have.
func (c *checker) advice(path string, pt Point) {
	const step10 = "Codex CXC 1-1969, step 10 (corrective actions)"
	if len(pt.Fixes) == 0 {
		c.warn(path, step10, "list the immediate fixes to offer", "the point %q has no fix", pt.ID)
	}
	if strings.TrimSpace(pt.Instructions) == "" {
		c.warn(path, step10, "say what to do when a reading is outside", "the point %q has no instructions", pt.ID)
	}
}

func (c *checker) limits(path string, pt Point) {
	c.limitIDs(path, pt)
	if len(pt.Limits) == 0 {
		c.add(path+".limits", "give at least one", "the point %q has no limit", pt.ID)
		return
	}
	critical := false
	for i, l := range pt.Limits {
		under := fmt.Sprintf("%s.limits[%d]", path, i)
		critical = critical || l.Kind == Critical
		c.limitKind(under, pt, l)
		c.bounds(under, l)
		c.basis(under, "the critical limit", l)
		c.limitInstrument(under, l)
		switch l.Kind {
		case Operating:
			c.insideCritical(under, pt, l)
		case Critical:
			c.operatingBeside(under, pt, l)
		}
		if l.Computed() {
			c.computed(under, pt, l)
		}
	}
	if pt.Class == CCP && !critical {
		c.add(path+".limits", "give at least one limit of kind critical", "the point %q is a CCP without a critical limit", pt.ID)
	}
}

// computed sees that a limit on hypochlorous acid has a pH limit beside it, and that its places have a pH floor.
func (c *checker) computed(path string, pt Point, l Limit) {
	if !hasLimit(pt, quantity.PH) {
		c.add(path, "add a limit on ph to this point", "a limit on hypochlorous acid needs a pH limit beside it")
	}
	for _, id := range pt.Places {
		if at, ok := c.placeAt[id]; ok && c.p.Places[at].PHFloor == nil {
			c.add(path, fmt.Sprintf(`give the place %q a ph_floor, such as "6.0 pH", never under the product label's`, id),
				"below which pH the hypochlorous acid at %q judges nothing is not said", id)
		}
	}
}

func (c *checker) limitIDs(path string, pt Point) {
	first := map[string]int{}
	for i, l := range pt.Limits {
		under := fmt.Sprintf("%s.limits[%d].id", path, i)
		c.id(under, l.ID)
		if at, seen := first[l.ID]; seen && l.ID != "" {
			c.add(under, "give each its own id", "the id %q is taken by limits[%d] of this point", l.ID, at)
			continue
		}
		first[l.ID] = i
	}
}

func hasLimit(pt Point, q quantity.ID) bool {
	return slices.ContainsFunc(pt.Limits, func(l Limit) bool { return quantity.ID(l.Quantity) == q })
}

// limitKind sees that the kind of limit fits the class of its point.
func (c *checker) limitKind(path string, pt Point, l Limit) {
	switch {
	case !slices.Contains([]LimitKind{Critical, Operating, Action}, l.Kind):
		c.add(path+".kind", "write critical, operating or action", "the kind of limit %q is not known", l.Kind)
	case pt.Class == CCP && l.Kind == Action:
		c.add(path+".kind", "write critical or operating", "a CCP has no action criterion")
	case pt.Class != CCP && knownClass(pt.Class) && l.Kind != Action:
		c.add(path+".kind", "write action", "a point of class %q has action criteria, not a limit of kind %q", pt.Class, l.Kind)
	}
}

// bounds checks quantity, units, ranges and the order of the bounds.
func (c *checker) bounds(path string, l Limit) {
	q := c.quantity(path+".quantity", l.Quantity)
	if q == nil {
		return
	}
	if q.IsYesNo() {
		c.yesNo(path, l)
		return
	}
	if l.YesNo != nil {
		c.add(path+".yes_no", "give min or max with its unit", "%s is a number, not answered with yes or no", q.Name())
	}
	if l.Min == nil && l.Max == nil {
		if l.YesNo == nil {
			c.add(path, `give min, max or both, from your validation, such as min: "… `+string(q.DefaultUnit())+`"`, "the limit on %s has no bound", q.Name())
		}
		return
	}
	good := true
	for _, b := range []bound{{"min", l.Min}, {"max", l.Max}} {
		good = (b.amount == nil || c.bound(path+"."+b.name, q, *b.amount)) && good
	}
	if !good {
		return
	}
	if l.Min != nil && l.Max != nil {
		order, err := q.Compare(l.Min.Value, quantity.Unit(l.Min.Unit), l.Max.Value, quantity.Unit(l.Max.Unit))
		if err != nil {
			c.add(path+".max", "give both bounds in one unit", "min and max cannot be compared: %v", err)
		} else if order > 0 {
			c.add(path+".min", "let min be no more than max", "min %s is above max %s", l.Min, l.Max)
		}
	}
	c.guard(path, l)
}

// bound is one side of a limit.
type bound struct {
	name   string // "min" or "max"
	amount *Amount
}

// bound checks one amount of a limit, which may not be in a unit that only a method explains.
func (c *checker) bound(path string, q *quantity.Quantity, a Amount) bool {
	if q.MethodDeclared(quantity.Unit(a.Unit)) {
		c.add(path, fmt.Sprintf("write it in %s", q.DefaultUnit()), "%s in a limit leaves open what it stands for", a.Unit)
		return false
	}
	return c.amount(path, q.ID(), a)
}

// guard checks the guard band: in the unit of the bounds, not negative, and narrower than the limit.
func (c *checker) guard(path string, l Limit) {
	if l.GuardBand == nil {
		return
	}
	g := l.GuardBand.Value
	for _, a := range []*Amount{l.Min, l.Max} {
		if a != nil && a.Unit != l.GuardBand.Unit {
			c.add(path+".guard_band", "write it in "+a.Unit, "the guard band is in %q, its bound in %q", l.GuardBand.Unit, a.Unit)
			return
		}
	}
	if g.Sign() < 0 {
		c.add(path+".guard_band", "write the uncertainty as a positive number", "a guard band cannot be negative")
		return
	}
	if l.Min == nil || l.Max == nil {
		return
	}
	twice, err := g.Add(g)
	if err == nil {
		twice, err = twice.Add(l.Min.Value)
	}
	if err != nil || twice.Cmp(l.Max.Value) > 0 {
		c.add(path+".guard_band", "use a finer instrument or a wider limit", "the guard band leaves nothing between min and max")
	}
}

func (c *checker) yesNo(path string, l Limit) {
	if l.YesNo == nil {
		c.add(path, "write yes_no: true or yes_no: false", "the answer that is inside is missing")
	}
	if l.Min != nil || l.Max != nil {
		c.add(path, "take min and max out", "a yes/no quantity has no bounds")
	}
	if l.Kind == Critical || l.Kind == Operating {
		c.add(path+".quantity", "measure it, or make the point an OPRP (ISO 22000:2018, 8.5.4)",
			"the limit of a CCP is a number with its unit, not yes or no")
	}
}

// quantity finds the quantity of a name, or reports that there is none.
func (c *checker) quantity(path, name string) *quantity.Quantity {
	q, err := quantity.Get(quantity.ID(name))
	if err == nil {
		return q
	}
	ids := make([]string, 0, len(quantity.All()))
	for _, known := range quantity.All() {
		ids = append(ids, string(known.ID()))
	}
	c.add(path, "one of "+strings.Join(ids, ", "), "there is no quantity %q", name)
	return nil
}

// amount checks that an amount has a unit of its quantity and lies in its physical range.
func (c *checker) amount(path string, id quantity.ID, a Amount) bool {
	q, err := quantity.Get(id)
	if err != nil {
		return false
	}
	if q.IsYesNo() {
		c.add(path, "take it out", "%s has no amounts", q.Name())
		return false
	}
	unit := quantity.Unit(a.Unit)
	if !c.unit(path, q, unit, false) {
		return false
	}
	low, high, base, err := q.Range(unit)
	if err != nil {
		c.add(path, "", "%v", err)
		return false
	}
	below, err1 := q.Compare(a.Value, unit, low, base)
	above, err2 := q.Compare(a.Value, unit, high, base)
	if err1 != nil || err2 != nil || below < 0 || above > 0 {
		c.add(path, fmt.Sprintf("%s lies between %s and %s %s", q.Name(), low, high, base), "%s cannot be", a)
		return false
	}
	return true
}

// unit checks that a quantity has a unit; shown tells whether it is what an instrument shows, which may be
// ppm where the method says what it stands for.
func (c *checker) unit(path string, q *quantity.Quantity, unit quantity.Unit, shown bool) bool {
	if q.HasUnit(unit) {
		return true
	}
	names := make([]string, 0, len(q.Units()))
	for _, u := range q.Units() {
		if shown || !q.MethodDeclared(u) {
			names = append(names, string(u))
		}
	}
	fix := "one of " + strings.Join(names, ", ")
	if u, ok := quantity.ParseUnit(string(unit)); ok && q.HasUnit(u) {
		fix = fmt.Sprintf("did you mean %q?", string(u))
	}
	if unit == "" {
		c.add(path, fix, "the unit of %s is missing", q.Name())
	} else {
		c.add(path, fix, "%q is no unit of %s", string(unit), q.Name())
	}
	return false
}

// maxValidation is how long after first production a limit may rest on a validation that still runs.
// src: cfr21-117-160 (b)(1)(ii): within 90 calendar days after production of the food first begins.
const maxValidation = 90 * 24 * time.Hour

// basis checks what a limit, or what is named, rests on.
func (c *checker) basis(path, what string, l Limit) {
	b := l.Basis
	if b.Invented && !c.p.Demo {
		c.add(path+".basis.invented", "give source and validation, or write demo: true for a demo or test site",
			"an invented limit is taken only in a plan marked demo")
	}
	if b.ValidationUntil != "" {
		c.validationUntil(path, b)
	}
	if l.Kind != Critical || b.Invented || b.ValidationUntil != "" {
		return
	}
	switch {
	case b.Source == "" && b.Validation == "":
		c.add(path+".basis", "give source and validation, or validation_until", "%s has no basis", what)
	case b.Source == "":
		c.add(path+".basis.source", "name the published source beside the validation", "the basis names no published source")
	case b.Validation == "":
		c.add(path+".basis.validation", "name the report of your validation, or give validation_until", "the basis names no validation of this plant")
	}
}

func (c *checker) validationUntil(path string, b Basis) {
	first, ok := c.p.FirstProduction.Time()
	if !ok {
		c.add(path+".basis.validation_until", "give first_production at the top of the plan",
			"without the date of first production the 90 days of validation cannot be counted")
		return
	}
	if until, ok := b.ValidationUntil.Time(); ok && until.Sub(first) > maxValidation {
		c.add(path+".basis.validation_until", "write "+first.Add(maxValidation).Format(time.DateOnly)+" or earlier",
			"validation until %s is more than 90 days after first production on %s", b.ValidationUntil, c.p.FirstProduction)
	}
}

func (c *checker) limitInstrument(path string, l Limit) {
	if l.Instrument == "" {
		return
	}
	at, ok := c.instrumentAt[l.Instrument]
	if !ok {
		c.ref(path+".instrument", "instrument", l.Instrument, c.instrumentAt)
		return
	}
	if l.Computed() {
		c.add(path+".instrument", "name instruments at the limits on its inputs", "no instrument shows a computed value")
		return
	}
	for _, id := range c.p.Instruments[at].Methods {
		if m, ok := c.methodAt[id]; ok && c.p.Methods[m].Quantity == l.Quantity {
			return
		}
	}
	c.add(path+".instrument", "name an instrument with a method for it", "the instrument %q has no method for %s", l.Instrument, l.Quantity)
}

// insideCritical sees that an operating limit leaves room to act before each critical limit on the same
// quantity of its point.
func (c *checker) insideCritical(path string, pt Point, op Limit) {
	found := false
	for _, crit := range pt.Limits {
		if crit.Kind != Critical || crit.Quantity != op.Quantity {
			continue
		}
		found = true
		c.ordered(path+".min", op.Quantity, op.Min, crit.Min, 1, "below the critical min")
		c.ordered(path+".max", op.Quantity, op.Max, crit.Max, -1, "above the critical max")
		c.ordered(path+".min", op.Quantity, op.Min, crit.Max, -1, "above the critical max")
		c.ordered(path+".max", op.Quantity, op.Max, crit.Min, 1, "below the critical min")
		if (op.Min != nil || op.Max != nil) && sameSide(op.Quantity, op.Min, crit.Min) && sameSide(op.Quantity, op.Max, crit.Max) {
			c.add(path, "make it tighter", "the operating limit is the critical limit %q again and leaves no room to act", crit.ID)
		}
	}
	if !found && !op.Computed() {
		c.add(path, "add the critical limit, or make it an action criterion of a point of another class",
			"the operating limit on %s has no critical limit beside it", op.Quantity)
	}
}

// ordered reports a bound of an operating limit that lies on the wrong side of a critical one; want is the
// sign of a-b that is right. Bounds with a unit at fault are reported where the bound itself is checked.
func (c *checker) ordered(path, id string, a, b *Amount, want int, wrong string) {
	if a == nil || b == nil {
		return
	}
	if sign, err := compare(id, *a, *b); err == nil && sign == -want {
		c.add(path, "operating limits lie inside the critical ones", "%s is %s of %s", a, wrong, b)
	}
}

// sameSide reports whether two bounds are the same number, or both missing.
func sameSide(id string, a, b *Amount) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	sign, err := compare(id, *a, *b)
	return err == nil && sign == 0
}

// compare gives the sign of a-b, over units.
func compare(id string, a, b Amount) (int, error) {
	q, err := quantity.Get(quantity.ID(id))
	if err != nil {
		return 0, err
	}
	return q.Compare(a.Value, quantity.Unit(a.Unit), b.Value, quantity.Unit(b.Unit))
}

// operatingBeside warns where nothing asks to act before a critical limit is left.
func (c *checker) operatingBeside(path string, pt Point, crit Limit) {
	for _, l := range pt.Limits {
		if l.Kind == Operating && l.Quantity == crit.Quantity {
			return
		}
	}
	c.warn(path, noSource, "add a tighter limit of kind operating",
		"the critical limit on %s has no operating limit beside it, so the first sign of drift is a deviation", crit.Quantity)
}
