package importer

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

const (
	inFlight = 12               // commands on their way at once
	patience = 60 * time.Second // how long a busy site is asked again
)

// sender sends batches of rows in the order of the file and keeps several on their way.
type sender struct {
	im      *importing
	waiting []*parcel // in the order sent
}

// parcel is one command on its way.
type parcel struct {
	command *haccp.Command
	rows    int64
	lines   [2]int64 // first and last
	pending *plant.Pending
}

func (s *sender) send(ctx context.Context, rows []haccp.ImportRow) error {
	p := &parcel{command: s.im.command(rows), rows: int64(len(rows)), lines: [2]int64{rows[0].Row, rows[len(rows)-1].Row}}
	if err := s.post(ctx, p); err != nil {
		return err
	}
	s.waiting = append(s.waiting, p)
	if len(s.waiting) < inFlight {
		return nil
	}
	return s.settle(ctx)
}

// command gives the command of a batch. Its id follows from the file, the person and the rows, so that
// sending it again records nothing twice.
func (im *importing) command(rows []haccp.ImportRow) *haccp.Command {
	o := im.o
	var text []byte
	for i := range rows {
		text = strconv.AppendInt(append(appendRow(text, &rows[i]), '#'), rows[i].Occurrence, 10)
		text = strconv.AppendInt(append(text, '@'), rows[i].Row, 10)
	}
	sum := sha256.Sum256(text)
	id := record.DerivedID(record.SiteNamespace(im.sheet.state.Site.Site), "import", im.report.File, o.Check, o.Place, o.By.ID, hex.EncodeToString(sum[:]))
	return &haccp.Command{ID: id.String(), Kind: haccp.AskImport, At: o.Clock(), AtKnown: haccp.AtServer, By: o.By,
		Ask: &haccp.Import{Check: o.Check, File: im.report.File, Place: o.Place, Rows: rows}}
}

// post hands a parcel in; a busy site is asked again.
func (s *sender) post(ctx context.Context, p *parcel) error {
	return again(ctx, func() (err error) {
		p.pending, err = s.im.o.Site.Send(ctx, plant.Request{Command: p.command})
		return err
	})
}

// again repeats what a busy site refused, as long as patience lasts.
func again(ctx context.Context, do func() error) error {
	for began := time.Now(); ; {
		err := do()
		after, busy := plant.RetryAfter(err)
		if !busy || err == nil || time.Since(began) > patience {
			return err
		}
		select {
		case <-time.After(after):
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		}
	}
}

// settle waits for the answer to the oldest parcel.
func (s *sender) settle(ctx context.Context) error {
	p := s.waiting[0]
	s.waiting = s.waiting[1:]
	var res plant.Result
	first := true
	err := again(ctx, func() (err error) {
		if !first {
			if p.pending, err = s.im.o.Site.Send(ctx, plant.Request{Command: p.command}); err != nil {
				return err
			}
		}
		first = false
		res, err = p.pending.Wait(ctx)
		return err
	})
	if err != nil {
		return fmt.Errorf("lines %d to %d: %w", p.lines[0], p.lines[1], err)
	}
	s.im.report.add(p, &res)
	return nil
}

// finish waits for all that is on its way; what one of them could not do does not stop the others from
// being counted.
func (s *sender) finish(ctx context.Context) error {
	var all error
	for len(s.waiting) > 0 {
		if err := s.settle(ctx); err != nil && all == nil {
			all = err
		}
	}
	return all
}

// add counts what a parcel brought about.
func (r *Report) add(p *parcel, res *plant.Result) {
	if res.Repeated {
		r.Already += p.rows
		return
	}
	var kept int64
	for _, e := range res.Events {
		switch b := e.Body.(type) {
		case *haccp.Reading:
			kept++
			if control.Worst(b.Verdicts) == control.Outside {
				r.Outside++
			}
		case *haccp.DeviationOpened:
			r.Opened++
		}
	}
	r.Kept += kept
	r.Already += p.rows - kept
}
