package web

import (
	"slices"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/web/frame"
)

// changePage amends or voids a report, or accepts its typed time.
type changePage struct {
	*frame.Frame
	Form                     frame.Form
	Heading, Explain, Button string
	Target, Kind, What       string
	Seq                      int64
	Action                   string
	Facts                    []frame.What
	Edit                     *frame.Edit // of an amendment
	Reason                   string
	Sign                     *frame.Signing // nil: a change of one's own report
	Grave                    bool

	stand *standing
}

// SeqText is the number of the report's record.
func (p *changePage) SeqText() string { return strconv.FormatInt(p.Seq, 10) }

// The kinds of change, as the last part of an address.
const (
	changeAmend = "amend"
	changeVoid  = "void"
	changeTime  = "time"
)

func (s *Server) newChangePage(c *fiber.Ctx, f *frame.Frame, change string) (*changePage, error) {
	st, _, err := s.stand(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return nil, err
	}
	e := st.event
	p := &changePage{Frame: f, Form: frame.NewForm(), Heading: change + ".title", Explain: change + ".explain", Button: change + ".go",
		Target: e.ID, Kind: e.Kind, What: f.At(e.At) + " · " + e.By.Name, Seq: e.Seq, Action: "/records/" + e.ID + "/" + change,
		Facts: frame.Facts(f, st.body), Grave: change == changeVoid, stand: st}
	if change == changeAmend {
		if p.Edit = frame.NewEdit(f, st.body); p.Edit == nil {
			return nil, noPage()
		}
	}
	own := e.By.ID == f.Who.Person.ID
	if change == changeTime || !own {
		statement := f.T("say."+change, "seq", p.SeqText(), "what", f.Word("kind", e.Kind)+", "+f.At(e.At)+", "+e.By.Name)
		p.Sign = s.signing(f, statement, haccp.RoleManager)
	}
	return p, nil
}

func (s *Server) changeForm(change string) frame.Handler {
	return func(c *fiber.Ctx, f *frame.Frame) error {
		p, err := s.newChangePage(c, f, change)
		if err != nil {
			return err
		}
		return s.show(c, fiber.StatusOK, "change", f.T(p.Heading), p)
	}
}

func (s *Server) changeSave(change string) frame.Handler {
	return func(c *fiber.Ctx, f *frame.Frame) error {
		p, err := s.newChangePage(c, f, change)
		if err != nil {
			return err
		}
		p.Form, p.Reason = frame.ReadForm(c), strings.TrimSpace(c.FormValue("reason"))
		members := map[string]string{"reason": "reason", "password": "password"}
		body, ok := any(nil), true
		if change == changeAmend {
			body, ok = p.Edit.Read(c, f, members, "new.")
		}
		if !ok {
			p.Problem = p.T("form.look-below")
			return s.show(c, fiber.StatusUnprocessableEntity, "change", f.T(p.Heading), p)
		}
		if err := s.change(c, p, change, body); err != nil {
			status := s.refused(c, f, &p.Form, err, members)
			if p.Edit != nil {
				p.Edit.Mark(p.Form.Wrong)
			}
			if p.Sign != nil {
				p.Sign.Wrong = p.Form.Wrong["password"]
			}
			return s.show(c, status, "change", f.T(p.Heading), p)
		}
		return s.redirect(c, "/records/"+p.Target)
	}
}

// change signs where a signature is wanted, and sends the decision.
func (s *Server) change(c *fiber.Ctx, p *changePage, change string, body any) error {
	meaning := map[string]string{changeAmend: haccp.MeaningAmend, changeVoid: haccp.MeaningVoid, changeTime: haccp.MeaningTime}[change]
	var sig *haccp.Signature
	if p.Sign != nil {
		g, err := s.sign(c, p.Frame, p.Sign, meaning)
		if err != nil {
			return err
		}
		sig = &g
	}
	kind, ask := haccp.AskAmend, any(&haccp.Amend{New: body, Reason: p.Reason, Signature: sig, Target: p.Target})
	switch change {
	case changeVoid:
		kind, ask = haccp.AskVoid, &haccp.Void{Reason: p.Reason, Signature: sig, Target: p.Target}
	case changeTime:
		kind, ask = haccp.AskAcceptTime, &haccp.AcceptTime{Reason: p.Reason, Signature: *sig, Target: p.Target}
	}
	if sig == nil {
		_, err := s.ask(c, p.Frame, &p.Form, kind, ask)
		return err
	}
	return s.decide(c, p.Frame, &p.Form, kind, p.Sign.Role, ask)
}

// changeable says which changes a kind of record allows.
func changeable(kind string) (amend, void bool) {
	void = slices.Contains([]string{haccp.KindReading, haccp.KindFilled, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained,
		haccp.KindCleaned, haccp.KindInService, haccp.KindOutOfService, haccp.KindLineStarted, haccp.KindLineStopped, haccp.KindFixDone,
		haccp.KindCleanBreak, haccp.KindNote}, kind) || sampleKind(kind)
	amend = void && !slices.Contains([]string{haccp.KindLineStarted, haccp.KindFixDone, haccp.KindCleanBreak}, kind) && !sampleKind(kind)
	return amend, void
}

// sampleKind reports whether a record is about a sample: these are voided here, and amended over the API.
func sampleKind(kind string) bool {
	return slices.Contains([]string{haccp.KindLotSampled, haccp.KindSamplePassed, haccp.KindSampleReceived, haccp.KindResult}, kind)
}
