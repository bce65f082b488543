package api

import (
	"maps"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
)

// signing adds what a signature of somebody wants.
func (w *world) signing(who string, more obj) obj {
	o := obj{"id": id(), "password": w.passes[who], "signature": w.signature()}
	maps.Copy(o, more)
	return o
}

// made takes a lot through every step of the plan.
func (w *world) made(code string) {
	lea, tina := w.as("lea"), w.as("tina")
	lea.do("POST", "/lots/received", obj{"id": id(), "lot": code, "step": "receive", "mass": obj{"value": "200", "unit": "kg"}}).want(201)
	tina.do("POST", "/places/emptied", obj{"id": id(), "place": "shredder"}).want(201)
	for _, s := range [][2]string{{"wash-1", "bath-1"}, {"wash-2", "bath-2"}, {"rinse", "fillet-table"}, {"fillet", "fillet-table"}, {"inspect", "fillet-table"},
		{"shred", "shredder"}, {"dose", "shredder"}, {"fill", "filler"}, {"chill", "cold-room"}} {
		body := obj{"id": id(), "lot": code, "step": s[0], "place": s[1]}
		lea.do("POST", "/lots/entered", body).want(201)
		w.later(time.Minute)
		body = obj{"id": id(), "lot": code, "step": s[0], "place": s[1]}
		if s[0] == "fill" {
			body["boxes"] = []obj{{"prefix": "BX", "from": 1, "to": 6}}
		}
		lea.do("POST", "/lots/left", body).want(201)
	}
}

// covered signs an evaluation of every gap in the evidence of a lot, and of its findings.
func (w *world) covered(code string) {
	mara := w.as("mara")
	for _, x := range mara.do("GET", "/lots/"+code, nil).want(200).object()["missing"].([]any) {
		m := x.(obj)
		body := obj{"facts": "short run, baths tested before", "decision": "fit", "basis": "nothing ran beside it"}
		switch m["what"] {
		case haccp.MissingEvidence:
			body["point"], body["place"] = m["point"], m["place"]
		case haccp.MissingTime:
			body["point"] = m["point"]
		case haccp.MissingFinding:
		case haccp.MissingMaterial, haccp.MissingInstrument:
			for _, key := range []string{"material", "material_lot", "instrument"} {
				if m[key] != nil {
					body[key] = m[key]
				}
			}
		case haccp.MissingEvaluation:
			body["deviation"] = m["deviation"]
		default:
			continue
		}
		mara.do("POST", "/lots/"+code+"/evaluations", w.signing("mara", body)).want(201)
	}
}

// results gives one report of results as the demo's specification wants it.
func results(code, sample, test string, at time.Time, units ...obj) obj {
	method := map[string]string{"total-count": "Count film, read after 24 h", "yeast-mould": "Count film, read after 24 h", "e-coli": "Enrichment and count film, 24 h",
		"salmonella": "Enrichment and PCR, 24 h", "listeria": "Enrichment and PCR, 24 h", "ph": "pH meter", "aloin": "HPLC", "solids": "Drying at 105 °C"}[test]
	lab := "Plant laboratory"
	if test == "salmonella" || test == "listeria" || test == "aloin" {
		lab = "Laboratorio Piedra Lisa (invented)"
	}
	for i := range units {
		units[i]["unit"] = i + 1
	}
	return obj{"id": id(), "lot": code, "sample": sample, "test": test, "method": method, "laboratory": lab, "finished": at.Format(time.RFC3339), "units": units}
}

func measured(v, unit string) obj { return obj{"value": obj{"value": v, "unit": unit}} }

func below(v, unit string) obj {
	return obj{"value": obj{"value": v, "unit": unit, "sign": "<"}}
}

func none(grams string) obj { return obj{"value": false, "in": obj{"value": grams, "unit": "g"}} }

func five(one func() obj) []obj { return []obj{one(), one(), one(), one(), one()} }

// TestReleaseWantsEveryRequiredResult: a lot with a result missing, or one outside its plan, is refused for every role,
// item by item; with all inside it is released, and has its certificate.
func TestReleaseWantsEveryRequiredResult(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, lara, mara := w.as("lea"), w.as("lara"), w.as("mara")
	w.made("G-1")
	lea.do("POST", "/lots/sampled", obj{"id": id(), "lot": "G-1", "sample": "S-1", "units": 5, "where": "boxes 1 to 5"}).want(201)
	lea.do("POST", "/samples/passed", obj{"id": id(), "lot": "G-1", "sample": "S-1", "to": "courier", "seal": "77", "temperature": obj{"value": "4", "unit": "°C"}}).want(201)
	lea.do("POST", "/samples/received", obj{"id": id(), "lot": "G-1", "sample": "S-1", "laboratory": "Plant laboratory"}).problem(403, "role-may-not", "")
	lara.do("POST", "/samples/received", obj{"id": id(), "lot": "G-1", "sample": "S-1", "laboratory": "Plant laboratory", "condition": "cold, seal whole"}).want(201)
	w.later(time.Minute)
	now := w.clock()

	// What is wrong with a report is said where it is, and nothing is kept.
	lea.do("POST", "/results", results("G-1", "S-1", "ph", now, measured("4.10", "pH"))).problem(403, "role-may-not", "")
	lara.do("POST", "/results", results("G-1", "S-1", "ph", now, measured("41", "pH"))).problem(422, "outside-physical-range", "units[0].value.value")
	lara.do("POST", "/results", results("G-1", "S-1", "ph", now, obj{"value": 4.1})).want(422)
	lara.do("POST", "/results", results("G-1", "S-1", "taste", now, measured("4.1", "pH"))).problem(422, "unknown-test", "test")
	lara.do("POST", "/results", results("G-1", "S-1", "salmonella", now, measured("3", "CFU/g"))).problem(422, "wrong-kind", "units[0].value")

	// Four of five units of Salmonella, three marginal of the total count (c 2), the rest good; aloin is forgotten.
	for _, b := range []obj{
		results("G-1", "S-1", "total-count", now, measured("110", "CFU/g"), measured("120", "CFU/g"), measured("1000", "CFU/g"), below("10", "CFU/g"), measured("90", "CFU/g")),
		results("G-1", "S-1", "yeast-mould", now, below("10", "CFU/g")), results("G-1", "S-1", "e-coli", now, none("1")),
		results("G-1", "S-1", "salmonella", now, five(func() obj { return none("25") })[:4]...),
		results("G-1", "S-1", "listeria", now, five(func() obj { return none("25") })...), results("G-1", "S-1", "ph", now, measured("4.10", "pH")),
	} {
		out := lara.do("POST", "/results", b).want(201).object()
		opened, _ := out["opened"].([]any)
		if wanted := b["test"] == "total-count"; wanted != (len(opened) == 1) {
			t.Errorf("%s opened %d cases", b["test"], len(opened))
		}
	}
	file := lara.do("GET", "/lots/G-1", nil).want(200).object()
	status := map[string]any{}
	for _, x := range file["tests"].([]any) {
		status[x.(obj)["test"].(string)] = x.(obj)["status"]
	}
	for test, want := range map[string]string{"total-count": "failing", "salmonella": "pending", "aloin": "pending", "listeria": "conforming", "e-coli": "conforming"} {
		if status[test] != want {
			t.Errorf("%s is %v, want %s", test, status[test], want)
		}
	}
	if file["state"] != "on hold" {
		t.Errorf("a lot outside its specification is %v", file["state"])
	}
	waiting := lara.do("GET", "/samples?state=waiting", nil).want(200).object()["samples"].([]any)
	if len(waiting) != 1 || waiting[0].(obj)["sample"] != "S-1" || len(waiting[0].(obj)["custody"].([]any)) != 2 {
		t.Errorf("%v", waiting)
	}

	// Refused for every role, administrator included, and each test is named.
	release := obj{"outcome": "release", "reason": "r", "confirmed": []string{}}
	for _, who := range []string{"tina", "lea", "lara", "ada", "aldo"} {
		w.as(who).do("POST", "/lots/G-1/dispositions", w.signing(who, release)).want(403)
	}
	got := w.lacking("G-1", release)
	for _, want := range []string{"Total aerobic count: does not conform, sample S-1", "Salmonella: pending, sample S-1: units missing", "Aloin: pending, sample S-1: no results"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not among what is missing:\n%s", want, got)
		}
	}
	if strings.Contains(got, "Listeria") || strings.Contains(got, "Solids") {
		t.Errorf("what conforms, or is for information, is among what is missing:\n%s", got)
	}
	mara.do("GET", "/lots/G-1/certificate", nil).problem(409, "not-certified", "lot")

	// A re-test takes the place of nothing; a value typed wrong is amended by signature of somebody else.
	fifth := results("G-1", "S-1", "salmonella", now, none("25"))
	fifth["units"].([]obj)[0]["unit"] = 5
	lara.do("POST", "/results", fifth).want(201)
	lara.do("POST", "/results", results("G-1", "S-1", "aloin", now, measured("0.8", "mg/kg"))).want(201)
	again := results("G-1", "S-1", "total-count", now, five(func() obj { return below("10", "CFU/g") })...)
	again["retest"] = "the manager asked for it"
	lara.do("POST", "/results", again).want(201)
	if got := w.lacking("G-1", release); !strings.Contains(got, "Total aerobic count: does not conform") {
		t.Errorf("a re-test took the place of a result outside:\n%s", got)
	}
	case0 := lara.do("GET", "/lots/G-1", nil).want(200).object()["holds"].([]any)[0].(obj)["deviation"].(string)
	d, _ := w.site.View().Case(case0)
	fixed := obj{"lot": "G-1", "sample": "S-1", "test": "total-count", "method": "Count film, read after 24 h", "laboratory": "Plant laboratory", "finished": now.Format(time.RFC3339),
		"units": []obj{{"unit": 1, "value": obj{"value": "11", "unit": "CFU/g"}}, {"unit": 2, "value": obj{"value": "120", "unit": "CFU/g"}}, {"unit": 3, "value": obj{"value": "1000", "unit": "CFU/g"}},
			{"unit": 4, "value": obj{"value": "10", "unit": "CFU/g", "sign": "<"}}, {"unit": 5, "value": obj{"value": "90", "unit": "CFU/g"}}}}
	lara.do("POST", "/amendments", obj{"id": id(), "target": d.OpenedBy, "reason": "11 was read as 110", "new": fixed}).problem(403, "better-wants-manager", "signature")
	mara.do("POST", "/amendments", w.signing("mara", obj{"target": d.OpenedBy, "reason": "11 was read as 110", "new": fixed})).want(201)

	// The case stands until it is signed for; no hold went by itself.
	if got := w.lacking("G-1", release); strings.Contains(got, "does not conform") || !strings.Contains(got, "control restored is not signed") {
		t.Errorf("%s", got)
	}
	part := "/deviations/" + case0 + "/parts"
	mara.do("POST", part, w.signing("mara", obj{"part": "control-restored", "restored": "the plate was read again"})).want(201)
	mara.do("POST", part, w.signing("mara", obj{"part": "product-evaluated", "product": obj{"exposed": false, "evidence": "the count was 11, the film is kept"}})).want(201)
	w.covered("G-1")
	w.later(time.Minute)
	mara.do("POST", "/lots/G-1/reviews", w.signing("mara", obj{})).want(201)
	mara.do("POST", "/lots/G-1/dispositions", w.signing("mara", release)).want(201)

	c := mara.do("GET", "/lots/G-1/certificate", nil).want(200).object()
	signed := c["release"].([]any)
	if c["product"] != "leaf-gel" || c["specification"] != 1.0 || len(c["tests"].([]any)) != 8 || len(signed) != 1 || signed[0].(obj)["name"] != "MARA" ||
		signed[0].(obj)["meaning"] != "lot-release" || !strings.Contains(c["checkpoint"].(string), "linewarden/") || len(c["evaluated"].([]any)) != 1 {
		t.Errorf("%v", c)
	}
	total := c["tests"].([]any)[0].(obj)
	if total["decision"] != "conforming" || len(total["results"].([]any)) != 10 || total["results"].([]any)[3].(obj)["value"].(obj)["sign"] != "<" {
		t.Errorf("%v", total)
	}
	if last := c["tests"].([]any)[7].(obj); last["required"] != false || last["decision"] != "pending" {
		t.Errorf("%v", last)
	}

	// A positive that comes in after the release puts the lot on hold again, and takes the certificate away.
	out := lara.do("POST", "/results", results("G-1", "S-1", "listeria", now, obj{"value": true})).want(201).object()
	if opened, _ := out["opened"].([]any); len(opened) != 1 {
		t.Errorf("%v", out)
	}
	if file := lara.do("GET", "/lots/G-1", nil).want(200).object(); file["state"] != "on hold" || file["holds"].([]any)[0].(obj)["was_released"] != true {
		t.Errorf("%v", file["holds"])
	}
	mara.header["Accept-Language"] = "es"
	es := mara.do("GET", "/lots/G-1/certificate", nil).problem(409, "not-certified", "lot").object()
	if !strings.Contains(es["detail"].(string), "lote") {
		t.Errorf("%v", es["detail"])
	}
}

// lacking is what stands against the release of a lot, a line each.
func (w *world) lacking(code string, release obj) string {
	w.t.Helper()
	items := w.as("mara").do("POST", "/lots/"+code+"/dispositions", w.signing("mara", release)).problem(409, "release-lacks", "").object()["items"].([]any)
	var all strings.Builder
	for _, x := range items {
		all.WriteString(x.(string) + "\n")
	}
	return all.String()
}

// TestPathogenHoldsBetweenCleanBreaks: a presumptive positive holds, in its own request, the sampled lot and what ran
// between the clean breaks around it, and nothing that ran before or after; the evaluation of each lot is signed for
// itself, and the sampled lot is not released with the positive standing.
func TestPathogenHoldsBetweenCleanBreaks(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea, lara, mara := w.as("lea"), w.as("lara"), w.as("mara")
	onLine := func(code string) {
		lea.do("POST", "/lots/received", obj{"id": id(), "lot": code, "step": "receive", "mass": obj{"value": "100", "unit": "kg"}}).want(201)
		for _, s := range [][2]string{{"shred", "shredder"}, {"fill", "filler"}} {
			lea.do("POST", "/lots/entered", obj{"id": id(), "lot": code, "step": s[0], "place": s[1]}).want(201)
			w.later(2 * time.Minute)
			lea.do("POST", "/lots/left", obj{"id": id(), "lot": code, "step": s[0], "place": s[1]}).want(201)
		}
		lea.do("POST", "/places/emptied", obj{"id": id(), "place": "shredder"}).want(201)
	}
	clean := func() {
		for _, b := range []string{"bath-1", "bath-2"} {
			lea.do("POST", "/drains", obj{"id": id(), "place": b}).want(201)
		}
		lea.do("POST", "/clean-breaks", obj{"id": id(), "line": "line-1", "places": []string{"bath-1", "bath-2", "fillet-table", "hand-dip", "shredder", "filler"}}).want(201)
		w.later(time.Minute)
	}
	onLine("before")
	w.later(time.Minute)
	clean()
	onLine("beside")
	onLine("N")
	clean()
	onLine("after")
	lea.do("POST", "/lots/sampled", obj{"id": id(), "lot": "N", "sample": "S", "units": 5}).want(201)
	body := results("N", "S", "listeria", w.clock(), none("25"), obj{"value": true})
	body["presumptive"] = true
	body["attached"] = obj{"hash": strings.Repeat("0a", 32), "name": "PL-2291.pdf", "number": "PL-2291"}
	lara.do("POST", "/results", body).want(201)
	// The same request again, as after a broken network: one record.
	lara.do("POST", "/results", body).want(200)
	for code, want := range map[string]string{"before": "in process", "beside": "on hold", "N": "on hold", "after": "in process"} {
		if got := mara.do("GET", "/lots/"+code, nil).want(200).object()["state"]; got != want {
			t.Errorf("%s is %v, want %s", code, got, want)
		}
	}
	file := mara.do("GET", "/lots/N", nil).want(200).object()
	if reports := file["samples"].([]any)[0].(obj)["results"].([]any); len(reports) != 1 || reports[0].(obj)["reported"].(obj)["attached"].(obj)["number"] != "PL-2291" {
		t.Errorf("%v", reports)
	}
	dev := file["holds"].([]any)[0].(obj)["deviation"].(string)
	evaluation := obj{"deviation": dev, "facts": "own sample, all units", "decision": "fit", "basis": "nothing found in five times 25 g"}
	lara.do("POST", "/lots/beside/evaluations", w.signing("lara", evaluation)).problem(403, "role-may-not-sign", "")
	mara.do("POST", "/lots/beside/evaluations", w.signing("mara", evaluation)).want(201)
	mara.do("POST", "/lots/N/evaluations", w.signing("mara", evaluation)).want(201)
	if got := w.lacking("N", obj{"outcome": "release", "reason": "r"}); !strings.Contains(got, "Listeria monocytogenes: does not conform, sample S") {
		t.Errorf("%s", got)
	}
}
