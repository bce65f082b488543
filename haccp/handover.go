package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/alarm"
	"linewarden/haccp/shift"
)

// The kinds of records and commands of a handover at the change of shift.
const (
	KindShiftHandedOver = "shift.handed-over"
	KindShiftAccepted   = "shift.accepted"

	AskShiftHandOver = "shift.hand-over" // *shift.HandedOver: line, to and note
	AskShiftAccept   = "shift.accept"    // *shift.Accepted
)

// Handovers returns the newest handovers, oldest first.
func (s *State) Handovers() []shift.Handover { return s.handovers }

// OpenAt lists what stands open on a line at a moment: cases, checks due or due soon, running clocks, lots on hold, alerts.
// What belongs to no line is in the list of each; no line: of the whole site.
func (s *State) OpenAt(line string, now time.Time) shift.Open {
	var o shift.Open
	of := func(place string) bool {
		own := s.LineOf(place)
		if s.everLine(place) != nil { // a start without proof lies at the line itself
			own = place
		}
		return line == "" || own == "" || own == line
	}
	for _, d := range s.Cases() {
		if of(d.Place) {
			o.Deviations = append(o.Deviations, d.Deviation)
		}
	}
	for _, d := range s.DueList(now) {
		if of(d.Place) && (d.State != DueUpcoming || d.Due.Sub(now) <= shift.Ahead) {
			o.Dues = append(o.Dues, shift.Due{Check: d.Check, Due: d.Due, Place: d.Place, State: d.State})
		}
	}
	for _, x := range s.RunningClocks() {
		if of(x.Place) {
			o.Clocks = append(o.Clocks, shift.Clock{Lot: x.Lot, Point: x.Point, LimitAt: x.LimitAt})
		}
	}
	for _, l := range s.Lots() {
		if l.State() == LotOnHold {
			o.Holds = append(o.Holds, l.Code)
		}
	}
	for _, a := range alarm.OpenFirst(s.Alerts()) {
		if a.Open() && (line == "" || a.Line == "" || a.Line == line) {
			o.Alerts = append(o.Alerts, a.Alert)
		}
	}
	o.Cut()
	return o
}

// shiftHandOver gives what stands open on a line over to somebody else, by name.
func (d *deciding) shiftHandOver(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*shift.HandedOver)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if ask.Line != "" && d.everLine(ask.Line) == nil {
		return invalid("line", "unknown-line", "no plan version of this site has a line %q", ask.Line)
	}
	if err := short("note", ask.Note); err != nil {
		return err
	}
	p, ok := d.people.get(ask.To)
	switch {
	case !ok || p.DisabledNow():
		return refuse(ErrNotFound, "to", "unknown-person", "there is nobody %q here who could take it on", ask.To)
	case p.ID == d.cmd.By.ID:
		return refuse(ErrConflict, "to", "to-oneself", "a shift is handed over to somebody else")
	case !slices.ContainsFunc(p.RolesNow(), func(r string) bool { return d.May(r, AskShiftAccept, d.now) }):
		return refuse(ErrConflict, "to", "cannot-take-over", "%s has no role that may take a shift over", p.Name)
	}
	b := &shift.HandedOver{Handover: uuid5("handover", d.Site.Site, d.cmd.ID), Line: ask.Line, Note: ask.Note, Open: d.OpenAt(ask.Line, d.now), To: p.ID, ToName: p.Name}
	return d.emit(&Event{Kind: KindShiftHandedOver, At: d.now, AtKnown: AtServer, About: []string{"shift", "handover:" + b.Handover}, Body: b})
}

// shiftAccept accepts a handover. Alerts that the other had taken on go over with it.
func (d *deciding) shiftAccept(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*shift.Accepted)
	if !ok {
		return wrongAsk(d.cmd)
	}
	h, known := shift.Find(d.handovers, ask.Handover)
	switch {
	case !known:
		return refuse(ErrNotFound, "handover", "unknown-handover", "there is no such handover of late")
	case h.To != d.cmd.By.ID:
		return refuse(ErrForbidden, "handover", "handover-of-another", "this was handed over to %s, who alone can accept it", h.ToName)
	case !h.Waits():
		return refuse(ErrConflict, "handover", "handover-done", "this handover was accepted already, or another took its place")
	}
	if err := short("note", ask.Note); err != nil {
		return err
	}
	own := *ask
	if err := d.emit(&Event{Kind: KindShiftAccepted, At: d.now, AtKnown: AtServer, About: []string{"shift", "handover:" + h.HandedOver.Handover}, Body: &own}); err != nil {
		return err
	}
	held := d.alertsWhere(h.Open.Alerts, func(a *alarm.Alert) bool { return a.Open() && a.Ack != nil && a.Ack.By == h.By })
	if len(held) == 0 {
		return nil
	}
	return d.emitAlert(KindAlertHandedOver, held, &alarm.HandedOver{Alerts: held, To: d.cmd.By.ID, ToName: d.cmd.By.Name})
}

// foldShift folds a handover or that it was accepted.
func (s *State) foldShift(e *Event) {
	switch b := e.Body.(type) {
	case *shift.HandedOver:
		s.handovers = shift.HandOver(s.handovers, shift.Handover{HandedOver: *b, Seq: e.Seq, At: e.At, By: e.By.ID, ByName: e.By.Name})
	case *shift.Accepted:
		s.handovers = shift.Accept(s.handovers, b, e.At)
	}
}
