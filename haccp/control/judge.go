package control

import (
	"math"
	"slices"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Why a verdict reads as it does: the codes of Verdict.Reason.
const (
	ReasonNotMeasured   = "not-measured"    // the check measures the quantity, this reading did not
	ReasonNoFormula     = "no-formula-yet"  // a computed value without a formula in this version
	ReasonOverRange     = "over-range"      // over the method's range, so not inside an upper bound by number
	ReasonNeedsDilution = "needs-dilution"  // the method's range ends below the lower bound
	ReasonNotNumber     = "not-a-number"    // yes/no where a number is judged, or the other way round
	ReasonNoBound       = "no-bound"        // the limit has nothing to judge by
	ReasonUnit          = "unit-no-convert" // the units do not convert into one another
	ReasonGuardBand     = "guard-band"      // inside the bound as written, but within its guard band

	// Why a value could not be computed from the entries of its sample.
	ReasonMissingInput   = "missing-input"   // an input was not measured on this sample
	ReasonInputNoNumber  = "input-no-number" // an input was read below or over its range, or as a band
	ReasonMethod         = "method-invalid"  // an input's method is not the plan's, or its range was left
	ReasonBelowFloor     = "below-ph-floor"  // the pH lies below the plan's floor
	ReasonOutsideFormula = "outside-formula" // an input lies outside the range of the formula
)

// Measured is one quantity of a reading, ready to be judged.
type Measured struct {
	Quantity   string         `json:"quantity"`
	Value      quantity.Value `json:"value"`
	Instrument string         `json:"instrument,omitempty"`
	Method     string         `json:"method,omitempty"`
	Diluted    bool           `json:"diluted,omitempty"`
	Reason     string         `json:"reason,omitempty"` // why a computed quantity has no value
}

// Judge gives one verdict for every limit of every point that the check serves and that holds at the
// place, in the order of the plan. A limit whose quantity the check measures but this reading lacks is
// not evaluated; one on a quantity foreign to both gets no verdict. A limit on a computed value is judged
// by the entry computed from this sample; without one it is not evaluated. Where the reading holds several entries of one quantity the worst verdict stands.
//
// Bounds are inclusive and compared exactly; a guard band narrows them (a lower bound is raised, an
// upper one lowered).
func Judge(p *plan.Plan, check *plan.Check, place string, entries []Measured) []Verdict {
	n := 0
	for i := range p.Points {
		if pt := &p.Points[i]; serves(check, pt, place) {
			n += len(pt.Limits)
		}
	}
	if n == 0 {
		return nil
	}
	out := make([]Verdict, 0, n)
	for i := range p.Points {
		pt := &p.Points[i]
		if !serves(check, pt, place) {
			continue
		}
		for j := range pt.Limits {
			if v, ok := judgeLimit(&pt.Limits[j], check, entries); ok {
				v.Point = pt.ID
				out = append(out, v)
			}
		}
	}
	if len(out) == 0 {
		return nil
	}
	return out
}

func serves(check *plan.Check, pt *plan.Point, place string) bool {
	return slices.Contains(check.Points, pt.ID) && slices.Contains(pt.Places, place)
}

func judgeLimit(l *plan.Limit, check *plan.Check, entries []Measured) (Verdict, bool) {
	v := Verdict{Kind: l.Kind, Limit: l.ID, Verdict: NotEvaluated}
	found := false
	for i := range entries {
		if l.Computed() && entries[i].Quantity == l.Quantity && entries[i].Reason != "" {
			v.Reason = entries[i].Reason
			return v, true
		}
		if entries[i].Quantity != l.Quantity || entries[i].Value.IsZero() {
			continue
		}
		next := judgeEntry(l, entries[i].Value)
		if !found || rank(next.Verdict) > rank(v.Verdict) {
			v = next
		}
		found = true
	}
	if found {
		return v, true
	}
	if l.Computed() {
		v.Reason = ReasonNoFormula
		return v, true
	}
	v.Reason = ReasonNotMeasured
	return v, slices.ContainsFunc(check.Measures, func(m plan.Measure) bool { return m.Quantity == l.Quantity })
}

func judgeEntry(l *plan.Limit, value quantity.Value) Verdict {
	v := Verdict{Kind: l.Kind, Limit: l.ID, Value: value.String(), Verdict: NotEvaluated}
	out := Outside
	if l.Kind == plan.Operating {
		out = Act
	}
	if l.YesNo != nil {
		yes, ok := value.Yes()
		switch {
		case !ok:
			v.Reason = ReasonNotNumber
		case yes == *l.YesNo:
			v.Verdict = Inside
		default:
			v.Verdict = out
		}
		return v
	}
	q, err := quantity.Get(quantity.ID(l.Quantity))
	if err != nil {
		v.Reason = ReasonUnit
		return v
	}
	low, high := bound(q, l.Min), bound(q, l.Max)
	if l.GuardBand != nil {
		if low, high, err = guarded(q, l); err != nil {
			v.Reason = ReasonUnit
			return v
		}
	}
	switch f := q.Judge(value, low, high); {
	case f.In():
		v.Verdict = Inside
	case f.Decided():
		v.Verdict, v.Reason = out, outReason(q, l, value, f)
	default:
		v.Reason = openReason(f)
	}
	return v
}

// outReason tells the outsides that need a word: over range, and inside but for the guard band.
func outReason(q *quantity.Quantity, l *plan.Limit, value quantity.Value, f quantity.Finding) string {
	if f == quantity.OverRange {
		return ReasonOverRange
	}
	if l.GuardBand != nil && q.Judge(value, bound(q, l.Min), bound(q, l.Max)).In() {
		return ReasonGuardBand
	}
	return ""
}

func openReason(f quantity.Finding) string {
	switch f {
	case quantity.NeedsDilution:
		return ReasonNeedsDilution
	case quantity.NoBound:
		return ReasonNoBound
	case quantity.NoWay:
		return ReasonUnit
	}
	return ReasonNotNumber
}

// bound reads a plan's amount as a bound; an empty unit stands for the quantity's own.
func bound(q *quantity.Quantity, a *plan.Amount) *quantity.Bound {
	if a == nil {
		return nil
	}
	u := quantity.Unit(a.Unit)
	if u == "" {
		u = q.DefaultUnit()
	}
	return &quantity.Bound{Value: a.Value, Unit: u}
}

// guarded returns the bounds of a limit, narrowed by its guard band.
func guarded(q *quantity.Quantity, l *plan.Limit) (low, high *quantity.Bound, err error) {
	low, high = bound(q, l.Min), bound(q, l.Max)
	guard := bound(q, l.GuardBand)
	if low != nil {
		g, err := difference(q, guard, low.Unit)
		if err != nil {
			return nil, nil, err
		}
		if low.Value, err = low.Value.Add(g); err != nil {
			return nil, nil, err
		}
	}
	if high != nil {
		g, err := difference(q, guard, high.Unit)
		if err != nil {
			return nil, nil, err
		}
		if high.Value, err = high.Value.Sub(g); err != nil {
			return nil, nil, err
		}
	}
	return low, high, nil
}

// difference states a guard band in the unit of a bound. A band of temperature is a difference, which
// the zero of the scale does not touch.
func difference(q *quantity.Quantity, guard *quantity.Bound, to quantity.Unit) (quantity.Decimal, error) {
	if guard.Unit == to {
		return guard.Value, nil
	}
	if q.ID() == quantity.Temperature {
		var err error
		if q, err = quantity.Get(quantity.TemperatureDifference); err != nil {
			return quantity.Decimal{}, err
		}
	}
	return q.Convert(guard.Value, guard.Unit, to, 6)
}

// Plausible names the quantities, in the order of the entries, whose value lies outside the plan's
// plausible range for the check. Such a value is stored and judged as typed, and asked for again.
func Plausible(check *plan.Check, entries []Measured) []string {
	var odd []string
	for i := range entries {
		e := &entries[i]
		for j := range check.Measures {
			m := &check.Measures[j]
			if m.Quantity == e.Quantity && m.Plausible != nil && !within(m.Plausible, e) && !slices.Contains(odd, e.Quantity) {
				odd = append(odd, e.Quantity)
			}
		}
	}
	return odd
}

func within(r *plan.Range, e *Measured) bool {
	q, err := quantity.Get(quantity.ID(e.Quantity))
	if err != nil {
		return true // refused for form elsewhere
	}
	value := e.Value
	if d, ok := value.Number(); ok && value.Kind() == quantity.KindAbove {
		value = quantity.Exact(d, value.Unit()) // "over 20" is implausible where 20 is
	}
	f := q.Judge(value, bound(q, r.Min), bound(q, r.Max))
	return f.In() || !f.Decided()
}

// overRange stands for the distance of a value over the range of its method: farther than any number.
const overRange = 1e18

// MarksOf turns the recorded verdicts of one point into the marks of a sample. It looks at critical
// limits and action criteria that were evaluated, and never judges again: the plan and the entries
// serve only to tell how far outside a value lay (Mark.Off) and which instrument counts. usable says
// whether the reading may bound a span of that limit (RULES 5.1); for a limit that the plan lacks it
// is given the id and kind alone.
func MarksOf(p *plan.Plan, point string, vs []Verdict, entries func() []Measured, usable func(limit *plan.Limit) bool) []Mark {
	var marks []Mark
	for i := range vs {
		v := &vs[i]
		counts := v.Kind == plan.Critical || v.Kind == plan.Action
		if v.Point != point || !counts || v.Verdict != Inside && v.Verdict != Outside {
			continue
		}
		l := FindLimit(p, point, v.Limit)
		if l == nil {
			l = &plan.Limit{ID: v.Limit, Kind: v.Kind}
		}
		m := Mark{Limit: v.Limit, Outside: v.Verdict == Outside, Usable: usable(l), Value: v.Value}
		if m.Outside {
			m.Off = off(l, *v, entries())
		}
		marks = append(marks, m)
	}
	return marks
}

// FindLimit returns the limit of a point, or nil.
func FindLimit(p *plan.Plan, point, limit string) *plan.Limit {
	if p == nil {
		return nil
	}
	for i := range p.Points {
		if p.Points[i].ID != point {
			continue
		}
		for j := range p.Points[i].Limits {
			if p.Points[i].Limits[j].ID == limit {
				return &p.Points[i].Limits[j]
			}
		}
	}
	return nil
}

// off returns how far the worst entry lies beyond the bound as written, as a share of the bound (of 1
// where the bound is 0). It serves to pick the worst reading of an excursion and is no verdict.
func off(l *plan.Limit, v Verdict, entries []Measured) float64 {
	if v.Reason == ReasonOverRange {
		return overRange
	}
	q, err := quantity.Get(quantity.ID(l.Quantity))
	if err != nil || l.YesNo != nil {
		return 1
	}
	worst := 0.0
	for i := range entries {
		if entries[i].Quantity != l.Quantity {
			continue
		}
		low, high := entries[i].Value.Ends()
		u := entries[i].Value.Unit()
		if b := bound(q, l.Min); b != nil {
			worst = max(worst, share(q, b, low, u, -1))
		}
		if b := bound(q, l.Max); b != nil {
			worst = max(worst, share(q, b, high, u, 1))
		}
	}
	return min(worst, overRange)
}

// share is (value - bound) * sign / |bound|, never below 0.
func share(q *quantity.Quantity, b *quantity.Bound, d quantity.Decimal, u quantity.Unit, sign float64) float64 {
	if u != b.Unit {
		var err error
		if d, err = q.Convert(d, u, b.Unit, 6); err != nil {
			return 0
		}
	}
	gap := float64(sign * (d.Float64() - b.Value.Float64()))
	if !b.Value.IsZero() {
		gap /= math.Abs(b.Value.Float64())
	}
	return max(gap, 0)
}
