package frame

import (
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/internal/report"
)

// RecordRow is a record in one line of a list.
type RecordRow struct {
	ID, Kind, By, Text string
	Seq                int64
	At                 time.Time
}

// SeqText is the number of the record.
func (r RecordRow) SeqText() string { return strconv.FormatInt(r.Seq, 10) }

// RecordRow words a record in one line.
func (f *Frame) RecordRow(e *haccp.Event) RecordRow {
	row := RecordRow{ID: e.ID, Kind: e.Kind, Seq: e.Seq, At: e.At, By: f.Reporter(e.By)}
	switch b := e.Body.(type) {
	case *haccp.Reading:
		values := make([]string, 0, len(b.Entries)+1)
		for i := range b.Entries {
			values = append(values, f.Word("quantity", b.Entries[i].Quantity)+" "+f.Value(b.Entries[i].Result().String()))
		}
		row.Text = f.PlaceName(b.Place) + ", " + f.CheckName(b.Check) + ": " + strings.Join(values, ", ") + " · " + f.Word("verdict", WorstOf(b))
	case *haccp.Bath:
		row.Text = f.PlaceName(b.Place)
	case *haccp.Missed:
		row.Text = f.PlaceName(b.Place) + ", " + f.CheckName(b.Check)
	case *material.Received:
		row.Text = f.MaterialName(b.Material) + ", " + b.Lot
	case *haccp.MaterialRuled:
		row.Text = f.MaterialName(b.Material) + ", " + b.Lot
	case *material.Counted:
		row.Text = b.Lot + ": " + f.Pieces(b.Quantity.String())
	case *instrument.Checked:
		row.Text = f.ToolName(b.Instrument) + ": " + f.Word("checkresult", b.Result)
	case *instrument.Service:
		row.Text = f.ToolName(b.Instrument)
	case *haccp.DeviationOpened:
		row.Text = f.PlaceName(b.Place) + ", " + f.pointName(b.Point)
	}
	return row
}

// Reporter names whoever reported: what the timetable does by itself has its word, a person their name.
func (f *Frame) Reporter(by haccp.Actor) string {
	if by.Role == haccp.RoleTimetable {
		return f.Word("role", by.Role)
	}
	return by.Name
}

// Day is the beginning of a production day with its label.
type Day struct {
	Label string
	At    time.Time
}

// Period reads the production days from and to of a query; without them the last days up to today. The second
// day is included: its moment is its end.
func (f *Frame) Period(c *fiber.Ctx, days int) (from, to Day, err error) {
	today, begin, end := f.State.ProductionDay(f.Now)
	from.Label, to.Label = c.Query("from"), c.Query("to", string(today))
	if from.Label == "" {
		d, _, _ := f.State.ProductionDay(begin.AddDate(0, 0, 1-days).Add(time.Hour))
		from.Label = string(d)
	}
	if from.At, _, err = f.productionDay(from.Label); err != nil {
		return from, to, err
	}
	if to.Label == string(today) {
		to.At = end
	} else if _, to.At, err = f.productionDay(to.Label); err != nil {
		return from, to, err
	}
	if !from.At.Before(to.At) {
		return from, to, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "to", Code: "bad-period", Message: f.T("refusal.bad-period")}
	}
	return from, to, nil
}

// productionDay gives the ends of the production day with a date.
func (f *Frame) productionDay(label string) (from, to time.Time, err error) {
	d, err := time.ParseInLocation(time.DateOnly, label, f.Location)
	if err != nil {
		return from, to, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "from", Code: "bad-date", Message: f.T("refusal.bad-date")}
	}
	// Late in the evening of the date is always inside its production day, which begins before then.
	day, from, to := f.State.ProductionDay(d.Add(23*time.Hour + 30*time.Minute))
	if string(day) != label {
		_, from, to = f.State.ProductionDay(d.Add(47 * time.Hour))
	}
	return from, to, nil
}

// ReportHead is what stands on every export.
func (f *Frame) ReportHead() report.Head {
	return report.Head{Site: f.State.Site.Site, Name: f.Plant, Demo: f.Demo, Zone: f.Location, Made: f.Now, Checkpoint: f.Checkpoint, Language: f.Lang}
}
