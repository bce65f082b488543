package api

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
)

// low is a bath test with too little chlorine.
func low(o obj) {
	o["entries"].([]obj)[0]["read"] = obj{"value": "90", "unit": "mg/L"}
}

// started brings the line into the state after a good start: bath filled and tested, line started with leave.
func (w *world) started() {
	w.t.Helper()
	lea := w.as("lea")
	for _, place := range []string{"bath-1", "bath-2"} {
		lea.do("POST", "/fillings", obj{"id": id(), "place": place, "water": "town water", "level": obj{"value": "80", "unit": "cm"},
			"first": []obj{{"chemical": "salt", "amount": obj{"value": "36", "unit": "kg"}}}}).want(201)
	}
	w.later(6 * time.Minute)
	for _, place := range []string{"bath-1", "bath-2"} {
		lea.do("POST", "/readings", reading(func(o obj) { o["place"] = place })).want(201)
	}
	lea.do("POST", "/lines/line-1/start", obj{"id": id(), "pre_op": w.preOp()}).want(201)
	w.later(10 * time.Minute)
}

func (w *world) preOp() []obj {
	var out []obj
	for _, item := range []string{"clean-seen", "blades-in", "rinse-clear", "tools-out"} {
		out = append(out, obj{"item": item, "ok": true, "at": w.clock().Format(time.RFC3339)})
	}
	return out
}

// TestDeviationFromReadingToLog works a low-chlorine deviation to its close over the API, and finds it in the
// corrective-action log.
func TestDeviationFromReadingToLog(t *testing.T) {
	w := newWorld(t)
	mara, tina, lea := w.as("mara"), w.as("tina"), w.as("lea")
	lacks := lea.do("POST", "/lines/line-1/start", obj{"id": id()}).problem(409, "start-lacks", "").object()
	if len(lacks["items"].([]any)) < 4 {
		t.Errorf("start lacks %v", lacks["items"])
	}
	if got := lea.do("GET", "/lines/line-1/start-conditions", nil).want(200).object()["lacking"].([]any); len(got) < 4 {
		t.Errorf("lacking %v", got)
	}
	w.started()
	out := tina.do("POST", "/readings", reading(low)).want(201).object()
	if out["verdict"] != "outside" || len(out["opened"].([]any)) == 0 || len(out["fixes"].([]any)) == 0 || len(out["instructions"].([]any)) == 0 {
		t.Fatalf("%v", out)
	}
	if now := out["now"].(obj); now["retest_by"] == nil || now["head"] == nil {
		t.Errorf("now: %v", now)
	}
	var dev string
	for _, o := range out["opened"].([]any) {
		if b := o.(obj); b["point"] == "wash-chlorine" {
			dev, _ = b["deviation"].(string)
		}
	}
	tina.do("POST", "/fixes", obj{"id": id(), "point": "wash-chlorine", "place": "bath-1", "fix": "add-hypochlorite", "deviation": dev}).want(201)
	tina.do("POST", "/additions", obj{"id": id(), "place": "bath-1", "chemical": "hypochlorite-12", "amount": obj{"value": "0.25", "unit": "L"}, "reason": "low"}).want(201)
	w.later(7 * time.Minute)
	tina.do("POST", "/readings", reading()).want(201)

	open := mara.do("GET", "/deviations", nil).want(200).object()["deviations"].([]any)
	if len(open) != 1 || open[0].(obj)["deviation"] != dev || open[0].(obj)["status"] != "open" || len(open[0].(obj)["missing"].([]any)) != 3 {
		t.Fatalf("open: %v", open)
	}
	sign := func(part string, more obj) obj {
		o := obj{"id": id(), "part": part, "password": w.passes["mara"], "signature": w.signature()}
		maps.Copy(o, more)
		return o
	}
	path := "/deviations/" + dev + "/parts"
	mara.do("POST", path, sign("closed", nil)).problem(409, "parts-missing", "part")
	mara.do("POST", path, sign("product-evaluated", nil)).problem(422, "missing", "product")
	stale := sign("control-restored", obj{"restored": "hypochlorite added, mixed, tested"})
	stale["signature"].(obj)["head"] = obj{"size": 5, "root": "AAAA"}
	mara.do("POST", path, stale).want(422)
	once := sign("control-restored", obj{"restored": "hypochlorite added, mixed, tested"})
	mara.do("POST", path, once).want(201)
	mara.do("POST", path, once).want(200)
	mara.do("POST", path, sign("product-evaluated", obj{"product": obj{"exposed": false, "evidence": "feed was stopped"}})).want(201)
	mara.do("POST", path, sign("cause-and-action", obj{"cause": "pump lost its prime", "action": "check valve fitted"})).want(201)
	mara.do("POST", path, sign("closed", nil)).want(201)

	one := mara.do("GET", "/deviations/"+dev, nil).want(200).object()
	if one["status"] != "closed" || len(one["records"].([]any)) < 6 {
		t.Errorf("%v", one)
	}
	signed := w.wantRecord(haccp.KindDeviationSigned)
	b, ok := signed.Body.(*haccp.DeviationSigned)
	if !ok || signed.By.Known != haccp.KnownPassword || len(b.Signature.Covers) == 0 || b.Signature.Meaning != "closed" {
		t.Errorf("signed %+v by %+v", b, signed.By)
	}
	period := "?from=" + url.QueryEscape("2026-03-01T00:00:00-06:00") + "&to=2026-03-04T00:00:00Z"
	if all := mara.do("GET", "/deviations"+period+"&state=all", nil).want(200).object()["deviations"].([]any); len(all) != 1 {
		t.Errorf("all: %v", all)
	}
	log := mara.do("GET", "/corrective-actions"+period, nil).want(200)
	if !bytes.Contains(log.body, []byte("pump lost its prime")) || !strings.Contains(log.object()["checkpoint"].(string), "linewarden/") {
		t.Errorf("log: %s", log.body)
	}
	mara.do("GET", "/corrective-actions"+period+"&format=csv", nil).want(200)
	w.wantNoPassword()
}

// wantNoPassword looks for every password in every record.
func (w *world) wantNoPassword() {
	w.t.Helper()
	err := w.site.Records(context.Background(), 1, w.site.Head().Size, func(seq int64, rec string) error {
		for who, p := range w.passes {
			if strings.Contains(rec, p) {
				w.t.Errorf("record %d holds the password of %s", seq, who)
			}
		}
		return nil
	})
	must(w.t, err)
	if strings.Contains(w.logged.String(), w.passes["mara"]) {
		w.t.Error("the log holds a password")
	}
}

// TestHashLeavesThePasswordOut: two requests that differ in the password alone are one command to the log.
func TestHashLeavesThePasswordOut(t *testing.T) {
	w := newWorld(t)
	mara := w.as("mara")
	o := obj{"id": id(), "from": 1, "to": 3, "password": w.passes["mara"], "signature": w.signature()}
	mara.do("POST", "/reviews", o).want(201)
	must(t, w.door.ChangePassword(context.Background(), "mara", w.passes["mara"], "a wet glove on the third hook", access.Source{}, w.clock()))
	w.passes["mara"] = "a wet glove on the third hook"
	o["password"] = w.passes["mara"]
	w.as("mara").do("POST", "/reviews", o).want(200)
}

// TestSignatureWantsPassword: no PIN, token or wrong password signs; the attempt is in the log.
func TestSignatureWantsPassword(t *testing.T) {
	w := newWorld(t)
	ada := w.as("ada")
	tablet := ada.do("POST", "/devices", obj{"name": "bath tablet", "kind": "tablet"}).want(201).object()
	probe := ada.do("POST", "/devices", obj{"name": "probe", "kind": "probe"}).want(201).object()
	w.as("mara").do("POST", "/pin", obj{"password": w.passes["mara"], "pin": "482915"}).want(204)
	c := w.nobody()
	pin := c.do("POST", "/session/pin", obj{"person": "mara", "pin": "482915", "device_token": tablet["token"]}).want(200)
	if o := pin.object(); o["known"] != "PIN" || o["device"].(obj)["id"] != tablet["id"] {
		t.Errorf("%v", o)
	}
	c.form = pin.object()["form_token"].(string)
	c.cookie = strings.Split(pin.header.Get("Set-Cookie"), ";")[0]
	size := w.site.Head().Size
	review := func(password string) obj {
		return obj{"id": id(), "from": 1, "to": 3, "password": password, "signature": w.signature()}
	}
	c.do("POST", "/reviews", review("482915")).problem(403, "signature-password", "password")
	w.wantRecord(haccp.KindSignatureFailed)
	c.do("POST", "/reviews", review(tablet["token"].(string))).problem(403, "signature-password", "password")
	c.do("POST", "/reviews", review("")).problem(422, "missing", "password")
	noPassword := review("")
	delete(noPassword, "password")
	c.do("POST", "/reviews", noPassword).problem(422, "missing", "password")
	if got := w.site.Head().Size; got != size+2 {
		t.Errorf("%d records more, want the two failures", got-size)
	}
	c.do("POST", "/reviews", review(w.passes["mara"])).want(201) // on a PIN session, with the password given

	p := w.nobody()
	p.bearer = probe["token"].(string)
	p.do("POST", "/reviews", review("x")).problem(403, "role-may-not", "")
	p.do("GET", "/readings", nil).problem(403, "role-may-not", "")
	p.do("GET", "/session", nil).want(200)
	out := p.do("POST", "/readings", reading(func(o obj) {
		o["at"], o["at_known"] = w.clock().Format(time.RFC3339), "device"
		o["device"] = obj{"clock": w.clock().Format(time.RFC3339), "offset_ms": 40}
	})).want(201).object()
	got := w.as("mara").do("GET", "/readings/"+out["id"].(string), nil).want(200).object()
	if by := got["by"].(obj); by["role"] != "device" || by["known"] != "device token" || got["body"].(obj)["mode"] != "device" {
		t.Errorf("%v", got)
	}
	p.do("POST", "/readings", reading(func(o obj) { o["device"] = obj{"id": "another"} })).problem(422, "wrong-device", "device.id")
	w.as("ada").do("DELETE", "/devices/"+probe["id"].(string), nil).want(204)
	p.do("POST", "/readings", reading()).problem(401, "device-not-enrolled", "")
	t2 := w.nobody()
	t2.bearer = tablet["token"].(string)
	t2.do("POST", "/readings", reading()).problem(401, "not-signed-in", "")
	w.wantNoPassword()
}

// TestAmendAndVoid changes readings in the ways RULES allow, and shows their whole history.
func TestAmendAndVoid(t *testing.T) {
	w := newWorld(t)
	w.started()
	tina, mara := w.as("tina"), w.as("mara")
	first := tina.do("POST", "/readings", reading()).want(201).object()["id"].(string)
	body := reading()
	delete(body, "id")
	body["note"] = "drawn at the outlet"
	tina.do("POST", "/amendments", obj{"id": id(), "target": first, "reason": "note forgotten", "new": body}).want(201)
	got := tina.do("GET", "/readings/"+first, nil).want(200).object()
	h := got["history"].([]any)
	if got["standing"] != "amended" || len(h) != 1 || h[0].(obj)["by"].(obj)["id"] != "tina" || h[0].(obj)["body"].(obj)["reason"] != "note forgotten" {
		t.Errorf("%v", got)
	}
	bad := tina.do("POST", "/readings", reading(low)).want(201).object()["id"].(string)
	tina.do("POST", "/amendments", obj{"id": id(), "target": bad, "reason": "misread", "new": body}).problem(403, "better-wants-manager", "signature")
	signed := obj{"id": id(), "target": bad, "reason": "misread", "new": body, "password": w.passes["mara"], "signature": w.signature()}
	mara.do("POST", "/amendments", signed).want(201)
	broken := obj{"id": id(), "target": bad, "reason": "x", "new": obj{"check": "bath-test", "place": "bath-1", "entries": []obj{{"quantity": "ph", "read": obj{"value": 6.5, "unit": "pH"}}}}}
	tina.do("POST", "/amendments", broken).problem(422, "number-not-string", "new.entries[0].read.value")
	tina.do("POST", "/amendments", obj{"id": id(), "target": id(), "reason": "x", "new": obj{}}).problem(404, "unknown-report", "target")
	wrong := tina.do("POST", "/readings", reading(low, func(o obj) { o["place"] = "bath-2" })).want(201).object()["id"].(string)
	w.later(time.Minute)
	void := obj{"id": id(), "target": wrong, "reason": "wrong bath", "new": obj{"at": w.clock().Format(time.RFC3339), "body": body}}
	tina.do("POST", "/voids", void).problem(403, "better-wants-manager", "signature")
	void["id"], void["password"], void["signature"] = id(), w.passes["mara"], w.signature()
	mara.do("POST", "/voids", void).want(201)
	if got := mara.do("GET", "/readings/"+wrong, nil).want(200).object(); got["standing"] != "void" || got["body"].(obj)["place"] != "bath-2" {
		t.Errorf("%v", got)
	}
	typed := tina.do("POST", "/readings", reading(func(o obj) { o["at"] = w.clock().Add(-time.Minute).Format(time.RFC3339) })).want(201).object()["id"].(string)
	accept := obj{"id": id(), "reason": "seen on paper", "password": w.passes["mara"], "signature": w.signature()}
	mara.do("POST", "/times/"+typed+"/accept", accept).want(201)
	if got := mara.do("GET", "/readings/"+typed, nil).want(200).object(); got["at_known"] != "typed" || len(got["history"].([]any)) != 1 {
		t.Errorf("%v", got)
	}
	tina.do("POST", "/voids", obj{"id": id(), "target": first, "reason": "x", "password": "y"}).problem(422, "missing", "signature")
}

// TestPeopleAndPasswords adds a person, who chooses a password, works, and is disabled.
func TestPeopleAndPasswords(t *testing.T) {
	w := newWorld(t)
	ada := w.as("ada")
	x := obj{"id": id(), "name": "Nadia Ferro", "sign_in": "Nadia"}
	o := ada.do("POST", "/people", x).want(201).object()
	person, code := o["person"].(string), o["setup_code"].(string)
	if again := ada.do("POST", "/people", x).want(200).object(); again["setup_code"] != nil || again["person"] != person || again["seq"] != o["seq"] {
		t.Errorf("again: %v", again)
	}
	ada.do("POST", "/people", obj{"id": id(), "name": "Other", "sign_in": "nadia"}).problem(409, "sign-in-taken", "sign_in")
	ada.do("POST", "/people/"+person+"/roles", obj{"id": id(), "give": "technician"}).want(201)
	ada.do("POST", "/people/"+person+"/roles", obj{"id": id(), "give": "technician", "take": "manager"}).problem(422, "missing", "give")
	n := w.nobody()
	n.do("POST", "/password", obj{"name": "nadia", "code": code, "password": "short"}).problem(422, "weak-password", "password")
	n.do("POST", "/password", obj{"name": "nadia", "code": "0000-0000-0000-0000", "password": "salt on the belt at noon"}).problem(401, "sign-in", "")
	n.do("POST", "/password", obj{"name": "nadia", "code": code, "password": "salt on the belt at noon"}).want(200)
	w.passes["nadia"] = "salt on the belt at noon"
	n = w.as("nadia")
	n.do("POST", "/readings", reading()).want(201)
	n.do("POST", "/password", obj{"present": w.passes["nadia"], "password": "noon on the belt with salt"}).want(200)
	n.do("GET", "/session", nil).problem(401, "not-signed-in", "") // every old session has ended
	w.passes["nadia"] = "noon on the belt with salt"
	n = w.as("nadia")
	for _, p := range n.do("GET", "/people", nil).want(200).object()["people"].([]any) {
		if p.(obj)["sign_in"] != nil {
			t.Errorf("a technician sees sign-in names: %v", p)
		}
	}
	ada.do("POST", "/people/"+person+"/disable", obj{"id": id(), "reason": "left"}).want(201)
	n.do("POST", "/readings", reading()).problem(401, "not-signed-in", "")
	w.nobody().do("POST", "/session", obj{"name": "nadia", "password": w.passes["nadia"]}).problem(401, "sign-in", "")
	ada.do("POST", "/people/"+person+"/enable", obj{"id": id()}).want(201)
	ada.do("POST", "/people/"+person+"/reset", nil).want(200)
	ada.do("GET", "/people", nil).want(200)
	ada.do("GET", "/devices", nil).want(200)
	ada.do("DELETE", "/session", nil).want(204)
	ada.do("GET", "/people", nil).problem(401, "not-signed-in", "")
}

// TestPlans checks a plan, signs a second version and reads both back.
func TestPlans(t *testing.T) {
	w := newWorld(t)
	c := w.as("mara")
	src := string(demoSource(t))
	check := func(s string) obj {
		y := w.as("mara")
		y.header["Content-Type"] = "application/yaml"
		return y.do("POST", "/plans/check", s).want(200).object()
	}
	if o := check(src); o["good"] != true {
		t.Errorf("%v", o)
	}
	if o := check("site: [\n"); o["good"] != false || o["errors"].([]any)[0].(obj)["line"] == 0.0 {
		t.Errorf("%v", o)
	}
	next := strings.Replace(src, "name: Wash bath 1", "name: First wash bath", 1)
	sign := func(source string) obj {
		return obj{"id": id(), "source": source, "reason": "validation repeated", "password": w.passes["mara"], "signature": w.signature()}
	}
	if o := c.do("POST", "/plans", sign("site: x\n")).problem(422, "plan-faults", "source").object(); len(o["items"].([]any)) < 3 {
		t.Errorf("%v", o["items"])
	}
	tina := w.as("tina")
	tina.do("POST", "/plans", sign(next)).problem(403, "signature-password", "password")
	mine := sign(next)
	mine["password"] = w.passes["tina"]
	tina.do("POST", "/plans", mine).problem(403, "role-may-not", "")
	c.do("POST", "/plans", sign(next)).want(201)
	list := c.do("GET", "/plans", nil).want(200).object()["plans"].([]any)
	if len(list) != 2 || list[1].(obj)["in_force"] != true || list[1].(obj)["signed_by"] != "MARA" {
		t.Errorf("%v", list)
	}
	if got := c.do("GET", "/plans/2?format=yaml", nil).want(200); string(got.body) != next {
		t.Error("the plan file is not what was signed")
	}
	for _, path := range []string{"/plan", "/plans/1", "/plans/2", "/places", "/lines", "/checks", "/points", "/site"} {
		c.do("GET", path, nil).want(200)
	}
	c.do("GET", "/plans/3", nil).problem(404, "no-plan", "")
	c.do("GET", "/plans/2?format=pdf", nil).problem(422, "not-a-choice", "format")
}

// TestOtherReports sends each other kind of report once and looks at the views that show them.
func TestOtherReports(t *testing.T) {
	w := newWorld(t)
	w.started()
	lea := w.as("lea")
	for path, more := range map[string]obj{
		"/part-replacements": {"place": "bath-1", "water": "town water", "volume": obj{"value": "200", "unit": "L"}},
		"/clean-breaks":      {"line": "line-1", "places": []string{"bath-1", "bath-2"}},
		"/notes":             {"text": "leaves wetter than usual", "place": "bath-1"},
		"/lines/line-1/stop": {"reason": "break", "product_in_baths": []string{"bath-1"}},
	} {
		more["id"] = id()
		lea.do("POST", path, more).want(201)
	}
	w.later(time.Minute)
	lea.do("POST", "/service", obj{"id": id(), "place": "bath-2", "in": false, "reason": "leak"}).want(201)
	lea.do("POST", "/service", obj{"id": id(), "place": "bath-2", "in": false}).problem(422, "missing", "reason")
	lea.do("POST", "/lines/line-1/started", obj{"id": id(), "line": "line-9"}).problem(422, "wrong-line", "line")
	lea.do("POST", "/lines/line-1/started", obj{"id": id()}).want(201)
	lea.do("POST", "/lines/line-9/stop", obj{"id": id(), "reason": "x", "product_in_baths": []string{}}).problem(422, "unknown-line", "line")
	lines := lea.do("GET", "/lines", nil).want(200).object()["lines"].([]any)
	if l := lines[0].(obj); l["running"] != true || len(l["runs"].([]any)) != 2 {
		t.Errorf("%v", lines)
	}
	points := lea.do("GET", "/points", nil).want(200).object()["points"].([]any)
	if !slices.ContainsFunc(points, func(p any) bool { return p.(obj)["state"] == "not-known" }) {
		t.Error("no point is not known")
	}
	if n := len(lea.do("GET", "/checks", nil).want(200).object()["checks"].([]any)); n == 0 {
		t.Error("nothing is due")
	}
}

// BenchmarkReading measures what a request costs beside the site: reading it strictly, putting together what is
// hashed, making the body of the record, and writing the answer.
func BenchmarkReading(b *testing.B) {
	w := newWorld(b)
	body, err := json.Marshal(reading())
	must(b, err)
	var answer Answer
	must(b, json.Unmarshal(w.as("tina").do("POST", "/readings", body).want(201).body, &answer))
	sh := intake.For[readingIn]()
	var out bytes.Buffer
	b.ReportAllocs()
	for b.Loop() {
		in := new(readingIn)
		sent, err := sh.Read(body, in)
		must(b, err)
		if in.readingBody.report() == nil || len(sent) != 4 {
			b.Fatal("not read")
		}
		out.Reset()
		e := json.NewEncoder(&out)
		e.SetEscapeHTML(false)
		must(b, e.Encode(answer))
	}
	b.ReportMetric(float64(len(body)), "request-bytes")
	b.ReportMetric(float64(out.Len()), "answer-bytes")
}
