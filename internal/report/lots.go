package report

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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

// The forms of an export of lots.
const (
	FormCSV    = "csv"
	FormJSON   = "json"   // one object with the array "rows"
	FormNDJSON = "ndjson" // one object a line
)

// LotSheet writes what happened to lots with its key data elements, lot by lot: it holds one lot at a time, whatever the
// export holds. Given the lots in the order of their codes, its rows are sorted by lot, date and location.
type LotSheet struct {
	h     Head
	csv   *sheet
	w     io.Writer
	array bool
	rows  int64
	// product names what a lot is; it is asked for lots that have no receipt of their own among the records.
	product func(code string) (string, error)
}

// NewLotSheet begins an export in a form.
func NewLotSheet(w io.Writer, form string, h Head, product func(code string) (string, error)) (*LotSheet, error) {
	s := &LotSheet{h: h, w: w, product: product}
	switch form {
	case FormCSV:
		t, err := newTable(w, h, lotColumns)
		if err != nil {
			return nil, err
		}
		s.csv = newSheet(t, lotColumns)
	case FormJSON:
		s.array = true
		if _, err := io.WriteString(w, `{"rows":[`); err != nil {
			return nil, fmt.Errorf("write json: %w", err)
		}
	case FormNDJSON:
	default:
		return nil, fmt.Errorf("there is no form %q of an export of lots", form)
	}
	return s, nil
}

// Put writes what happened to a lot, from the records about it; those that changed others are among them.
func (s *LotSheet) Put(code string, events []*haccp.Event) error {
	rows, err := s.rowsOf(code, events)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if err := s.put(r.cells); err != nil {
			return err
		}
	}
	return nil
}

// BrokenOff is the event of the last row of an export that could not be written to its end.
const BrokenOff = "export broken off"

// Break ends an export with a row that says that it is not whole.
func (s *LotSheet) Break() error {
	if s.csv == nil {
		return nil // an array without its end, or lines without a sheet, cannot be taken for whole
	}
	return errors.Join(s.csv.put(map[string]string{"event": BrokenOff}), s.csv.end())
}

// End ends the export.
func (s *LotSheet) End() error {
	switch {
	case s.csv != nil:
		return s.csv.end()
	case s.array:
		if _, err := io.WriteString(s.w, "\n]}\n"); err != nil {
			return fmt.Errorf("write json: %w", err)
		}
	}
	return nil
}

func (s *LotSheet) put(cells map[string]string) error {
	if s.csv != nil {
		return s.csv.put(cells)
	}
	for i, name := range headColumns {
		cells[name] = s.h.cells()[i]
	}
	maps.DeleteFunc(cells, func(_, v string) bool { return v == "" })
	b, err := json.Marshal(cells)
	if err != nil {
		return fmt.Errorf("write json: %w", err)
	}
	before, after := "", "\n"
	if s.array {
		before, after = "\n", ""
		if s.rows > 0 {
			before = ",\n"
		}
	}
	s.rows++
	if _, err := io.WriteString(s.w, before+string(b)+after); err != nil {
		return fmt.Errorf("write json: %w", err)
	}
	return nil
}

// rowsOf gives the rows of a lot in their order. What it is called comes from its receipt, else from what it was made of.
func (s *LotSheet) rowsOf(code string, events []*haccp.Event) ([]lotRow, error) {
	all := slices.SortedFunc(slices.Values(events), func(a, b *haccp.Event) int { return cmp.Compare(a.Seq, b.Seq) })
	c := NewChanges(all)
	slices.SortFunc(all, func(a, b *haccp.Event) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Seq, b.Seq)) })
	name, err := s.product(code)
	if err != nil {
		return nil, fmt.Errorf("write lots: %w", err)
	}
	product := map[string]string{code: name}
	var rows []lotRow
	for _, e := range all {
		body, word, by, reason := c.body(e)
		for _, cells := range lotCells(e, body, product, s.h) {
			if cells["lot"] != code {
				continue
			}
			cells["standing"], cells["changed_by"], cells["change_reason"] = word, by, reason
			cells["date"], cells["time"], cells["by"] = e.At.In(s.h.zone()).Format(time.DateOnly), s.h.time(e.At), e.By.Name
			cells["record"], cells["id"] = strconv.FormatInt(e.Seq, 10), e.ID
			rows = append(rows, lotRow{e.At, e.Seq, cells})
		}
	}
	slices.SortStableFunc(rows, func(a, b lotRow) int {
		return cmp.Or(cmp.Compare(a.cells["date"], b.cells["date"]), cmp.Compare(a.cells["location"], b.cells["location"]), a.at.Compare(b.at), cmp.Compare(a.seq, b.seq))
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
