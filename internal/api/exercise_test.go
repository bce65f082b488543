package api

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
)

// shippedLots makes two lots of gel from one field lot, fills 40 boxes of the first and ships them to two buyers: of 200 kg
// 20 are missing from F-1, 0.5 went astray in the split, 0.75 of G-1 and the 79.5 of G-2 are there by the books.
func (w *world) shippedLots() {
	lea := w.as("lea")
	kg := func(n string) obj { return amount(n, "kg") }
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "product": "leaves", "mass": kg("200"), "source": obj{"name": "North field", "field": "7"}}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(5 * time.Minute)
	w.as("tina").do("POST", "/readings", reading()).want(201)
	w.later(5 * time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	lea.do("POST", "/lots/fed", obj{"id": id(), "how": "split", "step": "shred", "from": []obj{{"lot": "F-1", "mass": kg("180"), "all": true}},
		"to": []obj{{"lot": "G-1", "mass": kg("100")}, {"lot": "G-2", "mass": kg("79.5")}}}).want(201)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "dose", "place": "shredder",
		"materials": []obj{{"material": "ascorbic-acid", "lot": "AA-77", "amount": kg("0.3")}}}).want(201)
	w.later(time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "fill", "place": "filler", "boxes": []obj{{"prefix": "X", "from": 101, "to": 140}}}).want(201)
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-1", "mass": kg("60"), "boxes": []obj{{"prefix": "X", "from": 101, "to": 124}},
		"consignee": obj{"name": "Buyer A"}, "document": obj{"kind": "delivery note", "number": "17"}}).want(201)
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-1", "mass": kg("39.25"), "boxes": []obj{{"prefix": "X", "from": 125, "to": 140}}, "consignee": obj{"name": "Buyer B"}}).want(201)
}

// TestExercise: one is started from a box, shows what the records say, is signed by the role that the plan names and no
// other, and stays as it was signed; its time runs from the server's start to the server's end.
func TestExercise(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.shippedLots()
	tina, lea, mara, aldo := w.as("tina"), w.as("lea"), w.as("mara"), w.as("aldo")
	start := obj{"id": id(), "reason": "planned for March", "kind": "box", "code": "X", "number": 127}
	tina.do("POST", "/exercises", start).problem(403, "role-may-not", "")
	lea.do("POST", "/exercises", obj{"id": id(), "reason": "r", "kind": "box", "code": "X", "number": 99}).problem(404, "unknown-subject", "subject")
	lea.do("POST", "/exercises", obj{"id": id(), "reason": "r", "kind": "pallet", "code": "X"}).want(422)
	lea.do("POST", "/exercises", obj{"id": id(), "reason": " ", "kind": "lot", "code": "F-1"}).problem(422, "missing", "reason")
	lea.do("POST", "/exercises", start).want(201)
	lea.do("POST", "/exercises", start).want(200) // the same again
	w.later(95 * time.Minute)
	lea, mara, aldo = w.as("lea"), w.as("mara"), w.as("aldo") // sessions end when nobody does anything
	list := aldo.do("GET", "/exercises", nil).want(200).object()["exercises"].([]any)
	if len(list) != 1 || list[0].(obj)["status"] != "open" || list[0].(obj)["in_time"] != true {
		t.Fatalf("%v", list)
	}
	at := "/exercises/" + list[0].(obj)["id"].(string)
	now := aldo.do("GET", at, nil).want(200).object()["now"].(obj)
	back, fwd, bal := now["backward"].(obj), now["forward"].(obj), now["balance"].(obj)
	if fmt.Sprintf("%v %v %v %v", back["field_lots"], back["sources"], back["materials"], back["received"].(obj)["value"]) != "[F-1] [North field] [AA-77] 200" || back["lots"] != 2.0 {
		t.Errorf("%v", back)
	}
	to := fwd["consignees"].([]any)
	if fwd["boxes"] != 40.0 || fwd["shipments"] != 2.0 || len(to) != 2 || to[1].(obj)["name"] != "Buyer B" || to[1].(obj)["boxes"] != 16.0 {
		t.Errorf("%v", fwd)
	}
	// Of the 100 kg of G-1 99.25 were shipped and 0.75 were not counted: 99.2 %, cut off.
	if bal["share_percent"] != "99.2" || bal["uncounted"].(obj)["value"] != "0.75" || bal["in"].(obj)["value"] != "100" || bal["removed"].(obj)["shipped"].(obj)["value"] != "99.25" {
		t.Errorf("%v", bal)
	}

	// The rest is weighed: all but 0.05 kg is accounted for.
	lea.do("POST", "/lots/removed", obj{"id": id(), "lot": "G-1", "what": "stock", "mass": amount("0.7", "kg")}).want(201)
	finish := func(who, text string) obj { return w.signing(who, obj{"conclusion": text}) }
	lea.do("POST", at+"/finish", finish("lea", "all found")).problem(403, "role-may-not-sign", "")
	mara.do("POST", at+"/finish", finish("mara", " ")).problem(422, "missing", "conclusion")
	old := finish("mara", "all found but 50 g")
	w.later(time.Minute)
	lea.do("POST", "/lots/removed", obj{"id": id(), "lot": "G-1", "what": "stock", "mass": amount("0.71", "kg")}).want(201)
	mara.do("POST", at+"/finish", old).problem(409, "changed-since", "signature.head")
	wrong := finish("mara", "all found")
	wrong["password"] = "of nobody"
	mara.do("POST", at+"/finish", wrong).problem(403, "signature-password", "password")
	end := finish("mara", "all found but 40 g")
	mara.do("POST", at+"/finish", end).want(201)
	mara.do("POST", at+"/finish", end).want(200)
	mara.do("POST", at+"/finish", finish("mara", "once more")).problem(409, "finished-already", "exercise")
	mara.do("POST", "/exercises/none/finish", finish("mara", "x")).problem(404, "unknown-exercise", "")

	// What comes later does not change it.
	w.later(time.Hour)
	lea, aldo = w.as("lea"), w.as("aldo")
	lea.do("POST", "/lots/removed", obj{"id": id(), "lot": "G-1", "what": "waste", "mass": amount("0.2", "kg")}).want(201)
	done := aldo.do("GET", at, nil).want(200).object()
	signed := done["end"].(obj)
	bal = signed["result"].(obj)["balance"].(obj)
	if done["status"] != "finished" || done["took_ms"] != float64((96*time.Minute).Milliseconds()) || signed["by"] != "MARA" || signed["role"] != haccp.RoleManager || done["now"] != nil {
		t.Errorf("%v", done)
	}
	if bal["share_percent"] != "99.9" || bal["unexplained"].(obj)["value"] != "0.04" || bal["counted"].(obj)["value"] != "0.71" {
		t.Errorf("%v", bal)
	}
	if e := w.wantRecord(haccp.KindExerciseFinished); len(e.Body.(*haccp.ExerciseFinished).Signature.Covers) != 1 {
		t.Errorf("%+v", e.Body)
	}
	if next := aldo.do("GET", "/exercises", nil).want(200).object(); next["overdue"] != false || !strings.HasPrefix(next["due"].(string), "2026-08-29") {
		t.Errorf("due %v", next["due"])
	}
}

// TestExerciseFromEachKind starts one from a field lot and from a lot of a material, and follows each over /trace.
func TestExerciseFromEachKind(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, mara := w.as("lea"), w.as("mara")
	w.delivered(lea, "AA-77", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.ruled(mara, "mara", "AA-77", true).want(201)
	w.shippedLots()
	nodes := func(query string) (kinds map[string]int, links int) {
		o := mara.do("GET", "/trace?"+query, nil).want(200).object()
		kinds = map[string]int{}
		for _, n := range o["nodes"].([]any) {
			kinds[n.(obj)["kind"].(string)]++
		}
		return kinds, len(o["links"].([]any))
	}
	for query, want := range map[string]string{
		"code=F-1":                         "map[boxes:1 consignee:2 field:1 lot:2] 5",
		"code=G-1":                         "map[boxes:1 consignee:2 field:1 lot:1 material:1] 5",
		"code=G-1&way=backward":            "map[field:1 lot:1 material:1] 2",
		"kind=material&code=AA-77":         "map[boxes:1 consignee:2 lot:1 material:1] 4",
		"kind=box&code=X&number=101":       "map[boxes:1 consignee:2 field:1 lot:1 material:1] 5",
		"code=G-2&way=forward":             "map[lot:1] 0",
		"kind=box&number=101&code=X&way=b": "",
	} {
		if want == "" {
			mara.do("GET", "/trace?"+query, nil).problem(422, "not-a-choice", "way")
			continue
		}
		kinds, links := nodes(query)
		if got := fmt.Sprint(kinds, " ", links); strings.ReplaceAll(got, "]  ", "] ") != want && got != want {
			t.Errorf("%s: %s, want %s", query, got, want)
		}
	}
	mara.do("GET", "/trace?code=none", nil).problem(404, "unknown-subject", "code")
	for _, s := range []obj{{"kind": "lot", "code": "F-1"}, {"kind": "material", "code": "AA-77"}} {
		s["id"], s["reason"] = id(), "asked for by a customer"
		lea.do("POST", "/exercises", s).want(201)
	}
	list := mara.do("GET", "/exercises", nil).want(200).object()["exercises"].([]any)
	now := mara.do("GET", "/exercises/"+list[0].(obj)["id"].(string), nil).want(200).object()["now"].(obj)
	if m := now["material"].(obj); m["received"] != "25" || m["used"] != "0.3" || m["left"] != "24.7" || m["unit"] != "kg" {
		t.Errorf("%v", m)
	}
	field := mara.do("GET", "/exercises/"+list[1].(obj)["id"].(string), nil).want(200).object()["now"].(obj)["balance"].(obj)
	// 200 in, 99.25 shipped, 80.25 by the books, 20.5 unexplained: 49.6 % accounted for.
	if field["share_percent"] != "49.6" || field["unexplained"].(obj)["value"] != "20.5" || field["astray"].(obj)["value"] != "20.5" || field["uncounted"].(obj)["value"] != "80.25" {
		t.Errorf("%v", field)
	}
}

// TestExportOfLots: sorted by lot, date and location, by period and by range of codes, as CSV and JSON; only who may
// export gets it. The elements asked for are those of 21 CFR 1.1340, 1.1345 and 1.1350.
func TestExportOfLots(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.shippedLots()
	aldo := w.as("aldo")
	w.as("tina").do("GET", "/export/lots", nil).problem(403, "role-may-not", "")
	aldo.do("GET", "/export/lots?format=xlsx", nil).problem(422, "not-a-choice", "format")
	aldo.do("GET", "/export/lots?from=2026-03-03T00:00:00Z&to=2026-03-02T00:00:00Z", nil).problem(422, "bad-query", "to")
	r := aldo.do("GET", "/export/lots", nil).want(200)
	rows, err := csv.NewReader(strings.NewReader(string(r.body))).ReadAll()
	must(t, err)
	column := func(name string) int { return slices.Index(rows[0], name) }
	var keys, events []string
	for _, x := range rows[1:] {
		keys = append(keys, x[column("lot")]+"\x00"+x[column("date")]+"\x00"+x[column("location")])
		events = append(events, x[column("lot")]+" "+x[column("event")])
		for _, name := range []string{"product", "location", "date", "lot_source"} {
			if x[column(name)] == "" {
				t.Errorf("%s of %v is empty", name, x[:4])
			}
		}
	}
	if !slices.IsSorted(keys) || r.header.Get("Linewarden-Lots") != "3" {
		t.Errorf("%q, %s lots", keys, r.header.Get("Linewarden-Lots"))
	}
	slices.Sort(events)
	if got := strings.Join(slices.Compact(events), ", "); got != "F-1 receiving, G-1 packing, G-1 shipping, G-1 transformation, G-2 transformation" {
		t.Errorf("%s", got)
	}
	var all struct{ Rows []map[string]string }
	must(t, json.Unmarshal(aldo.do("GET", "/export/lots?format=json&lot_from=G-1&lot_to=G-1", nil).want(200).body, &all))
	objects := all.Rows
	if len(objects) != 4 || objects[0]["lot"] != "G-1" {
		t.Errorf("%v", objects)
	}
	i := slices.IndexFunc(objects, func(o map[string]string) bool { return o["recipient"] == "Buyer A" })
	if i < 0 || objects[i]["document_number"] != "17" || objects[i]["quantity"] != "60" || objects[i]["box_to"] != "124" {
		t.Errorf("%v", objects)
	}
	for query, want := range map[string]int{"lot=G-2": 1, "lot=none": 0, "from=2026-03-03T00:00:00Z": 0, "to=2026-03-03T00:00:00Z": 6} {
		must(t, json.Unmarshal(aldo.do("GET", "/export/lots?format=json&"+query, nil).want(200).body, &all))
		if len(all.Rows) != want {
			t.Errorf("%s: %d rows, want %d", query, len(all.Rows), want)
		}
	}
}

// TestRecallList: a lot that was released and shipped whole, and one of which half is still here, become affected by a
// reading received late; the list names consignees, documents, boxes and masses, and since when it is known.
func TestRecallList(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.shippedLots()
	lea, aldo := w.as("lea"), w.as("aldo")
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-2", "mass": amount("79.5", "kg"), "all": true, "consignee": obj{"name": "Buyer C", "phone": "555"},
		"document": obj{"kind": "bill of lading", "number": "B-9"}}).want(201)
	if got := aldo.do("GET", "/recalls", nil).want(200).object(); len(got["recalls"].([]any)) != 0 || got["instructions"] == "" || !strings.Contains(got["caution"].(string), "law") {
		t.Errorf("%v", got)
	}
	drawn := w.clock().Add(-9 * time.Minute)
	w.later(30 * time.Minute)
	tina, mara := w.as("tina"), w.as("mara")
	aldo = w.as("aldo")
	tina.do("POST", "/readings", reading(low, func(o obj) {
		o["at"], o["at_known"], o["late_reason"] = drawn.Format(time.RFC3339), "device", "no network"
		o["device"] = obj{"id": "tablet-1", "clock": drawn.Format(time.RFC3339)}
	})).want(201)
	known := w.clock()
	got := aldo.do("GET", "/recalls", nil).want(200).object()["recalls"].([]any)
	if len(got) != 1 || got[0].(obj)["open"] != 2.0 {
		t.Fatalf("%v", got)
	}
	x := got[0].(obj)
	lots := x["lots"].([]any)
	if len(lots) != 2 || lots[0].(obj)["lot"] != "G-1" || lots[0].(obj)["state"] != haccp.LotOnHold || lots[1].(obj)["state"] != haccp.LotShippedAs {
		t.Fatalf("%v", lots)
	}
	g2 := lots[1].(obj)
	if g2["known_since"] != known.Format(time.RFC3339) {
		t.Errorf("known since %v, want %s", g2["known_since"], known.Format(time.RFC3339))
	}
	ship := g2["shipments"].([]any)[0].(obj)
	if ship["kg"] != "79.5" || ship["consignee"].(obj)["phone"] != "555" || ship["document"].(obj)["number"] != "B-9" {
		t.Errorf("%v", ship)
	}
	if names := x["consignees"].([]any); len(names) != 3 || names[0].(obj)["name"] != "Buyer A" || names[0].(obj)["boxes"] != 24.0 {
		t.Errorf("%v", names)
	}
	only := aldo.do("GET", "/recalls?deviation="+x["deviation"].(string), nil).want(200).object()["recalls"].([]any)
	if len(only) != 1 {
		t.Errorf("%v", only)
	}
	aldo.do("GET", "/recalls?deviation=none", nil).problem(404, "unknown-case", "deviation")

	// Somebody signs what it means for the lot that left: it stays on the list, answered.
	mara.do("POST", "/lots/G-2/evaluations", w.signing("mara", obj{"deviation": x["deviation"], "facts": "all readings of the day", "decision": "not-fit", "basis": "critical limit"})).want(201)
	if got := aldo.do("GET", "/recalls", nil).want(200).object()["recalls"].([]any)[0].(obj); got["open"] != 1.0 || got["lots"].([]any)[1].(obj)["answered"] != true {
		t.Errorf("%v", got)
	}
}
