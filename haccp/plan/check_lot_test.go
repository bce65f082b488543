package plan

import (
	"strings"
	"testing"

	"linewarden/haccp/quantity"
)

// faults lists the errors of a plan at paths that begin with one given.
func faults(p *Plan, under string) string {
	var out []string
	for _, f := range p.Check(Options{}) {
		if !f.Warning && strings.HasPrefix(f.Path, under) {
			out = append(out, f.Path+": "+f.Message)
		}
	}
	return strings.Join(out, "\n")
}

// TestTimer: limits on a time of lots need no check, but two steps that exist and a quantity that is a time.
func TestTimer(t *testing.T) {
	timed := func(q quantity.ID, from, to string) *Plan {
		p := washPlan(CCP, limit(t, Critical, q, "", "60 min"))
		p.Steps = []Step{{ID: "wash", Name: "Wash", Next: []string{"shred"}}, {ID: "shred", Name: "Shred"}}
		p.Points[0].Clock = &Timer{From: from, To: to}
		return p
	}
	for _, under := range []string{"points[0].clock", "points[0].limits"} { // no check measures it, and none is wanted
		if got := faults(timed(quantity.Elapsed, "wash", "shred"), under); got != "" {
			t.Error(got)
		}
	}
	for name, c := range map[string]struct {
		p    *Plan
		want string
	}{
		"unknown step":       {timed(quantity.Elapsed, "wash", "fill"), `there is no step "fill"`},
		"contact over steps": {timed(quantity.ContactTime, "wash", "shred"), "begins and ends in one step"},
		"not a time":         {timed(quantity.Temperature, "wash", "shred"), "no step of a lot shows temperature"},
	} {
		if got := faults(c.p, "points"); !strings.Contains(got, c.want) {
			t.Errorf("%s: %s", name, got)
		}
	}
	p := timed(quantity.Elapsed, "wash", "shred")
	p.Checks = []Check{{ID: "c", Name: "C", Points: []string{"wash"}, Places: []string{"bath"}}}
	if got := faults(p, "checks[0].points"); !strings.Contains(got, "no check serves it") {
		t.Errorf("a check of a clock: %s", got)
	}
}

func TestDispositions(t *testing.T) {
	p := washPlan(CCP, limit(t, Critical, quantity.FreeChlorine, "50 mg/L", ""))
	p.Dispositions = []DispositionRule{{Outcome: Release, Roles: []string{"manager"}, People: 2}, {Outcome: "sell", Roles: []string{"manager"}},
		{Outcome: Release, Roles: []string{"cook"}, People: 9}}
	got := faults(p, "dispositions")
	for _, want := range []string{`no outcome "sell"`, "stands here twice", `no role "cook"`, "9 people"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not among\n%s", want, got)
		}
	}
	if r := p.Disposition(Release); r.People != 2 {
		t.Errorf("%+v", r)
	}
	if r := p.Disposition(Destroy); r.People != 1 || r.Roles[0] != "manager" {
		t.Errorf("without a rule: %+v", r)
	}
}
