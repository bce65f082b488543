package floor

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// Dose says how much of a product one addition may be, by what was measured: for the filling, the product and the
// additions that the server knew, for one addition, and until a moment.
type Dose struct {
	Quantity   string      `json:"quantity"`
	Unit       string      `json:"unit"`
	Least      string      `json:"least"`  // below it there is no dose
	PHMin      string      `json:"ph_min"` // outside these there is no dose
	PHMax      string      `json:"ph_max"`
	Rows       [][2]string `json:"rows"` // measured up to, amount; rising. The amount is right for the upper end, so never too much
	AmountUnit string      `json:"amount_unit"`
	Product    string      `json:"product"`
	Procedure  string      `json:"procedure"`
	Until      time.Time   `json:"until"`
}

// Dosage is the answer for one reading, in words.
type Dosage struct {
	Add       string   // how much of what; "": nothing
	Lines     []string // what else is to be said
	NoDose    bool     // no amount was worked out
	Procedure string   // the written procedure, where it comes first
}

// dosing is what the plan and the state say about dosing a bath.
type dosing struct {
	request wash.DoseRequest // without the reading
	product plan.Chemical
	place   *plan.Place
	litres  string
	rests   string // on which strength, in words
}

// DosageOf works out the dose for a stored reading; nil where the plan says nothing about dosing there, or where the
// reading has no free chlorine.
func DosageOf(ctx context.Context, rec plant.Finder, f *frame.Frame, e *haccp.Event, r *haccp.Reading) (*Dosage, error) {
	place := frame.FindPlace(f.Plan, r.Place)
	check := frame.FindCheck(f.Plan, r.Check)
	if place == nil || check == nil || place.Dosing == nil || entryOf(r, quantity.FreeChlorine) == nil {
		return nil, nil
	}
	d, err := dosingOf(ctx, rec, f, check, place)
	if err != nil {
		return nil, err
	}
	q := d.request
	q.Reading = d.stored(f, e, r)
	if s := entryOf(r, quantity.Salt); s != nil {
		if v, ok := number(s, quantity.Salt, quantity.GramPerL); ok {
			q.Salt = wash.SaltGPerL(v)
		}
	}
	return d.words(f, wash.DoseForPlant(q)), nil
}

func entryOf(r *haccp.Reading, id quantity.ID) *haccp.Entry {
	for i := range r.Entries {
		if r.Entries[i].Quantity == string(id) {
			return &r.Entries[i]
		}
	}
	return nil
}

// places are the decimals that a conversion keeps.
const places = 6

// number gives an exact value in a unit.
func number(e *haccp.Entry, id quantity.ID, unit quantity.Unit) (float64, bool) {
	v := e.Result()
	if v.Kind() != quantity.KindExact {
		return 0, false
	}
	q, err := quantity.Get(id)
	if err != nil {
		return 0, false
	}
	end, _ := v.Ends()
	d, err := q.Convert(end, v.Unit(), unit, places)
	return d.Float64(), err == nil
}

// stored is the reading as the arithmetic wants it.
func (d *dosing) stored(f *frame.Frame, e *haccp.Event, r *haccp.Reading) wash.StoredReading {
	cl := entryOf(r, quantity.FreeChlorine)
	out := wash.StoredReading{Record: e.ID, Quantity: quantity.FreeChlorine, Dilution: 1, Age: f.Now.Sub(e.At), ExpectedMgPerL: d.request.Rules.TargetMgPerL}
	v, ok := number(cl, quantity.FreeChlorine, quantity.MgPerL)
	out.MgPerL, out.NoNumber = v, !ok
	if cl.Dilution != nil && cl.Dilution.Sample > 0 {
		out.Dilution = float64(cl.Dilution.Total) / float64(cl.Dilution.Sample)
	}
	out.Method = methodOf(f.Plan, cl.Method)
	if ph := entryOf(r, quantity.PH); ph != nil {
		out.PH, out.PHMeasured = number(ph, quantity.PH, "pH")
	}
	return out
}

func methodOf(p *plan.Plan, id string) wash.Method {
	i := slices.IndexFunc(p.Methods, func(m plan.Method) bool { return m.ID == id })
	if i < 0 || p.Methods[i].High == nil {
		return wash.Method{}
	}
	m := wash.Method{High: p.Methods[i].High.Float64()}
	if p.Methods[i].Low != nil {
		m.Low = p.Methods[i].Low.Float64()
	}
	return m
}

// dosingOf gathers all that a dose for a bath rests on beside the reading.
func dosingOf(ctx context.Context, rec plant.Finder, f *frame.Frame, check *plan.Check, place *plan.Place) (*dosing, error) {
	x := place.Dosing
	d := &dosing{place: place, litres: place.Volume.String()}
	for _, c := range f.Plan.Chemicals {
		if c.ID == x.Chemical {
			d.product = c
		}
	}
	q := &d.request
	q.Rules = wash.DoseRules{TargetMgPerL: in(quantity.FreeChlorine, x.Target, quantity.MgPerL), MaxAge: x.For.Std(), MixingTime: place.Mixing.Std(), Step: x.Step.Value.Float64(),
		MaxPerAddition: x.Most.Value.Float64(), RisePart: x.RisePart.Float64(), Procedure: x.Procedure,
		Tolerance: wash.Tolerance{Reading: x.Off.Reading.Float64(), Volume: x.Off.Volume.Float64(), Strength: x.Off.Strength.Float64(), Measure: x.Off.Measure.Float64()}}
	d.limits(f.Plan, check)
	// The working level of the plan stands for the level now; how far the water may stand below it is in the tolerance.
	q.Level = wash.MeasuredLevel{Measured: true, Litres: in(quantity.Volume, *place.Volume, quantity.Litre)}
	if c := d.product.Chlorine; c != nil {
		s, err := strengthOf(c)
		if err != nil {
			return nil, fmt.Errorf("strength of %s: %w", d.product.ID, err)
		}
		q.Lot = wash.ProductLot{ID: d.product.ID, Strength: s, ForProduce: true, LabelMaxMgPerL: in(quantity.FreeChlorine, c.LabelMax, quantity.MgPerL)}
		d.rests = f.T("dose.label", "strength", c.Strength.String(), "is", f.Word("strength", c.Is))
		d.lot(f)
	}
	return d, d.past(ctx, rec, f, check)
}

// lot takes the strength of the lot that went into the bath last, as it was stated last: what is lost in storage since
// makes the dose smaller than needed, never larger.
func (d *dosing) lot(f *frame.Frame) {
	for _, a := range slices.Backward(f.State.BathLog(d.place.ID)) {
		if a.Kind != haccp.KindAdded || a.Body == nil || a.Body.Chemical != d.product.ID || a.Body.MaterialLot == "" {
			continue
		}
		lot, known := f.State.MaterialLot(a.Body.MaterialLot)
		if !known || lot.Strength() == nil {
			return
		}
		if s, err := lot.Strength().Product(); err == nil && s.Unit() == d.request.Lot.Strength.Unit() {
			d.request.Lot.ID, d.request.Lot.Strength = a.Body.MaterialLot, s
			d.rests = f.T("dose.lot", "lot", a.Body.MaterialLot, "strength", lot.Strength().Value.String(), "on", string(lot.Strength().On))
		}
		return
	}
}

// in gives an amount in a unit; 0, which no dose is worked out from, where it does not convert.
func in(id quantity.ID, a plan.Amount, unit quantity.Unit) float64 {
	q, err := quantity.Get(id)
	if err != nil {
		return 0
	}
	d, err := q.Convert(a.Value, quantity.Unit(a.Unit), unit, places)
	if err != nil {
		return 0
	}
	return d.Float64()
}

func strengthOf(c *plan.ChlorineProduct) (wash.Strength, error) {
	s := c.Strength.Float64()
	if c.Is == plan.GranularPercent {
		return wash.Granular(s)
	}
	g := c.Gravity.Float64()
	switch c.Is {
	case plan.TradePercent:
		return wash.TradePercent(s, g)
	case plan.AvailablePercent:
		return wash.AvailablePercent(s, g)
	case plan.NaOClPercent:
		return wash.NaOClPercent(s, g)
	}
	return wash.ChlorometricDegrees(s, g)
}

// limits takes the highest free chlorine and the window of pH from the limits that are no operating limits.
func (d *dosing) limits(p *plan.Plan, check *plan.Check) {
	r := &d.request.Rules
	for i := range p.Points {
		pt := &p.Points[i]
		if !slices.Contains(check.Points, pt.ID) || !slices.Contains(pt.Places, d.place.ID) {
			continue
		}
		for _, l := range pt.Limits {
			switch {
			case l.Kind == plan.Operating:
			case l.Quantity == string(quantity.FreeChlorine) && l.Max != nil:
				r.CriticalMaxMgPerL = in(quantity.FreeChlorine, *l.Max, quantity.MgPerL)
			case l.Quantity == string(quantity.PH) && l.Min != nil && l.Max != nil:
				r.PHMin, r.PHMax = l.Min.Value.Float64(), l.Max.Value.Float64()
			}
		}
	}
	if d.place.PHFloor != nil {
		r.PHMin = max(r.PHMin, d.place.PHFloor.Value.Float64())
	}
}

// past lists the additions of the product to this filling, and what the tests before and after each showed.
func (d *dosing) past(ctx context.Context, rec plant.Finder, f *frame.Frame, check *plan.Check) error {
	fl, in := f.State.FillingAt(d.place.ID, f.Now)
	if !in {
		return nil
	}
	found, _, err := rec.Find(ctx, plant.Query{About: "check:" + check.ID + "@" + d.place.ID, Kind: haccp.KindReading, From: fl.From, Limit: 200, Descending: true})
	if err != nil {
		return err
	}
	slices.Reverse(found)
	for _, a := range f.State.BathLog(d.place.ID) {
		if a.Kind != haccp.KindAdded || a.At.Before(fl.From) || a.Body == nil || a.Body.Chemical != d.product.ID {
			continue
		}
		p := wash.PastAddition{Age: f.Now.Sub(a.At)}
		before, after := math.NaN(), math.NaN()
		for _, e := range found {
			r, ok := e.Body.(*haccp.Reading)
			if !ok || entryOf(r, quantity.FreeChlorine) == nil {
				continue
			}
			v, exact := number(entryOf(r, quantity.FreeChlorine), quantity.FreeChlorine, quantity.MgPerL)
			switch {
			case !exact:
			case e.At.Before(a.At):
				before = v
			case math.IsNaN(after) && !e.At.Before(a.At.Add(d.place.Mixing.Std())):
				after = v
			}
		}
		p.MeasuredRise = after - before
		if math.IsNaN(p.MeasuredRise) {
			p.MeasuredRise = math.Inf(1) // not known: it does not count as without rise
		}
		if a.Body.Amount != nil {
			p.ComputedRise = d.rise(*a.Body.Amount)
		}
		d.request.Past = append(d.request.Past, p)
	}
	return nil
}

// rise is what an amount should have given, in mg/L.
func (d *dosing) rise(amount quantity.Value) float64 {
	s := d.request.Lot.Strength
	of := quantity.Volume
	if s.IsSolid() {
		of = quantity.Mass
	}
	end, _ := amount.Ends()
	n := in(of, plan.Amount{Value: end, Unit: string(amount.Unit())}, s.Unit())
	r, err := wash.LevelAfter(wash.Bath{Litres: d.request.Level.Litres}, n, s)
	if err != nil {
		return 0
	}
	return r.Value
}

// words says the answer of the arithmetic.
func (d *dosing) words(f *frame.Frame, a wash.PlantDose) *Dosage {
	out := &Dosage{}
	switch a.Answer {
	case wash.Add:
		out.Add = f.T("device.dose", "amount", amountText(a.Amount.Value)+" "+a.Amount.Unit.Symbol(), "product", d.product.Name)
		out.Lines = append(out.Lines, f.T("device.dose-once"), f.T("dose.rests", "litres", d.litres), d.rests,
			f.T("dose.expect", "level", strconv.FormatFloat(a.ExpectMgPerL, 'f', 0, 64), "worst", strconv.FormatFloat(math.Ceil(a.WorstMgPerL), 'f', 0, 64)))
	case wash.AddNothing:
		out.Lines = append(out.Lines, f.T("device.dose-none", "product", d.product.Name))
	default:
		out.NoDose = true
		out.Lines = append(out.Lines, f.T("dose."+string(a.Answer)))
		out.Procedure = d.place.Dosing.Procedure
	}
	for _, why := range a.Reasons {
		out.Lines = append(out.Lines, f.T("dose-reason."+string(why)))
	}
	return out
}

func amountText(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// table makes the doses of a sheet: what each whole mg/L from the lowest to the target wants. nil: no dose without the
// server, as after an addition that no test has followed.
func table(ctx context.Context, rec plant.Finder, f *frame.Frame, check *plan.Check, place *plan.Place) (*Dose, error) {
	if place.Dosing == nil || !slices.ContainsFunc(check.Measures, func(m plan.Measure) bool { return m.Quantity == string(quantity.FreeChlorine) }) {
		return nil, nil
	}
	d, err := dosingOf(ctx, rec, f, check, place)
	if err != nil {
		return nil, err
	}
	r := d.request.Rules
	method := wash.Method{}
	for _, m := range check.Measures {
		if m.Quantity == string(quantity.FreeChlorine) && len(m.Methods) == 1 {
			method = methodOf(f.Plan, m.Methods[0])
		}
	}
	out := &Dose{Quantity: string(quantity.FreeChlorine), Unit: string(quantity.MgPerL), AmountUnit: string(d.request.Lot.Strength.Unit()), Product: d.product.Name,
		Procedure: place.Dosing.Procedure, Until: f.Now.Add(place.Dosing.For.Std()).UTC(), PHMin: amountText(r.PHMin), PHMax: amountText(r.PHMax)}
	for v := 0; v <= int(math.Ceil(r.TargetMgPerL)); v++ {
		q := d.request
		q.Reading = wash.StoredReading{Record: "table", Quantity: quantity.FreeChlorine, MgPerL: float64(v), Method: method, Dilution: 1, PH: (r.PHMin + r.PHMax) / 2, PHMeasured: true,
			ExpectedMgPerL: r.TargetMgPerL}
		a := wash.DoseForPlant(q)
		switch {
		case a.Answer == wash.Add:
			out.row(v, amountText(a.Amount.Value))
		case a.Answer == wash.AddNothing:
			out.row(v, "0")
		case len(out.Rows) > 0 || a.Answer != wash.NoDose || !onlyLow(a.Reasons):
			return nil, nil
		}
	}
	return out, nil
}

// onlyLow says whether nothing stands against a dose but that the level is too low for the method, or to be tested
// again on a diluted sample.
func onlyLow(why []wash.Reason) bool {
	return len(why) > 0 && !slices.ContainsFunc(why, func(r wash.Reason) bool { return r != wash.RetestFirst && r != wash.OutsideMethod })
}

// row adds the dose of whatever was measured above the row before and up to v.
func (t *Dose) row(v int, amount string) {
	n := len(t.Rows)
	if n == 0 {
		t.Least = strconv.Itoa(v)
	}
	if n > 0 && t.Rows[n-1][1] == amount {
		t.Rows[n-1][0] = strconv.Itoa(v)
		return
	}
	t.Rows = append(t.Rows, [2]string{strconv.Itoa(v), amount})
}
