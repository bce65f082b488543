package web

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
	"linewarden/internal/web/floor"
	"linewarden/internal/web/frame"
)

// readingPage shows a reading after it was saved: against which limits it stands, and what to do.
type readingPage struct {
	*frame.Frame
	ID, Place, Check, By string
	When                 time.Time
	Seq                  int64
	Worst                string
	Repeated, Voided     bool
	Values               []valueRow
	Judged               string
	Findings             []string
	Todo                 []string
	RetestBy, NextDue    time.Time
	Opened               []link
	Fixes                []plan.Fix
	FixPath, AddPath     string
	Cautions             []string
	LowPH                bool // below the floor of the plan
	Forecast             []string
	Dosage               *floor.Dosage
	Previous             string
	PreviousAt           time.Time
	Retest               *checkPage
	AskAgain             bool
	History              []historyRow
	MayAmend, MayAccept  bool
}

type link struct{ Path, Text string }

// SeqText is the number of the record.
func (p *readingPage) SeqText() string { return strconv.FormatInt(p.Seq, 10) }

// valueRow is one measured value with what each limit on it says; limits on nothing measured have no value.
type valueRow struct {
	Quantity, Value string
	Limits          []verdictRow
}

type verdictRow struct{ Bounds, Kind, Verdict, Reason string }

func (s *Server) readingShow(c *fiber.Ctx, f *frame.Frame) error {
	st, _, err := s.stand(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return err
	}
	r, ok := st.body.(*haccp.Reading)
	if !ok || st.event.Kind != haccp.KindReading {
		return noPage()
	}
	e := st.event
	p := &readingPage{Frame: f, ID: e.ID, Place: f.PlaceName(r.Place), Check: f.CheckName(r.Check), By: e.By.Name, When: e.At, Seq: e.Seq,
		Worst: frame.WorstOf(r), Voided: st.voided, History: st.rows, Repeated: c.Query("saved") == "again"}
	p.judge(r)
	for _, x := range e.Findings {
		p.Findings = append(p.Findings, f.Lang.Finding(x))
	}
	p.MayAmend = !st.voided && f.May(haccp.AskAmend)
	p.MayAccept = !st.accepted && !st.voided && e.AtKnown == haccp.AtTyped && f.May(haccp.AskAcceptTime)
	if err := s.previous(c.UserContext(), p, e, r); err != nil {
		return err
	}
	if c.Query("saved") != "" && !st.voided {
		if err := s.advise(c.UserContext(), p, e, r); err != nil {
			return err
		}
	}
	return s.show(c, fiber.StatusOK, "reading", p.Place, p)
}

// judge lays the recorded verdicts beside the limits of the plan version that judged.
func (p *readingPage) judge(r *haccp.Reading) {
	var signed *plan.Plan
	if r.PlanVersion > 0 && r.PlanVersion <= len(p.State.Plans) {
		signed, p.Judged = p.State.Plans[r.PlanVersion-1].Plan, strconv.Itoa(r.PlanVersion)
	}
	for i := range r.Entries {
		e := &r.Entries[i]
		p.Values = append(p.Values, valueRow{Quantity: p.Word("quantity", e.Quantity), Value: p.Value(e.Result().String())})
	}
	for _, v := range r.Verdicts {
		row, name := verdictRow{Bounds: v.Limit, Kind: string(v.Kind), Verdict: v.Verdict, Reason: v.Reason}, v.Limit
		if l := control.FindLimit(signed, v.Point, v.Limit); l != nil {
			name = p.Word("quantity", l.Quantity)
			row.Bounds = p.Ends(*l)
		}
		i := slices.IndexFunc(p.Values, func(x valueRow) bool { return x.Quantity == name })
		if i < 0 {
			i = len(p.Values)
			p.Values = append(p.Values, valueRow{Quantity: name, Value: "–"})
		}
		p.Values[i].Limits = append(p.Values[i].Limits, row)
	}
}

// previous finds the reading before this one. It is shown only after saving.
func (s *Server) previous(ctx context.Context, p *readingPage, e *haccp.Event, r *haccp.Reading) error {
	found, _, err := s.site.Find(ctx, plant.Query{About: "check:" + r.Check + "@" + r.Place, Kind: haccp.KindReading, To: e.At,
		Limit: 1, Descending: true})
	if err != nil || len(found) == 0 {
		return err
	}
	if b, ok := found[0].Body.(*haccp.Reading); ok {
		values := make([]string, 0, len(b.Entries))
		for i := range b.Entries {
			values = append(values, p.Word("quantity", b.Entries[i].Quantity)+" "+p.Value(b.Entries[i].Result().String()))
		}
		p.Previous, p.PreviousAt = strings.Join(values, ", "), found[0].At
	}
	return nil
}

// advise adds what to do, until when, the cautions and the form of the re-test.
func (s *Server) advise(ctx context.Context, p *readingPage, e *haccp.Event, r *haccp.Reading) error {
	events, err := s.site.Command(ctx, e.Command)
	if err != nil {
		return err
	}
	a := p.State.Advise(events, p.Now)
	p.Todo, p.Fixes, p.RetestBy, p.NextDue, p.AskAgain = a.Instructions, a.Fixes, a.RetestBy, a.NextDue, len(a.AskAgain) > 0
	for _, d := range a.Opened {
		p.Opened = append(p.Opened, link{"/deviations/" + d.Deviation, p.T("reading.opened", "word", p.Word("case", caseWord(d.Critical)),
			"number", strconv.FormatInt(d.Number, 10))})
	}
	p.Cautions = p.cautions(r)
	p.LowPH, p.Forecast = p.LowPH || a.LowPH, p.ForecastLines(a.Forecast)
	if len(p.Todo) > 0 && p.May(haccp.KindFixDone) {
		p.fixPath(r)
	}
	if len(p.Todo) > 0 {
		if p.Dosage, err = floor.DosageOf(ctx, s.site, p.Frame, e, r); err != nil {
			return err
		}
	}
	if p.Worst == control.Inside && !p.AskAgain {
		return nil
	}
	retest, err := newCheckPage(p.Frame, r.Check, r.Place)
	if err != nil {
		return err
	}
	retest.Repeats = ""
	if p.AskAgain {
		retest.Repeats = e.ID
	}
	p.Retest = retest
	return nil
}

// fixPath leads to the form for the immediate fix in the newest open case of the point at this place.
func (p *readingPage) fixPath(r *haccp.Reading) {
	for _, d := range slices.Backward(p.State.Cases()) {
		if d.Place == r.Place && slices.ContainsFunc(r.Verdicts, func(v control.Verdict) bool { return v.Point == d.Point && v.Verdict == control.Outside }) {
			p.FixPath = "/deviations/" + d.Deviation + "#fix"
			break
		}
	}
	if pl := frame.FindPlace(p.Plan, r.Place); pl != nil && pl.Kind == plan.Bath && p.May(haccp.KindAdded) {
		p.AddPath = "/baths/" + r.Place + "/added"
	}
}

func caseWord(critical bool) string {
	if critical {
		return "deviation"
	}
	return "nonconformity"
}

// cautions are shown where a chlorine or acid correction is at hand.
func (p *readingPage) cautions(r *haccp.Reading) []string {
	chlorine, low := false, false
	for _, v := range r.Verdicts {
		if v.Verdict != control.Outside && v.Verdict != control.Act || r.PlanVersion < 1 {
			continue
		}
		l := control.FindLimit(p.State.Plans[r.PlanVersion-1].Plan, v.Point, v.Limit)
		if l == nil || !frame.InvolvesChlorine(l.Quantity) {
			continue
		}
		chlorine = true
		for i := range r.Entries {
			e := &r.Entries[i]
			if e.Quantity == string(quantity.PH) && l.Quantity == e.Quantity && l.Min != nil {
				end, _ := new(e.Result()).Ends()
				low = low || end.Float64() < l.Min.Value.Float64()
			}
		}
	}
	p.LowPH = low
	return frame.CautionsFor(chlorine)
}
