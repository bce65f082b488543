package desk

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/plandiff"
)

// NewPlanPage checks a plan file, shows what it would change, and takes the signature that puts it in force.
type NewPlanPage struct {
	*frame.Frame
	Form             frame.Form
	File             string // its name
	Source           string
	Errors, Warnings planfile.Problems
	Checked          bool
	Changes          []frame.Changed // from the version in force
	From             string          // a datetime-local field; "": at once
	Reason           string
	Sign             *frame.Signing // nil: not checked, or with faults
	Signer           string         // who signs plans, for a person who does not
	Twice            bool
	Templates        []string // to begin from, before the first plan is signed

	plan *plan.Plan
	from time.Time
}

// maxPlan is how large a file the page takes, in bytes: signed, it comes back in a form field, where a byte may
// take three, and a request holds at most gate.BodyLimit.
const maxPlan = gate.BodyLimit / 3 * 4 / 5

func (d *Desk) newNewPlanPage(f *frame.Frame) *NewPlanPage {
	p := &NewPlanPage{Frame: f, Form: frame.NewForm()}
	if !f.May(haccp.AskSignPlan) {
		p.Signer = f.Word("role", haccp.RoleManager)
	}
	return p
}

func (d *Desk) planNew(c *fiber.Ctx, f *frame.Frame) error {
	p := d.newNewPlanPage(f)
	if err := d.begin(c, p); err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "newplan", f.T("newplan.title"), p)
}

// begin offers templates before the first plan is signed, and takes up the draft or the template that was chosen.
func (d *Desk) begin(c *fiber.Ctx, p *NewPlanPage) error {
	if len(p.State.Plans) > 0 {
		return nil
	}
	p.Templates = planfile.Templates()
	if name := c.Query("template"); name != "" {
		text, err := planfile.Template(name)
		if err != nil {
			return fiber.ErrNotFound
		}
		p.Source = string(planfile.For(text, p.State.Site.Site, p.State.Site.Name))
	} else if d.Draft != nil {
		var err error
		if p.Source, err = d.Draft.Text(); err != nil {
			return err
		}
	}
	if p.Source == "" || len(p.Source) > maxPlan {
		return nil
	}
	return d.check(c, p)
}

// keep keeps what is worked on, until the first plan is signed.
func (d *Desk) keep(p *NewPlanPage) error {
	if d.Draft == nil || p.Signer != "" || len(p.State.Plans) > 0 {
		return nil
	}
	return d.Draft.Keep(p.Source)
}

// planCheck reads the file that was chosen, or the text that was pasted, and stores nothing.
func (d *Desk) planCheck(c *fiber.Ctx, f *frame.Frame) error {
	p := d.newNewPlanPage(f)
	p.Form, p.From, p.Reason, p.Source = frame.ReadForm(c), c.FormValue("from"), strings.TrimSpace(c.FormValue("reason")), c.FormValue("source")
	status := fiber.StatusOK
	err := gate.ErrFormToken
	if !f.Stale {
		if err = p.upload(c); err == nil {
			err = d.check(c, p)
		}
		if err == nil {
			err = d.keep(p)
		}
	}
	if err != nil {
		status = d.Pages.Refused(c, f, &p.Form, err, map[string]string{"file": "file", "from": "from", "reason": "reason"})
	} else if len(p.Errors) > 0 {
		status = fiber.StatusUnprocessableEntity
	}
	return d.show(c, status, "newplan", f.T("newplan.title"), p)
}

// upload takes the text of the file, where one was chosen.
func (p *NewPlanPage) upload(c *fiber.Ctx) error {
	name, text, err := frame.File(c, "file")
	if err != nil {
		return err
	}
	if name != "" {
		p.File, p.Source = name, text
	}
	switch {
	case strings.TrimSpace(p.Source) == "":
		return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "missing", Field: "file", Message: p.T("newplan.no-file")}
	case len(p.Source) > maxPlan:
		return p.tooLarge()
	}
	return nil
}

func (p *NewPlanPage) tooLarge() error {
	p.Source = ""
	return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "too-large", Field: "file",
		Message: p.T("newplan.too-large", "size", strconv.Itoa(maxPlan/1000))}
}

// check holds the file against the rules, and makes the statement to be signed.
func (d *Desk) check(c *fiber.Ctx, p *NewPlanPage) error {
	// A form field sends line ends as CR LF (WHATWG HTML, 4.10.22.4); the file stays as it was with LF.
	p.Source = strings.ReplaceAll(p.Source, "\r\n", "\n")
	name := p.File
	if name == "" {
		name = "plan.yaml"
	}
	r := planfile.Check(name, []byte(p.Source), plan.Options{Acts: haccp.Acts()})
	p.Checked, p.Errors, p.Warnings, p.plan = true, r.Errors, r.Warnings, r.Plan
	if p.plan == nil {
		return nil
	}
	var err error
	if p.Plan != nil {
		if p.Changes, err = plandiff.Of(p.Frame, p.Plan, p.plan); err != nil {
			return err
		}
	}
	when := p.T("newplan.at-once")
	if p.From != "" {
		if p.from, err = frame.LocalTime(p.From, p.Location, c.FormValue("twice")); err != nil {
			p.Twice = errors.Is(err, frame.ErrTwice)
			return &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: err.Error(), Field: "from", Message: p.T("refusal." + err.Error())}
		}
		when = p.T("plan.from", "time", p.At(p.from))
	}
	if p.Signer == "" {
		p.Sign = d.Commands.Signing(p.Frame, p.T("say.plan", "plan", p.plan.Name, "when", when, "hash", fmt.Sprintf("%x", sha256.Sum256([]byte(p.Source)))),
			haccp.RoleManager)
	}
	return nil
}

// planSign checks the file again and sends it with the signature.
func (d *Desk) planSign(c *fiber.Ctx, f *frame.Frame) error {
	p := d.newNewPlanPage(f)
	p.Form, p.From, p.Reason, p.Source = frame.ReadForm(c), c.FormValue("from"), strings.TrimSpace(c.FormValue("reason")), c.FormValue("source")
	if p.Signer != "" {
		return mayNot(f)
	}
	err := p.upload(c)
	if err == nil {
		err = d.check(c, p)
	}
	if err == nil && p.plan == nil {
		return d.show(c, fiber.StatusUnprocessableEntity, "newplan", f.T("newplan.title"), p)
	}
	if err == nil {
		err = d.Commands.Signed(c, f, &p.Form, p.Sign, haccp.MeaningPlan, haccp.AskSignPlan, func(g haccp.Signature) any {
			return &haccp.SignPlan{From: p.from, Plan: p.plan, Reason: p.Reason, Source: p.Source, Signature: g}
		})
	}
	if err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"password": "password", "from": "from", "reason": "reason", "file": "file"})
		if p.Sign != nil {
			p.Sign.Wrong = p.Form.Wrong["password"]
		}
		return d.show(c, status, "newplan", f.T("newplan.title"), p)
	}
	if len(f.State.Plans) == 0 { // it was the first
		return d.Pages.Redirect(c, "/first-run")
	}
	return d.Pages.Redirect(c, "/plan?version="+strconv.Itoa(len(d.Site.View().Plans)))
}
