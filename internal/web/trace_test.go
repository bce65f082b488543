package web

import (
	"flag"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
)

var updateTrace = flag.Bool("update", false, "write the pictures of traces anew")

func kilos(n string) *quantity.Value {
	v := quantity.Exact(quantity.MustDecimal(n), quantity.Kilogram)
	return &v
}

// tracedLots records a field lot, two lots made of it, one in boxes that went to two buyers.
func (w *world) tracedLots() {
	w.t.Helper()
	w.do(haccp.KindLotReceived, leo, &haccp.LotReceived{Lot: "F <1>", Step: "receive", Product: "leaves", Mass: kilos("200"), Source: &haccp.Source{Name: "North field & sons"}})
	w.do(haccp.KindLotFed, leo, &haccp.LotFed{How: haccp.FedSplit, Step: "shred", From: []haccp.LotPart{{Lot: "F <1>", Mass: kilos("180"), All: true}},
		To: []haccp.LotPart{{Lot: "T-1", Mass: kilos("100")}, {Lot: "T-2", Mass: kilos("79.5")}}})
	amount := kilos("0.3")
	w.do(haccp.KindLotLeft, leo, &haccp.LotMoved{Lot: "T-1", Step: "dose", Place: "shredder", Materials: []haccp.MaterialUse{{Material: "ascorbic-acid", Lot: "AA-77", Amount: amount}}})
	w.do(haccp.KindLotLeft, leo, &haccp.LotMoved{Lot: "T-1", Step: "fill", Place: "filler", Boxes: []haccp.BoxRange{{Prefix: "X", From: 101, To: 140}}})
	w.do(haccp.KindLotShipped, leo, &haccp.LotShipped{Lot: "T-1", Mass: kilos("60"), Boxes: []haccp.BoxRange{{Prefix: "X", From: 101, To: 124}}, Consignee: haccp.Party{Name: "Buyer A"},
		Document: &haccp.Document{Kind: "delivery note", Number: "17"}})
	w.do(haccp.KindLotShipped, leo, &haccp.LotShipped{Lot: "T-1", Mass: kilos("39.25"), Boxes: []haccp.BoxRange{{Prefix: "X", From: 125, To: 140}}, Consignee: haccp.Party{Name: "Buyer B"}})
}

// traceSamples adds the pages of traces, of an exercise from its start to its signed end, and of recall lists.
func traceSamples(w *world, out map[string]string) {
	w.t.Helper()
	w.tracedLots()
	w.signIn("marta")
	out["trace-door"], out["trace-lot"] = w.page("/trace"), w.page("/trace/lot?code=T-1")
	out["trace-unknown"] = w.get("/trace?kind=lot&code=nothing").body
	out["trace-box"], out["trace-material"] = w.page("/trace/box?code=X&number=127&way=backward"), w.page("/trace/lot?code=F+%3C1%3E&way=forward")
	out["exercises-none"], out["exercise-new"] = w.page("/exercises"), w.page("/exercises/new?kind=lot&code=T-1")
	out["exercise-refused"] = w.submit("/exercises/new", "/exercises/new", url.Values{"kind": {"box"}, "code": {"X"}, "number": {"x"}, "reason": {"planned"}}).body
	a := w.submit("/exercises/new", "/exercises/new", url.Values{"kind": {"box"}, "code": {"X"}, "number": {"127"}, "reason": {"planned for March"}})
	out["exercise-open"] = w.page(a.location)
	out["exercise-wrong"] = w.submit(a.location, a.location, url.Values{"conclusion": {"all found"}, "password": {"not it"}}).body
	w.submit(a.location, a.location, url.Values{"conclusion": {"all found but 0.75 kg"}, "password": {testPassword}})
	out["exercise-finished"], out["exercises"] = w.page(a.location), w.page("/exercises")
	out["recalls"] = w.page("/recalls")
}

var svg = regexp.MustCompile(`(?s)<svg class="trace".*?\n</svg>`)

// The pictures of a lot both ways and of a field lot forward, held against those that were looked at. They change with
// nothing but the records and the words: no time, no id.
func TestTracePictures(t *testing.T) {
	w := newWorld(t)
	w.signIn("leo")
	w.running()
	w.tracedLots()
	w.signIn("marta")
	for name, path := range map[string]string{"trace-both": "/trace/lot?code=T-1", "trace-forward": "/trace/lot?code=F+%3C1%3E&way=forward"} {
		got := svg.FindString(w.page(path))
		file := filepath.Join("testdata", name+".svg")
		if *updateTrace {
			if err := os.WriteFile(file, []byte(got+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil || got+"\n" != string(want) {
			t.Errorf("%s is not the picture that was looked at (%v): go test ./internal/web -run TracePictures -update, then look at it\n%s", file, err, got)
		}
		if strings.Contains(got, "<1>") || strings.Contains(got, "style=") || strings.Contains(got, "<script") || !strings.Contains(got, "F &lt;1&gt;") {
			t.Errorf("%s is not escaped, or holds a style or script", name)
		}
	}
}

// A trace of very many lots is drawn small, lists each, and says so.
func TestLargeTrace(t *testing.T) {
	w := newWorld(t)
	w.signIn("leo")
	w.running()
	n := 0
	for range 12 {
		w.now = w.now.Add(time.Second)
		var to []haccp.LotPart
		for range 10 {
			n++
			to = append(to, haccp.LotPart{Lot: "S-" + strconv.Itoa(n), Mass: kilos("1")})
		}
		w.do(haccp.KindLotFed, leo, &haccp.LotFed{How: haccp.FedSplit, From: []haccp.LotPart{{Lot: "BIG"}}, To: to})
	}
	w.signIn("marta")
	page := w.page("/trace/lot?code=BIG")
	if n = strings.Count(svg.FindString(page), "<rect"); n == 0 || n > 40 {
		t.Errorf("%d boxes drawn", n)
	}
	if n = strings.Count(page, `">S-`); n < 120 {
		t.Errorf("%d lots listed", n)
	}
	if !strings.Contains(page, "is drawn as one box") {
		t.Error("that boxes stand for several is not said")
	}
}

// What became affected after it had left is listed with its consignees, linked from the alert's case, with the usual caution.
func TestRecallPage(t *testing.T) {
	w := newWorld(t)
	w.signIn("leo")
	w.running()
	w.do(haccp.KindLotReceived, leo, &haccp.LotReceived{Lot: "F-1", Step: "receive", Mass: kilos("20")})
	w.do(haccp.KindLotEntered, leo, &haccp.LotMoved{Lot: "F-1", Step: "wash-1", Place: "bath-1"})
	w.do(haccp.KindLotShipped, leo, &haccp.LotShipped{Lot: "F-1", All: true, Mass: kilos("20"), Consignee: haccp.Party{Name: "Buyer A", Phone: "555-1"}, Document: &haccp.Document{Kind: "bill of lading", Number: "B-9"}})
	w.now = w.now.Add(time.Minute)
	w.signIn("ines")
	w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("84", "6.42"))
	w.signIn("marta")
	id := w.site.View().Cases()[0].Deviation
	if page := w.page("/deviations/" + id); !strings.Contains(page, `href="/recalls/`+id) {
		t.Error("the case does not lead to the list")
	}
	page := w.page("/recalls/" + id)
	for _, want := range []string{"Buyer A", "555-1", "bill of lading B-9", "20 kg", "under the law of the place", "Herminia Olvidares", "/lots/F-1"} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	if got := w.get("/recalls/none"); got.status != 404 {
		t.Errorf("status %d", got.status)
	}
}
