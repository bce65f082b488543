package demo

import (
	"fmt"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// analyst is who enters the results of both laboratories.
const analyst = "aurelio"

// The samples of a lot: one stays in the plant, one goes out.
var (
	testsHere = []string{"total-count", "yeast-mould", "e-coli", "ph", "solids"}
	testsOut  = []string{"salmonella", "listeria", "aloin"}
)

// sampled takes two samples of a lot once it is sealed, and has their results reported on the day after, before its
// records are reviewed.
func (w *writer) sampled(s *shift, code string, begin time.Time, lead haccp.Actor) {
	lab := w.as(analyst, haccp.KnownPassword)
	for i, x := range []struct {
		tests []string
		where string
	}{{testsHere, "Plant laboratory"}, {testsOut, "Laboratorio Piedra Lisa (invented)"}} {
		id := code + "/" + strconv.Itoa(i+1)
		at := after(begin, 139.2)
		w.do(after(at, 0.3), lead, haccp.KindLotSampled, at, &laboratory.Sampled{Lot: code, Sample: id, Units: 5, Place: "filler", Tests: x.tests, Where: "One bag each of five boxes"})
		at = after(begin, 150+float64(20*i))
		w.do(after(at, 0.3), lead, haccp.KindSamplePassed, at, &laboratory.Passed{Lot: code, Sample: id, To: x.where, Temperature: w.cold(2.5, 3.8)})
		at = after(begin, 175+float64(120*i))
		w.do(after(at, 0.3), lab, haccp.KindSampleReceived, at, &laboratory.Received{Lot: code, Sample: id, Laboratory: x.where, Condition: "Cold, seals whole",
			Temperature: w.cold(2.8, 4.6)})
		for j, test := range x.tests {
			w.resultOf(s, code, id, test, after(begin, 31*60+float64(i*40+j*2)), after(begin, 29*60))
		}
	}
}

// resultOf reports one test. The lot that was washed below the critical limit has too many colonies; the case of that is
// carried to its close.
func (w *writer) resultOf(s *shift, code, sample, test string, at, finished time.Time) {
	lab := w.as(analyst, haccp.KnownPassword)
	good, bad := w.units(test), []laboratory.Unit(nil)
	if test != "total-count" || s.low == 0 {
		w.do(after(at, 0.5), lab, haccp.KindResult, at, w.report(code, sample, test, finished, good))
		return
	}
	for i, v := range []string{"1900", "2600", "880", "3100", "1400"} {
		bad = append(bad, laboratory.Unit{Unit: int64(i + 1), Value: quantity.Exact(quantity.MustDecimal(v), quantity.CFUPerG)})
	}
	w.later(after(at, 0.5), lab, haccp.KindResult, func(p *player) (any, error) {
		l, ok := p.site.View().Lot(code)
		if !ok {
			return nil, fmt.Errorf("lot %s is gone before its results", code)
		}
		if critical, _ := w.heldFor(p, l); critical {
			return w.report(code, sample, test, finished, bad), nil
		}
		return w.report(code, sample, test, finished, good), nil
	})
	w.closeResults(code, at)
}

// closeResults signs the parts of the case that the results of a lot opened, where they did.
func (w *writer) closeResults(code string, at time.Time) {
	amount := quantity.Exact(quantity.MustDecimal("120"), quantity.Kilogram)
	for i, x := range []haccp.DeviationSigned{
		{Part: plan.ControlRestored, Restored: "The bath was inside its limits again on the same day, and every test since."},
		{Part: plan.ProductEvaluated, Product: &haccp.Product{Exposed: true, Codes: []string{code}, Mass: &amount, Description: "The whole lot",
			HeldWhere: "Cold room, rack 4, red tape", Evaluation: "Three of five units above M.", Outcome: "Destroyed with the lot that was washed in weak water."}},
		{Part: plan.CauseAndAction, Cause: "Washed while the free chlorine was below its critical limit.", Action: "That of the case of the bath."},
		{Part: plan.Closed},
	} {
		w.later(after(at, 400+float64(10*i)), w.as(boss, haccp.KnownPassword), haccp.AskSignPart, func(p *player) (any, error) {
			for _, c := range p.site.View().OutOfSpecification() {
				if c.Lot != code {
					continue
				}
				b := x
				b.Deviation, b.Signature = c.Deviation, p.sign(b.Part, statements[b.Part])
				return &haccp.SignPart{DeviationSigned: b}, nil
			}
			return nil, nil
		})
	}
}

func (w *writer) report(code, sample, test string, finished time.Time, units []laboratory.Unit) *laboratory.Reported {
	t := w.product.Test(test)
	return &laboratory.Reported{Lot: code, Sample: sample, Test: test, Method: t.Method, Laboratory: t.Laboratory, Finished: finished, Units: units}
}

// units makes results inside the specification of a test.
func (w *writer) units(test string) []laboratory.Unit {
	t := w.product.Test(test)
	var out []laboratory.Unit
	for i := range t.Units() {
		u := laboratory.Unit{Unit: int64(i + 1)}
		switch {
		case t.AbsentIn != nil:
			in := quantity.Exact(t.AbsentIn.Value, quantity.Unit(t.AbsentIn.Unit))
			u.Value, u.In = quantity.Answer(false), &in
		case test == "total-count" && w.chance.upTo(4) > 0:
			u.Value = written(w.chance.between(12, 96), 1, 0, "CFU/g")
		case t.Quantity == string(quantity.Count):
			u.Value = quantity.Below(quantity.MustDecimal("10"), quantity.CFUPerG)
		case test == "ph":
			u.Value = written(w.chance.between(4.02, 4.28), 0.01, 2, "pH")
		case test == "aloin":
			u.Value = quantity.Below(quantity.MustDecimal("0.5"), quantity.MgPerKg)
		default:
			u.Value = written(w.chance.between(0.55, 0.8), 0.01, 2, "% w/w")
		}
		out = append(out, u)
	}
	return out
}

// cold is the temperature of a sample on its way.
func (w *writer) cold(low, high float64) *quantity.Value {
	v := written(w.chance.between(low, high), 0.1, 1, "°C")
	return &v
}
