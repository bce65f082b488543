package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// A later bath never cures an earlier one unless the plan says so with its basis, and its readings show it
// inside all the while (RULES 3.4). A reading of it ends no span of the earlier one in any case.
func TestLaterBathCures(t *testing.T) {
	says := func(p *plan.Plan) {
		p.Series[0].Cures = []plan.Cure{{Point: "wash-chlorine", Earlier: "bath-1", Later: "bath-2", Basis: plan.Basis{Invented: true}}}
	}
	silent := func(*plan.Plan) {}
	for name, x := range map[string]struct {
		plan            func(*plan.Plan)
		by              string
		before, between string // chlorine of bath 2 before and during the span of bath 1; empty: not tested
		after           string
		want            string
	}{
		"the plan says so":            {says, "bath-2", "124", "124", "124", ""},
		"the plan is silent":          {silent, "bath-2", "124", "124", "124", "no-cure"},
		"the earlier cures the later": {says, "bath-1", "124", "124", "124", "no-cure"},
		"outside meanwhile":           {says, "bath-2", "124", "98", "124", "cure-unproved"},
		"not shown before":            {says, "bath-2", "", "124", "124", "cure-unproved"},
		"not shown after":             {says, "bath-2", "124", "124", "", "cure-unproved"},
		"outside after":               {says, "bath-2", "124", "124", "98", "cure-unproved"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, x.plan)
			test := func(cl string) {
				w.at(time.Minute)
				if cl != "" {
					w.must(haccp.KindReading, teo, bathTest("bath-2", cl, "6.80"))
				}
			}
			test(x.before)
			w.at(time.Minute)
			w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
			w.at(10 * time.Minute)
			w.must(haccp.KindReading, tina, bathTest("bath-1", "98", "6.80"))
			test(x.between)
			d := w.first()
			if x.between == "124" && !caseOf(w, d.Deviation).Now.End.IsZero() {
				t.Fatal("a reading of the later bath ended the span of the earlier one")
			}
			w.must(haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite", Deviation: d.Deviation})
			w.at(10 * time.Minute)
			w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
			test(x.after)
			mass := value("120", "kg")
			_, err := w.try(w.partOf(mara, plan.ProductEvaluated, func(b *haccp.DeviationSigned) {
				b.Product = &haccp.Product{Exposed: true, Codes: []string{"L1"}, Mass: &mass, HeldWhere: "cold room", Evaluation: "passed bath 2", Outcome: "kept", CuredBy: x.by}
			}))
			if codeOfError(err) != x.want {
				t.Errorf("%v, want %q", err, x.want)
			}
		})
	}
}
