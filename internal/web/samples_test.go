package web

import (
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/wording"
)

// samples plays a morning with an excursion, a missed check and an amendment, and gives every page of it by
// name, in one language.
func samples(t *testing.T, lang string) map[string]string {
	w := newWorld(t)
	w.lang = lang
	out := map[string]string{"sign-in": w.page("/sign-in"), "set-up": w.page("/set-up")}
	w.signIn("leo")
	out["line-start"] = w.page("/lines/line-1")
	a := w.submit("/lines/line-1", "/lines/line-1/start", url.Values{"item.clean-seen": {"good"}})
	out["line-refused"] = a.body
	w.running()
	w.signIn("ines")
	out["check"] = w.page("/checks/bath-test/bath-1")
	out["check-yes-no"] = w.page("/checks/seal-check/filler")
	bad := bathTest("120", "6,8")
	bad.Set("at", "2026-13-01")
	out["check-wrong"] = w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bad).body
	save := func(chlorine, ph string) string {
		a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest(chlorine, ph))
		return a.location
	}
	inside := save("121", "6.75")
	out["reading-inside"] = w.page(inside)
	lead := haccp.Actor{ID: "leo", Name: "Leo", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
	w.do(haccp.KindLotReceived, lead, &haccp.LotReceived{Lot: "F 17/2", Step: "receive", Product: "leaves"})
	w.do(haccp.KindLotEntered, lead, &haccp.LotMoved{Lot: "F 17/2", Step: "wash-1", Place: "bath-1"})
	w.do(haccp.KindLotFed, lead, &haccp.LotFed{How: haccp.FedSplit, From: []haccp.LotPart{{Lot: "F 17/2"}}, To: []haccp.LotPart{{Lot: "F 17/3"}}})
	w.now = w.now.Add(25 * time.Minute)
	out["due"] = w.page("/")
	out["reading-outside"] = w.page(save("84", "6.42"))
	id := w.site.View().Cases()[0].Deviation
	w.now = w.now.Add(4 * time.Minute)
	w.submit("/deviations/"+id, "/deviations/"+id+"/fix", url.Values{"fix": {"add-hypochlorite"}, "note": {"250 mL"}})
	added := w.submit("/baths/bath-1/added", "/baths/bath-1/added", url.Values{"chemical": {"sodium-hypochlorite"}, "amount": {"250"}, "amount.unit": {"mL"}})
	out["record"] = w.page(added.location)
	out["bath-added"], out["bath-filled"] = w.page("/baths/bath-1/added"), w.page("/baths/bath-1/filled")
	w.now = w.now.Add(7 * time.Minute)
	out["reading-implausible"] = w.page(save("3", "6.70"))
	w.now = w.now.Add(3 * time.Minute)
	out["reading-retest"] = w.page(save("123", "6.71"))
	target := strings.TrimSuffix(strings.TrimPrefix(inside, "/readings/"), "?saved=1")
	out["amend"] = w.page("/records/" + target + "/amend")
	v := bathTest("115", "6.75")
	v.Set("reason", "swapped figures")
	w.submit("/records/"+target+"/amend", "/records/"+target+"/amend", v)
	out["reading-amended"] = w.page("/readings/" + target)
	out["void"] = w.page("/records/" + target + "/void")
	w.now = w.now.Add(70 * time.Minute)
	w.do(haccp.AskSweep, haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}, &haccp.Sweep{})
	w.signIn("ines")
	out["due-late"], out["places"] = w.page("/"), w.page("/places")
	out["trends"], out["trend"] = w.page("/trends"), w.page("/trends/wash-chlorine/bath-1?span=shift")
	out["trend-empty"] = w.page("/trends/wash-chlorine/bath-1?span=week&to=2020-01-01T00:00")
	raised := w.do(haccp.AskAlerts, haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}, &haccp.AlertChange{
		Raise: []alarm.Raised{
			{Cause: alarm.Outside, Key: "outside:" + id, Severity: alarm.Critical, Group: "outside/line-1", Deviation: id, Point: "wash-chlorine", Place: "bath-1", PlanVersion: 1, Since: w.now, Data: map[string]string{"value": "3 mg/L"}},
			{Cause: alarm.Missed, Key: "missed:bath-test@bath-1", Severity: alarm.Warning, Group: "missed/line-1", Check: "bath-test", Place: "bath-1", PlanVersion: 1, Since: w.now, Data: map[string]string{"due": "2026-03-02T14:00:00Z"}},
		}})
	first := raised[0].Body.(*alarm.Raised).Alert
	w.submit("/alerts", "/alerts/"+first+"/take", url.Values{"doing": {"Adding product"}})
	out["alerts-wrong"] = w.submit("/alerts", "/alerts/"+first+"/take", url.Values{"doing": {" "}}).body
	out["alerts"] = w.page("/alerts")
	w.signIn("leo")
	w.submit("/alerts", "/alerts/"+first+"/silence", url.Values{"reason": {"probe out"}, "hours": {"2"}})
	out["alerts-silenced"] = w.page("/alerts")
	out["line-running"] = w.page("/lines/line-1")
	lotSamples(w, out)
	w.signIn("marta")
	out["lots"], out["lot"] = w.page("/lots"), w.page("/lots/F%2017%2F2")
	out["deviations"], out["deviation"] = w.page("/deviations"), w.page("/deviations/"+id)
	for _, part := range []string{"control-restored", "product-evaluated", "cause-and-action", "closed", "effectiveness", "fix-only", "taken-in-time"} {
		out["part-"+part] = w.page("/deviations/" + id + "/parts/" + part)
	}
	at := "/deviations/" + id + "/parts/control-restored"
	w.submit(at, at, url.Values{"restored": {"Dosed 250 mL, mixed 6 min, tested inside."}, "password": {testPassword}})
	at = "/deviations/" + id + "/parts/product-evaluated"
	w.submit(at, at, url.Values{"exposed": {"yes"}, "codes": {"L-17, L-18"}, "mass": {"140"}, "mass.unit": {"kg"}, "held_where": {"Cold room, rack 3"},
		"evaluation": {"Washed again in bath 2 before filleting"}, "outcome": {"Stays on hold until the laboratory answers"}, "password": {testPassword}})
	out["deviation-signed"], out["log"] = w.page("/deviations/"+id), w.page("/log")
	out["log-empty"] = w.page("/log?from=2026-02-01&to=2026-02-02")
	out["records"], out["plan"] = w.page("/records"), w.page("/plan")
	laboratorySamples(w, out)
	traceSamples(w, out)
	deskSamples(w, out, target, id)
	out["not-found"] = w.get("/checks/no-such/place").body
	w.signIn("ana")
	out["people"] = w.submit("/people", "/people", url.Values{"name": {"Rosa Beltrán"}, "sign_in": {"rosa"}, "role": {haccp.RoleTechnician}}).body
	return out
}

// lotSamples adds the forms about a lot: received, moved on, split, decided about.
func lotSamples(w *world, out map[string]string) {
	w.t.Helper()
	out["receive-lot"] = w.page("/receive-lot?line=line-1")
	out["receive-lot-wrong"] = w.submit("/receive-lot", "/receive-lot", url.Values{"lot": {"F 17/2"}, "mass": {"much"}, "mass.unit": {"kg"}, "source": {"Rancho"}}).body
	const lot = "/lots/F%2017%2F2"
	out["move-ways"] = w.page(lot + "/move?line=line-1")
	out["move"] = w.page(lot + "/move?line=line-1&what=on&from=wash-1@bath-1&to=wash-2")
	out["move-out"] = w.page(lot + "/move?what=out&from=wash-1@bath-1")
	out["move-lacks"] = w.submit(lot+"/move?what=first&from=wash-1@bath-1&to=dose", lot+"/move", url.Values{"lot.dose.ascorbic-acid": {"AA-0"}}).body
	for _, act := range []string{"split", "merge", "removed", "hold", "evaluate", "release", "rework", "divert", "destroy"} {
		out["lot-"+act] = w.page(lot + "/do/" + act)
	}
	out["lot-split-wrong"] = w.submit(lot+"/do/split", lot+"/do/split", url.Values{"part-1": {"F 17/2"}, "all": {"no"}}).body
	w.touch("/handover?line=line-1", "/handover/give", url.Values{"to": {"marta"}, "note": {"bath 1 is being dosed"}})
	out["handover-given"] = w.page("/handover?line=line-1")
	w.signIn("marta")
	out["handover"] = w.page("/handover?line=line-1")
	out["lot-review"], out["lot-release-mine"] = w.page(lot+"/do/review"), w.page(lot+"/do/release")
	out["lot-release-lacks"] = w.submit(lot+"/do/release", lot+"/do/release", url.Values{"reason": {"in order"}, "password": {testPassword}}).body
	w.signIn("leo")
}

// deskSamples adds the pages of the desk, as the manager and the administrator see them.
func deskSamples(w *world, out map[string]string, target, caseID string) {
	w.t.Helper()
	src, changed := w.planSource(), ""
	out["plan-new"] = w.page("/plan/new")
	changed = strings.Replace(src, "min: 100 mg/L", "min: 102 mg/L", 1)
	out["plan-faults"] = w.upload("/plan/new", strings.Replace(src, "zone:", "zoone:", 1)).body
	out["plan-checked"] = w.upload("/plan/new", changed).body
	out["review"], out["me"], out["note"] = w.page("/review"), w.page("/me"), w.page("/notes")
	out["replace"] = w.page("/records/" + target + "/replace")
	out["verify"] = w.page("/verify")
	out["tablets"], out["enrol"] = w.page("/tablets"), w.page("/enrol")
	supplySamples(w, out)
	w.signIn("ines")
	out["part-not-mine"] = w.page("/deviations/" + caseID + "/parts/closed")
	out["plan-not-mine"] = w.upload("/plan/new", changed).body
	w.signIn("ana")
	out["devices"] = w.submit("/devices", "/devices", url.Values{"name": {"Tablet at bath 1"}, "kind": {"tablet"}}).body
	tabletSamples(w, out)
	w.signIn("marta")
}

// tabletSamples adds the pages of a tablet on which nobody is signed in, and those about it.
func tabletSamples(w *world, out map[string]string) {
	w.t.Helper()
	w.signIn("marta")
	out["labels"] = w.page("/labels")
	by := ines
	by.Known = haccp.KnownPINUnproved
	w.do(haccp.KindNote, by, &haccp.Note{Text: "Foam on the water", Place: "bath-1"})
	out["unverified"] = w.page("/unverified")
	w.atTablet()
	out["tablet-due"], out["tablet-check"], out["tablet-added"] = w.page("/"), w.page("/b/bath-1"), w.page("/baths/bath-1/added")
	out["tablet-places"], out["tablet-waiting"], out["tablet-offline"], out["tablet-sign-in"] = w.page("/places"), w.page("/waiting"), w.page("/device/offline"), w.page("/sign-in")
}

// supplySamples adds the pages of materials and instruments: a delivery, its approval, a count, a check.
func supplySamples(w *world, out map[string]string) {
	w.t.Helper()
	out["materials-empty"], out["receive"] = w.page("/materials"), w.page("/materials/receive")
	delivery := url.Values{"material": {"hypochlorite"}, "lot": {"HYP 1/26"}, "supplier": {"Química"}, "quantity": {"60"}, "quantity.unit": {"L"}, "expiry": {"2026-12-31"},
		"cert": {"COA 17"}, "cert-hash": {strings.Repeat("ab", 32)}, "strength": {"12.5"}, "strength.unit": {"g Cl2/100 mL"}, "gravity": {"1.2"}, "gravity.unit": {"kg/L"}, "tested": {"2026-02-01"}}
	wrong := url.Values{"material": {"hypochlorite"}, "lot": {"HYP 1/26"}, "supplier": {" "}, "quantity": {"sixty"}, "quantity.unit": {"L"}}
	out["receive-wrong"] = w.submit("/materials/receive", "/materials/receive", wrong).body
	a := w.submit("/materials/receive", "/materials/receive", delivery)
	at := a.location
	if at == "" {
		w.t.Fatalf("a delivery was not taken: %s", a.body)
	}
	out["material"], out["material-approve"], out["material-count"] = w.page(at), w.page(at+"/approve"), w.page(at+"/count")
	out["material-wrong"] = w.submit(at+"/approve", at+"/approve", url.Values{"reason": {"papers seen"}, "password": {"not it"}}).body
	w.submit(at+"/approve", at+"/approve", url.Values{"reason": {"papers seen"}, "password": {testPassword}})
	w.submit(at+"/count", at+"/count", url.Values{"found": {"59.5"}, "found.unit": {"L"}, "why": {"spilt"}})
	out["materials"], out["material-approved"] = w.page("/materials"), w.page(at)
	check := url.Values{"which": {"ph-meter-1"}, "result": {"pass"}, "what": {"ph"}, "ref": {"7.00"}, "ref.unit": {"pH"}, "found": {"7.02"}, "found.unit": {"pH"}, "std": {"buffer"}}
	w.submit("/instruments", "/instruments", check)
	half := url.Values{"which": {"ph-meter-1"}, "result": {"pass"}, "ref": {"7.00"}, "ref.unit": {"pH"}}
	out["instruments-wrong"] = w.submit("/instruments", "/instruments", half).body
	out["instruments"] = w.page("/instruments")
}

// void elements have no end tag (WHATWG HTML, section 13.1.2).
var voidElements = []string{"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr", "path", "circle"}

var tags = regexp.MustCompile(`<(/?)([a-zA-Z][a-zA-Z0-9]*)((?:[^>"']|"[^"]*"|'[^']*')*)>`)

// unbalanced names the first tag that does not match, or gives "".
func unbalanced(body string) string {
	var open []string
	for _, m := range tags.FindAllStringSubmatch(body, -1) {
		name := strings.ToLower(m[2])
		switch {
		case slices.Contains(voidElements, name) || strings.HasSuffix(m[3], "/"):
		case m[1] == "":
			open = append(open, name)
		case len(open) == 0 || open[len(open)-1] != name:
			return "</" + name + "> after " + strings.Join(open, " ")
		default:
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		return "never closed: " + strings.Join(open, " ")
	}
	return ""
}

func TestUnbalancedFindsFaults(t *testing.T) {
	for body, bad := range map[string]bool{"<p>a<br>b</p>": false, "<p><b></p></b>": true, "<div>": true, `<p title="a>b">x</p>`: false} {
		if got := unbalanced(body); (got != "") != bad {
			t.Errorf("%s: %q", body, got)
		}
	}
}

var (
	inlineThing = regexp.MustCompile(`(?i)<style|\sstyle=|<script(?: [^>]*)?>[^<]|\son[a-z]+=|javascript:`)
	rawKey      = regexp.MustCompile(`[>" ]((?:ui|nav|due|check|form|sign|line|places|plan|people|log|reading|record|records|amend|void|time|deviation|deviations|part|say|refusal|finding|caution|bath|lot|lots|setup|signin|history|gap|fix|materials|material|instruments|materialstate|materialkind|move|receivelot|lotact|askeditem|handover|fed|removed|evaluated|standing|checkresult|laboratory|why|decision|test)\.[a-z-]+)[<" .,:]`)
	leftOver    = regexp.MustCompile(`\{[a-z_]+\}`)
	labelFor    = regexp.MustCompile(`<label for="([^"]+)"`)
	inputID     = regexp.MustCompile(` id="([^"]+)"`)
)

// Every page in both languages: tags match, nothing inline, no message key or placeholder left, every label has
// its field, the invented plant says so, and state never stands as a shape without a word.
func TestPages(t *testing.T) {
	for _, lang := range []string{"en", "es-MX"} {
		for name, body := range samples(t, lang) {
			where := lang + " " + name
			if bad := unbalanced(body); bad != "" {
				t.Errorf("%s: tags: %s", where, bad)
			}
			if m := inlineThing.FindString(body); m != "" {
				t.Errorf("%s: inline: %s", where, m)
			}
			for _, m := range rawKey.FindAllStringSubmatch(body, -1) {
				if !strings.Contains(m[0], "name=") && !isName(body, m[1]) {
					t.Errorf("%s: message key shown: %s", where, m[1])
				}
			}
			if m := leftOver.FindString(strings.ReplaceAll(body, "&#34;", `"`)); m != "" && name != "plan" {
				t.Errorf("%s: placeholder left: %s", where, m)
			}
			labels(t, where, body)
			demo := wording.Match(lang).Text("ui.demo")
			if strings.Count(body, demo) < 2 {
				t.Errorf("%s: does not say at head and foot that the plant is invented", where)
			}
			if strings.Contains(body, "%!") || strings.Contains(body, "<no value>") {
				t.Errorf("%s: a value is missing", where)
			}
			look(t, lang, name, body)
		}
	}
}

// isName says whether a dotted word is the name or value of a form field and not a text.
func isName(body, word string) bool {
	return strings.Contains(body, `name="`+word) || strings.Contains(body, `value="`+word) || strings.Contains(body, `id="`+word)
}

func labels(t *testing.T, where, body string) {
	ids := map[string]int{}
	for _, m := range inputID.FindAllStringSubmatch(body, -1) {
		ids[m[1]]++
	}
	for id, n := range ids {
		if n > 1 && !strings.HasPrefix(id, "q.") {
			t.Errorf("%s: the id %s stands %d times", where, id, n)
		}
	}
	for _, m := range labelFor.FindAllStringSubmatch(body, -1) {
		if ids[m[1]] == 0 {
			t.Errorf("%s: the label for %s has no field", where, m[1])
		}
	}
}

// look writes the pages to the folder named by LINEWARDEN_LOOK, to be looked at in a browser.
func look(t *testing.T, lang, name, body string) {
	dir := os.Getenv("LINEWARDEN_LOOK")
	if dir == "" {
		return
	}
	body = regexp.MustCompile(`/static/(site|stamp)-[0-9a-f]+`).ReplaceAllString(body, "$1")
	for _, f := range []string{"site.css", "stamp.js"} {
		b, err := staticFiles.ReadFile("static/" + f)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, f), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, lang+"-"+name+".html"), []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
}
