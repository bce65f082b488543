package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// lotsRefused reaches what is refused about lots.
func lotsRefused(t *testing.T) {
	w := running(t, lotPlan)
	w.receive("A")
	w.receive("B")
	w.must(haccp.AskLotDispose, mara, &haccp.LotDisposed{Lot: "B", Outcome: plan.Destroy, Reason: "fell off the truck", Where: "compost", Mass: kg("200"), Signature: w.signature("lot-destroy")})
	part := func(code string) haccp.LotPart { return haccp.LotPart{Lot: code} }
	moved := func(change func(*haccp.LotMoved)) *haccp.LotMoved {
		b := &haccp.LotMoved{Lot: "A", Step: "wash-1", Place: "bath-1"}
		change(b)
		return b
	}
	below := quantity.Below(quantity.MustDecimal("5"), "kg")
	disposed := func(change func(*haccp.LotDisposed)) *haccp.LotDisposed {
		b := &haccp.LotDisposed{Lot: "A", Outcome: plan.Release, Reason: "r", Signature: w.signature("lot-release")}
		change(b)
		return b
	}
	for _, x := range []struct {
		kind  string
		by    haccp.Actor
		ask   any
		of    error
		code  string
		field string
	}{
		{haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: "C", Step: "boil"}, haccp.ErrInvalid, "unknown-step", "step"},
		{haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: "C"}, haccp.ErrInvalid, "missing", "step"},
		{haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: "C", Step: "receive", Mass: &below}, haccp.ErrInvalid, "mass-not-exact", "mass"},
		{haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: "C", Step: "receive", Harvested: w.now.Add(time.Hour)}, haccp.ErrInvalid, "harvested-after", "harvested"},
		{haccp.KindLotReceived, lea, &haccp.LotReceived{Lot: "C", Step: "receive", Document: &haccp.Document{Kind: "note", Number: "1", Hash: "x"}}, haccp.ErrInvalid, "bad-hash", "document.hash"},
		{haccp.KindLotEntered, lea, moved(func(b *haccp.LotMoved) { b.Boxes = []haccp.BoxRange{{From: 1, To: 2}} }), haccp.ErrInvalid, "boxes-on-entering", "boxes"},
		{haccp.KindLotLeft, lea, moved(func(b *haccp.LotMoved) { b.Boxes = []haccp.BoxRange{{From: 3, To: 2}} }), haccp.ErrInvalid, "bad-boxes", "boxes[0]"},
		{haccp.KindLotLeft, lea, moved(func(b *haccp.LotMoved) { b.Crew = -1 }), haccp.ErrInvalid, "bad-crew", "crew"},
		{haccp.KindLotLeft, lea, moved(func(b *haccp.LotMoved) { b.Place = "roof" }), haccp.ErrInvalid, "unknown-place", "place"},
		{haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit}, haccp.ErrInvalid, "bad-feed", "from"},
		{haccp.KindLotFed, lea, &haccp.LotFed{How: "poured", From: []haccp.LotPart{part("A")}, To: []haccp.LotPart{part("C")}}, haccp.ErrInvalid, "bad-how", "how"},
		{haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit, From: []haccp.LotPart{part("A")}, To: []haccp.LotPart{part("A")}}, haccp.ErrInvalid, "lot-twice", "to[0].lot"},
		{haccp.KindLotFed, lea, &haccp.LotFed{How: haccp.FedSplit, From: []haccp.LotPart{part("A")}, To: []haccp.LotPart{{Lot: "C", All: true}}}, haccp.ErrInvalid, "all-of-to", "to[0].all"},
		{haccp.KindLotRemoved, lea, &haccp.LotRemoved{Lot: "A", What: "eaten"}, haccp.ErrInvalid, "bad-what", "what"},
		{haccp.KindPlaceEmptied, lea, &haccp.PlaceEmptied{Place: "bath-1"}, haccp.ErrInvalid, "carries-nothing", "place"},
		{haccp.AskLotEnter, lea, moved(func(b *haccp.LotMoved) { b.Lot = "nobody knows" }), haccp.ErrConflict, "step-lacks", ""},
		{haccp.AskLotHold, tina, &haccp.LotHeld{Reason: "r"}, haccp.ErrInvalid, "bad-lots", "lots"},
		{haccp.AskLotHold, tina, &haccp.LotHeld{Reason: "r", Lots: []haccp.HeldLot{{Lot: "nobody knows"}}}, haccp.ErrNotFound, "unknown-lot", "lots[0]"},
		{haccp.AskLotEvaluate, mara, &haccp.LotEvaluated{Lot: "A", Facts: "f", Basis: "b", Decision: "maybe", Signature: w.signature(haccp.MeaningLotEvaluated)}, haccp.ErrInvalid, "bad-decision", "decision"},
		{haccp.AskLotReview, mara, &haccp.LotReviewed{Lot: "nobody knows", Signature: w.signature(haccp.MeaningLotReviewed)}, haccp.ErrNotFound, "unknown-lot", "lot"},
		{haccp.AskLotDispose, mara, disposed(func(b *haccp.LotDisposed) { b.Outcome = "eat" }), haccp.ErrInvalid, "bad-outcome", "outcome"},
		{haccp.AskLotDispose, mara, disposed(func(*haccp.LotDisposed) {}), haccp.ErrConflict, "release-lacks", ""},
		{haccp.AskLotDispose, lea, disposed(func(*haccp.LotDisposed) {}), haccp.ErrForbidden, "role-may-not-sign", ""},
		{haccp.AskLotDispose, mara, disposed(func(b *haccp.LotDisposed) { b.Lot = "B" }), haccp.ErrConflict, "disposed-already", ""},
		{haccp.AskLotShip, lea, &haccp.LotShipped{Lot: "A", Mass: kg("1"), Consignee: haccp.Party{Name: "Buyer"}}, haccp.ErrConflict, "not-released", "lot"},
		{haccp.AskLotShip, tina, &haccp.LotShipped{Lot: "A", Mass: kg("1"), Consignee: haccp.Party{Name: "Buyer"}}, haccp.ErrForbidden, "role-may-not", ""},
	} {
		holdRefusal(t, w, refusalCase{x.code, x.field, x.of, func(w *world) *haccp.Command { return w.command(x.kind, x.by, x.ask) }})
	}
}
