package haccp_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

func codeOfError(err error) string {
	if r, ok := errors.AsType[*haccp.Refusal](err); ok {
		return r.Code
	}
	return ""
}

// everyRole gives one more person each role that the world's people lack.
func everyRole(w *world) map[string]haccp.Actor {
	out := map[string]haccp.Actor{haccp.RoleTechnician: teo, haccp.RoleLineLead: lea, haccp.RoleManager: milo, haccp.RoleAdministrator: person("ada", haccp.RoleAdministrator)}
	for _, role := range []string{haccp.RoleLaboratory, haccp.RoleAuditor} {
		w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: role, Name: role, SignIn: role}})
		w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: role, Role: role}})
		out[role] = person(role, role)
	}
	return out
}

// Each part is signed by the roles that the plan names for the class, by a manager where it names none
// (RULES 5.6).
func TestWhoSignsAPart(t *testing.T) {
	w := running(t, func(p *plan.Plan) {
		p.Classes[1].Closing[1].Roles = []string{haccp.RoleLaboratory} // oprp: the laboratory evaluates the product
	})
	people := everyRole(w)
	opened := w.must(haccp.KindReading, tina, func() *haccp.Reading {
		r := bathTest("bath-1", "98", "6.80")
		r.Entries[3].Read = value("10", "g/L")
		return r
	}())
	v := w.state.Plans[0].Plan
	for _, e := range opened[1:] {
		d := caseOf(w, e.Body.(*haccp.DeviationOpened).Deviation)
		for _, part := range []string{plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Closed, plan.Effectiveness, haccp.PartFixOnly, haccp.PartTakenInTime} {
			for role, by := range people {
				_, err := w.state.Decide(w.partOf(by, part, func(b *haccp.DeviationSigned) { b.Deviation = d.Deviation }), facts(w, d, part), w.now)
				refused := strings.HasPrefix(codeOfError(err), "role-may-not")
				if want := !slices.Contains(signers(v, d.Class, part), role); refused != want {
					t.Errorf("%s of a case of class %s by %s: %v", part, d.Class, role, err)
				}
			}
		}
	}
}

func facts(w *world, d *haccp.Deviation, part string) haccp.Facts {
	return w.facts(w.partOf(milo, part, func(b *haccp.DeviationSigned) { b.Deviation = d.Deviation }))
}

func signers(p *plan.Plan, class plan.Class, part string) []string {
	for _, r := range p.Classes {
		for _, c := range r.Closing {
			if r.Class == class && c.Part == part {
				return c.Roles
			}
		}
	}
	return []string{haccp.RoleManager}
}

// A signature relies on records that were seen: their seq and leaf stand in it, and none lies past the head.
func TestSignatureCoversWhatItRestsOn(t *testing.T) {
	w, d := breached(t)
	w.close()
	want := map[int64]bool{d.OpenedSeq: true, d.First.Seq: true, d.Retest.Seq: true}
	for _, p := range caseOf(w, d.Deviation).Parts {
		got := map[int64]bool{}
		for _, c := range p.Body.Signature.Covers {
			if c.Leaf != fmt.Sprintf("leaf-%d", c.Seq) || c.Seq > p.Body.Signature.Head.Size {
				t.Errorf("%s covers %+v of a log of %d", p.Body.Part, c, p.Body.Signature.Head.Size)
			}
			got[c.Seq] = true
		}
		for seq := range want {
			if !got[seq] {
				t.Errorf("%s does not cover record %d", p.Body.Part, seq)
			}
		}
		want[p.Seq] = true // the next part rests on this one too
	}
}

// Parts go stale when the span widens, and only then; a closed case is then opened again (RULES 5.2).
func TestPartsGoStaleWhenTheSpanWidens(t *testing.T) {
	w, d := breached(t)
	w.must(haccp.AskSignPart, mara, w.partOf(mara, plan.ControlRestored, nil).Ask)
	inside := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	inside.At = d.First.At.Add(time.Minute)
	if _, err := w.try(inside); err != nil {
		t.Fatal(err)
	}
	if caseOf(w, d.Deviation).Part(plan.ControlRestored) == nil {
		t.Fatal("a part went stale by a reading that widens nothing")
	}
	w.must(haccp.AskSignPart, mara, w.partOf(mara, plan.ProductEvaluated, nil).Ask)
	w.must(haccp.AskSignPart, mara, w.partOf(mara, plan.CauseAndAction, nil).Ask)
	w.must(haccp.AskSignPart, mara, w.partOf(mara, plan.Closed, nil).Ask)
	late := w.command(haccp.KindReading, tina, bathTest("bath-1", "97", "6.80"))
	late.At = d.Now.End.Add(-30 * time.Second)
	if _, err := w.try(late); err != nil {
		t.Fatal(err)
	}
	w.at(time.Minute)
	late = w.command(haccp.KindReading, teo, bathTest("bath-1", "90", "6.80"))
	late.At = d.Now.Begin.Add(-time.Minute) // before the last good reading: the span begins earlier now
	events, err := w.try(late)
	if err != nil || !slices.Contains(kinds(events), haccp.KindDeviationReopened) {
		t.Fatal(kinds(events), err)
	}
	d = caseOf(w, d.Deviation)
	if d.IsClosed || len(d.Missing(w.state.Plans[0].Plan)) != 3 {
		t.Fatalf("open again, yet only %v is missing", d.Missing(w.state.Plans[0].Plan))
	}
}

// The effect is checked after closing; one that failed opens the case again, and it can be closed again.
func TestEffectiveness(t *testing.T) {
	yes, no := true, false
	effect := func(w *world, is *bool) error {
		_, err := w.try(w.partOf(mara, plan.Effectiveness, func(b *haccp.DeviationSigned) { b.Effective, b.Reason = is, "looked at the pump" }))
		return err
	}
	w, d := breached(t)
	w.close()
	if due := caseOf(w, d.Deviation).EffectDue; !due.Equal(w.now.Add(30 * 24 * time.Hour)) {
		t.Fatalf("the effect is due %v", due)
	}
	if err := effect(w, nil); codeOfError(err) != "missing" {
		t.Fatal(err)
	}
	if err := effect(w, &no); err != nil {
		t.Fatal(err)
	}
	if got := caseOf(w, d.Deviation); got.IsClosed || len(got.Missing(w.state.Plans[0].Plan)) != 3 {
		t.Fatalf("not opened again: %+v", got)
	}
	w.close()
	if err := effect(w, &yes); err != nil {
		t.Fatal(err)
	}
	if got := caseOf(w, d.Deviation); !got.IsClosed || !got.EffectDue.IsZero() {
		t.Fatalf("effective, yet %+v", got)
	}
	// Before closing, an effect that failed wants another cause and action.
	w, d = breached(t)
	w.must(haccp.AskSignPart, mara, w.partOf(mara, plan.CauseAndAction, nil).Ask)
	if err := effect(w, &no); err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(caseOf(w, d.Deviation).Missing(w.state.Plans[0].Plan), plan.CauseAndAction) {
		t.Fatal("an action without effect still counts")
	}
}

// "Immediate fix only" stands for cause and action of a nonconformity, never of a deviation (RULES 5.7).
func TestFixOnly(t *testing.T) {
	w := running(t, func(p *plan.Plan) {
		p.Classes[1].Closing = append(p.Classes[1].Closing, plan.ClosingPart{Part: plan.CauseAndAction, Roles: []string{haccp.RoleManager}})
	})
	r := bathTest("bath-1", "124", "6.80")
	r.Entries[3].Read = value("10", "g/L")
	w.must(haccp.KindReading, tina, r)
	w.at(time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	if w.first().Word() != "nonconformity" {
		t.Fatal(w.first().Word())
	}
	if _, err := w.try(w.partOf(mara, haccp.PartFixOnly, nil)); codeOfError(err) != "missing" {
		t.Fatal("taken without the reason why product is unaffected", err)
	}
	for _, part := range []string{plan.ControlRestored, plan.ProductEvaluated, haccp.PartFixOnly, plan.Closed} {
		if _, err := w.try(w.partOf(mara, part, func(b *haccp.DeviationSigned) { b.Reason = "salt has no bearing on safety here" })); err != nil {
			t.Fatal(part, err)
		}
	}
	if !w.first().IsClosed {
		t.Fatal("not closed")
	}
}

// A missed check that was taken in time is closed by one signature, which rests on that reading, and not
// by whoever took it.
func TestTakenInTime(t *testing.T) {
	for _, by := range []haccp.Actor{tina, mara} {
		w := running(t)
		id := missedCase(w)
		c := w.command(haccp.KindReading, by, bathTest("bath-1", "124", "6.80"))
		c.At = caseOf(w, id).At
		if _, err := w.try(c); err != nil {
			t.Fatal(err)
		}
		reading := w.state.Size
		_, err := w.try(w.partOf(mara, haccp.PartTakenInTime, func(b *haccp.DeviationSigned) { b.Deviation = id }))
		if by.ID == mara.ID {
			if codeOfError(err) != "logged-reading" {
				t.Errorf("closed by whoever took the reading: %v", err)
			}
			continue
		}
		d := caseOf(w, id)
		if err != nil || !d.IsClosed {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(d.Parts[0].Body.Signature.Covers, func(c haccp.Cover) bool { return c.Seq == reading }) {
			t.Error("the signature does not cover the reading it rests on")
		}
	}
}

// A typed time proves nothing.
func TestTypedTimeIsNoProofOfAMissedCheck(t *testing.T) {
	w := running(t)
	id := missedCase(w)
	c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	c.At, c.AtKnown = caseOf(w, id).At, haccp.AtTyped
	if _, err := w.try(c); err != nil {
		t.Fatal(err)
	}
	if _, err := w.try(w.partOf(mara, haccp.PartTakenInTime, func(b *haccp.DeviationSigned) { b.Deviation = id })); codeOfError(err) != "not-taken-in-time" {
		t.Fatal(err)
	}
}

// The console signs without a password on demo sites only.
func TestConsoleSignsOnDemoSitesOnly(t *testing.T) {
	w := newWorld(t)
	p := demoPlan(t)
	p.Demo = false
	ask := func() *haccp.Command {
		return w.command(haccp.AskSignPlan, console, &haccp.SignPlan{Plan: p, Reason: "x", Source: "y", Signature: w.signature(haccp.MeaningPlan)})
	}
	if _, err := w.try(ask()); err != nil {
		t.Fatal(err)
	}
	w.replay, w.state = nil, w.state.Fork()
	w.state.Site.Demo = false
	if _, err := w.try(ask()); codeOfError(err) != "password-wanted" {
		t.Fatal(err)
	}
}

// The statement on the product wants what RULES 5.6 names; empty is refused.
func TestProductStatement(t *testing.T) {
	kg := value("120", "kg")
	whole := haccp.Product{Exposed: true, Codes: []string{"L1"}, Mass: &kg, HeldWhere: "cold room", Evaluation: "tested", Outcome: "destroyed"}
	for field, drop := range map[string]func(*haccp.Product){
		"":                   func(*haccp.Product) {},
		"product.codes":      func(p *haccp.Product) { p.Codes = nil },
		"product.mass":       func(p *haccp.Product) { p.Mass = nil },
		"product.held_where": func(p *haccp.Product) { p.HeldWhere = "" },
		"product.evaluation": func(p *haccp.Product) { p.Evaluation = " " },
		"product.outcome":    func(p *haccp.Product) { p.Outcome = "" },
		"product.evidence":   func(p *haccp.Product) { *p = haccp.Product{} },
		"product.mass.unit":  func(p *haccp.Product) { l := value("1", "L"); p.Mass = &l },
	} {
		w, _ := breached(t)
		p := whole
		drop(&p)
		_, err := w.try(w.partOf(mara, plan.ProductEvaluated, func(b *haccp.DeviationSigned) { b.Product = &p }))
		var r *haccp.Refusal
		if errors.As(err, &r); (r == nil) != (field == "") || r != nil && r.Field != field {
			t.Errorf("%q: %v", field, err)
		}
	}
	w, _ := breached(t)
	if _, err := w.try(w.partOf(mara, plan.ProductEvaluated, func(b *haccp.DeviationSigned) { b.Product = nil })); codeOfError(err) != "missing" {
		t.Error(err)
	}
}
