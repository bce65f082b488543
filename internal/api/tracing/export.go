package tracing

import (
	"bufio"
	"context"
	"fmt"

	"linewarden/internal/plant"
	"linewarden/internal/plant/lotbook"
	"linewarden/internal/report"
)

// LotRows is an export of lots as JSON.
type LotRows struct {
	Rows []map[string]string `json:"rows" doc:"A row an event, with the names of the columns of the CSV; what is empty is left out."`
}

// Export writes the lots of an export, one after the other.
type Export struct {
	Find  plant.Finder
	Asked lotbook.Asked
	Form  string // report.FormCSV or FormJSON
	Head  report.Head
	codes []string
}

// Prepare finds the lots, before anything is sent, and tells how many there are.
func (x *Export) Prepare(ctx context.Context) (int, error) {
	var err error
	x.codes, err = lotbook.Codes(ctx, x.Find, x.Asked)
	return len(x.codes), err
}

// Write writes the export. One that cannot be written to its end says so in its last row (CSV) or lacks its last line (JSON).
func (x *Export) Write(ctx context.Context, w *bufio.Writer) error {
	sheet, err := report.NewLotSheet(w, x.Form, x.Head, lotbook.NewProducts(ctx, x.Find).Of)
	if err != nil {
		return fmt.Errorf("export lots: %w", err)
	}
	for _, code := range x.codes {
		events, err := lotbook.Of(ctx, x.Find, x.Asked, code)
		if err == nil {
			err = sheet.Put(code, events)
		}
		if err != nil {
			return fmt.Errorf("export lot %s: %w (%w)", code, err, sheet.Break())
		}
	}
	return sheet.End()
}
