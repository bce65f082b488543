package frame

import (
	"strconv"
	"strings"

	"linewarden/haccp"
)

// Evidence is what the readings of a control point show over the time of a lot at a place, in words.
type Evidence struct {
	Name, Place, Span     string
	Before, During, After string
	Gaps                  []string
	Ct                    string
}

// Evidences words the evidence of a lot, and leaves out points without any reading that no release asks for.
func (f *Frame) Evidences(list []haccp.Exposure) []Evidence {
	var out []Evidence
	for i := range list {
		x := &list[i]
		if !x.Wanted && len(x.During) == 0 {
			continue
		}
		e := Evidence{Name: f.PointName(x.Point), Place: f.PlaceName(x.Place), Span: f.span(haccp.Span{Begin: x.From, End: x.To}),
			Before: f.shown(x.Before), After: f.shown(x.After), During: strconv.Itoa(len(x.During))}
		for _, g := range x.Gaps {
			e.Gaps = append(e.Gaps, f.span(haccp.Span{Begin: g.From, End: g.To}))
		}
		switch {
		case x.Ct != nil:
			e.Ct = f.T("lot.ct", "lowest", strconv.FormatFloat(x.Ct.Lowest, 'f', 0, 64), "minutes", strconv.FormatFloat(x.Ct.Contact.Minutes(), 'f', 1, 64))
		case x.CtLacks != "":
			e.Ct = f.T("lot.ct-" + x.CtLacks)
		}
		out = append(out, e)
	}
	return out
}

func (f *Frame) shown(r *haccp.Shown) string {
	if r == nil {
		return f.T("lot.no-reading")
	}
	parts := []string{f.At(r.At)}
	for _, v := range r.Values {
		parts = append(parts, f.Word("quantity", v.Quantity)+" "+f.Value(v.Value.String()))
	}
	return strings.Join(parts, " · ")
}
