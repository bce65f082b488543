package main

import (
	"context"
	"encoding/base64"
	"fmt"
	"io"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/plant"
	"linewarden/internal/plant/lotbook"
	"linewarden/internal/report"
	"linewarden/internal/wording"
)

// report writes a report that is made from what the log says.
func (c *exportCommand) report(ctx context.Context, t *terminal, f *app.Folder, id string, w io.Writer) error {
	site, err := f.Open(ctx, id, t.progress("reading the record log", "records"))
	if err != nil {
		return err
	}
	defer closeSite(ctx, t, site)
	view, head := site.View(), site.Head()
	h := report.Head{Site: view.Site.Site, Name: view.Site.Name, Demo: view.Site.Demo, Zone: view.Zone(), Made: t.now(),
		Checkpoint: fmt.Sprintf("%d %s", head.Size, base64.StdEncoding.EncodeToString(head.Root[:])), Language: wording.English}
	if c.Report == "readings" {
		return c.readings(ctx, site, h, w)
	}
	if c.Report == "lots" {
		return c.lots(ctx, site, h, w)
	}
	if plans := view.Plans; c.From.IsZero() && len(plans) > 0 {
		c.From.Time = plans[0].From // nothing was judged before
	}
	l, err := site.CorrectiveLog(ctx, c.From.Time, c.To.Time, t.now())
	if err != nil {
		return err
	}
	if c.Format == "csv" {
		return report.CorrectiveCSV(w, l, h)
	}
	return report.CorrectiveNDJSON(w, l, h)
}

// readings writes the readings of the period as they stand, with all changes made to them, whenever.
func (c *exportCommand) readings(ctx context.Context, site *plant.Site, h report.Head, w io.Writer) error {
	changed, err := plant.OfKinds(ctx, site, c.From.Time, c.To.Time, haccp.KindAmended, haccp.KindVoided)
	if err != nil {
		return err
	}
	readings := plant.Each(ctx, site, plant.Query{Kind: haccp.KindReading, From: c.From.Time, To: c.To.Time})
	if c.Format == "csv" {
		return report.ReadingsCSV(w, readings, report.NewChanges(changed), h)
	}
	return report.ReadingsNDJSON(w, readings, report.NewChanges(changed), h)
}

// lots writes what happened to lots in the period, as it stands, lot by lot.
func (c *exportCommand) lots(ctx context.Context, site *plant.Site, h report.Head, w io.Writer) error {
	asked := lotbook.Asked{From: c.From.Time, To: c.To.Time}
	codes, err := lotbook.Codes(ctx, site, asked)
	if err != nil {
		return err
	}
	sheet, err := report.NewLotSheet(w, c.Format, h, lotbook.NewProducts(ctx, site).Of)
	if err != nil {
		return err
	}
	for _, code := range codes {
		events, err := lotbook.Of(ctx, site, asked, code)
		if err != nil {
			return err
		}
		if err := sheet.Put(code, events); err != nil {
			return err
		}
	}
	return sheet.End()
}
