package report

import (
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"maps"
	"strconv"
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/quantity"
)

// readingColumns are the columns of readings in CSV; one row is one quantity of one reading.
var readingColumns = []string{
	"record", "id", "at", "at_known", "recorded_at", "late_reason", "check", "place", "sample_point", "filling", "by", "role", "known",
	"quantity", "sign", "value", "low", "high", "unit", "as_read", "formula", "method", "instrument", "reagent_lot", "dilution",
	"verdict", "verdicts", "plan_version", "lots", "mode", "note", "findings", "standing", "changed_by", "change_reason",
}

// Changes gathers what amended or voided readings, by the id of the reading. Later ones count.
type Changes map[string][]*haccp.Event

// NewChanges sorts the records of the kinds report.amended and report.voided by what they change. They must
// come in the order of the log.
func NewChanges(events []*haccp.Event) Changes {
	c := Changes{}
	for _, e := range events {
		if e.Kind == haccp.KindAmended || e.Kind == haccp.KindVoided {
			c[e.Amends] = append(c[e.Amends], e)
		}
	}
	return c
}

// standing gives a reading as it stands, and the last change of it.
func (c Changes) standing(e *haccp.Event) (r *haccp.Reading, word, by, reason string) {
	r, _ = e.Body.(*haccp.Reading)
	for _, x := range c[e.ID] {
		switch b := x.Body.(type) {
		case *haccp.Amended:
			if n, ok := b.New.(*haccp.Reading); ok {
				r, word, by, reason = n, RowAmended, x.By.Name, b.Reason
			}
		case *haccp.Voided:
			word, by, reason = RowVoid, x.By.Name, b.Reason
		}
	}
	return r, word, by, reason
}

// ReadingsCSV writes readings as they stand: an amended one with its present values, a void one marked so.
func ReadingsCSV(w io.Writer, readings iter.Seq2[*haccp.Event, error], c Changes, h Head) error {
	t, err := newTable(w, h, readingColumns)
	if err != nil {
		return err
	}
	s := newSheet(t, readingColumns)
	for e, err := range readings {
		if err != nil {
			return fmt.Errorf("write readings: %w", err)
		}
		r, word, by, reason := c.standing(e)
		if r == nil {
			continue
		}
		base := readingCells(e, r, h)
		base["standing"], base["changed_by"], base["change_reason"] = word, by, reason
		for i := range r.Entries {
			cells := map[string]string{}
			maps.Copy(cells, base)
			entryCells(cells, &r.Entries[i])
			if err := s.put(cells); err != nil {
				return err
			}
		}
	}
	return s.end()
}

func readingCells(e *haccp.Event, r *haccp.Reading, h Head) map[string]string {
	found := make([]string, len(e.Findings))
	for i, f := range e.Findings {
		found[i] = f.Code
	}
	verdicts := make([]string, len(r.Verdicts))
	for i, v := range r.Verdicts {
		verdicts[i] = v.Point + "/" + v.Limit + "=" + v.Verdict
	}
	return map[string]string{"record": strconv.FormatInt(e.Seq, 10), "id": e.ID, "at": h.time(e.At), "at_known": e.AtKnown,
		"recorded_at": h.time(e.RecordedAt), "late_reason": e.LateReason, "check": r.Check, "place": r.Place, "sample_point": r.SamplePoint,
		"filling": r.Filling, "by": e.By.Name, "role": e.By.Role, "known": e.By.Known, "verdict": control.Worst(r.Verdicts),
		"verdicts": strings.Join(verdicts, " "), "plan_version": whole(int64(r.PlanVersion)), "lots": strings.Join(r.Lots, ", "),
		"mode": r.Mode, "note": r.Note, "findings": strings.Join(found, " ")}
}

func entryCells(c map[string]string, x *haccp.Entry) {
	v := x.Result()
	low, high := v.Ends()
	c["quantity"], c["unit"], c["as_read"] = x.Quantity, string(v.Unit()), ""
	if !x.Read.IsZero() {
		c["as_read"] = x.Read.String()
	}
	switch v.Kind() {
	case quantity.KindYesNo:
		c["value"] = v.String()
	case quantity.KindBand:
		c["low"], c["high"] = low.String(), high.String()
	case quantity.KindBelow:
		c["sign"], c["value"] = "<", low.String()
	case quantity.KindAbove:
		c["sign"], c["value"] = ">", low.String()
	default:
		c["value"] = low.String()
	}
	c["formula"], c["method"], c["instrument"] = x.Formula, x.Method, x.Instrument
	if x.Reagent != nil {
		c["reagent_lot"] = x.Reagent.Lot
	}
	if x.Dilution != nil {
		c["dilution"] = fmt.Sprintf("%d in %d", x.Dilution.Sample, x.Dilution.Total)
	}
}

// readingLine is one reading of the NDJSON form.
type readingLine struct {
	Record     int64           `json:"record"`
	ID         string          `json:"id"`
	At         string          `json:"at"`
	AtKnown    string          `json:"at_known"`
	RecordedAt string          `json:"recorded_at"`
	By         haccp.Actor     `json:"by"`
	Findings   []haccp.Finding `json:"findings,omitempty"`
	Reading    *haccp.Reading  `json:"reading"`
	Verdict    string          `json:"verdict"`
	Standing   string          `json:"standing,omitempty"`
	ChangedBy  string          `json:"changed_by,omitempty"`
	Reason     string          `json:"change_reason,omitempty"`
	Plant      string          `json:"plant"`
	Zone       string          `json:"time_zone"`
	Checkpoint string          `json:"checkpoint"`
	Mark       string          `json:"mark,omitempty"`
}

// ReadingsNDJSON writes readings as they stand, one a line.
func ReadingsNDJSON(w io.Writer, readings iter.Seq2[*haccp.Event, error], c Changes, h Head) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	for e, err := range readings {
		if err != nil {
			return fmt.Errorf("write readings: %w", err)
		}
		r, word, by, reason := c.standing(e)
		if r == nil {
			continue
		}
		line := readingLine{Record: e.Seq, ID: e.ID, At: h.time(e.At), AtKnown: e.AtKnown, RecordedAt: h.time(e.RecordedAt), By: e.By,
			Findings: e.Findings, Reading: r, Verdict: control.Worst(r.Verdicts), Standing: word, ChangedBy: by, Reason: reason,
			Plant: h.Name, Zone: h.zone().String(), Checkpoint: h.Checkpoint, Mark: h.mark()}
		if err := enc.Encode(line); err != nil {
			return fmt.Errorf("write ndjson: %w", err)
		}
	}
	return nil
}
