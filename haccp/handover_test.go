package haccp_test

import (
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/shift"
)

func handoverRefusals() []refusalCase {
	give := func(to, line string) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			return w.command(haccp.AskShiftHandOver, lea, &shift.HandedOver{Line: line, To: to})
		}
	}
	take := func(by haccp.Actor, before func(*world, string)) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			id := w.must(haccp.AskShiftHandOver, lea, &shift.HandedOver{Line: "line-1", To: "tina"})[0].Body.(*shift.HandedOver).Handover
			before(w, id)
			return w.command(haccp.AskShiftAccept, by, &shift.Accepted{Handover: id})
		}
	}
	return []refusalCase{
		{"unknown-line", "line", haccp.ErrInvalid, give("tina", "line-9")},
		{"unknown-person", "to", haccp.ErrNotFound, give("nobody", "line-1")},
		{"to-oneself", "to", haccp.ErrConflict, give("lea", "line-1")},
		{"cannot-take-over", "to", haccp.ErrConflict, give("ada", "line-1")},
		{"unknown-handover", "handover", haccp.ErrNotFound, func(w *world) *haccp.Command {
			return w.command(haccp.AskShiftAccept, tina, &shift.Accepted{Handover: "x"})
		}},
		{"handover-of-another", "handover", haccp.ErrForbidden, take(lea, func(*world, string) {})},
		{"handover-done", "handover", haccp.ErrConflict, take(tina, func(w *world, id string) {
			w.must(haccp.AskShiftAccept, tina, &shift.Accepted{Handover: id})
		})},
		{"handover-done", "handover", haccp.ErrConflict, take(tina, func(w *world, _ string) {
			w.must(haccp.AskShiftHandOver, lea, &shift.HandedOver{Line: "line-1", To: "teo"})
		})},
	}
}

// What stands open goes over by name, with the alerts that the other had taken on; every step is replayed and compared
// by the world.
func TestShiftGoesOverByName(t *testing.T) {
	w := running(t)
	mine, others := w.raise("outside:1", alarm.Critical), w.raise("outside:2", alarm.Warning)
	w.must(haccp.AskAcknowledge, lea, &alarm.Acknowledged{Alerts: []string{mine}, Doing: "adding product"})
	w.must(haccp.AskAcknowledge, teo, &alarm.Acknowledged{Alerts: []string{others}, Doing: "looking"})
	w.at(30 * time.Minute)
	opened := w.must(haccp.KindReading, tina, bathTest("bath-1", "62", "6.80"))[1].Body.(*haccp.DeviationOpened).Deviation
	w.at(time.Minute)
	given := w.must(haccp.AskShiftHandOver, lea, &shift.HandedOver{Line: "line-1", To: "tina", Note: "product is on its way", Open: shift.Open{Alerts: []string{"made up"}}})
	b, _ := given[0].Body.(*shift.HandedOver)
	if len(b.Open.Deviations) != 1 || b.Open.Deviations[0] != opened {
		t.Errorf("deviations: %v", b.Open.Deviations)
	}
	if !slices.Equal(b.Open.Alerts, []string{mine, others}) {
		t.Errorf("alerts: %v, want %v", b.Open.Alerts, []string{mine, others})
	}
	if !slices.ContainsFunc(b.Open.Dues, func(d shift.Due) bool { return d.Place == "bath-1" }) {
		t.Errorf("nothing is due at the bath: %+v", b.Open.Dues)
	}
	if b.ToName != "TINA" {
		t.Errorf("to %q", b.ToName)
	}
	w.at(time.Minute)
	taken := w.must(haccp.AskShiftAccept, tina, &shift.Accepted{Handover: b.Handover, Note: "seen"})
	if got := kinds(taken); !slices.Equal(got, []string{haccp.KindShiftAccepted, haccp.KindAlertHandedOver}) {
		t.Fatalf("accepting gave %v", got)
	}
	for id, by := range map[string]string{mine: "tina", others: "teo"} {
		if a, _ := w.state.AlertByID(id); a.Ack.By != by {
			t.Errorf("alert %s is with %s, want %s", id, a.Ack.By, by)
		}
	}
	list := w.state.Handovers()
	if len(list) != 1 || list[0].Waits() || list[0].By != "lea" || !list[0].AcceptedAt.Equal(w.now) || list[0].Reply != "seen" {
		t.Errorf("%+v", list)
	}
	for range shift.Keep + 5 {
		w.at(time.Second)
		w.must(haccp.AskShiftHandOver, lea, &shift.HandedOver{Line: "line-1", To: "tina"})
	}
	waits := 0
	for _, h := range w.state.Handovers() {
		if h.Waits() {
			waits++
		}
	}
	if n := len(w.state.Handovers()); n != shift.Keep || waits != 1 {
		t.Errorf("%d handovers are known, %d wait", n, waits)
	}
}
