package frame

import (
	"slices"
	"strconv"

	"linewarden/haccp"
	"linewarden/haccp/chemistry"
	"linewarden/haccp/plan"
)

// ForecastLines words a forecast: when free chlorine is expected to fall below its limits, the test that it brings
// forward and why, or why nothing can be said.
func (f *Frame) ForecastLines(x *chemistry.Forecast) []string {
	if x == nil {
		return nil
	}
	if x.Reason != "" {
		return []string{f.T("forecast.none", "why", f.Word("forecast", x.Reason))}
	}
	var out []string
	for _, c := range x.Crossings {
		kind := f.Word("limit", c.Kind)
		switch {
		case !c.Expected.IsZero() && c.State == "ahead":
			out = append(out, f.T("forecast.ahead", "limit", kind, "bound", c.Bound.String(), "time", f.Clock(c.Expected), "earliest", f.Clock(c.Earliest)))
		case c.State == "possible":
			out = append(out, f.T("forecast.possible", "limit", kind, "bound", c.Bound.String(), "earliest", f.Clock(c.Earliest)))
		case c.State == "below":
			out = append(out, f.T("forecast.below", "limit", kind, "bound", c.Bound.String()))
		default:
			out = append(out, f.T("forecast.beyond", "limit", kind, "bound", c.Bound.String()))
		}
	}
	if !x.Test.IsZero() {
		out = append(out, f.T("forecast.test", "time", f.Clock(x.Test)))
	}
	return append(out, f.T("forecast.aid", "n", strconv.Itoa(x.N)))
}

// CureField offers the later baths that the plan says make good what the bath of a case lacked; false where there
// is none.
func (f *Frame) CureField(d *haccp.Deviation) (Field, bool) {
	field := Field{Type: "choice", Name: "cured_by", Label: f.T("part.field.cured_by"), Hint: f.T("part.cured-hint")}
	pl := f.PlanOf(d)
	if pl == nil {
		return field, false
	}
	for _, x := range pl.Places {
		if c := pl.Cures(d.Point, d.Place, x.ID); c != nil {
			field.Options = append(field.Options, Choice{Code: x.ID, Word: x.Name, Text: f.Rests(c.Basis)})
		}
	}
	return field, len(field.Options) > 0
}

// Probes lists the instruments of a plan that measure by themselves.
func (f *Frame) Probes(p *plan.Plan) []plan.Instrument {
	return slices.DeleteFunc(slices.Clone(p.Instruments), func(i plan.Instrument) bool { return i.Probe == nil })
}
