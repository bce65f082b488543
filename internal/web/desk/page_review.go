package desk

import (
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// ReviewPage lists the records that nobody has reviewed yet, the oldest first, and takes the signature for them.
type ReviewPage struct {
	*frame.Frame
	Form     frame.Form
	From, To int64
	Left     int64 // records after these
	Rows     []ReviewRow
	Tally    []frame.What
	Findings string
	Sign     *frame.Signing
}

// ReviewRow is one record to be reviewed.
type ReviewRow struct {
	frame.RecordRow
	Mark, MarkWord string
	Findings       []string
}

// reviewRows is how many records stand on one page and under one signature: what is signed has been shown.
const reviewRows = 200

// FromText is the number of the first record.
func (p *ReviewPage) FromText() string { return strconv.FormatInt(p.From, 10) }

// ToText is the number of the last record.
func (p *ReviewPage) ToText() string { return strconv.FormatInt(p.To, 10) }

// LeftText is how many records wait after these.
func (p *ReviewPage) LeftText() string { return strconv.FormatInt(p.Left, 10) }

// firstOpen gives the first record that no signed review covers.
func firstOpen(s *haccp.State) int64 {
	next := int64(1)
	for _, r := range s.Reviews {
		if r.From > next {
			break
		}
		next = max(next, r.To+1)
	}
	return next
}

// newReviewPage shows records from a number on, up to a last one; 0 leaves the last to the page.
func (d *Desk) newReviewPage(c *fiber.Ctx, f *frame.Frame, last int64) (*ReviewPage, error) {
	p := &ReviewPage{Frame: f, Form: frame.NewForm(), From: firstOpen(f.State)}
	size := d.Site.Head().Size
	p.To = min(size, p.From+reviewRows-1)
	if last >= p.From && last < p.To {
		p.To = last
	}
	p.Left = size - p.To
	counts := map[string]int{}
	for seq := p.From; seq <= p.To; seq++ {
		_, e, err := d.Site.Record(c.UserContext(), seq)
		if err != nil {
			return nil, err
		}
		p.Rows = append(p.Rows, newReviewRow(f, e, counts))
	}
	for _, k := range []string{"readings", control.Outside, control.Act, control.NotEvaluated, "misses", "changes", "findings"} {
		p.Tally = append(p.Tally, frame.What{What: f.T("review.count-" + k), Text: strconv.Itoa(counts[k])})
	}
	statement := f.T("say.reviewed", "from", p.FromText(), "to", p.ToText(), "count", strconv.Itoa(len(p.Rows)))
	p.Sign = d.Commands.Signing(f, statement, haccp.RoleManager)
	return p, nil
}

func newReviewRow(f *frame.Frame, e *haccp.Event, counts map[string]int) ReviewRow {
	r := ReviewRow{RecordRow: f.RecordRow(e)}
	switch b := e.Body.(type) {
	case *haccp.Reading:
		counts["readings"]++
		if worst := frame.WorstOf(b); worst != "" && worst != control.Inside {
			counts[worst]++
			r.Mark, r.MarkWord = worst, f.Word("verdict", worst)
		}
	case *haccp.Missed:
		counts["misses"]++
		r.Mark, r.MarkWord = "missed", f.Word("due", "missed")
	case *haccp.DeviationOpened, *haccp.DeviationReopened:
		r.Mark, r.MarkWord = "open", f.Word("status", "open")
	case *haccp.Amended, *haccp.Voided:
		counts["changes"]++
		r.Mark, r.MarkWord = "do", f.T("review.changed")
	}
	for _, x := range e.Findings {
		counts["findings"]++
		r.Findings = append(r.Findings, f.Lang.Finding(x))
	}
	if e.LateReason != "" {
		r.Findings = append(r.Findings, f.T("form.late-reason")+": "+e.LateReason)
	}
	return r
}

func (d *Desk) reviewShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newReviewPage(c, f, 0)
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "review", f.T("review.title"), p)
}

func (d *Desk) reviewSign(c *fiber.Ctx, f *frame.Frame) error {
	last, err := strconv.ParseInt(c.FormValue("to"), 10, 64)
	if err != nil {
		return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "bad-range", Field: "to", Message: f.T("refusal.bad-range")}
	}
	p, err := d.newReviewPage(c, f, last)
	if err != nil {
		return err
	}
	p.Form, p.Findings = frame.ReadForm(c), strings.TrimSpace(c.FormValue("findings"))
	err = d.Commands.Signed(c, f, &p.Form, p.Sign, haccp.MeaningReviewed, haccp.AskReview, func(g haccp.Signature) any {
		return &haccp.Review{Reviewed: haccp.Reviewed{Findings: p.Findings, From: p.From, To: p.To, Signature: g}}
	})
	if err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"password": "password", "findings": "findings"})
		p.Sign.Wrong = p.Form.Wrong["password"]
		return d.show(c, status, "review", f.T("review.title"), p)
	}
	return d.Pages.Redirect(c, "/review")
}
