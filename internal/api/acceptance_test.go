package api

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// What an auditor or a manager would try about lots, results, traces, holds and release, through the API, each as one test.
// What is asked of records: 21 CFR 117.150, 117.165 and 117.305; 21 CFR 120.10; 21 CFR 1 subparts J and S.

// washed has a lot go through the first bath in some minutes.
func (w *world) washed(code string, minutes int) {
	w.t.Helper()
	lea := w.as("lea")
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": code, "step": "receive", "mass": amount("20", "kg")}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": code, "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(time.Duration(minutes) * time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": code, "step": "wash-1", "place": "bath-1"}).want(201)
}

func (w *world) stateOfLot(code string) string {
	w.t.Helper()
	s, _ := w.as("aldo").do("GET", "/lots/"+code, nil).want(200).object()["state"].(string)
	return s
}

// A result above M, not only c + 1 marginal ones, refuses the release for every role.
func TestResultAboveTheUpperLimitRefusesTheRelease(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.made("G-1")
	w.as("lea").do("POST", "/lots/sampled", obj{"id": id(), "lot": "G-1", "sample": "S-1", "units": 5, "where": "boxes 1 to 5"}).want(201)
	w.later(time.Minute)
	w.as("lara").do("POST", "/results", results("G-1", "S-1", "total-count", w.clock(), measured("1001", "CFU/g"), below("10", "CFU/g"), below("10", "CFU/g"), below("10", "CFU/g"), below("10", "CFU/g"))).want(201)
	release := obj{"outcome": "release", "reason": "r"}
	for _, who := range []string{"tina", "lea", "lara", "ada", "aldo"} {
		w.as(who).do("POST", "/lots/G-1/dispositions", w.signing(who, release)).want(403)
	}
	if got := w.lacking("G-1", release); !strings.Contains(got, "Total aerobic count: does not conform, sample S-1") {
		t.Errorf("%s", got)
	}
	if s := w.stateOfLot("G-1"); s != haccp.LotOnHold {
		t.Errorf("the lot is %s", s)
	}
}

// A reading beyond a critical limit holds, in the same request, every lot that was in the bath since the last good reading, and
// none that had left before it.
func TestReadingHoldsEveryLotSinceTheLastGoodOne(t *testing.T) {
	w := newWorld(t)
	w.started()
	tina := w.as("tina")
	w.washed("BEFORE", 3)
	w.later(time.Minute)
	tina.do("POST", "/readings", reading()).want(201)
	w.later(time.Minute)
	w.washed("GONE", 3)
	w.later(time.Minute)
	lea := w.as("lea")
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "INSIDE", "step": "receive", "mass": amount("20", "kg")}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "INSIDE", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(time.Minute)
	head := w.site.Head().Size
	out := tina.do("POST", "/readings", reading(low)).want(201).object()
	if len(out["opened"].([]any)) == 0 {
		t.Errorf("no deviation: %v", out)
	}
	// Reading, deviation and holds stand in the log as one command.
	commands := map[string]bool{}
	for seq := head + 1; seq <= w.site.Head().Size; seq++ {
		_, e, err := w.site.Record(context.Background(), seq)
		must(t, err)
		commands[e.Command] = true
	}
	if len(commands) != 1 || w.wantRecord(haccp.KindLotHeld) == nil {
		t.Errorf("recorded by %d commands", len(commands))
	}
	for code, want := range map[string]string{"BEFORE": haccp.LotInProcess, "GONE": haccp.LotOnHold, "INSIDE": haccp.LotOnHold} {
		if got := w.stateOfLot(code); got != want {
			t.Errorf("%s is %s, want %s", code, got, want)
		}
	}
}

// One call from a shipped box: field lot, lots of salt, chlorine product and antioxidant, readings, people, instruments.
func TestBoxLeadsToEverythingThatTouchedIt(t *testing.T) {
	w := newWorld(t)
	lea, tina, mara := w.as("lea"), w.as("tina"), w.as("mara")
	for code, name := range map[string]string{"ASC-1": "ascorbic-acid", "HYP-1": "hypochlorite", "SAL-1": "salt", "BAG-1": "bags"} {
		n, unit := "60", map[string]string{"hypochlorite": "L", "bags": "pieces"}[name]
		if unit == "" {
			unit = "kg"
		}
		w.delivered(lea, code, name, n, unit, "2026-12-31", nil).want(201)
		w.ruled(mara, "mara", code, true).want(201)
	}
	lea.do("POST", "/fillings", obj{"id": id(), "place": "bath-1", "water": "town water", "level": amount("80", "cm"),
		"first": []obj{{"chemical": "salt", "amount": amount("36", "kg"), "material_lot": "SAL-1"}, {"chemical": "sodium-hypochlorite", "amount": amount("400", "mL"), "material_lot": "HYP-1"}}}).want(201)
	lea.do("POST", "/fillings", obj{"id": id(), "place": "bath-2", "water": "town water", "level": amount("80", "cm")}).want(201)
	w.later(6 * time.Minute)
	for _, place := range []string{"bath-1", "bath-2"} {
		tina.do("POST", "/readings", reading(func(o obj) { o["place"], o["entries"].([]obj)[0]["instrument"] = place, "burette-1" })).want(201)
	}
	lea.do("POST", "/lines/line-1/start", obj{"id": id(), "pre_op": w.preOp()}).want(201)
	w.later(time.Minute)
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": amount("20", "kg"), "source": obj{"name": "North field"}}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(3 * time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	lea.do("POST", "/lots/fed", obj{"id": id(), "how": "fed", "from": []obj{{"lot": "F-1", "all": true}}, "to": []obj{{"lot": "G-1", "mass": amount("19", "kg")}}}).want(201)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": "ASC-1", "amount": amount("0.06", "kg")}}}).want(201)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "G-1", "step": "fill", "place": "filler", "boxes": []obj{{"prefix": "B", "from": 7, "to": 9}},
		"materials": []obj{{"material": "bags", "lot": "BAG-1", "amount": amount("3", "pieces")}}}).want(201)
	lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": "G-1", "boxes": []obj{{"prefix": "B", "from": 7, "to": 9}}, "consignee": obj{"name": "Buyer A"}}).want(201)

	box := w.as("aldo").do("GET", "/boxes/8/trace?prefix=B", nil).want(200).object()
	trace := box["trace"].(obj)
	used, water := map[string]bool{}, map[string]bool{}
	for _, m := range trace["materials"].([]any) {
		used[m.(obj)["lot"].(string)] = true
	}
	for _, m := range trace["bath_materials"].([]any) {
		water[m.(obj)["lot"].(string)] = true
	}
	if fmt.Sprint(used, water) != "map[ASC-1:true BAG-1:true] map[HYP-1:true SAL-1:true]" {
		t.Errorf("materials %v, in the water %v", used, water)
	}
	if in := trace["received"].([]any); len(in) != 1 || in[0].(obj)["source"].(obj)["name"] != "North field" {
		t.Errorf("%v", in)
	}
	read := 0
	for _, x := range box["evidence"].([]any) {
		e := x.(obj)
		for _, key := range []string{"before", "after"} {
			if e[key] != nil {
				read++
			}
		}
		read += len(e["during"].([]any))
	}
	if read == 0 || !strings.Contains(fmt.Sprint(box["instruments"]), "burette-1") || !strings.Contains(fmt.Sprint(box["people"]), "lea") || len(box["shipped"].([]any)) != 1 {
		t.Errorf("%d readings, instruments %v, people %v, shipped %v", read, box["instruments"], box["people"], box["shipped"])
	}
}

// Forward from one lot of the antioxidant: every box and consignee, and amounts that add up to what was used.
func TestMaterialLeadsToEveryBoxAndAddsUp(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, mara := w.as("lea"), w.as("mara")
	w.delivered(lea, "ASC-1", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.ruled(mara, "mara", "ASC-1", true).want(201)
	for i, dose := range []string{"0.25", "0.125", "0.3"} {
		code := fmt.Sprint("G-", i)
		lea.do("POST", "/lots/received", obj{"id": id(), "lot": code, "step": "receive", "mass": amount("20", "kg")}).want(201)
		lea.do("POST", "/lots/left", obj{"id": id(), "lot": code, "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": "ASC-1", "amount": amount(dose, "kg")}}}).want(201)
		w.later(time.Minute)
		lea.do("POST", "/lots/left", obj{"id": id(), "lot": code, "step": "fill", "place": "filler", "boxes": []obj{{"prefix": "B", "from": 10*i + 1, "to": 10*i + 4}}}).want(201)
		lea.do("POST", "/places/emptied", obj{"id": id(), "place": "shredder"}).want(201)
		lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": code, "boxes": []obj{{"prefix": "B", "from": 10*i + 1, "to": 10*i + 4}}, "mass": amount("19", "kg"), "consignee": obj{"name": "Buyer " + code}}).want(201)
		w.later(time.Minute)
	}
	o := w.as("aldo").do("GET", "/materials/lots/ASC-1/trace", nil).want(200).object()
	var sum int64 // thousandths of a kilogram
	for _, u := range o["uses"].([]any) {
		var kg float64
		_, err := fmt.Sscanf(u.(obj)["amount"].(string), "%f kg", &kg)
		must(t, err)
		sum += int64(kg*1000 + 0.5)
	}
	if o["used"] != "0.675 kg" || sum != 675 || len(o["boxes"].([]any)) != 3 || len(o["shipments"].([]any)) != 3 {
		t.Errorf("%d g in %v", sum, o)
	}
	r := w.as("aldo").do("GET", "/trace?kind=material&code=ASC-1", nil).want(200).object()["result"].(obj)
	if m := r["material"].(obj); m["used"] != "0.675" || m["left"] != "24.325" || r["forward"].(obj)["boxes"] != 12.0 || len(r["forward"].(obj)["consignees"].([]any)) != 3 {
		t.Errorf("%v", r)
	}
}

// A reading by an instrument past its date is recorded, marked, and blocks the release until somebody evaluates it.
func TestOverdueInstrumentIsNeverSilent(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.as("tina").do("POST", "/instruments/checked", obj{"id": id(), "instrument": "ph-meter-1", "result": "pass", "standard": "buffer 7.00",
		"points": []obj{{"quantity": "ph", "reference": amount("7.00", "pH"), "found": amount("7.00", "pH")}}}).want(201)
	w.later(49 * time.Hour)
	lea := w.as("lea")
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": amount("20", "kg")}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(time.Minute)
	out := w.as("tina").do("POST", "/readings", reading(func(o obj) { o["entries"].([]obj)[1]["instrument"] = "ph-meter-1" })).want(201).object()
	if !strings.Contains(fmt.Sprint(out["findings"]), "instrument-overdue") {
		t.Errorf("%v", out["findings"])
	}
	w.later(time.Minute)
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	if got := w.lacking("F-1", obj{"outcome": "release", "reason": "r"}); !strings.Contains(got, "ph-meter-1 was overdue") {
		t.Errorf("%s", got)
	}
}

// A scheduled check that nobody made is recorded by the timetable, opens a deviation, and holds the product since the last
// good reading, without anybody asking.
func TestMissedCheckHoldsItsProduct(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.washed("F-1", 5)
	w.later(3 * time.Hour)
	_, err := w.site.Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskSweep, At: w.clock(), AtKnown: haccp.AtServer,
		By: haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}, Ask: &haccp.Sweep{}}})
	must(t, err)
	if e := w.wantRecord(haccp.KindMissed); e.By.Role != haccp.RoleTimetable {
		t.Errorf("%+v", e.By)
	}
	file := w.as("aldo").do("GET", "/lots/F-1", nil).want(200).object()
	if file["state"] != haccp.LotOnHold || !strings.Contains(fmt.Sprint(file["affected"]), "bath-1") {
		t.Errorf("%v", file)
	}
}

// Who reported on a lot does not review its records.
func TestNobodyReviewsTheirOwnLot(t *testing.T) {
	w := newWorld(t)
	w.started()
	mara := w.as("mara")
	mara.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": amount("20", "kg")}).want(201)
	mara.do("POST", "/lots/F-1/reviews", w.signing("mara", obj{})).problem(403, "own-report", "")
	w.as("lea").do("POST", "/lots/F-1/reviews", w.signing("lea", obj{})).problem(403, "role-may-not", "")
	w.as("milo").do("POST", "/lots/F-1/reviews", w.signing("milo", obj{})).want(201)
}

// A result that comes in weeks after the lot was shipped and forgotten puts it on the recall list, where it stays while other
// lots come and go, until somebody signs what it means.
func TestLateResultOfAForgottenLotStaysOnTheList(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea := w.as("lea")
	gone := func(code string) {
		lea = w.as("lea")
		lea.do("POST", "/lots/received", obj{"id": id(), "lot": code, "step": "receive", "mass": amount("20", "kg")}).want(201)
		if code == "OLD" {
			lea.do("POST", "/lots/sampled", obj{"id": id(), "lot": "OLD", "sample": "S-1", "units": 5, "where": "boxes 1 to 5"}).want(201)
		}
		w.later(time.Minute)
		lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": code, "all": true, "mass": amount("20", "kg"), "consignee": obj{"name": "Buyer of " + code}}).want(201)
	}
	gone("OLD")
	for day := range 12 {
		w.later(24 * time.Hour)
		gone(fmt.Sprint("DAY-", day))
	}
	if _, held := w.site.View().Lot("OLD"); held {
		t.Fatal("the lot was not forgotten")
	}
	w.as("lara").do("POST", "/results", results("OLD", "S-1", "ph", w.clock(), measured("5.10", "pH"))).want(201)
	listed := func() obj {
		got := w.as("aldo").do("GET", "/recalls", nil).want(200).object()["recalls"].([]any)
		if len(got) != 1 {
			t.Fatalf("%v", got)
		}
		return got[0].(obj)
	}
	if x := listed(); x["ground"] != haccp.GroundResult || x["lots"].([]any)[0].(obj)["lot"] != "OLD" || x["consignees"].([]any)[0].(obj)["name"] != "Buyer of OLD" {
		t.Errorf("%v", x)
	}
	for day := range 4 {
		w.later(24 * time.Hour)
		gone(fmt.Sprint("LATER-", day))
	}
	x := listed()
	w.as("mara").do("POST", "/lots/OLD/evaluations", w.signing("mara", obj{"deviation": x["deviation"], "facts": "retained sample", "decision": "fit", "basis": "read again"})).want(201)
	if x = listed(); x["open"] != 0.0 {
		t.Errorf("%v", x)
	}
}
