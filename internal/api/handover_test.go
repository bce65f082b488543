package api

import "testing"

// A shift goes over by name: only the person named accepts it, and once.
func TestHandoverOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	tina, mara := w.as("tina"), w.as("mara")
	tina.do("POST", "/handovers", obj{"id": id(), "line": "line-1", "to": "tina"}).want(409)
	tina.do("POST", "/handovers", obj{"id": id(), "line": "line-9", "to": "mara"}).want(422)
	tina.do("POST", "/handovers", obj{"id": id(), "line": "line-1", "to": "mara", "note": "bath 1 is slow"}).want(201)
	list := mara.do("GET", "/handovers?line=line-1", nil).want(200).object()
	h := list["handovers"].([]any)[0].(obj)
	if h["by"] != "tina" || h["to"] != "mara" || h["note"] != "bath 1 is slow" || h["accepted_at"] != nil {
		t.Fatalf("%v", h)
	}
	if dues := list["open"].(obj)["dues"].([]any); len(dues) == 0 {
		t.Error("nothing is due on a running line")
	}
	accept := "/handovers/" + h["handover"].(string) + "/accept"
	tina.do("POST", accept, obj{"id": id()}).want(403)
	mara.do("POST", accept, obj{"id": id(), "note": "seen"}).want(201)
	mara.do("POST", accept, obj{"id": id()}).want(409)
	if h := mara.do("GET", "/handovers", nil).want(200).object()["handovers"].([]any)[0].(obj); h["accepted_at"] == nil || h["reply"] != "seen" {
		t.Errorf("%v", h)
	}
}
