package report

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"
	"strings"
	"testing"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
)

func lotEvents() (list []*haccp.Event, changes []*haccp.Event) {
	kg := func(s string) *quantity.Value {
		v := quantity.Exact(quantity.MustDecimal(s), quantity.Kilogram)
		return &v
	}
	add := func(kind string, hour, minute int, body any) *haccp.Event {
		e := &haccp.Event{Kind: kind, Seq: int64(len(list) + 11), ID: "id-" + string(rune('a'+len(list))), At: at(hour, minute), By: haccp.Actor{Name: "Inés Robledo"}, Body: body}
		list = append(list, e)
		return e
	}
	add(haccp.KindLotReceived, 12, 0, &haccp.LotReceived{Lot: "F-1", Step: "receive", Product: "fresh-cut leaves", Mass: kg("300"), Harvested: at(9, 0),
		Document: &haccp.Document{Kind: "bill of lading", Number: "771"},
		Source:   &haccp.Source{Name: "=Rancho", Address: "km 4", Phone: "+52 999 000 0000", Lot: "R7", Field: "Parcel 3", Harvester: "Cuadrilla 2"}})
	add(haccp.KindLotFed, 14, 30, &haccp.LotFed{How: haccp.FedSplit, Step: "shred", Place: "shredder", From: []haccp.LotPart{{Lot: "F-1", Mass: kg("120")}},
		To: []haccp.LotPart{{Lot: "G-1", Mass: kg("80.5")}, {Lot: "G-2", Mass: kg("39")}}})
	add(haccp.KindLotLeft, 15, 0, &haccp.LotMoved{Lot: "G-1", Step: "fill", Place: "filler", Boxes: []haccp.BoxRange{{Prefix: "X", From: 101, To: 140, Mass: kg("80")}}})
	add(haccp.KindLotLeft, 15, 5, &haccp.LotMoved{Lot: "G-1", Step: "label", Place: "filler"})
	wrong := add(haccp.KindLotShipped, 17, 0, &haccp.LotShipped{Lot: "G-1", Mass: kg("60"), Boxes: []haccp.BoxRange{{Prefix: "X", From: 101, To: 130}},
		Consignee: haccp.Party{Name: "@Buyer", Address: "dock 2"}, Carrier: "own truck", Document: &haccp.Document{Kind: "delivery note", Number: "-9"}})
	gone := add(haccp.KindLotReceived, 18, 0, &haccp.LotReceived{Lot: "F-2", Step: "receive", Mass: kg("1")})
	fixed := *wrong.Body.(*haccp.LotShipped)
	fixed.Mass = kg("59.5")
	changes = []*haccp.Event{
		{Kind: haccp.KindAmended, Seq: 30, Amends: wrong.ID, By: haccp.Actor{Name: "Mara"}, Body: &haccp.Amended{Target: wrong.ID, New: &fixed, Reason: "misread"}},
		{Kind: haccp.KindVoided, Seq: 31, Amends: gone.ID, By: haccp.Actor{Name: "Mara"}, Body: &haccp.Voided{Target: gone.ID, Reason: "never came"}}}
	return list, changes
}

// The columns that must be there are the key data elements of 21 CFR 1.1340 (shipping), 1.1345 (receiving) and 1.1350
// (transformation): lot code, quantity and unit, product, where from and where to, date, source of the lot code, reference document.
func TestLots(t *testing.T) {
	list, changes := lotEvents()
	var b bytes.Buffer
	export(t, &b, FormCSV, list, changes)
	golden(t, "lots.csv", b.Bytes())
	rows := read(t, b.String())
	if len(rows) != 6 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range []map[string]string{
		{"lot": "F-1", "event": "receiving", "quantity": "300", "unit": "kg", "product": "fresh-cut leaves", "previous_source": "'=Rancho", "date": "2026-03-02",
			"document_number": "771", "field": "Parcel 3", "previous_source_phone": "'+52 999 000 0000"},
		{"lot": "F-2", "event": "receiving", "standing": "void", "change_reason": "never came"},
		{"lot": "G-1", "event": "shipping", "recipient": "'@Buyer", "quantity": "59.5", "standing": "amended", "location": "Vallequince", "document_number": "-9", "lot_source": "Vallequince"},
		{"lot": "G-1", "event": "packing", "location": "filler", "box_from": "101", "box_to": "140", "product": "fresh-cut leaves"},
		{"lot": "G-1", "event": "transformation", "input_lot": "F-1", "input_quantity": "120", "quantity": "80.5", "location": "shredder"},
		{"lot": "G-2", "event": "transformation", "input_lot": "F-1", "quantity": "39", "product": "fresh-cut leaves"}} {
		for name, v := range want {
			if rows[i][name] != v {
				t.Errorf("row %d: %s is %q, want %q", i+1, name, rows[i][name], v)
			}
		}
	}
	sorted := slices.IsSortedFunc(rows, func(a, b map[string]string) int {
		return strings.Compare(a["lot"]+"\x00"+a["date"]+"\x00"+a["location"], b["lot"]+"\x00"+b["date"]+"\x00"+b["location"])
	})
	if !sorted {
		t.Error("not sorted by lot, date and location")
	}
	b.Reset()
	export(t, &b, FormNDJSON, list, changes)
	golden(t, "lots.ndjson", b.Bytes())
	b.Reset()
	export(t, &b, FormJSON, list, changes)
	var objects struct{ Rows []map[string]string }
	if err := json.Unmarshal(b.Bytes(), &objects); err != nil || len(objects.Rows) != 6 || objects.Rows[2]["recipient"] != "@Buyer" {
		t.Errorf("%v: %s", err, b.String())
	}
}

// export writes the events of each lot as the log finds them: by the lots that they name.
func export(t *testing.T, w io.Writer, form string, list, changes []*haccp.Event) {
	t.Helper()
	s, err := NewLotSheet(w, form, head(t), func(code string) (string, error) {
		return map[string]string{"F-1": "fresh-cut leaves", "G-1": "fresh-cut leaves", "G-2": "fresh-cut leaves"}[code], nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{"F-1", "F-2", "G-1", "G-2"} {
		events := slices.Clone(changes)
		for _, i := range map[string][]int{"F-1": {0, 1}, "F-2": {5}, "G-1": {1, 2, 3, 4}, "G-2": {1}}[code] {
			events = append(events, list[i])
		}
		if err := s.Put(code, events); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.End(); err != nil {
		t.Fatal(err)
	}
}

func TestBrokenOffExportSaysSo(t *testing.T) {
	var b bytes.Buffer
	s, err := NewLotSheet(&b, FormCSV, head(t), func(string) (string, error) { return "", nil })
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Break(); err != nil {
		t.Fatal(err)
	}
	if rows := read(t, b.String()); len(rows) != 1 || rows[0]["event"] != BrokenOff {
		t.Errorf("%v", rows)
	}
	if _, err := NewLotSheet(&b, "xlsx", head(t), nil); err == nil {
		t.Error("a form that there is not")
	}
}
