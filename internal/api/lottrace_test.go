package api

import (
	"testing"
)

// TestBoxTrace asks for everything that touched a box in one call, forwards for every consignee, and for the evidence.
func TestBoxTrace(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.shippedLots()
	mara := w.as("mara")

	got := mara.do("GET", "/boxes/127/trace?prefix=X", nil).want(200).object()
	trace := got["trace"].(obj)
	if lots := got["lots"].([]any); len(lots) != 1 || lots[0] != "G-1" || len(trace["lots"].([]any)) != 2 {
		t.Fatalf("%v", got)
	}
	if in := trace["received"].([]any); len(in) != 1 || in[0].(obj)["lot"] != "F-1" || in[0].(obj)["kg"] != "200" || in[0].(obj)["source"].(obj)["field"] != "7" {
		t.Errorf("%v", in)
	}
	if x := trace["materials"].([]any); len(x) != 1 || x[0].(obj)["lot"] != "AA-77" {
		t.Errorf("%v", x)
	}
	if x := got["shipped"].([]any); len(x) != 1 || x[0].(obj)["body"].(obj)["consignee"].(obj)["name"] != "Buyer B" {
		t.Errorf("%v", x)
	}
	read := 0
	for _, x := range got["evidence"].([]any) {
		if e := x.(obj); e["lot"] == "F-1" && e["place"] == "bath-1" && e["point"] == "wash-chlorine" {
			read = len(e["during"].([]any))
		}
	}
	if read != 1 {
		t.Errorf("%d readings over the time in the bath, want 1", read)
	}
	if people := got["people"].([]any); len(people) < 2 {
		t.Errorf("%v", people)
	}
	mara.do("GET", "/boxes/99/trace?prefix=X", nil).problem(404, "unknown-box", "number")
	mara.do("GET", "/boxes/127/trace", nil).problem(404, "unknown-box", "number")
	mara.do("GET", "/boxes/x/trace", nil).problem(422, "bad-number", "number")

	// Forwards from the field lot: every box and consignee. Of 200 kg 20 are missing from F-1 and 0.5 went astray in the
	// split; of G-1 0.75 and of G-2 79.5 kg are left.
	fwd := mara.do("GET", "/lots/F-1/trace?direction=forward", nil).want(200).object()
	to := fwd["consigned"].([]any)
	if len(to) != 2 || to[0].(obj)["kg"] != "60" || to[0].(obj)["boxes"] != 24.0 || to[1].(obj)["kg"] != "39.25" || to[1].(obj)["boxes"] != 16.0 {
		t.Errorf("%v", to)
	}
	if b := fwd["boxes"].([]any); len(b) != 1 || b[0].(obj)["to"] != 140.0 || b[0].(obj)["lot"] != "G-1" {
		t.Errorf("%v", b)
	}
	if total := fwd["total"].(obj); total["unexplained_kg"] != "20.5" || total["left_kg"] != "80.25" || total["removed_kg"].(obj)["shipped"] != "99.25" {
		t.Errorf("%v", total)
	}
	exp := mara.do("GET", "/lots/F-1/exposure", nil).want(200).object()
	if len(exp["exposure"].([]any)) == 0 {
		t.Errorf("%v", exp)
	}
	mara.do("GET", "/lots/none/exposure", nil).problem(404, "unknown-lot", "")
}
