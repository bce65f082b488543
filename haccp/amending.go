package haccp

import (
	"slices"

	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
)

// amendable kinds are reports whose body may be replaced.
var amendable = []string{KindReading, KindFilled, KindAdded, KindPartReplaced, KindDrained, KindCleaned, KindLineStopped, KindNote,
	KindLotReceived, KindLotEntered, KindLotLeft, KindLotFed, KindLotRemoved, KindMaterialReceived, KindMaterialCounted, KindInstrumentChecked}

// voidable kinds are reports that may be withdrawn.
var voidable = append([]string{KindInService, KindOutOfService, KindCleanBreak, KindLineStarted, KindFixDone, KindPlaceEmptied, KindInstrumentOut, KindInstrumentBack}, amendable...)

// amend decides the replacement of the body of one report. Kind, time, keys and author stay.
func (d *deciding) amend(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*Amend)
	if !ok {
		return wrongAsk(d.cmd)
	}
	t, err := d.changeable(ask.Target, ask.Reason, amendable)
	if err != nil {
		return err
	}
	next, err := d.amendedBody(t, ask.New)
	if err != nil {
		return within("new", err)
	}
	sig, err := d.approve(t, ask.Signature, MeaningAmend, next.better)
	if err != nil {
		return err
	}
	return d.emit(&Event{Kind: KindAmended, About: slices.Clone(t.event.About), At: t.event.At, AtKnown: t.event.AtKnown, Amends: ask.Target,
		Findings: next.findings, Body: &Amended{New: next.body, Reason: ask.Reason, Signature: sig, Target: ask.Target, TargetKind: t.event.Kind}})
}

// changeable finds the report to change and refuses what may not be changed.
func (d *deciding) changeable(id, reason string, kinds []string) (*target, error) {
	t := targetOf(id, d.facts)
	if t == nil {
		return nil, refuse(ErrNotFound, "target", "unknown-report", "there is no report %q", id)
	}
	switch {
	case !slices.Contains(kinds, t.event.Kind):
		return nil, refuse(ErrConflict, "target", "not-changeable", "a record of the kind %s is not changed this way", t.event.Kind)
	case t.voided:
		return nil, refuse(ErrConflict, "target", "voided", "this report is void")
	}
	t.reviewed = d.reviewed(t.event.Seq)
	return t, wanted("reason", reason)
}

// reviewed reports whether a signed review covers a record.
func (d *deciding) reviewed(seq int64) bool {
	for _, r := range d.Reviews {
		if seq >= r.From && seq <= r.To {
			return true
		}
	}
	return false
}

// lastChange is the seq of the newest record about a report: its own, or that of its last amendment.
func (d *deciding) lastChange(t *target) int64 {
	last := t.event.Seq
	for _, r := range targetRanges(t.event) {
		for _, x := range d.facts.Ranges[r] {
			if x.Amends == t.event.ID {
				last = max(last, x.Seq)
			}
		}
	}
	return last
}

// approve returns the signature a change needs: none for one's own report, before review, where no verdict
// becomes better; else the manager's, who may not be the author.
func (d *deciding) approve(t *target, g *Signature, meaning string, better bool) (*Signature, error) {
	own := t.event.By.ID == d.cmd.By.ID
	if own && !t.reviewed && !better && g == nil {
		return nil, nil
	}
	switch {
	case g == nil && own && better:
		return nil, refuse(ErrForbidden, "signature", "better-wants-manager", "this change makes a verdict better: it needs the signature of a manager who is not its author")
	case g == nil:
		return nil, refuse(ErrForbidden, "signature", "wants-manager", "this change needs the signature of a manager who is not the author of the report")
	case d.cmd.By.Role != RoleManager:
		return nil, refuse(ErrForbidden, "signature", "wants-manager", "only a manager signs a change of another person's report")
	case own:
		return nil, refuse(ErrForbidden, "signature", "own-report", "nobody signs a change of a report of their own")
	}
	if err := d.checkSignature(g, meaning); err != nil {
		return nil, err
	}
	if d.lastChange(t) > g.Head.Size {
		return nil, refuse(ErrConflict, "signature.head", "changed-since", "this report was recorded or changed after the head you were shown: look again before you sign")
	}
	sig, err := d.covered(g, []int64{t.event.Seq})
	if err != nil {
		return nil, err
	}
	return &sig, nil
}

// amended is the new body of a report, what is odd about it, and whether it makes a verdict better.
type amended struct {
	body     any
	findings []Finding
	better   bool
}

// amendedBody checks the new body as a report of the old kind. The command's own body is left as it is.
func (d *deciding) amendedBody(t *target, body any) (*amended, error) {
	was := *d.cmd
	defer func() { *d.cmd = was }()
	d.cmd.Kind, d.cmd.At, d.cmd.AtKnown, d.cmd.Until = t.event.Kind, t.event.At, t.event.AtKnown, t.event.Until
	if !sameMaterials(t.body, body) {
		return nil, otherKeys()
	}
	switch n := body.(type) {
	case *material.Received, *material.Counted, *instrument.Checked:
		return d.amendedSupply(t, n)
	case *Reading:
		return d.amendedReading(t, n)
	case *Bath:
		old, ok := t.body.(*Bath)
		if !ok || n.Place != old.Place || n.Filling != old.Filling {
			return nil, otherKeys()
		}
		return &amended{body: n, findings: d.bathFindings(n)}, d.checkBath(n, t.event.Kind)
	case *LineStopped:
		old, ok := t.body.(*LineStopped)
		if !ok || n.Line != old.Line {
			return nil, otherKeys()
		}
		emptied := func(place string) bool { return !slices.Contains(n.ProductInBaths, place) }
		return &amended{body: n, better: slices.ContainsFunc(old.ProductInBaths, emptied)}, d.checkStop(n)
	case *LotReceived, *LotMoved, *LotFed, *LotRemoved:
		return d.amendedLot(t, n)
	case *Note:
		old, ok := t.body.(*Note)
		if !ok || n.Place != old.Place {
			return nil, otherKeys()
		}
		return &amended{body: n}, wanted("text", n.Text)
	}
	return nil, otherKeys()
}

func (d *deciding) amendedReading(t *target, n *Reading) (*amended, error) {
	old, ok := t.body.(*Reading)
	if !ok || n.Check != old.Check || n.Place != old.Place || !slices.Equal(n.Lots, old.Lots) {
		return nil, otherKeys()
	}
	own := *n
	own.Filling, own.From, own.Repeats = old.Filling, old.From, old.Repeats
	if own.Span == nil {
		own.Span = old.Span
	}
	j, err := d.judged(&own, nil)
	if err != nil {
		return nil, err
	}
	return &amended{j.body, j.findings, better(old.Verdicts, j.body.Verdicts) || d.countsNow(old, j.body)}, nil
}

// countsNow reports whether a reading would bound spans of a limit that it did not bound before, because
// it names the instrument of record now.
func (d *deciding) countsNow(old, n *Reading) bool {
	v := d.numbered(n.PlanVersion)
	if v == nil {
		return false
	}
	return slices.ContainsFunc(n.Verdicts, func(x control.Verdict) bool {
		l := control.FindLimit(v.Plan, x.Point, x.Limit)
		return l != nil && l.Instrument != "" && instrumentOf(n, l.Quantity) == l.Instrument && instrumentOf(old, l.Quantity) != l.Instrument
	})
}

func otherKeys() error {
	return invalid("", "other-keys", "an amendment keeps kind, time, place, check and lots: for a wrong one, void the report and give a new one")
}

// severity orders the verdicts of one limit from good to bad: what is not evaluated proves nothing, what is
// outside proves the contrary.
var severity = []string{control.Inside, control.NotEvaluated, control.Act, control.Outside}

// better reports whether any verdict improves or vanishes.
func better(old, now []control.Verdict) bool {
	return slices.ContainsFunc(old, func(o control.Verdict) bool {
		i := slices.IndexFunc(now, func(n control.Verdict) bool { return n.Point == o.Point && n.Limit == o.Limit })
		return i < 0 || slices.Index(severity, now[i].Verdict) < slices.Index(severity, o.Verdict)
	})
}

// void decides the withdrawal of a report, with an optional new report in its place.
func (d *deciding) void(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*Void)
	if !ok {
		return wrongAsk(d.cmd)
	}
	t, err := d.changeable(ask.Target, ask.Reason, voidable)
	if err != nil {
		return err
	}
	isBetter := voidIsBetter(t.body)
	var next *replacing
	if ask.New != nil {
		if next, err = d.tryReplacing(t, ask.New); err != nil {
			return within("new", err)
		}
		isBetter = d.togetherBetter(t, next)
	}
	sig, err := d.approve(t, ask.Signature, MeaningVoid, isBetter)
	if err != nil {
		return err
	}
	body := &Voided{Reason: ask.Reason, Signature: sig, Target: ask.Target, TargetKind: t.event.Kind}
	if next != nil {
		body.ReplacedBy = RecordID(d.cmd.ID, 1)
	}
	err = d.emit(&Event{Kind: KindVoided, About: slices.Clone(t.event.About), At: t.event.At, AtKnown: t.event.AtKnown, Amends: ask.Target, Body: body})
	if err != nil || next == nil {
		return err
	}
	was := d.cmd
	d.cmd = next.cmd
	err = deciders[next.cmd.Kind].run(d, next.findings)
	d.cmd = was
	return err
}

// voidIsBetter reports whether voiding counts as making a verdict better: always, unless every verdict of
// the voided report was inside.
func voidIsBetter(body any) bool {
	r, ok := body.(*Reading)
	if !ok {
		return true
	}
	return len(r.Verdicts) == 0 || slices.ContainsFunc(r.Verdicts, func(v control.Verdict) bool { return v.Verdict != control.Inside })
}

// replacing is the new report of a void: its command, its findings, and its records as tried on a fork.
type replacing struct {
	cmd      *Command
	findings []Finding
	tried    []*Event
}

// tryReplacing decides the new report of a void on a fork, to see its verdicts and whether it is refused.
func (d *deciding) tryReplacing(t *target, n *Command) (*replacing, error) {
	decide, ok := deciders[n.Kind]
	if !ok || !decide.report || n.Kind != t.event.Kind {
		return nil, invalid("kind", "other-kind", "the new report must be of the kind %s", t.event.Kind)
	}
	cmd := *n
	cmd.ID, cmd.By, cmd.Device = d.cmd.ID, d.cmd.By, d.cmd.Device
	x := &deciding{State: d.Fork(), cmd: &cmd, facts: d.facts, now: d.now, clock: d.clock, changes: changes{}, ordinal: 1}
	if err := x.checkTime(); err != nil {
		return nil, err
	}
	if err := x.checkEnvelope(); err != nil {
		return nil, err
	}
	findings, err := x.checkActor(&cmd, true, d.now)
	if err != nil {
		return nil, err
	}
	findings = append(findings, x.timeFindings()...)
	if err := decide.run(x, slices.Clone(findings)); err != nil {
		return nil, err
	}
	return &replacing{&cmd, findings, x.events}, nil
}

// togetherBetter judges the void and the new report together: the new one must be at least as bad at every
// limit.
func (d *deciding) togetherBetter(t *target, n *replacing) bool {
	old, ok := t.body.(*Reading)
	if !ok {
		return true
	}
	now, ok := n.tried[0].Body.(*Reading)
	if !ok || now.Place != old.Place || now.Check != old.Check || !n.cmd.At.Equal(t.event.At) {
		return voidIsBetter(old)
	}
	return better(old.Verdicts, now.Verdicts)
}
