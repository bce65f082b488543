package api

import (
	"testing"
	"time"
)

// TestBoxTrace asks for everything that touched a box in one call, forwards for every consignee, and for the evidence.
func TestBoxTrace(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, tina, mara := w.as("lea"), w.as("tina"), w.as("mara")
	kg := func(n string) obj { return obj{"value": n, "unit": "kg"} }
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": kg("200"), "source": obj{"name": "North field", "field": "7"}}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(5 * time.Minute)
	tina.do("POST", "/readings", reading()).want(201)
	w.later(5 * time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	lea.do("POST", "/lots/fed", obj{"id": id(), "how": "split", "step": "shred", "from": []obj{{"lot": "F-1", "mass": kg("180"), "all": true}},
		"to": []obj{{"lot": "G-1", "mass": kg("100")}, {"lot": "G-2", "mass": kg("79.5")}}}).want(201)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "dose", "place": "shredder",
		"materials": []obj{{"material": "ascorbic-acid", "lot": "AA-77", "amount": kg("0.3")}}}).want(201)
	w.later(time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "fill", "place": "filler", "boxes": []obj{{"prefix": "X", "from": 101, "to": 140}}}).want(201)
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-1", "mass": kg("60"), "boxes": []obj{{"prefix": "X", "from": 101, "to": 124}}, "consignee": obj{"name": "Buyer A"}}).want(201)
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-1", "mass": kg("39.25"), "boxes": []obj{{"prefix": "X", "from": 125, "to": 140}}, "consignee": obj{"name": "Buyer B"}}).want(201)

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
