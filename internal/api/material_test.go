package api

import (
	"maps"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/wash"
)

const sha = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"

func amount(n, unit string) obj { return obj{"value": n, "unit": unit} }

// delivered receives a lot of a material with all its papers.
func (w *world) delivered(c *client, code, name, n, unit, expiry string, more obj) *response {
	b := obj{"id": id(), "lot": code, "material": name, "supplier": "Supplier of the test", "supplier_lot": "S-" + code, "quantity": amount(n, unit),
		"expiry": expiry, "certificate": obj{"name": "COA-" + code + ".pdf", "hash": sha}}
	maps.Copy(b, more)
	return c.do("POST", "/materials/received", b)
}

// ruled signs the approval or rejection of a lot of a material.
func (w *world) ruled(c *client, who, code string, approved bool) *response {
	return c.do("POST", "/materials/lots/"+code+"/rulings", obj{"id": id(), "password": w.passes[who], "signature": w.signature(), "approved": approved, "reason": "papers and seals seen"})
}

// refusedItems lists the codes that a question was answered with, by state.
func answered(o obj, state string) map[string]string {
	out := map[string]string{}
	for _, x := range o["items"].([]any) {
		if it := x.(obj); it["state"] == state {
			code, _ := it["code"].(string)
			out[it["subject"].(string)] = code
		}
	}
	return out
}

// Dosing from an unapproved, expired, rejected or unknown lot is refused where it is asked before the step; the report of
// the step done is kept with its finding and blocks release until a signed evaluation (RECORDS of a plant: an expired or
// unapproved component lot at the dosing step, 21 CFR 117.80 as common practice reads it).
func TestMaterialsOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, tina, mara, lara := w.as("lea"), w.as("tina"), w.as("mara"), w.as("lara")
	w.delivered(lea, "ASC-1", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.delivered(lea, "ASC-OLD", "ascorbic-acid", "25", "kg", "2026-03-01", nil).want(201)
	w.delivered(lea, "ASC-BAD", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.delivered(lea, "ASC-NEW", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.delivered(lea, "X", "gold", "25", "kg", "2026-12-31", nil).problem(422, "unknown-material", "material")
	w.delivered(lea, "X", "bags", "1.5", "pieces", "2026-12-31", nil).problem(422, "bad-amount", "quantity")
	w.delivered(w.as("aldo"), "X", "salt", "25", "kg", "2026-12-31", nil).want(403)

	// Approval: by the role of the plan, with password, on what was seen; never of an expired lot.
	w.ruled(tina, "tina", "ASC-1", true).want(403)
	w.ruled(lara, "lara", "ASC-1", true).want(403)
	mara.do("POST", "/materials/lots/ASC-1/rulings", obj{"id": id(), "password": "not it", "signature": w.signature(), "approved": true, "reason": "r"}).problem(403, "signature-password", "password")
	stale := w.signature()
	w.later(time.Minute)
	w.delivered(lea, "ASC-1", "ascorbic-acid", "5", "kg", "2026-12-31", nil).want(201)
	mara.do("POST", "/materials/lots/ASC-1/rulings", obj{"id": id(), "password": w.passes["mara"], "signature": stale, "approved": true, "reason": "r"}).problem(409, "changed-since", "signature.head")
	w.ruled(mara, "mara", "ASC-1", true).want(201)
	w.ruled(mara, "mara", "ASC-OLD", true).problem(409, "expired", "lot")
	w.ruled(mara, "mara", "ASC-BAD", false).want(201)
	w.ruled(mara, "mara", "nobody-knows", true).problem(404, "unknown-material-lot", "lot")

	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": amount("200", "kg")}).want(201)
	w.later(time.Minute)
	// Asked before the step, item by item; nothing is recorded.
	ask := func(code string) obj {
		return lea.do("POST", "/lots/F-1/ask", obj{"step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": code, "amount": amount("0.4", "kg")}}}).want(200).object()
	}
	size := w.site.Head().Size
	if o := ask("ASC-1"); o["allowed"] != true || len(answered(o, haccp.AskedGood)) != 3 {
		t.Errorf("%v", o)
	}
	for code, want := range map[string]string{"ASC-OLD": "material-expired", "ASC-BAD": "material-rejected", "ASC-NEW": "material-not-approved", "ASC-9": "material-lot-unknown"} {
		o := ask(code)
		if got := answered(o, haccp.AskedRefused)[code]; o["allowed"] != false || !strings.HasPrefix(got, "material-") || code != "ASC-OLD" && got != want {
			t.Errorf("%s: %v", code, o)
		}
		lea.do("POST", "/lots/enter", obj{"id": id(), "lot": "F-1", "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": code}}}).problem(409, "step-lacks", "")
	}
	if o := lea.do("POST", "/lots/F-1/ask", obj{"step": "dose", "place": "shredder"}).want(200).object(); o["allowed"] != false || answered(o, haccp.AskedMissing)["ascorbic-acid"] != "material-lot-not-named" {
		t.Errorf("%v", o)
	}
	es := w.as("lea")
	es.header["Accept-Language"] = "es"
	if o := es.do("POST", "/lots/F-1/ask", obj{"step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": "ASC-BAD"}}}).want(200).object(); !strings.Contains(o["items"].([]any)[0].(obj)["text"].(string), "rechazado") {
		t.Errorf("%v", o)
	}
	lea.do("POST", "/lots/F-1/ask", obj{"step": "boil", "place": "shredder"}).problem(422, "unknown-step", "step")
	if got := w.site.Head().Size; got != size {
		t.Errorf("asking wrote %d records", got-size)
	}
	lea.do("POST", "/lots/enter", obj{"id": id(), "lot": "F-1", "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": "ASC-1"}}}).want(201)

	// The step was done with the rejected lot all the same: kept, with its finding.
	w.later(time.Minute)
	dosed := func(code string) obj {
		return obj{"id": id(), "lot": "F-1", "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": code, "amount": amount("0.4", "kg")}}}
	}
	o := lea.do("POST", "/lots/left", dosed("ASC-BAD")).want(201).object()
	if f := o["findings"].([]any); len(f) != 1 || f[0].(obj)["code"] != "material-rejected" {
		t.Errorf("%v", o)
	}
	lea.do("POST", "/lots/left", dosed("ASC-1")).want(201)
	sign := func(more obj) obj {
		b := obj{"id": id(), "password": w.passes["mara"], "signature": w.signature()}
		maps.Copy(b, more)
		return b
	}
	missing := func() string {
		items := mara.do("POST", "/lots/F-1/dispositions", sign(obj{"outcome": "release", "reason": "r", "confirmed": []string{"results"}})).problem(409, "release-lacks", "").object()["items"].([]any)
		var all strings.Builder
		for _, x := range items {
			all.WriteString(x.(string) + "\n")
		}
		return all.String()
	}
	const rejected = "lot ASC-BAD of the material ascorbic-acid was rejected"
	if all := missing(); !strings.Contains(all, rejected) || strings.Contains(all, "ASC-1 of") || strings.Contains(all, "confirmed by signature") {
		t.Errorf("missing:\n%s", all)
	}
	evaluation := obj{"material": "ascorbic-acid", "material_lot": "ASC-BAD", "facts": "retained sample", "basis": "analysis 17", "decision": "fit"}
	tina.do("POST", "/lots/F-1/evaluations", obj{"id": id(), "password": w.passes["tina"], "signature": w.signature(), "material_lot": "ASC-BAD", "facts": "f", "basis": "b", "decision": "fit"}).want(403)
	mara.do("POST", "/lots/F-1/evaluations", sign(evaluation)).want(201)
	if all := missing(); strings.Contains(all, rejected) {
		t.Errorf("missing after the evaluation:\n%s", all)
	}
	if file := mara.do("GET", "/lots/F-1", nil).want(200).object(); len(file["not_checked"].([]any)) != 0 {
		t.Errorf("%v", file["not_checked"])
	}

	// Stock: received, used, counted; the difference is reported.
	tina.do("POST", "/materials/counted", obj{"id": id(), "lot": "ASC-1", "quantity": amount("29.5", "kg"), "reason": "end of the week"}).want(201)
	mat := mara.do("GET", "/materials/lots/ASC-1", nil).want(200).object()
	stock := mat["stock"].(obj)
	if stock["received"] != "30" || stock["used"] != "0.4" || stock["adjusted"] != "-0.1" || stock["left"] != "29.5" || stock["known"] != true || mat["state"] != "approved" {
		t.Errorf("%v", mat)
	}
	if c := mat["counts"].([]any); len(c) != 1 || c[0].(obj)["book"] != "29.6 kg" || c[0].(obj)["off"] != "-0.1 kg" {
		t.Errorf("%v", c)
	}
	all := mara.do("GET", "/materials", nil).want(200).object()["materials"].([]any)
	if len(all) != 5 || len(all[3].(obj)["lots"].([]any)) != 4 {
		t.Errorf("%v", all)
	}
	mara.do("GET", "/materials/lots/none", nil).problem(404, "unknown-material-lot", "")

	// The delivery is amended: a later expiry wants another manager, and a wrong lot a void.
	target := w.wantRecord(haccp.KindMaterialReceived).ID
	lea.do("POST", "/amendments", obj{"id": id(), "target": target, "reason": "misread", "new": obj{"lot": "ASC-8", "material": "ascorbic-acid", "supplier": "S"}}).problem(422, "other-keys", "new")
}

// A lot of the antioxidant is followed to every box and consignee, with the amounts used, and a box back to the lots of
// materials that touched it, those of the bath among them.
func TestMaterialsAreTraced(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, tina, mara := w.as("lea"), w.as("tina"), w.as("mara")
	w.delivered(lea, "ASC-1", "ascorbic-acid", "25", "kg", "2026-12-31", nil).want(201)
	w.delivered(lea, "HYP-1", "hypochlorite", "60", "L", "2026-12-31", nil).want(201)
	for _, code := range []string{"ASC-1", "HYP-1"} {
		w.ruled(mara, "mara", code, true).want(201)
	}
	box := 1
	tina.do("POST", "/readings", reading(func(r obj) { r["entries"].([]obj)[0]["instrument"] = "burette-1" })).want(201)
	for _, lot := range []string{"F-1", "F-2", "F-3"} {
		lea.do("POST", "/lots/received", obj{"id": id(), "lot": lot, "step": "receive", "mass": amount("20", "kg")}).want(201)
		w.later(time.Minute)
		lea.do("POST", "/lots/entered", obj{"id": id(), "lot": lot, "step": "wash-1", "place": "bath-1"}).want(201)
		if lot == "F-2" {
			tina.do("POST", "/additions", obj{"id": id(), "place": "bath-1", "chemical": "sodium-hypochlorite", "amount": amount("250", "mL"), "material_lot": "HYP-1"}).want(201)
		}
		w.later(time.Minute)
		lea.do("POST", "/lots/left", obj{"id": id(), "lot": lot, "step": "wash-1", "place": "bath-1"}).want(201)
		w.later(time.Minute)
		if lot != "F-3" {
			lea.do("POST", "/lots/left", obj{"id": id(), "lot": lot, "step": "dose", "place": "shredder", "materials": []obj{{"material": "ascorbic-acid", "lot": "ASC-1", "amount": amount("0.25", "kg")}}}).want(201)
		}
		w.later(time.Minute)
		lea.do("POST", "/lots/left", obj{"id": id(), "lot": lot, "step": "fill", "place": "filler", "boxes": []obj{{"prefix": "B", "from": box, "to": box + 1}}}).want(201)
		box += 2
		lea.do("POST", "/places/emptied", obj{"id": id(), "place": "shredder"}).want(201)
		lea.do("POST", "/lots/shipped", obj{"id": id(), "lot": lot, "mass": amount("20", "kg"), "consignee": obj{"name": "Buyer of " + lot}}).want(201)
	}
	trace := mara.do("GET", "/materials/lots/ASC-1/trace", nil).want(200).object()
	if trace["used"] != "0.5 kg" || len(trace["uses"].([]any)) != 2 || len(trace["lots"].([]any)) != 2 || len(trace["boxes"].([]any)) != 2 || len(trace["shipments"].([]any)) != 2 {
		t.Errorf("%v", trace)
	}
	// F-1 had left the bath before the addition; F-2 was in it, F-3 came after.
	if trace = mara.do("GET", "/materials/lots/HYP-1/trace", nil).want(200).object(); trace["used"] != "0.25 L" || len(trace["lots"].([]any)) != 2 || trace["lots"].([]any)[0] != "F-2" {
		t.Errorf("%v", trace)
	}
	back := mara.do("GET", "/lots/F-2/trace", nil).want(200).object()
	if m := back["materials"].([]any); len(m) != 1 || m[0].(obj)["lot"] != "ASC-1" {
		t.Errorf("%v", back)
	}
	if m := back["bath_materials"].([]any); len(m) != 1 || m[0].(obj)["lot"] != "HYP-1" || m[0].(obj)["place"] != "bath-1" {
		t.Errorf("%v", back["bath_materials"])
	}
	if tools := back["instruments"].([]any); len(tools) == 0 {
		t.Errorf("%v", back["instruments"])
	}
}

// Before an addition: what is refused, the strength of the product today with its source, and the cautions.
func TestAskingBeforeAnAddition(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, tina, mara := w.as("lea"), w.as("tina"), w.as("mara")
	strength := obj{"value": amount("12.5", "g Cl2/100 mL"), "gravity": amount("1.2", "kg/L"), "on": "2026-01-31"}
	w.delivered(lea, "HYP-1", "hypochlorite", "60", "L", "2026-12-31", obj{"strength": strength}).want(201)
	w.delivered(lea, "HYP-2", "hypochlorite", "60", "L", "2026-12-31", obj{"strength": obj{"value": amount("12.5", "%"), "on": "2026-01-31"}}).problem(422, "bad-strength", "strength")
	ask := func(code string) obj {
		return tina.do("POST", "/additions/ask", obj{"place": "bath-1", "chemical": "sodium-hypochlorite", "amount": amount("250", "mL"), "material_lot": code}).want(200).object()
	}
	if o := ask("HYP-1"); o["allowed"] != false || answered(o, haccp.AskedRefused)["HYP-1"] != "material-not-approved" {
		t.Errorf("%v", o)
	}
	w.ruled(mara, "mara", "HYP-1", true).want(201)
	o := ask("HYP-1")
	if o["allowed"] != true || len(o["cautions"].([]any)) < 7 {
		t.Errorf("%v", o)
	}
	// 30 days at 28 °C by the second-order law of storage, held against the table of it in package wash.
	today := o["strength"].(obj)
	law, err := strconv.ParseFloat(today["value"].(string), 64)
	must(t, err)
	table, err := wash.StoredTable(28, 30)
	must(t, err)
	if today["source"] != "adam-gordon-1999" || today["formula"] != "hypochlorite-stored/1" || math.Abs(law/table.Value-1) > 0.07 {
		t.Errorf("%v, the table says %.2f", today, table.Value)
	}
	if o := ask(""); o["allowed"] != false || answered(o, haccp.AskedMissing)["hypochlorite"] != "material-lot-not-named" {
		t.Errorf("%v", o)
	}
	if o := tina.do("POST", "/additions/ask", obj{"place": "bath-9", "chemical": "salt", "amount": amount("1", "kg")}).want(422).object(); o["code"] != "unknown-place" {
		t.Errorf("%v", o)
	}
	// Reported after the fact it is recorded, with its finding.
	if o := tina.do("POST", "/additions", obj{"id": id(), "place": "bath-1", "chemical": "sodium-hypochlorite", "amount": amount("250", "mL"), "material_lot": "HYP-9"}).want(201).object(); o["findings"].([]any)[0].(obj)["code"] != "material-lot-unknown" {
		t.Errorf("%v", o)
	}
}

// A reading from an instrument past its check, or that failed it, is taken with a flag that blocks release; never silent.
func TestInstrumentsOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, tina, mara := w.as("lea"), w.as("tina"), w.as("mara")
	standing := func(tool string) obj {
		for _, x := range mara.do("GET", "/instruments", nil).want(200).object()["instruments"].([]any) {
			if x.(obj)["id"] == tool {
				return x.(obj)
			}
		}
		t.Fatalf("no instrument %s", tool)
		return nil
	}
	if s := standing("ph-meter-1"); s["standing"] != "never checked" || s["measures"].([]any)[0] != "ph" {
		t.Errorf("%v", s)
	}
	check := func(tool, result string) *response {
		return tina.do("POST", "/instruments/checked", obj{"id": id(), "instrument": tool, "result": result, "standard": "buffer 7.00",
			"points": []obj{{"quantity": "ph", "reference": amount("7.00", "pH"), "found": amount("7.02", "pH")}}})
	}
	check("spoon", "pass").problem(422, "unknown-instrument", "instrument")
	check("ph-meter-1", "pass").want(201)
	if s := standing("ph-meter-1"); s["standing"] != "in date" || s["next_due"] == nil || s["last"] == nil {
		t.Errorf("%v", s)
	}
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": "F-1", "step": "receive", "mass": amount("20", "kg")}).want(201)
	lea.do("POST", "/lots/entered", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	w.later(10 * time.Minute)
	check("ph-meter-1", "fail").want(201)
	w.later(time.Minute)
	with := reading(func(r obj) {
		for _, e := range r["entries"].([]obj) {
			if e["quantity"] == "ph" {
				e["instrument"] = "ph-meter-1"
			}
		}
	})
	if f := tina.do("POST", "/readings", with).want(201).object()["findings"].([]any); f[0].(obj)["code"] != "instrument-failed" {
		t.Errorf("%v", f)
	}
	lea.do("POST", "/lots/left", obj{"id": id(), "lot": "F-1", "step": "wash-1", "place": "bath-1"}).want(201)
	sign := func(more obj) obj {
		b := obj{"id": id(), "password": w.passes["mara"], "signature": w.signature()}
		maps.Copy(b, more)
		return b
	}
	missing := func() string {
		var all strings.Builder
		for _, x := range mara.do("POST", "/lots/F-1/dispositions", sign(obj{"outcome": "release", "reason": "r"})).problem(409, "release-lacks", "").object()["items"].([]any) {
			all.WriteString(x.(string) + "\n")
		}
		return all.String()
	}
	const failed = "instrument ph-meter-1 had failed its check"
	if all := missing(); !strings.Contains(all, failed) {
		t.Errorf("missing:\n%s", all)
	}
	mara.do("POST", "/lots/F-1/evaluations", sign(obj{"instrument": "ph-meter-1", "facts": "found 0.02 high", "basis": "pH well inside", "decision": "fit"})).want(201)
	if all := missing(); strings.Contains(all, failed) {
		t.Errorf("missing after the evaluation:\n%s", all)
	}
	tina.do("POST", "/instruments/service", obj{"id": id(), "instrument": "ph-meter-1", "in": false}).problem(422, "missing", "reason")
	tina.do("POST", "/instruments/service", obj{"id": id(), "instrument": "ph-meter-1", "in": false, "reason": "electrode cracked"}).want(201)
	if s := standing("ph-meter-1"); s["standing"] != "out of service" || s["out"] != "electrode cracked" {
		t.Errorf("%v", s)
	}
	if o := lea.do("POST", "/lots/F-1/ask", obj{"step": "wash-2", "place": "bath-2", "instruments": []string{"ph-meter-1"}}).want(200).object(); answered(o, haccp.AskedRefused)["ph-meter-1"] != "instrument-out-of-service" {
		t.Errorf("%v", o)
	}
	tina.do("POST", "/instruments/service", obj{"id": id(), "instrument": "ph-meter-1", "in": true}).want(403)
	lea.do("POST", "/instruments/service", obj{"id": id(), "instrument": "ph-meter-1", "in": true}).want(201)
	check("ph-meter-1", "adjusted").want(201)
	if s := standing("ph-meter-1"); s["standing"] != "in date" {
		t.Errorf("%v", s)
	}
	w.later(25 * time.Hour)
	mara = w.as("mara")
	if s := standing("ph-meter-1"); s["standing"] != "overdue" {
		t.Errorf("%v", s)
	}
}
