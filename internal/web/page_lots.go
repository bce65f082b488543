package web

import (
	"net/url"
	"strconv"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/line"
)

// lotsPage lists the lots in the plant.
type lotsPage struct {
	*frame.Frame
	Lots []frame.LotView
}

// lotPage is the file of one lot.
type lotPage struct {
	*frame.Frame
	Lot        frame.LotView
	Stays      []frame.LotStay
	Made, Into []string
	Left       string
	Lost       string
	Missing    []frame.Way // what stands against its release; the path leads to what answers it
	Acts       []frame.Way // what may be done with it now
	Unchecked  []string
	Tests      []frame.TestView
	Evidence   []frame.Evidence
	Records    []frame.RecordRow
}

func (s *Server) routeLots(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/lots", in(s.lotList))
	app.Get("/lots/:lot", in(s.lotShow))
}

func (s *Server) lotList(c *fiber.Ctx, f *frame.Frame) error {
	p := &lotsPage{Frame: f}
	book, touches := f.State.LotBook(), f.State.Affected()
	for _, l := range f.State.Lots() {
		p.Lots = append(p.Lots, f.LotView(book, touches, l))
	}
	return s.show(c, fiber.StatusOK, "lots", f.T("lots.title"), p)
}

func (s *Server) lotShow(c *fiber.Ctx, f *frame.Frame) error {
	code, err := url.PathUnescape(c.Params("lot"))
	if err != nil {
		return noPage()
	}
	events, err := plant.All(c.UserContext(), s.site, plant.Query{About: "lot:" + code, Descending: true})
	if err != nil {
		return err
	}
	codes, facts := []string{code}, s.site.Gatherer(f.State)
	kin, err := facts.Gather(c.UserContext(), haccp.Facts{}, func(x haccp.Facts) haccp.Need { return f.State.LotNeeds(codes, x) })
	if err != nil {
		return err
	}
	state := f.State.WithLots(codes, kin)
	l, ok := state.Lot(code)
	if !ok {
		return noPage()
	}
	shown, err := facts.Gather(c.UserContext(), haccp.Facts{}, func(x haccp.Facts) haccp.Need { return state.ExposureNeeds(codes, x, f.Now) })
	if err != nil {
		return err
	}
	book := state.LotBook()
	p := &lotPage{Frame: f, Lot: f.LotView(book, state.Affected(), l), Stays: f.LotStays(l)}
	for _, k := range book.Backward(code).Links {
		p.Made = append(p.Made, lotLink(f, k.From, &k))
	}
	for _, k := range book.Forward(code).Links {
		p.Into = append(p.Into, lotLink(f, k.To, &k))
	}
	p.Tests = f.LotTests(state, l)
	b := book.Balance(code)
	if p.Left = b.Left.String(); b.Unexplained != nil {
		p.Lost = b.Unexplained.String()
	}
	if l.Disposed() == nil || len(l.Standing()) > 0 {
		around, err := facts.Gather(c.UserContext(), kin, func(x haccp.Facts) haccp.Need { return state.ReleaseNeeds(code, x) })
		if err != nil {
			return err
		}
		for _, m := range state.MissingFor(code, around, f.Now) {
			p.Missing = append(p.Missing, frame.Way{Text: f.Missing(m), Path: line.EvaluationOf(f, code, m)})
		}
		for _, x := range state.Unchecked(l, f.Now) {
			p.Unchecked = append(p.Unchecked, f.Word("unchecked", x))
		}
	}
	p.Acts = line.Acts(f, l)
	p.Evidence = f.Evidences(state.Exposures(code, shown, f.Now))
	for _, e := range events {
		p.Records = append(p.Records, frame.RecordRow{ID: e.ID, Seq: e.Seq, Kind: e.Kind, At: e.At, By: f.Reporter(e.By)})
	}
	f.Sheet = f.T("lot.sheet", "lot", code, "records", strconv.Itoa(len(p.Records)))
	return s.show(c, fiber.StatusOK, "lot", f.T("lot.title", "lot", code), p)
}

func lotLink(f *frame.Frame, code string, k *lot.Link) string {
	text := code + " · " + f.At(k.At)
	if k.Mass != nil {
		text += " · " + k.Mass.String()
	}
	return text
}
