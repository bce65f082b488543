package report

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"linewarden/haccp"
)

// The kinds of rows of the corrective-action log.
const (
	RowSummary       = "summary"       // one, the first: the period, and how its checks went
	RowDeviation     = "deviation"     // a critical limit was touched
	RowNonconformity = "nonconformity" // all other cases
	RowMissed        = "missed check"
	RowAmended       = "amended"
	RowVoid          = "void"
)

// correctiveColumns are the columns of the log in CSV (RULES of the log: found, limit, values, span, product,
// fix, re-test, cause, action, disposition, who evaluated, who closed, days open, status).
var correctiveColumns = []string{
	"row", "production_day", "number", "status", "ground", "found", "found_by", "class", "control_point", "place", "plan_version",
	"limits", "first_value", "first_at", "worst_value", "worst_at", "span_begin", "span_end", "widest_begin", "widest_end",
	"product", "mass", "held_where", "lots", "immediate_fix", "retest_value", "retest_at", "control_restored", "cause",
	"reading_in_error", "corrective_action", "immediate_fix_only", "disposition", "evaluation", "evaluated_by", "signed_parts",
	"closed_by", "closed_at", "days_open", "reopened", "taken_in_time",
	"check", "due", "window_end", "no_deviation_because", "record", "changed_at", "changed_by", "reason", "old", "new",
	"checks_due", "checks_done", "checks_late", "checks_missed", "cases", "text",
}

// sheet fills rows by column name.
type sheet struct {
	*table
	at map[string]int
}

func newSheet(t *table, columns []string) *sheet {
	s := &sheet{table: t, at: map[string]int{}}
	for i, c := range columns {
		s.at[c] = i
	}
	return s
}

func (s *sheet) put(cells map[string]string) error {
	row := make([]string, s.width)
	for name, v := range cells {
		i, ok := s.at[name]
		if !ok {
			return fmt.Errorf("write csv: there is no column %q", name)
		}
		row[i] = v
	}
	return s.row(row)
}

// CorrectiveCSV writes the corrective-action log of a period. The first row sums the period up and says so
// where nothing went wrong.
func CorrectiveCSV(w io.Writer, l haccp.Log, h Head) error {
	t, err := newTable(w, h, correctiveColumns)
	if err != nil {
		return err
	}
	s := newSheet(t, correctiveColumns)
	if err := s.put(summary(l, h)); err != nil {
		return err
	}
	for i := range l.Days {
		if err := s.day(&l.Days[i], h); err != nil {
			return err
		}
	}
	return s.end()
}

func (s *sheet) day(d *haccp.LogDay, h Head) error {
	for i := range d.Entries {
		if err := s.put(caseCells(&d.Entries[i], string(d.Day), h)); err != nil {
			return err
		}
	}
	for i := range d.Misses {
		m := &d.Misses[i]
		cells := map[string]string{"row": RowMissed, "production_day": string(d.Day), "check": m.CheckName, "place": m.PlaceName,
			"due": h.time(m.Due), "window_end": h.time(m.Until), "found": h.time(m.Recorded), "no_deviation_because": m.NoDeviation}
		if m.TakenInTime {
			cells["taken_in_time"] = "yes, received late"
		}
		if err := s.put(cells); err != nil {
			return err
		}
	}
	for i := range d.Changes {
		cells, err := changeCells(&d.Changes[i], string(d.Day), h)
		if err != nil {
			return err
		}
		if err := s.put(cells); err != nil {
			return err
		}
	}
	return nil
}

// Cases counts the deviations and nonconformities of a log, and those not closed.
func Cases(l haccp.Log) (all, open int) {
	for _, d := range l.Days {
		for i := range d.Entries {
			all++
			if d.Entries[i].Status != "closed" {
				open++
			}
		}
	}
	return all, open
}

// Nothing reports whether a period has no case, no missed check and no changed report.
func Nothing(l haccp.Log) bool {
	for _, d := range l.Days {
		if len(d.Entries)+len(d.Misses)+len(d.Changes) > 0 {
			return false
		}
	}
	return true
}

func summary(l haccp.Log, h Head) map[string]string {
	n, open := Cases(l)
	versions := make([]string, len(l.Versions))
	for i, v := range l.Versions {
		versions[i] = strconv.Itoa(v)
	}
	text := fmt.Sprintf("%d cases, %d not closed", n, open)
	switch {
	case h.Part != "":
		text += "; a part of the log, for " + h.Part + ": without missed checks and changed reports"
	case Nothing(l):
		text = "no deviation, nonconformity, missed check or amended reading in this period"
	}
	return map[string]string{"row": RowSummary, "span_begin": h.time(l.From), "span_end": h.time(l.To), "plan_version": strings.Join(versions, " "),
		"checks_due": strconv.Itoa(l.Checks.Due), "checks_done": strconv.Itoa(l.Checks.Done), "checks_late": strconv.Itoa(l.Checks.Late),
		"checks_missed": strconv.Itoa(l.Checks.Missed), "cases": strconv.Itoa(n), "text": text}
}

func caseCells(e *haccp.LogEntry, day string, h Head) map[string]string {
	c := map[string]string{"row": e.Word, "production_day": day, "number": strconv.FormatInt(e.Number, 10), "status": e.Status,
		"ground": e.Ground, "found": h.time(e.Found), "found_by": e.FoundBy, "class": string(e.Class), "control_point": e.PointName,
		"place": e.PlaceName, "plan_version": strconv.Itoa(e.Version), "limits": strings.Join(e.Limits, "; "),
		"span_begin": h.time(e.Now.Begin), "span_end": h.time(e.Now.End), "widest_begin": h.time(e.Widest.Begin), "widest_end": h.time(e.Widest.End),
		"lots": strings.Join(e.Lots, ", "), "control_restored": e.Restored, "cause": e.Cause, "corrective_action": e.Action,
		"immediate_fix_only": e.FixOnly, "evaluated_by": e.Evaluated, "closed_by": e.ClosedBy, "closed_at": h.time(e.ClosedAt),
		"days_open": strconv.Itoa(e.DaysOpen), "reopened": whole(int64(e.Reopened)), "text": strings.Join(e.Lacking, "; ")}
	sample(c, h, "first", e.First)
	sample(c, h, "worst", e.Worst)
	sample(c, h, "retest", e.Retest)
	if e.InError {
		c["reading_in_error"] = "yes"
	}
	if e.TakenLate != "" {
		c["taken_in_time"] = "yes, received late"
	}
	fixes := make([]string, len(e.Fixes))
	for i, f := range e.Fixes {
		fixes[i] = joined(", ", f.Fix, f.Note, h.time(f.At), f.By)
	}
	c["immediate_fix"] = strings.Join(fixes, "; ")
	parts := make([]string, len(e.Parts))
	for i, p := range e.Parts {
		changed := ""
		if p.Changed {
			changed = "changed since"
			if p.ChangedBy > 0 {
				changed += " by record " + strconv.FormatInt(p.ChangedBy, 10)
			}
		}
		parts[i] = joined(", ", p.Part, p.By, p.Role, h.time(p.At), changed)
	}
	c["signed_parts"] = strings.Join(parts, "; ")
	productCells(c, e.Product)
	return c
}

func sample(c map[string]string, h Head, name string, x *haccp.SampleFacts) {
	if x != nil {
		c[name+"_value"], c[name+"_at"] = x.Value, h.time(x.At)
	}
}

func productCells(c map[string]string, p *haccp.Product) {
	if p == nil {
		return
	}
	if !p.Exposed {
		c["product"], c["evaluation"] = "no product exposed", p.Evidence
		return
	}
	c["product"] = joined("; ", strings.Join(p.Codes, ", "), p.Description)
	if p.Mass != nil {
		c["mass"] = p.Mass.String()
	}
	cured := ""
	if p.CuredBy != "" {
		cured = "made good by the later bath " + p.CuredBy
	}
	c["held_where"], c["evaluation"], c["disposition"] = p.HeldWhere, joined("; ", p.Evaluation, cured), p.Outcome
}

func joined(sep string, parts ...string) string {
	var out []string
	for _, p := range parts {
		if p != "" {
			out = append(out, p)
		}
	}
	return strings.Join(out, sep)
}

func changeCells(x *haccp.ChangeEntry, day string, h Head) (map[string]string, error) {
	row := RowAmended
	if x.Kind == haccp.KindVoided {
		row = RowVoid
	}
	was, err := compact(x.Old)
	if err != nil {
		return nil, err
	}
	now, err := compact(x.New)
	if err != nil {
		return nil, err
	}
	return map[string]string{"row": row, "production_day": day, "record": strconv.FormatInt(x.Seq, 10), "found": h.time(x.At),
		"found_by": x.Author, "changed_at": h.time(x.Made), "changed_by": x.By, "reason": x.Reason, "old": was, "new": now, "text": x.Of}, nil
}

func compact(v any) (string, error) {
	if v == nil {
		return "", nil
	}
	b, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("write body: %w", err)
	}
	return string(b), nil
}

// CorrectiveNDJSON writes the log with one object a line: a head, then each case, missed check and change
// with its kind of row and production day.
func CorrectiveNDJSON(w io.Writer, l haccp.Log, h Head) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	put := func(row string, day any, v any) error {
		if err := enc.Encode(map[string]any{"row": row, "production_day": day, "data": v}); err != nil {
			return fmt.Errorf("write ndjson: %w", err)
		}
		return nil
	}
	top := l
	top.Days = nil
	head := map[string]any{"row": RowSummary, "data": top, "plant": h.Name, "time_zone": h.zone().String(),
		"checkpoint": h.Checkpoint, "made": h.time(h.Made), "mark": h.mark(), "nothing": Nothing(l)}
	if h.Part != "" {
		delete(head, "nothing") // a part cannot say so of the period
		head["part"] = h.Part
	}
	err := enc.Encode(head)
	if err != nil {
		return fmt.Errorf("write ndjson: %w", err)
	}
	for _, d := range l.Days {
		for i := range d.Entries {
			if err := put(d.Entries[i].Word, d.Day, &d.Entries[i]); err != nil {
				return err
			}
		}
		for i := range d.Misses {
			if err := put(RowMissed, d.Day, &d.Misses[i]); err != nil {
				return err
			}
		}
		for i := range d.Changes {
			row := RowAmended
			if d.Changes[i].Kind == haccp.KindVoided {
				row = RowVoid
			}
			if err := put(row, d.Day, &d.Changes[i]); err != nil {
				return err
			}
		}
	}
	return nil
}
