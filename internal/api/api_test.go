package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/gate"
	"linewarden/internal/record"
)

// entry gives a reading with one entry whose read member is the JSON given.
func entry(read string) string {
	return fmt.Sprintf(`{"id":%q,"check":"bath-test","place":"bath-1","entries":[{"quantity":"ph","read":%s}]}`, id(), read)
}

// in puts one member of JSON text into an otherwise good reading.
func in(member string) string {
	return fmt.Sprintf(`{"id":%q,"check":"bath-test","place":"bath-1","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"}}],%s}`, id(), member)
}

// TestBadInput sends what the issue lists under bad input and more: each refusal names the member, and nothing
// is stored.
func TestBadInput(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	size := w.site.Head().Size
	for _, x := range []struct {
		name, body string
		status     int
		code, at   string
	}{
		{"NaN", entry(`{"value":NaN,"unit":"pH"}`), 400, "broken-json", "entries[0].read.value"},
		{"NaN as text", entry(`{"value":"NaN","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"infinity", entry(`{"value":Infinity,"unit":"pH"}`), 400, "broken-json", "entries[0].read.value"},
		{"infinity as text", entry(`{"value":"-Inf","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"1e309", entry(`{"value":1e309,"unit":"pH"}`), 422, "number-not-string", "entries[0].read.value"},
		{"1e309 as text", entry(`{"value":"1e309","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"number", entry(`{"value":6.75,"unit":"pH"}`), 422, "number-not-string", "entries[0].read.value"},
		{"bare number", entry(`6.75`), 422, "number-not-string", "entries[0].read"},
		{"band of numbers", entry(`{"low":6,"high":"7","unit":"pH"}`), 422, "number-not-string", "entries[0].read.low"},
		{"comma", entry(`{"value":"6,75","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"thousands", entry(`{"value":"1 000","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"minus zero", entry(`{"value":"-0.0","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"leading zero", entry(`{"value":"06.75","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"nineteen digits", entry(`{"value":"6.000000000000000000","unit":"pH"}`), 422, "bad-number", "entries[0].read.value"},
		{"pH 40", entry(`{"value":"40","unit":"pH"}`), 422, "outside-physical-range", "entries[0].read.value"},
		{"unknown unit", entry(`{"value":"6.75","unit":"furlong"}`), 422, "unknown-unit", "entries[0].read.unit"},
		{"no unit", entry(`{"value":"6.75"}`), 422, "bad-value", "entries[0].read.unit"},
		{"unknown member of a value", entry(`{"value":"6.75","unit":"pH","about":"7"}`), 422, "bad-value", "entries[0].read.about"},
		{"value twice", entry(`{"value":"6.75","value":"6.8","unit":"pH"}`), 422, "bad-value", "entries[0].read.value"},
		{"null value", entry(`null`), 422, "bad-value", "entries[0].read"},
		{"yes for a number", entry(`true`), 422, "wrong-kind", "entries[0].read"},
		{"unknown member", in(`"colour":"green"`), 422, "unknown-member", "colour"},
		{"misspelt case", in(`"Note":"x"`), 422, "unknown-member", "Note"},
		{"computed member", in(`"verdicts":[]`), 422, "unknown-member", "verdicts"},
		{"member twice", in(`"place":"bath-2"`), 422, "given-twice", "place"},
		{"member twice by escape", in(`"pl\u0061ce":"bath-2"`), 422, "given-twice", "place"},
		{"null member", in(`"note":null`), 422, "wrong-type", "note"},
		{"text for a list", in(`"lots":"A1"`), 422, "wrong-type", "lots"},
		{"number for a text", in(`"note":7`), 422, "wrong-type", "note"},
		{"long note", in(`"note":"` + strings.Repeat("x", 4001) + `"`), 422, "too-long", "note"},
		{"too many lots", in(`"lots":["` + strings.Repeat(`x","`, 50) + `y"]`), 422, "too-many", "lots"},
		{"future", in(`"at":"2026-03-02T12:10:00Z"`), 422, "in-future", "at"},
		{"no zone", in(`"at":"2026-03-02T12:00:00"`), 422, "bad-time", "at"},
		{"time as number", in(`"at":1772452800`), 422, "wrong-type", "at"},
		{"no such day", in(`"at":"2026-02-30T12:00:00Z"`), 422, "bad-time", "at"},
		{"time unknown how", in(`"at":"2026-03-02T12:00:00Z","at_known":"guessed"`), 422, "not-a-choice", "at_known"},
		{"how but no time", in(`"at_known":"device"`), 422, "missing", "at"},
		{"imported", in(`"at":"2026-03-02T12:00:00Z","at_known":"imported"`), 422, "not-a-choice", "at_known"},
		{"device without id", in(`"device":{"offset_ms":3}`), 422, "missing", "device.id"},
		{"offset with fraction", in(`"device":{"id":"x","offset_ms":3.5}`), 422, "bad-integer", "device.offset_ms"},
		{"offset too large", in(`"device":{"id":"x","offset_ms":9007199254740993}`), 422, "bad-integer", "device.offset_ms"},
		{"unknown role", in(`"role":"owner"`), 422, "not-a-choice", "role"},
		{"bad expiry", `{"id":"` + id() + `","check":"bath-test","place":"bath-1","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"},"reagent":{"lot":"L","expiry":"03/2026"}}]}`, 422, "bad-date", "entries[0].reagent.expiry"},
		{"unknown check", `{"id":"` + id() + `","check":"nose-test","place":"bath-1","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"}}]}`, 422, "unknown-check", "check"},
		{"unknown place", `{"id":"` + id() + `","check":"bath-test","place":"roof","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"}}]}`, 422, "unknown-place", "place"},
		{"unknown quantity", `{"id":"` + id() + `","check":"bath-test","place":"bath-1","entries":[{"quantity":"taste","read":{"value":"6.75","unit":"pH"}}]}`, 422, "unknown-quantity", "entries[0].quantity"},
		{"no entries", `{"id":"` + id() + `","check":"bath-test","place":"bath-1","entries":[]}`, 422, "bad-entries", "entries"},
		{"entries missing", `{"id":"` + id() + `","check":"bath-test","place":"bath-1"}`, 422, "missing", "entries"},
		{"quantity missing", `{"id":"` + id() + `","check":"bath-test","place":"bath-1","entries":[{"read":{"value":"6.75","unit":"pH"}}]}`, 422, "missing", "entries[0].quantity"},
		{"id missing", `{"check":"bath-test","place":"bath-1","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"}}]}`, 422, "missing", "id"},
		{"id no UUID", `{"id":"7","check":"bath-test","place":"bath-1","entries":[{"quantity":"ph","read":{"value":"6.75","unit":"pH"}}]}`, 422, "bad-id", "id"},
		{"cut off", `{"id":"` + id() + `","check":"bath-t`, 400, "broken-json", "check"},
		{"comma at the end", in(`"note":"x",`), 400, "broken-json", ""},
		{"single quotes", `{'id':1}`, 400, "broken-json", ""},
		{"comment", `{/* */}`, 400, "broken-json", ""},
		{"lone surrogate", in(`"note":"\ud800"`), 400, "broken-json", "note"},
		{"NUL", in(`"note":"\u0000"`), 400, "broken-json", "note"},
		{"control character", in("\"note\":\"a\nb\""), 400, "broken-json", "note"},
		{"leading plus", in(`"device":{"id":"x","offset_ms":+3}`), 400, "broken-json", "device.offset_ms"},
		{"not UTF-8", in("\"note\":\"\xff\""), 400, "not-text", ""},
		{"empty", ``, 400, "broken-json", ""},
		{"list", `[]`, 422, "wrong-type", ""},
		{"two objects", `{} {}`, 422, "missing", "id"},
		{"more behind", in(`"note":"x"`) + `x`, 400, "broken-json", ""},
		{"deep", in(`"note":` + strings.Repeat("[", 5000)), 400, "too-deep", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := c.do("POST", "/readings", []byte(x.body)).want(x.status)
			o := r.object()
			field, _ := o["field"].(string)
			if o["code"] != x.code || (field != x.at && x.code != "too-deep") || r.header.Get("Content-Type") != gate.ProblemType {
				t.Errorf("want %s at %q: %s", x.code, x.at, r.body)
			}
			if got := w.site.Head().Size; got != size {
				t.Fatalf("the log grew from %d to %d", size, got)
			}
		})
	}
}

func TestBodyMustBePlainJSON(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	c.header["Content-Type"] = "text/plain"
	c.do("POST", "/readings", reading()).problem(415, "content-type", "")
	c.header["Content-Type"] = "application/json; charset=utf-8"
	c.header["Content-Encoding"] = "gzip"
	c.do("POST", "/readings", reading()).problem(415, "content-encoding", "")
	delete(c.header, "Content-Encoding")
	c.do("POST", "/readings", reading()).want(201)
}

// TestLargeBody sends 10 MB over a real connection: the answer arrives as a whole, and nothing is stored.
func TestLargeBody(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	go func() {
		if err := w.app.Listener(gate.Listener(l)); err != nil {
			t.Error(err)
		}
	}()
	t.Cleanup(func() { must(t, w.app.Shutdown()) })
	size := w.site.Head().Size
	for _, n := range []int{1<<20 + 1, 10_000_000} {
		body := `{"id":"` + id() + `","note":"` + strings.Repeat("x", n) + `"}`
		req, err := http.NewRequestWithContext(context.Background(), "POST", "http://"+l.Addr().String()+Base+"/readings", strings.NewReader(body))
		must(t, err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Cookie", c.cookie)
		req.Header.Set("X-Form-Token", c.form)
		resp, err := http.DefaultClient.Do(req)
		must(t, err)
		out, err := io.ReadAll(resp.Body)
		must(t, err)
		must(t, resp.Body.Close())
		if resp.StatusCode != 413 || !bytes.Contains(out, []byte(`"code":"body-too-large"`)) || resp.Header.Get("Content-Type") != gate.ProblemType {
			t.Errorf("%d bytes: %d %s", n, resp.StatusCode, out)
		}
	}
	if got := w.site.Head().Size; got != size {
		t.Errorf("the log grew to %d", got)
	}
}

// TestRepeats: the same id and content from the same person gives the first answer again; anything else 409.
func TestRepeats(t *testing.T) {
	w := newWorld(t)
	tina, teo := w.as("tina"), w.as("teo")
	x := reading()
	first := tina.do("POST", "/readings", x).want(201)
	size := w.site.Head().Size
	w.later(time.Minute)
	again := tina.do("POST", "/readings", x).want(200)
	a, b := first.object(), again.object()
	delete(a, "now")
	delete(b, "now")
	if fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("first %v\nagain %v", a, b)
	}
	other := reading(func(o obj) { o["id"] = x["id"]; o["note"] = "other" })
	for name, r := range map[string]*response{
		"other content": tina.do("POST", "/readings", other),
		"other person":  teo.do("POST", "/readings", x),
		"other address": tina.do("POST", "/notes", obj{"id": x["id"], "text": "x"}),
	} {
		r.problem(409, "id-used", "id")
		for _, secret := range []string{"wash-chlorine", "inside", "tina", "TINA", "bath-1"} {
			if bytes.Contains(r.body, []byte(secret)) {
				t.Errorf("%s: the refusal discloses %q: %s", name, secret, r.body)
			}
		}
	}
	one := id()
	tina.do("POST", "/drains", obj{"id": one, "place": "bath-2"}).want(201)
	tina.do("POST", "/cleanings", obj{"id": one, "place": "bath-2"}).problem(409, "id-used", "id")
	if got := w.site.Head().Size; got != size+1 {
		t.Errorf("the log has %d records, want %d", got, size+1)
	}
}

// TestRoles holds who may do what against a table of its own, typed from the roles of RULES and the issue.
func TestRoles(t *testing.T) {
	w := newWorld(t)
	people := map[string]*client{"nobody": w.nobody()}
	for _, p := range staff {
		people[p.role] = w.as(p.id)
	}
	body := func(path string) any {
		switch path {
		case "/readings":
			return reading()
		case "/notes":
			return obj{"id": id(), "text": "a note"}
		case "/drains":
			return obj{"id": id(), "place": "bath-1"}
		case "/service":
			return obj{"id": id(), "place": "bath-2", "in": true}
		case "/lines/line-1/start":
			return obj{"id": id()}
		case "/people":
			return obj{"id": id(), "name": "New", "sign_in": "new" + id()[:8]}
		case "/devices":
			return obj{"name": "at bath 1", "kind": "probe"}
		}
		return nil
	}
	all := "technician line_lead laboratory manager auditor administrator"
	for _, x := range []struct{ method, path, may string }{
		{"POST", "/readings", "technician line_lead laboratory manager"},
		{"POST", "/notes", "technician line_lead laboratory manager"},
		{"POST", "/drains", "technician line_lead manager"},
		{"POST", "/service", "line_lead manager"},
		{"POST", "/lines/line-1/start", "line_lead manager"},
		{"POST", "/people", "administrator"},
		{"POST", "/devices", "administrator"},
		{"GET", "/readings", all}, {"GET", "/records", all}, {"GET", "/deviations", all}, {"GET", "/checkpoint", all},
		{"GET", "/export/records", "manager auditor"},
	} {
		for role, c := range people {
			before := w.site.Head().Size
			r := c.do(x.method, x.path, body(x.path))
			may := strings.Contains(" "+x.may+" ", " "+role+" ")
			switch {
			case role == "nobody" && r.status != 401, may && (r.status == 403 || r.status == 401), !may && role != "nobody" && r.status != 403:
				t.Errorf("%s %s as %s: %d %s", x.method, x.path, role, r.status, r.body)
			case !may && w.site.Head().Size != before:
				t.Errorf("%s %s as %s stored something", x.method, x.path, role)
			}
		}
	}
}

func TestCrossSite(t *testing.T) {
	w := newWorld(t)
	for _, x := range []struct {
		name   string
		header map[string]string
		form   bool
		status int
		code   string
	}{
		{"no header, form token", nil, true, 201, ""},
		{"same origin", map[string]string{"Sec-Fetch-Site": "same-origin"}, true, 201, ""},
		{"same origin by Origin", map[string]string{"Origin": "http://example.com"}, true, 201, ""},
		{"no form token", map[string]string{"Sec-Fetch-Site": "same-origin"}, false, 403, "form-token"},
		{"cross site", map[string]string{"Sec-Fetch-Site": "cross-site"}, true, 403, "cross-site"},
		{"same site, other origin", map[string]string{"Sec-Fetch-Site": "same-site"}, true, 403, "cross-site"},
		{"other Origin", map[string]string{"Origin": "https://elsewhere.example"}, true, 403, "cross-site"},
		{"null Origin", map[string]string{"Origin": "null"}, true, 403, "cross-site"},
	} {
		c := w.as("tina")
		maps.Copy(c.header, x.header)
		if !x.form {
			c.form = w.as("teo").form // of another session
		}
		r := c.do("POST", "/readings", reading()).want(x.status)
		if x.code != "" && r.object()["code"] != x.code {
			t.Errorf("%s: %s", x.name, r.body)
		}
	}
	c := w.nobody()
	c.header["Sec-Fetch-Site"] = "cross-site"
	c.do("POST", "/session", obj{"name": "tina", "password": w.passes["tina"]}).problem(403, "cross-site", "")
}

func TestLanguages(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	seen := map[any]bool{}
	for _, lang := range []string{"en", "es-MX,es;q=0.9"} {
		c.header["Accept-Language"] = lang
		o := c.do("POST", "/readings", entry(`{"value":6.75,"unit":"pH"}`)).problem(422, "number-not-string", "entries[0].read.value").object()
		if o["pointer"] != "#/entries/0/read/value" || o["type"] != "about:blank" || o["status"] != 422.0 {
			t.Errorf("%v", o)
		}
		seen[o["detail"]], seen[o["title"]] = true, true
		c.do("GET", "/nowhere", nil).problem(404, "no-such-address", "")
	}
	if len(seen) != 4 {
		t.Errorf("detail and title do not differ by language: %v", seen)
	}
}

// TestHidesItsInside: an error that the sender cannot act on tells nothing of how the service works.
func TestHidesItsInside(t *testing.T) {
	w := newWorld(t)
	c := w.as("mara")
	w.api.Options.CheckPlan = nil // a fault that panics
	c.header["Content-Type"] = "application/yaml"
	r := c.do("POST", "/plans/check", "site: x").problem(500, "internal", "")
	for _, word := range []string{"panic", "nil pointer", "goroutine", ".go"} {
		if bytes.Contains(r.body, []byte(word)) {
			t.Errorf("the answer says %q: %s", word, r.body)
		}
	}
	if !strings.Contains(w.logged.String(), "request panicked") {
		t.Error("the log does not say what happened")
	}
	if s := w.logged.String(); strings.Contains(s, "MARA") || strings.Contains(s, "0.0.0.0") || strings.Contains(s, c.cookie) {
		t.Error("the log names a person, an address or a session")
	}
}

func TestPaging(t *testing.T) {
	w := newWorld(t)
	c := w.as("tina")
	var want []string
	for i := range 23 {
		place := "bath-1"
		if i%3 == 0 {
			place = "bath-2"
		}
		if i%4 != 0 {
			w.later(time.Minute) // several readings share a time
		}
		want = append(want, c.do("POST", "/readings", reading(func(o obj) { o["place"] = place })).want(201).object()["id"].(string))
	}
	for _, filter := range []string{"", "&check=bath-test", "&point=wash-chlorine", "&from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z"} {
		for _, order := range []string{"oldest", "newest"} {
			var got []string
			for cursor, pages := "", 0; ; pages++ {
				o := c.do("GET", "/readings?limit=5&order="+order+filter+"&cursor="+cursor, nil).want(200).object()
				for _, r := range o["readings"].([]any) {
					got = append(got, r.(obj)["id"].(string))
				}
				next, more := o["next"].(string)
				if cursor = next; !more || pages > 10 {
					break
				}
			}
			for i, id := range got {
				at := i
				if order == "newest" {
					at = len(want) - 1 - i
				}
				if len(got) != len(want) || want[at] != id {
					t.Fatalf("%s %s: place %d of %d", filter, order, i, len(got))
				}
			}
		}
	}
	one := c.do("GET", "/readings?place=bath-2", nil).want(200).object()["readings"].([]any)
	if len(one) != 8 {
		t.Errorf("%d readings at bath-2, want 8", len(one))
	}
	for path, field := range map[string]string{"/readings?limit=0": "limit", "/readings?limit=201": "limit", "/readings?limit=x": "limit",
		"/readings?from=yesterday": "from", "/readings?cursor=zzz": "cursor", "/readings?chek=bath-test": "chek", "/readings?check=nose": "check", "/readings?order=random": "order",
		"/readings?from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z": "to", "/records?from=-1": "from", "/records?limit=9999": "limit",
		"/proofs/inclusion": "seq", "/proofs/consistency": "from", "/corrective-actions": "from"} {
		r := c.do("GET", path, nil).want(422)
		if r.object()["field"] != field {
			t.Errorf("%s: %s", path, r.body)
		}
	}
}

func TestLockout(t *testing.T) {
	w := newWorld(t)
	c := w.nobody()
	for i := range 30 {
		r := c.do("POST", "/session", obj{"name": "tina", "password": "wrong wrong wrong"})
		if r.status == 429 {
			if r.header.Get("Retry-After") == "" || i == 0 {
				t.Errorf("attempt %d: %v", i, r.header)
			}
			r.problem(429, "locked", "")
			w.wantRecord(haccp.KindSignInLocked)
			c.do("POST", "/session", obj{"name": "tina", "password": w.passes["tina"]}).want(429)
			w.as("ada").do("POST", "/people/tina/unlock", obj{}).want(204)
			w.as("tina")
			return
		}
		r.problem(401, "sign-in", "")
		w.later(20 * time.Second)
	}
	t.Error("30 wrong passwords and no lock")
}

func (w *world) wantRecord(kind string) *haccp.Event {
	w.t.Helper()
	for seq := w.site.Head().Size; seq > 0; seq-- {
		_, e, err := w.site.Record(context.Background(), seq)
		must(w.t, err)
		if e.Kind == kind {
			return e
		}
	}
	w.t.Fatalf("the log holds no %s", kind)
	return nil
}

// TestCanBeVerified checks an export, its proofs and checkpoint by package record, which knows nothing of the API.
func TestCanBeVerified(t *testing.T) {
	w := newWorld(t)
	w.as("tina").do("POST", "/readings", reading()).want(201)
	c := w.as("aldo")
	site := c.do("GET", "/site", nil).want(200).object()
	key := site["key"].(string)
	note := c.do("GET", "/checkpoint", nil).want(200).object()["checkpoint"].(string)
	_, _, err := record.VerifyCheckpoint(note, key)
	must(t, err)
	for _, path := range []string{"/export/records", "/export/records?from=3&to=5"} {
		r := c.do("GET", path, nil).want(200)
		lines := strings.Split(strings.TrimSpace(string(r.body)), "\n")
		if !strings.Contains(lines[len(lines)-1], "checkpoint") || !strings.Contains(lines[0], "linewarden-records-1") {
			t.Errorf("%s: %s", path, lines[len(lines)-1])
		}
	}
	recs := c.do("GET", "/records?from=2&limit=3", nil).want(200).object()
	if n := len(recs["records"].([]any)); n != 3 || recs["next"] != 5.0 {
		t.Errorf("%d records, next %v", n, recs["next"])
	}
	one := c.do("GET", "/records/2", nil).want(200).object()
	if record.LeafHash(one["record"].(string)).String() != one["leaf"] {
		t.Error("the leaf is not that of the record")
	}
	p := c.do("GET", "/proofs/inclusion?seq=2", nil).want(200).object()
	if p["leaf"] != one["leaf"] || p["root"] != site["head"].(obj)["root"] {
		t.Errorf("%v", p)
	}
	c.do("GET", "/proofs/consistency?from=3", nil).want(200)
	c.do("GET", "/proofs/inclusion?seq=99999", nil).want(404)
	c.do("GET", "/records/99999", nil).problem(404, "no-record", "seq")
	c.do("GET", "/records/x", nil).problem(422, "bad-integer", "seq")
	c.do("GET", "/export/records?from=99999", nil).problem(422, "no-size", "to")
}
