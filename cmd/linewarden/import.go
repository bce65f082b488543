package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"linewarden/haccp/plan"
	"linewarden/internal/app"
	"linewarden/internal/importer"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

type importCommand struct {
	Files []string `arg:"" name:"file" help:"CSV files."`
	placeFlags
	Site         string   `help:"Site, where there are several." placeholder:"ID"`
	Check        string   `required:"" help:"Id of the check that the readings are of." placeholder:"NAME"`
	Place        string   `required:"" help:"Id of the place where they were taken." placeholder:"NAME"`
	Time         string   `required:"" help:"Column with the time, and how it is written (YYYY-MM-DD hh:mm:ss where not said)." placeholder:"COLUMN[:LAYOUT]"`
	Column       []string `required:"" sep:"none" help:"What stands in a column; give one for each quantity." placeholder:"QUANTITY=COLUMN[:UNIT]"`
	Twice        string   `enum:",first,second" default:"" help:"Which of the two is meant where the clocks show a local time twice: first or second." placeholder:"WHICH"`
	AllOrNothing bool     `help:"Record nothing where any row is bad."`
	Plan         string   `help:"For a new folder: found the site of this plan and sign it first, in force for all of the past." placeholder:"FILE"`
	Demo         bool     `help:"With --plan: found the site as a demo."`
	Bad          int      `default:"100" help:"How many bad rows to list; the rest is counted."`
}

// Help is shown by --help.
func (importCommand) Help() string {
	return `Good rows are kept, bad ones are listed with their line and every fault. The same file twice adds
nothing. Imported readings satisfy no due check and raise no alert.

Examples:
  linewarden import bath.csv --data DIR --check bath-test --place bath-1 --time When \
      --column free_chlorine=Chlorine:mg/L --column ph=pH
  linewarden import station.csv --data DIR --plan station.yaml --demo --check station-reading \
      --place station-b --time "Time:MM/DD/YYYY hh:mm:ss" --column free_chlorine=Cl2`
}

// Run imports the files one after the other.
func (c *importCommand) Run(ctx context.Context, t *terminal) error {
	columns, column, layout, err := c.columns()
	if err != nil {
		return err
	}
	f, err := c.place().Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	site, err := c.open(ctx, t, f)
	if err != nil {
		return err
	}
	defer closeSite(ctx, t, site)
	var failed error
	for _, file := range c.Files {
		progress := map[string]func(done, total int64){
			importer.PhaseCheck: t.progress(file+": checking", "bytes"), importer.PhaseRecord: t.progress(file+": recording", "bytes"),
		}
		began := t.now()
		report, err := importer.Run(ctx, importer.Options{Site: site, File: filepath.Base(file),
			Open: func() (io.ReadCloser, error) { return os.Open(file) }, Check: c.Check, Place: c.Place, TimeColumn: column,
			TimeLayout: layout, Columns: columns, Twice: c.Twice, AllOrNothing: c.AllOrNothing, By: app.Console(), Clock: t.now,
			Progress: func(phase string, done, total int64) { progress[phase](done, total) }})
		c.print(t, file, &report, t.now().Sub(began))
		if err == nil && report.Rows > 0 && report.BadRows == report.Rows {
			err = fmt.Errorf("%s: every row is bad, and nothing was recorded", file)
		}
		if err != nil {
			failed = errors.Join(failed, err)
		}
	}
	return failed
}

// open opens the site, founding it first where the folder is new and a plan was given.
func (c *importCommand) open(ctx context.Context, t *terminal, f *app.Folder) (*plant.Site, error) {
	id, err := f.SiteID(ctx, c.Site)
	var text []byte
	var p *plan.Plan
	if errors.Is(err, app.ErrNoSite) && c.Plan != "" {
		var r planfile.Report
		if text, r, err = readPlan(t, c.Plan); err != nil {
			return nil, err
		}
		p = r.Plan
		sign := planSign{Demo: c.Demo, placeFlags: c.placeFlags}
		if !c.Demo {
			return nil, errors.New("a new site is founded and signed in one command as a demo only (--demo): otherwise sign its plan first (linewarden plan sign)")
		}
		id, err = p.Site, sign.found(ctx, t, f, p)
	}
	if err != nil {
		return nil, err
	}
	site, err := f.Open(ctx, id, t.progress("reading the record log", "records"))
	if err != nil || p == nil {
		return site, err
	}
	if _, _, err := app.SignPlan(ctx, site, app.PlanSigning{Plan: p, Source: text, By: app.Console(),
		Reason: "signed with the first import", From: allOfThePast, Now: t.now()}); err != nil {
		closeSite(ctx, t, site)
		return nil, err
	}
	return site, nil
}

// allOfThePast is since when the plan of a site that is founded by an import judges: whatever the file holds
// is older than the site.
var allOfThePast = time.Unix(0, 0).UTC()

func (c *importCommand) columns() (columns []importer.Column, timeColumn, layout string, err error) {
	for _, s := range c.Column {
		quantity, rest, ok := strings.Cut(s, "=")
		column, unit, _ := strings.Cut(rest, ":")
		if !ok || quantity == "" || column == "" {
			return nil, "", "", fmt.Errorf("--column %q: write QUANTITY=COLUMN or QUANTITY=COLUMN:UNIT, such as free_chlorine=Chlorine:mg/L", s)
		}
		columns = append(columns, importer.Column{Quantity: quantity, Column: column, Unit: unit})
	}
	timeColumn, layout, err = importer.ParseTime(c.Time)
	return columns, timeColumn, layout, err
}

func (c *importCommand) print(t *terminal, file string, r *importer.Report, took time.Duration) {
	if r.Rows == 0 && r.File == "" {
		return
	}
	for i, bad := range r.Bad {
		if i == c.Bad {
			break
		}
		t.print("%s:%d: %s", file, bad.Line, strings.Join(bad.Faults, "; "))
	}
	if more := r.BadRows - int64(min(c.Bad, len(r.Bad))); more > 0 {
		t.print("%s: %d more bad rows", file, more)
	}
	t.print("%s: %d rows, %d readings kept, %d recorded before, %d bad; %d outside, %d deviations opened",
		file, r.Rows, r.Kept, r.Already, r.BadRows, r.Outside, r.Opened)
	t.say("took %s", took.Round(time.Millisecond))
}
