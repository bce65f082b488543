package web

import (
	"bytes"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/report"
	"linewarden/internal/web/desk"
	"linewarden/internal/web/frame"
)

// recordPage is one record with its history, its bytes and the proof that it is in the log.
type recordPage struct {
	*frame.Frame
	ID, Kind, By, Role, Known, AtKnown, LateReason string
	Seq, Size                                      int64
	When, Recorded                                 time.Time
	Findings                                       []string
	Facts                                          []frame.What
	MayChange, MayAmend, MayReplace                bool
	History                                        []historyRow
	Bytes, Leaf                                    string
	Proof                                          []string
}

// SeqText is the number of the record.
func (p *recordPage) SeqText() string { return strconv.FormatInt(p.Seq, 10) }

// SizeText is the number of records that the proof goes to.
func (p *recordPage) SizeText() string { return strconv.FormatInt(p.Size, 10) }

// recordsPage shows the checkpoint, how to verify, and a look-up of records.
type recordsPage struct {
	*frame.Frame
	Size               int64
	Note, Commands     string
	How                []string
	Kinds              []frame.Choice
	From, To, NextPath string
	Rows               []frame.RecordRow
}

// SizeText is the number of records in the log.
func (p *recordsPage) SizeText() string { return strconv.FormatInt(p.Size, 10) }

func (s *Server) routeRecords(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/records", in(s.recordList))
	app.Get("/records/:id", in(s.recordShow))
	for _, change := range []string{changeAmend, changeVoid, changeTime} {
		app.Get("/records/:id/"+change, in(s.changeForm(change)))
		app.Post("/records/:id/"+change, in(s.changeSave(change)))
	}
	app.Get("/log", in(s.logShow))
	app.Get("/log.csv", in(s.logFile))
	app.Get("/log.ndjson", in(s.logFile))
	app.Get("/readings.csv", in(s.readingsFile))
}

func (s *Server) recordShow(c *fiber.Ctx, f *frame.Frame) error {
	st, bytes, err := s.stand(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return err
	}
	e := st.event
	p := &recordPage{Frame: f, ID: e.ID, Kind: e.Kind, By: f.Reporter(e.By), Role: e.By.Role, Known: e.By.Known, AtKnown: e.AtKnown,
		LateReason: e.LateReason, Seq: e.Seq, When: e.At, Recorded: e.RecordedAt, History: st.rows, Bytes: bytes}
	if e.Kind != haccp.KindPlanSigned {
		p.Facts = frame.Facts(f, e.Body)
	}
	if since := f.ChangedSince(f.State.ChangedSince(e)); since != "" {
		p.Facts = append(p.Facts, frame.What{What: f.T("record.signature"), Text: since})
	}
	for _, x := range e.Findings {
		p.Findings = append(p.Findings, f.Lang.Finding(x))
	}
	amend, void := changeable(e.Kind)
	p.MayChange = void && !st.voided && f.May(haccp.AskVoid)
	p.MayAmend, p.MayReplace = amend && f.May(haccp.AskAmend), p.MayChange && desk.Replaceable(e.Kind)
	proof, err := s.site.Inclusion(c.UserContext(), e.Seq, 0)
	if err != nil {
		return err
	}
	p.Leaf, p.Proof, p.Size = proof.Leaf, proof.Path, proof.Size
	return s.show(c, fiber.StatusOK, "record", f.T("record.title", "seq", p.SeqText()), p)
}

// listed are the kinds that may be looked up.
var listed = []string{haccp.KindReading, haccp.KindMissed, haccp.KindDeviationOpened, haccp.KindDeviationSigned, haccp.KindFilled,
	haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained, haccp.KindCleaned, haccp.KindLineStarted, haccp.KindLineStopped,
	haccp.KindCleanBreak, haccp.KindFixDone, haccp.KindAmended, haccp.KindVoided, haccp.KindTimeAccepted, haccp.KindPlanSigned,
	haccp.KindReviewed, haccp.KindNote, haccp.KindPersonAdded, haccp.KindRoleGiven, haccp.KindRoleTaken, haccp.KindPersonDisabled,
	haccp.KindCredentialChanged, haccp.KindSignInLocked, haccp.KindSignatureFailed, haccp.KindDeviceEnrolled, haccp.KindFounded,
	haccp.KindRestored, haccp.KindLotSampled, haccp.KindSamplePassed, haccp.KindSampleReceived, haccp.KindResult}

const pageRows = 50

func (s *Server) recordList(c *fiber.Ctx, f *frame.Frame) error {
	head := s.site.Head()
	p := &recordsPage{Frame: f, Size: head.Size, How: []string{"records.how-1", "records.how-2", "records.how-3", "records.how-4"}}
	note, err := s.site.Checkpoint(c.UserContext())
	if err != nil {
		s.log.Warn("checkpoint not signed", "error", err)
		note = p.Checkpoint
	}
	p.Note = note
	p.Commands = "linewarden export records --data DIR -o plant.records.ndjson\n" +
		"linewarden verify plant.records.ndjson --key KEYFILE --since CHECKPOINT"
	from, to, err := f.Period(c, 7)
	if err != nil {
		return err
	}
	p.From, p.To = from.Label, to.Label
	kind := c.Query("kind", haccp.KindReading)
	for _, k := range listed {
		p.Kinds = append(p.Kinds, frame.Choice{Code: k, Word: f.Word("kind", k), Chosen: k == kind})
	}
	events, next, err := s.site.Find(c.UserContext(), plant.Query{Kind: kind, From: from.At, To: to.At, After: plant.Cursor(c.Query("after")),
		Limit: pageRows, Descending: true})
	if err != nil {
		return err
	}
	for _, e := range events {
		p.Rows = append(p.Rows, f.RecordRow(e))
	}
	if next != "" {
		p.NextPath = "/records?kind=" + kind + "&from=" + p.From + "&to=" + p.To + "&after=" + string(next)
	}
	return s.show(c, fiber.StatusOK, "records", f.T("nav.records"), p)
}

// readingsFile answers with the readings of a period as CSV.
func (s *Server) readingsFile(c *fiber.Ctx, f *frame.Frame) error {
	from, to, err := f.Period(c, 7)
	if err != nil {
		return err
	}
	changed, err := plant.OfKinds(c.UserContext(), s.site, from.At, to.At, haccp.KindAmended, haccp.KindVoided)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	readings := plant.Each(c.UserContext(), s.site, plant.Query{Kind: haccp.KindReading, From: from.At, To: to.At})
	if err := report.ReadingsCSV(&b, readings, report.NewChanges(changed), f.ReportHead()); err != nil {
		return err
	}
	return sendFile(c, "readings-"+from.Label+"-"+to.Label+".csv", csvType, b.Bytes())
}

const (
	csvType    = "text/csv; charset=utf-8; header=present"
	ndjsonType = "application/x-ndjson"
)

func sendFile(c *fiber.Ctx, name, kind string, body []byte) error {
	c.Attachment(name)
	c.Set(fiber.HeaderContentType, kind)
	return c.Send(body)
}
