package web

import (
	"context"
	"slices"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// historyRow is one change of a report: who, when, why, and old beside new.
type historyRow struct {
	ID, Kind, By, Reason string
	Since                string // that its signature covered what was changed since
	Seq                  int64
	Recorded             time.Time
	Changes              []frame.Changed
}

// SeqText is the number of the record.
func (h historyRow) SeqText() string { return strconv.FormatInt(h.Seq, 10) }

// standing is a report as it stands after all that changed it.
type standing struct {
	event    *haccp.Event
	body     any
	voided   bool
	accepted bool
	rows     []historyRow
}

// stand reads a report and what changed it: amendments, voids and accepted times carry its at and about.
func (s *Server) stand(ctx context.Context, f *frame.Frame, id string) (*standing, string, error) {
	bytes, e, err := s.site.ByID(ctx, id)
	if err != nil {
		return nil, "", err
	}
	st := &standing{event: e, body: e.Body}
	if len(e.About) == 0 {
		return st, bytes, nil
	}
	found, _, err := s.site.Find(ctx, plant.Query{About: e.About[0], From: e.At, To: e.At.Add(time.Millisecond)})
	if err != nil {
		return nil, "", err
	}
	found = slices.DeleteFunc(found, func(x *haccp.Event) bool { return x.Amends != id })
	for i, x := range found {
		st.add(f, x)
		st.rows[i].Since = f.ChangedSince(haccp.SignedBefore(x, found))
	}
	return st, bytes, nil
}

func (st *standing) add(f *frame.Frame, x *haccp.Event) {
	row := historyRow{ID: x.ID, Kind: x.Kind, By: x.By.Name, Seq: x.Seq, Recorded: x.RecordedAt}
	switch b := x.Body.(type) {
	case *haccp.Amended:
		row.Reason, row.Changes = b.Reason, frame.Diff(f, st.body, b.New)
		st.body = b.New
	case *haccp.Voided:
		row.Reason, st.voided = b.Reason, true
	case *haccp.TimeAccepted:
		row.Reason, st.accepted = b.Reason, true
	}
	st.rows = append(st.rows, row)
}
