package report

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
)

// The events that 21 CFR 1 subpart S wants data about, as far as the records of lots have them.
const (
	EventReceived = "receiving"
	EventMade     = "transformation"
	EventPacked   = "packing" // boxes filled from a lot
	EventShipped  = "shipping"
)

// lotColumns are the key data elements of 21 CFR 1.1330 to 1.1350, lot, date and location first; a row of a
// transformation is one input of one output.
var lotColumns = []string{
	"lot", "date", "location", "event", "time", "product", "quantity", "unit", "lot_source", "input_lot", "input_quantity", "input_unit",
	"previous_source", "previous_source_address", "previous_source_phone", "previous_source_lot", "field", "harvester", "harvested",
	"recipient", "recipient_address", "recipient_phone", "carrier", "document_kind", "document_number", "box_prefix", "box_from", "box_to",
	"step", "how", "by", "record", "id", "standing", "changed_by", "change_reason",
}

// lotRow is one row, with what it is sorted by.
type lotRow struct {
	at    time.Time
	seq   int64
	cells map[string]string
}

// LotKinds are the kinds of records that the export of lots is made from.
func LotKinds() []string {
	return []string{haccp.KindLotReceived, haccp.KindLotFed, haccp.KindLotLeft, haccp.KindLotShipped}
}

// LotsCSV writes what happened to lots with its key data elements, sorted by lot, date and location.
func LotsCSV(w io.Writer, events iter.Seq2[*haccp.Event, error], c Changes, h Head) error {
	rows, err := lotRows(events, c, h)
	if err != nil {
		return err
	}
	t, err := newTable(w, h, lotColumns)
	if err != nil {
		return err
	}
	s := newSheet(t, lotColumns)
	for _, r := range rows {
		if err := s.put(r.cells); err != nil {
			return err
		}
	}
	return s.end()
}

// LotsNDJSON writes the same rows as objects, one a line; members without a value are left out.
func LotsNDJSON(w io.Writer, events iter.Seq2[*haccp.Event, error], c Changes, h Head) error {
	rows, err := lotRows(events, c, h)
	if err != nil {
		return err
	}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for _, r := range rows {
		for i, name := range headColumns {
			r.cells[name] = h.cells()[i]
		}
		for name, v := range r.cells {
			if v == "" {
				delete(r.cells, name)
			}
		}
		if err := enc.Encode(r.cells); err != nil {
			return fmt.Errorf("write ndjson: %w", err)
		}
	}
	return nil
}

// lotRows gathers the rows. What a lot is called comes from its receipt, else from what it was made of.
func lotRows(events iter.Seq2[*haccp.Event, error], c Changes, h Head) ([]lotRow, error) {
	var all []*haccp.Event
	for e, err := range events {
		if err != nil {
			return nil, fmt.Errorf("write lots: %w", err)
		}
		all = append(all, e)
	}
	slices.SortFunc(all, func(a, b *haccp.Event) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Seq, b.Seq)) })
	product := map[string]string{}
	var rows []lotRow
	for _, e := range all {
		body, word, by, reason := c.body(e)
		for _, cells := range lotCells(e, body, product, h) {
			cells["standing"], cells["changed_by"], cells["change_reason"] = word, by, reason
			cells["date"], cells["time"], cells["by"] = e.At.In(h.zone()).Format(time.DateOnly), h.time(e.At), e.By.Name
			cells["record"], cells["id"] = strconv.FormatInt(e.Seq, 10), e.ID
			rows = append(rows, lotRow{e.At, e.Seq, cells})
		}
	}
	slices.SortStableFunc(rows, func(a, b lotRow) int {
		return cmp.Or(cmp.Compare(a.cells["lot"], b.cells["lot"]), cmp.Compare(a.cells["date"], b.cells["date"]),
			cmp.Compare(a.cells["location"], b.cells["location"]), a.at.Compare(b.at), cmp.Compare(a.seq, b.seq))
	})
	return rows, nil
}

// body gives the body of a record as it stands, and the last change of it.
func (c Changes) body(e *haccp.Event) (body any, word, by, reason string) {
	body = e.Body
	for _, x := range c[e.ID] {
		switch b := x.Body.(type) {
		case *haccp.Amended:
			body, word, by, reason = b.New, RowAmended, x.By.Name, b.Reason
		case *haccp.Voided:
			word, by, reason = RowVoid, x.By.Name, b.Reason
		}
	}
	return body, word, by, reason
}

func lotCells(e *haccp.Event, body any, product map[string]string, h Head) []map[string]string {
	switch b := body.(type) {
	case *haccp.LotReceived:
		product[b.Lot] = cmp.Or(b.Product, product[b.Lot])
		c := map[string]string{"event": EventReceived, "lot": b.Lot, "location": cmp.Or(b.Place, h.Name), "step": b.Step, "product": product[b.Lot],
			"harvested": h.time(b.Harvested)}
		amount(c, "quantity", "unit", b.Mass)
		document(c, b.Document)
		if s := b.Source; s != nil {
			c["previous_source"], c["previous_source_address"], c["previous_source_phone"], c["previous_source_lot"] = s.Name, s.Address, s.Phone, s.Lot
			c["field"], c["harvester"], c["lot_source"] = s.Field, s.Harvester, s.Name
		}
		return []map[string]string{c}
	case *haccp.LotFed:
		return fedCells(b, product, h)
	case *haccp.LotMoved:
		return boxCells(b.Lot, b.Boxes, product, map[string]string{"event": EventPacked, "location": b.Place, "step": b.Step, "lot_source": h.Name})
	case *haccp.LotShipped:
		c := map[string]string{"event": EventShipped, "lot": b.Lot, "location": h.Name, "product": product[b.Lot], "lot_source": h.Name, "carrier": b.Carrier,
			"recipient": b.Consignee.Name, "recipient_address": b.Consignee.Address, "recipient_phone": b.Consignee.Phone}
		amount(c, "quantity", "unit", b.Mass)
		document(c, b.Document)
		var runs []string
		for _, x := range b.Boxes {
			runs = append(runs, fmt.Sprintf("%s%d-%s%d", x.Prefix, x.From, x.Prefix, x.To))
		}
		if len(b.Boxes) == 1 {
			x := b.Boxes[0]
			c["box_prefix"], c["box_from"], c["box_to"] = x.Prefix, strconv.FormatInt(x.From, 10), strconv.FormatInt(x.To, 10)
		} else {
			c["box_prefix"] = strings.Join(runs, " ")
		}
		return []map[string]string{c}
	}
	return nil
}

// fedCells gives a row for every input of every output.
func fedCells(b *haccp.LotFed, product map[string]string, h Head) []map[string]string {
	var out []map[string]string
	for _, to := range b.To {
		for _, from := range b.From {
			product[to.Lot] = cmp.Or(product[to.Lot], product[from.Lot])
			c := map[string]string{"event": EventMade, "lot": to.Lot, "location": cmp.Or(b.Place, h.Name), "step": b.Step, "how": b.How,
				"product": product[to.Lot], "lot_source": h.Name, "input_lot": from.Lot}
			amount(c, "quantity", "unit", to.Mass)
			amount(c, "input_quantity", "input_unit", from.Mass)
			out = append(out, c)
		}
	}
	return out
}

func boxCells(lot string, boxes []haccp.BoxRange, product, base map[string]string) []map[string]string {
	var out []map[string]string
	for _, x := range boxes {
		c := map[string]string{"lot": lot, "product": product[lot], "box_prefix": x.Prefix, "box_from": strconv.FormatInt(x.From, 10),
			"box_to": strconv.FormatInt(x.To, 10)}
		maps.Copy(c, base)
		amount(c, "quantity", "unit", x.Mass)
		out = append(out, c)
	}
	return out
}

func amount(c map[string]string, name, unit string, v *quantity.Value) {
	if v == nil {
		return
	}
	if n, ok := v.Number(); ok {
		c[name], c[unit] = n.String(), string(v.Unit())
	}
}

func document(c map[string]string, d *haccp.Document) {
	if d != nil {
		c["document_kind"], c["document_number"] = d.Kind, d.Number
	}
}
