package web

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
)

// asked gives the news of the display as its script gets it.
func asked(t *testing.T, w *world) (at int64, html string) {
	t.Helper()
	var news struct {
		At   int64
		HTML string
	}
	a := w.get("/display/now")
	if err := json.Unmarshal([]byte(a.body), &news); err != nil {
		t.Fatalf("%d %s: %v", a.status, a.body, err)
	}
	return news.At, news.HTML
}

// The display follows what happens: a reading inside stands with its value, limits, age and the moment until which it
// stands; past that it is not known, whoever looks; one outside shows the deviation and the lots on hold.
func TestDisplayFollows(t *testing.T) {
	w := newWorld(t)
	if a := w.get("/display/now"); a.status == 200 {
		t.Fatal("nobody sees the display without signing in")
	}
	w.running()
	w.signIn("ines")
	lead := haccp.Actor{ID: "leo", Name: "Leo", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
	w.do(haccp.KindLotReceived, lead, &haccp.LotReceived{Lot: "F 17/2", Step: "receive", Product: "leaves"})
	w.do(haccp.KindLotEntered, lead, &haccp.LotMoved{Lot: "F 17/2", Step: "wash-1", Place: "bath-1"})
	w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("121", "6.75"))
	w.do(haccp.KindReading, haccp.Actor{ID: "ines", Name: "Ines", Role: haccp.RoleTechnician, Known: haccp.KnownPIN}, &haccp.Reading{Check: "contact-time-test", Place: "bath-1", Mode: "hand",
		Entries: []haccp.Entry{{Quantity: "contact_time", Method: "stopwatch", Read: quantity.Exact(quantity.MustDecimal("85"), quantity.Second)}}})
	read := w.now
	w.now = w.now.Add(12 * time.Minute)
	at, html := asked(t, w)
	if at != w.now.UnixMilli() {
		t.Errorf("it is %v, the news say %d", w.now, at)
	}
	bath := tile(t, html, "Wash bath 1")
	for _, want := range []string{`class="bath inside"`, ">121<", "100 to 150", ">6.75<", "12 min", `data-since="`, `data-until="`} {
		if !strings.Contains(bath, want) {
			t.Errorf("the bath lacks %q:\n%s", want, bath)
		}
	}
	w.now = read.Add(41 * time.Minute) // the plan wants a test every half an hour, within ten minutes
	_, html = asked(t, w)
	if bath = tile(t, html, "Wash bath 1"); !strings.Contains(bath, `class="bath not-known"`) || !strings.Contains(bath, ">121<") || !strings.Contains(bath, "41 min") {
		t.Errorf("41 minutes after the reading:\n%s", bath)
	}
	w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("84", "6.75"))
	_, html = asked(t, w)
	if bath = tile(t, html, "Wash bath 1"); !strings.Contains(bath, `class="bath outside"`) {
		t.Errorf("after a reading outside:\n%s", bath)
	}
	for _, want := range []string{"Open deviations", "F 17/2"} {
		if !strings.Contains(html, want) {
			t.Errorf("the display lacks %q:\n%s", want, html)
		}
	}
	w.lang = "es"
	if page := w.page("/display"); !strings.Contains(page, "fuera") || !strings.Contains(page, `lang="es"`) || strings.Contains(page, "<style") || strings.Contains(page, "style=") || strings.Contains(page, "<script>") {
		t.Errorf("in Spanish:\n%s", page)
	}
}

// tile cuts the article of a place out of the page.
func tile(t *testing.T, html, place string) string {
	t.Helper()
	for _, a := range strings.Split(html, "<article ")[1:] {
		if strings.Contains(a, ">"+place+"<") {
			a, _, _ = strings.Cut(a, "</article>")
			return "<article " + a
		}
	}
	t.Fatalf("%s is not on the display:\n%s", place, html)
	return ""
}
