package haccp_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

var reportKinds = []string{haccp.KindReading, haccp.KindFilled, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained,
	haccp.KindCleaned, haccp.KindInService, haccp.KindOutOfService, haccp.KindCleanBreak, haccp.KindLineStarted,
	haccp.KindLineStopped, haccp.KindFixDone, haccp.KindNote, haccp.KindMaterialReceived, haccp.KindMaterialCounted,
	haccp.KindInstrumentChecked, haccp.KindInstrumentOut, haccp.KindInstrumentBack}

var allKinds = append([]string{haccp.AskStart, haccp.AskAmend, haccp.AskVoid, haccp.AskSignPart, haccp.AskSignPlan, haccp.AskAcceptTime,
	haccp.AskReview, haccp.AskPerson, haccp.AskDevice, haccp.AskSecurity, haccp.AskSweep, haccp.AskImport}, reportKinds...)

func counted(m map[string]int) string {
	var out []string
	for _, k := range slices.Sorted(maps.Keys(m)) {
		out = append(out, fmt.Sprintf("%s %d", k, m[k]))
	}
	return strings.Join(out, ", ")
}

// step moves the clock and gives one command.
func (p *player) step() {
	switch p.even(20, "leap") {
	case 1:
		p.at(time.Duration(1+p.even(12, "days")) * 24 * time.Hour)
	case 2, 3, 4, 5:
		p.at(time.Duration(30+p.even(570, "long")) * time.Minute)
	default:
		p.at(time.Duration(p.even(30, "minutes")) * time.Minute)
	}
	steps := []func(){p.reading, p.reading, p.reading, p.outside, p.outside, p.work, p.work, p.work, p.bath, p.bath, p.line, p.fix, p.fix, p.part, p.part, p.part,
		p.part, p.amend, p.amend, p.void, p.void, p.accept, p.accept, p.review, p.imports, p.sweep, p.newPlan, p.people, p.other, p.supply, p.supply}
	steps[p.even(len(steps), "step")]()
}

// work carries a case to its end as far as it goes: a fix, a re-test, and every part signed.
func (p *player) work() {
	cases := p.state.Cases()
	if len(cases) == 0 {
		return
	}
	d := cases[p.even(len(cases), "case")]
	if d.Point != "" && d.Now.End.IsZero() {
		fix := p.command(haccp.KindFixDone, lea, &haccp.FixDone{Point: d.Point, Place: d.Place, Fix: "other", Note: "put right", Deviation: d.Deviation})
		fix.At = p.now.Add(-time.Minute)
		p.give(fix)
		p.at(10 * time.Minute)
		p.give(p.command(haccp.KindReading, lea, p.good(d)))
	}
	for range 4 {
		if d, ok := p.state.Case(d.Deviation); ok && !d.IsClosed {
			b := p.filledPart(d, nextPart(p.state, d))
			p.give(p.command(haccp.AskSignPart, milo, &haccp.SignPart{DeviationSigned: b}))
		}
	}
}

// good is a reading inside all limits of the point of a case.
func (p *player) good(d *haccp.Deviation) *haccp.Reading {
	switch d.Point {
	case "contact-time":
		return &haccp.Reading{Check: "contact-time-test", Place: d.Place, Mode: "hand", Entries: []haccp.Entry{{Quantity: "contact_time", Read: value("90", "s")}}}
	case "cold-room-temperature":
		return &haccp.Reading{Check: "cold-room-check", Place: d.Place, Mode: "hand", Entries: []haccp.Entry{{Quantity: "temperature", Read: value("3.0", "°C")}}}
	}
	r := bathTest(d.Place, "124", "6.80")
	r.Entries[1].Instrument = "ph-meter-1"
	return r
}

// when draws the time of a report: mostly now, sometimes late, sometimes very late.
func (p *player) when(c *haccp.Command) *haccp.Command {
	switch p.even(12, "when") {
	case 0, 1:
		c.At = p.now.Add(-time.Duration(p.even(91, "ago")) * time.Minute)
	case 2:
		c.At = p.now.Add(-time.Duration(p.even(61, "ago")) * time.Hour)
	case 3:
		c.At = p.now.Add(-time.Duration(p.even(26, "ago")) * 24 * time.Hour)
	case 4:
		if n := len(p.breaches); n > 0 { // at the very moment of an outside reading, or next to it
			c.At = p.breaches[rapid.IntRange(0, n-1).Draw(p.r, "breach")].at.Add(time.Duration(rapid.IntRange(-1, 1).Draw(p.r, "next")) * time.Minute)
		}
	}
	c.AtKnown = pick(p, "known", haccp.AtDevice, haccp.AtDevice, haccp.AtTyped)
	if p.chance(50) {
		c.LateReason = "no network"
	}
	if p.chance(10) {
		c.Device = &haccp.Device{ID: "tablet-1", Clock: c.At, OffsetMS: int64(rapid.IntRange(-400_000, 400_000).Draw(p.r, "offset"))}
	}
	return c
}

// monitor draws who reports; everybody has held the role since the world was made.
func (p *player) monitor() haccp.Actor { return pick(p, "by", tina, tina, teo, lea, mara) }

func (p *player) lead() haccp.Actor { return pick(p, "by", lea, mara) }

func (p *player) place() string { return pick(p, "place", "bath-1", "bath-1", "bath-1", "bath-2") }

func (p *player) reading() { p.give(p.drawReading(false)) }

func (p *player) outside() { p.give(p.drawReading(true)) }

func (p *player) drawReading(outside bool) *haccp.Command {
	by := p.monitor()
	if p.chance(10) {
		by = probe
	}
	var body *haccp.Reading
	switch k := p.even(10, "check"); {
	case k == 0:
		yes := haccp.Entry{Quantity: "temperature", Read: value(pick(p, "cold", "3.0", "4.0", "4.1", "9.0"), "°C")}
		body = &haccp.Reading{Check: "cold-room-check", Place: "cold-room", Mode: "hand", Entries: []haccp.Entry{yes}}
	case k == 1:
		e := haccp.Entry{Quantity: "contact_time", Read: value(pick(p, "contact", "50", "60", "90", "121"), "s")}
		body = &haccp.Reading{Check: "contact-time-test", Place: p.place(), Mode: "hand", Entries: []haccp.Entry{e}}
	case outside:
		body = bathTest(p.place(), pick(p, "cl", "90", "99", "124", "151"), pick(p, "ph", "6.4", "6.8", "7.1"))
	default:
		body = bathTest(p.place(), pick(p, "cl", "101", "124", "124", "145"), pick(p, "ph", "6.5", "6.8", "6.8"))
	}
	p.vary(body)
	if by == probe && len(body.Entries) > 1 && body.Entries[1].Quantity == "ph" && p.chance(50) {
		body.Mode, body.Entries[1].Instrument = "device", phProbe
	}
	return p.when(p.command(haccp.KindReading, by, body))
}

// vary leaves out entries, dilutes, names instruments, lots and fillings.
func (p *player) vary(b *haccp.Reading) {
	if p.chance(20) {
		b.Lots = []string{pick(p, "lot", "L1", "L2", "L3")}
	}
	if len(b.Entries) > 1 {
		b.Entries[1].Instrument = pick(p, "meter", "ph-meter-1", "ph-meter-1", "ph-meter-9", "")
		if p.chance(10) {
			b.Entries[0].Dilution = &haccp.Dilution{Sample: 1, Total: 1}
		}
		if p.chance(10) {
			i := rapid.IntRange(0, len(b.Entries)-1).Draw(p.r, "missing")
			b.Entries = slices.Delete(b.Entries, i, i+1)
		}
	}
	if p.chance(10) {
		b.Filling = "a filling nobody heard of"
	} else if p.chance(20) {
		b.Filling = p.someReport(haccp.KindFilled)
	}
}

// someReport is the id of a recorded report of a kind, "" where there is none.
func (p *player) someReport(kinds ...string) string {
	var ids []string
	for _, e := range p.reports {
		if slices.Contains(kinds, e.Kind) {
			ids = append(ids, e.ID)
		}
	}
	if len(ids) == 0 {
		return ""
	}
	return pick(p, "report", ids...)
}

func (p *player) bath() {
	level, amount := value("60", "cm"), value("0.5", "L")
	kind := pick(p, "kind", haccp.KindFilled, haccp.KindFilled, haccp.KindDrained, haccp.KindDrained, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindCleaned,
		haccp.KindInService, haccp.KindOutOfService)
	b := &haccp.Bath{Place: p.place()}
	switch kind {
	case haccp.KindFilled, haccp.KindPartReplaced:
		b.Water, b.Level = "town water", &level
	case haccp.KindAdded:
		b.Chemical, b.Amount = pick(p, "chemical", "sodium-hypochlorite", "moon dust"), &amount
		b.MaterialLot = pick(p, "material lot", "", "HYP-1", "HYP-2")
	case haccp.KindOutOfService:
		b.Reason = "broken"
	}
	p.give(p.when(p.command(kind, p.lead(), b)))
}

func (p *player) line() {
	switch p.even(4, "line") {
	case 0:
		p.give(p.when(p.command(haccp.KindLineStopped, p.lead(), p.stop())))
	case 1:
		p.give(p.when(p.command(haccp.KindLineStarted, p.lead(), &haccp.LineStarted{Line: "line-1", PreOp: p.preOp()})))
	default:
		p.give(p.command(haccp.AskStart, pick(p, "by", lea, lea, mara, tina), &haccp.LineStarted{Line: "line-1", PreOp: p.preOp(), WithoutProof: p.chance(80)}))
	}
}

func (p *player) stop() *haccp.LineStopped {
	b := &haccp.LineStopped{Line: "line-1", Reason: "break"}
	if p.chance(50) {
		b.ProductInBaths = []string{"bath-1"}
	}
	return b
}

func (p *player) preOp() []haccp.PreOp {
	var pre []haccp.PreOp
	if p.chance(60) {
		for _, id := range []string{"clean-seen", "blades-in", "rinse-clear", "tools-out"} {
			pre = append(pre, haccp.PreOp{Item: id, At: p.now, OK: p.chance(95)})
		}
	}
	return pre
}

func (p *player) fix() {
	b := &haccp.FixDone{Point: "wash-chlorine", Place: p.place(), Fix: "add-hypochlorite"}
	if p.chance(20) {
		b.Point = "bath-water"
	}
	if len(p.opened) > 0 && p.chance(50) {
		b.Deviation = pick(p, "case", p.opened...).Deviation
	}
	p.give(p.when(p.command(haccp.KindFixDone, p.monitor(), b)))
}

// part signs a part of a case: mostly the next one wanted, as it should be.
func (p *player) part() {
	if len(p.opened) == 0 {
		return
	}
	d, ok := p.state.Case(pick(p, "case", p.opened...).Deviation)
	if !ok {
		return
	}
	part := pick(p, "part", plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Effectiveness, plan.Closed, haccp.PartFixOnly, haccp.PartTakenInTime)
	if p.chance(80) {
		part = nextPart(p.state, d)
	}
	ask := &haccp.SignPart{DeviationSigned: p.filledPart(d, part)}
	by := pick(p, "signer", mara, milo, lea, mara, milo)
	if p.chance(5) {
		by.Known = haccp.KnownPIN
	}
	p.give(p.command(haccp.AskSignPart, by, ask))
}

func nextPart(s *haccp.State, d *haccp.Deviation) string {
	v := s.Plans[d.PlanVersion-1]
	if missing := d.Missing(v.Plan); len(missing) > 0 {
		return missing[0]
	}
	if d.IsClosed {
		return plan.Effectiveness
	}
	return plan.Closed
}

// filledPart has what every part wants, and a signature on the log as it stands or stood.
func (p *player) filledPart(d *haccp.Deviation, part string) haccp.DeviationSigned {
	g := p.signature(part)
	if p.chance(5) {
		g.Head.Size = max(1, g.Head.Size-int64(rapid.IntRange(1, 10).Draw(p.r, "behind")))
		g.Head.Root = root(g.Head.Size)
	}
	yes := p.chance(50)
	b := haccp.DeviationSigned{Deviation: d.Deviation, Part: part, Signature: g, Cause: "pump", Action: "check it", Restored: "dosed",
		Reason: "looked at", Effective: &yes, Product: &haccp.Product{Evidence: "no product ran"}}
	if part != plan.Effectiveness {
		b.Effective = nil
	}
	return b
}

// amend changes a report; the new body is one of the same keys.
func (p *player) amend() {
	id := p.someReport(haccp.KindReading, haccp.KindReading, haccp.KindReading, haccp.KindLineStopped, haccp.KindFilled, haccp.KindNote)
	if p.chance(60) {
		id = p.someReport(haccp.KindReading)
	}
	e := p.byID[id]
	if e == nil {
		return
	}
	ask := &haccp.Amend{Target: id, Reason: "misread", New: p.newBody(e)}
	by := p.changer(e)
	if p.chance(70) {
		g := p.signature(haccp.MeaningAmend)
		ask.Signature = &g
	}
	p.give(p.command(haccp.AskAmend, by, ask))
}

// changer draws who changes a report: its author, or a manager.
func (p *player) changer(e *haccp.Event) haccp.Actor {
	if p.chance(30) && e.By.Known == haccp.KnownPassword {
		return e.By
	}
	return pick(p, "manager", mara, milo)
}

func (p *player) newBody(e *haccp.Event) any {
	switch b := e.Body.(type) {
	case *haccp.Reading:
		n := *b
		n.Verdicts, n.PlanVersion, n.From = nil, 0, nil
		n.Entries = slices.Clone(b.Entries)
		for i := range n.Entries {
			n.Entries[i].Value, n.Entries[i].Formula = nil, ""
			switch n.Entries[i].Quantity {
			case "free_chlorine":
				n.Entries[i].Read = value(pick(p, "cl", "90", "124", "151"), "mg/L")
			case "ph":
				n.Entries[i].Read = value(pick(p, "ph", "6.4", "6.8", "7.1"), "pH")
			}
		}
		if len(n.Entries) > 1 && p.chance(20) {
			n.Entries = n.Entries[1:]
		}
		return &n
	case *haccp.LineStopped:
		return p.stop()
	case *haccp.Bath:
		n := *b
		n.Note = "amended"
		return &n
	case *haccp.Note:
		n := *b
		n.Text = "amended"
		return &n
	case *material.Received:
		n := *b
		n.Expiry = plan.Date(pick(p, "expiry", "", "2026-03-02", "2027-03-02"))
		return &n
	case *material.Counted:
		n := *b
		n.Quantity = value("7", "L")
		return &n
	case *instrument.Checked:
		n := *b
		n.Result = pick(p, "result", instrument.Results()...)
		return &n
	}
	return nil
}

// supply reports on a lot of a material or on an instrument.
func (p *player) supply() {
	amount := value("20", "L")
	code, tool := pick(p, "material lot", "HYP-1", "HYP-2"), pick(p, "tool", "burette-1", "ph-meter-1", "thermometer-1")
	switch p.even(5, "supply") {
	case 0:
		p.give(p.when(p.command(haccp.KindMaterialReceived, p.lead(), &material.Received{Lot: code, Material: "hypochlorite", Supplier: "S", Quantity: &amount})))
	case 1:
		p.give(p.when(p.command(haccp.KindMaterialCounted, p.lead(), &material.Counted{Lot: code, Quantity: value("12.5", "L"), Reason: "Monday"})))
	case 2:
		p.give(p.when(p.command(haccp.KindInstrumentChecked, p.lead(), &instrument.Checked{Instrument: tool, Result: pick(p, "result", instrument.Results()...)})))
	case 3:
		p.give(p.when(p.command(haccp.KindInstrumentOut, p.lead(), &instrument.Service{Instrument: tool, Reason: "leaks"})))
	default:
		p.give(p.when(p.command(haccp.KindInstrumentBack, p.lead(), &instrument.Service{Instrument: tool})))
	}
}

// void withdraws a report of any kind, with or without a new one in its place.
func (p *player) void() {
	id := p.someReport(reportKinds...)
	if p.chance(40) {
		id = p.someReport(haccp.KindReading)
	}
	e := p.byID[id]
	if e == nil {
		return
	}
	ask := &haccp.Void{Target: id, Reason: "wrong bath"}
	by := p.changer(e)
	if e.Kind == haccp.KindReading && p.chance(40) {
		ask.New = p.drawReading(p.chance(30))
		if p.chance(50) {
			ask.New.At, ask.New.AtKnown = e.At, e.AtKnown
		}
		if p.chance(50) {
			ask.New.Ask = p.newBody(e)
		}
		if ask.New.AtKnown == haccp.AtImported {
			ask.New.AtKnown = haccp.AtTyped
		}
	}
	if p.chance(80) {
		g := p.signature(haccp.MeaningVoid)
		ask.Signature = &g
	}
	p.give(p.command(haccp.AskVoid, by, ask))
}

func (p *player) accept() {
	var typed []string
	for _, e := range p.reports {
		if e.Kind == haccp.KindReading && (e.AtKnown == haccp.AtTyped || p.chance(2)) {
			typed = append(typed, e.ID)
		}
	}
	if len(typed) > 0 {
		p.give(p.command(haccp.AskAcceptTime, pick(p, "manager", mara, milo), &haccp.AcceptTime{Target: pick(p, "typed", typed...), Reason: "seen on paper",
			Signature: p.signature(haccp.MeaningTime)}))
	}
}

func (p *player) review() {
	to := p.state.Size
	p.give(p.command(haccp.AskReview, pick(p, "manager", mara, milo), &haccp.Review{Reviewed: haccp.Reviewed{
		From: max(1, to-int64(rapid.IntRange(0, 6).Draw(p.r, "records"))), To: to, Signature: p.signature(haccp.MeaningReviewed)}}))
}

func (p *player) imports() {
	at := p.now.Add(-time.Duration(rapid.IntRange(1, 20*24*60).Draw(p.r, "ago")) * time.Minute)
	ask := &haccp.Import{Check: "bath-test", Place: p.place(), File: strings.Repeat("ab", 32)}
	for i := range rapid.IntRange(1, 6).Draw(p.r, "rows") {
		at = at.Add(time.Duration(rapid.IntRange(0, 3).Draw(p.r, "gap")) * 10 * time.Minute)
		if at.After(p.now) {
			at = p.now
		}
		ask.Rows = append(ask.Rows, haccp.ImportRow{At: at, Occurrence: 1, Row: int64(i + 2), Values: []haccp.ImportValue{
			{Quantity: "free_chlorine", Value: value(pick(p, "cl", "90", "124", "151"), "mg/L")},
			{Quantity: "salt", Value: value(pick(p, "salt", "10", "30"), "g/L")}}})
	}
	p.give(p.command(haccp.AskImport, pick(p, "by", console, mara), ask))
}

func (p *player) sweep() { p.give(p.command(haccp.AskSweep, timetable, &haccp.Sweep{})) }

// newPlan signs a further version: other limits, another rule of return, a point or the line left out.
func (p *player) newPlan() {
	if p.version >= 5 {
		return
	}
	n := demoPlan(p.t)
	switch p.even(5, "plan") {
	case 0:
		limitOf(n, "wash-chlorine", "free-chlorine").Min = amountOf("95", "mg/L")
	case 1:
		n.Points[0].Ends.InsideInRow = rapid.IntRange(0, 3).Draw(p.r, "row")
	case 2: // the second bath is no longer used
		for i := range n.Points {
			n.Points[i].Places = slices.DeleteFunc(slices.Clone(n.Points[i].Places), func(s string) bool { return s == "bath-2" })
		}
		for i := range n.Checks {
			n.Checks[i].Places = slices.DeleteFunc(slices.Clone(n.Checks[i].Places), func(s string) bool { return s == "bath-2" })
		}
	case 3:
		for i := range n.Checks {
			n.Checks[i].Points = slices.DeleteFunc(slices.Clone(n.Checks[i].Points), func(s string) bool { return s == "bath-water" })
		}
	case 4: // the line has another name from now on
		n.Lines[0].ID = "line-2"
		for i := range n.Places {
			if n.Places[i].Line == "line-1" {
				n.Places[i].Line = "line-2"
			}
		}
	}
	from := p.now.Add(time.Duration(rapid.IntRange(-1, 90).Draw(p.r, "from")) * time.Minute)
	p.give(p.command(haccp.AskSignPlan, pick(p, "by", mara, console), &haccp.SignPlan{From: from, Plan: n, Reason: "better", Source: "y", Signature: p.signature(haccp.MeaningPlan)}))
}

func (p *player) people() {
	ask := &haccp.PersonChange{Change: pick(p, "change", "disabled", "enabled", "enabled", "enabled", "role-given", "role-taken"),
		PersonBody: haccp.PersonBody{Person: pick(p, "who", "teo", "teo", "tina"), Role: pick(p, "role", haccp.RoleTechnician, haccp.RoleLaboratory)}}
	p.give(p.command(haccp.AskPerson, console, ask))
}

func (p *player) other() {
	switch p.even(4, "other") {
	case 0:
		p.give(p.when(p.command(haccp.KindNote, p.monitor(), &haccp.Note{Text: "all well", Place: pick(p, "place", "", "bath-1")})))
	case 1:
		p.give(p.when(p.command(haccp.KindCleanBreak, p.lead(), &haccp.CleanBreak{Line: "line-1", Places: []string{"bath-2", "bath-1", "bath-2"}})))
	case 2:
		p.give(p.command(haccp.AskDevice, console, &haccp.DeviceChange{Change: pick(p, "change", "enrolled", "revoked"),
			DeviceBody: haccp.DeviceBody{Device: pick(p, "device", "probe-1", "tablet-1"), Name: "Tablet"}}))
	default:
		p.give(p.command(haccp.AskSecurity, timetable, &haccp.SecurityHappened{Kind: haccp.KindSignInLocked, PersonBody: haccp.PersonBody{Person: "tina"}}))
	}
}

func amountOf(s, unit string) *plan.Amount {
	return &plan.Amount{Value: quantity.MustDecimal(s), Unit: unit}
}
