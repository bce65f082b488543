package haccp_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// Lots that are done with leave the state and come back from the log for a fact received late: a report about one, and
// a low reading drawn while one was in the bath. Every command is folded again and compared.
func TestForgottenLots(t *testing.T) {
	w := running(t, lotPlan)
	first := w.now
	const days = 20
	for day := range days {
		w.now = first.Add(time.Duration(day) * 24 * time.Hour)
		code := fmt.Sprintf("L%02d", day)
		w.receive(code)
		if day > 0 {
			w.test("124")
		}
		w.in(code, "wash-1", "bath-1")
		w.at(20 * time.Minute)
		w.out(code, "wash-1", "bath-1")
		w.test("124")
		w.must(haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit, Step: "shred", From: []haccp.LotPart{{Lot: code, All: true}}, To: []haccp.LotPart{{Lot: code + "G", Mass: kg("90")}}})
		w.must(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: code + "G", Outcome: plan.Destroy, Reason: "trial run", Where: "compost", Mass: kg("90"), Signature: w.signature("lot-destroy")})
	}
	if n := len(w.state.Lots()); n > 2*9 {
		t.Fatalf("%d lots in the state after %d days", n, days)
	}
	if _, held := w.state.Lot("L02G"); held {
		t.Fatal("L02G is not forgotten")
	}
	late := func(kind string, by haccp.Actor, ask any, at time.Time) []*haccp.Event {
		c := w.command(kind, by, ask)
		c.At, c.LateReason = at, "found in a drawer"
		events, err := w.try(c)
		if err != nil {
			t.Fatal(err)
		}
		return events
	}
	second := first.Add(2 * 24 * time.Hour)
	got := late(haccp.KindLotRemoved, lea, &haccp.LotRemoved{Lot: "L02", What: haccp.RemovedTrim, Mass: kg("3")}, second.Add(10*time.Minute))
	if slices.ContainsFunc(got[0].Findings, func(f haccp.Finding) bool { return f.Code == haccp.FindingUnknownLot }) {
		t.Fatalf("%+v", got[0].Findings)
	}
	late(haccp.KindFixDone, tina, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite"}, second.Add(12*time.Minute))
	held := heldIn(late(haccp.KindReading, tina, bathTest("bath-1", "60", "6.80"), second.Add(10*time.Minute)))
	if !slices.Contains(held, "L02") || !slices.Contains(held, "L02G") {
		t.Fatalf("held: %v", held)
	}
	if slices.Contains(held, "L05") {
		t.Errorf("a lot of three days later was put on hold: %v", held)
	}
	again := heldIn(late(haccp.KindReading, tina, bathTest("bath-1", "61", "6.80"), second.Add(11*time.Minute)))
	if slices.Contains(again, "L02") {
		t.Errorf("put on hold twice for the same case: %v", again)
	}
}
