package api

import (
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"
)

// entryOf finds the entry of a quantity in the body of a reading.
func entryOf(body obj, quantity string) obj {
	for _, e := range body["entries"].([]any) {
		if e.(obj)["quantity"] == quantity {
			return e.(obj)
		}
	}
	return nil
}

// The hypochlorous acid of a sample is judged, recorded and shown. 120 mg/L at pH 6.75 and 15 °C: pKa 7.6329,
// 106.10 mg/L (the equation of Morris 1966, worked by hand).
func TestHypochlorousAcidOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	tina := w.as("tina")
	out := tina.do("POST", "/readings", reading()).want(201).object()
	found := false
	for _, v := range out["verdicts"].([]any) {
		if x := v.(obj); x["quantity"] == "hocl" {
			found = x["value"] == "106.1 mg/L" && x["verdict"] == "inside" && x["min"].(obj)["value"] == "85"
		}
	}
	got := tina.do("GET", "/readings/"+out["id"].(string), nil).want(200).object()
	e := entryOf(got["body"].(obj), "hocl")
	if !found || e == nil || e["formula"] != "hocl-morris/1" || e["read"] != nil || e["value"].(obj)["value"] != "106.1" {
		t.Errorf("verdicts %v, entry %v", out["verdicts"], e)
	}
	if out["cautions"] != nil {
		t.Errorf("a caution for a pH of 6.75: %v", out["cautions"])
	}
	low := tina.do("POST", "/readings", reading(func(o obj) { o["entries"].([]obj)[1]["read"] = obj{"value": "6.19", "unit": "pH"} })).want(201).object()
	if c := fmt.Sprint(low["cautions"]); !strings.Contains(c, "add no acid") || !strings.Contains(fmt.Sprint(low["findings"]), "below-ph-floor") {
		t.Errorf("below the floor: cautions %s, findings %v", c, low["findings"])
	}
	for _, v := range low["verdicts"].([]any) {
		if x := v.(obj); x["quantity"] == "hocl" && (x["verdict"] != "not-evaluated" || x["reason"] != "below-ph-floor" || x["value"] != nil) {
			t.Errorf("below the floor: %v", x)
		}
	}
}

// Readings since an addition forecast when the chlorine falls below its limits: the answer says when, that the next
// test is due earlier, and from how many readings; before that it says why not.
func TestForecastOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	tina := w.as("tina")
	tina.do("POST", "/additions", obj{"id": id(), "place": "bath-1", "chemical": "sodium-hypochlorite", "amount": obj{"value": "0.25", "unit": "L"}, "reason": "low"}).want(201)
	var out obj
	for i, cl := range []string{"134", "131", "126", "122"} {
		w.later(6 * time.Minute)
		out = tina.do("POST", "/readings", reading(func(o obj) { o["entries"].([]obj)[0]["read"] = obj{"value": cl, "unit": "mg/L"} })).want(201).object()
		if f := out["forecast"].(obj); i == 0 && (f["reason"] != "too-few" || f["crossings"] != nil) {
			t.Errorf("one reading: %v", f)
		}
	}
	f := out["forecast"].(obj)
	crossings, ok := f["crossings"].([]any)
	if !ok || f["formula"] != "chlorine-depletion/1" || f["test"] == nil || crossings[0].(obj)["kind"] != "operating" || crossings[0].(obj)["bound"].(obj)["value"] != "110" {
		t.Fatalf("%v", f)
	}
	if due := out["now"].(obj)["next_due"]; due != f["test"] {
		t.Errorf("next due %v, want the test of the forecast, %v", due, f["test"])
	}
	row := ""
	for _, d := range tina.do("GET", "/checks", nil).want(200).object()["checks"].([]any) {
		if x := d.(obj); x["check"] == "bath-test" && x["place"] == "bath-1" {
			row = fmt.Sprint(x["row"])
		}
	}
	if row != "forecast" {
		t.Errorf("due by %q, want the forecast", row)
	}
}

// Whoever logged a record does not review it; a signature is marked when what it covers is changed.
func TestReviewAndLaterChangeOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	mara, milo, tina := w.as("mara"), w.as("milo"), w.as("tina")
	sign := func(who string, more obj) obj {
		o := obj{"id": id(), "password": w.passes[who], "signature": w.signature()}
		maps.Copy(o, more)
		return o
	}
	out := tina.do("POST", "/readings", reading(low)).want(201).object()
	dev := out["opened"].([]any)[0].(obj)["deviation"].(string)
	mara.do("POST", "/readings", reading(func(o obj) { o["place"] = "bath-2" })).want(201)
	size := w.site.Head().Size
	mara.do("POST", "/reviews", sign("mara", obj{"from": 1, "to": size})).problem(403, "reviewer-logged", "")
	review := milo.do("POST", "/reviews", sign("milo", obj{"from": 1, "to": size})).want(201).object()
	mara.do("POST", "/deviations/"+dev+"/parts", sign("mara", obj{"part": "product-evaluated", "product": obj{"exposed": false, "evidence": "feed was stopped"}})).want(201)
	mara.do("POST", "/deviations/"+dev+"/parts", sign("mara", obj{"part": "product-evaluated",
		"product": obj{"exposed": true, "codes": []string{"L"}, "mass": obj{"value": "1", "unit": "kg"}, "held_where": "x", "evaluation": "x", "outcome": "x", "cured_by": "bath-2"}})).want(409)
	amended := mara.do("POST", "/amendments", sign("mara", obj{"target": out["id"], "reason": "misread", "new": func() obj {
		o := reading(low)
		delete(o, "id")
		o["note"] = "burette read again"
		return o
	}()})).want(201).object()
	one := milo.do("GET", "/deviations/"+dev, nil).want(200).object()
	marked := 0
	for _, r := range one["records"].([]any) {
		if x := r.(obj); x["changed_since"] != nil && x["changed_since"] == amended["seq"] {
			marked++
		}
	}
	part := one["parts"].([]any)[0].(obj)
	if marked != 1 || part["changed"] != amended["seq"] || part["stale"] != nil {
		t.Errorf("marked %d records, part %v, want %v", marked, part, amended["seq"])
	}
	rec := milo.do("GET", "/records/"+fmt.Sprint(review["seq"]), nil).want(200).object()
	if rec["changed_since"] != amended["seq"] {
		t.Errorf("review %v, want it marked by %v", rec, amended["seq"])
	}
}
