package desk

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// ReplacePage voids a report and puts a new one in its place, in one command: for a wrong bath, time or lot.
type ReplacePage struct {
	*frame.Frame
	Form         frame.Form
	Target, Kind string
	What         string
	Seq          int64
	Facts        []frame.What
	Places       []frame.Choice
	Place, Lots  string
	HasLots      bool
	Edit         *frame.Edit // nil: only time and place
	Reason       string
	Sign         *frame.Signing // nil: a report of one's own

	event *haccp.Event
	body  any
}

// SeqText is the number of the report's record.
func (p *ReplacePage) SeqText() string { return strconv.FormatInt(p.Seq, 10) }

// timeField is how a datetime-local field writes a time.
const timeField = "2006-01-02T15:04:05"

func (d *Desk) newReplacePage(c *fiber.Ctx, f *frame.Frame) (*ReplacePage, error) {
	e, body, voided, err := d.Commands.Stand(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return nil, err
	}
	p := &ReplacePage{Frame: f, Form: frame.NewForm(), Target: e.ID, Kind: e.Kind, What: f.At(e.At) + " · " + e.By.Name, Seq: e.Seq,
		Facts: frame.Facts(f, body), Edit: frame.NewEdit(f, body), event: e, body: body}
	p.Form.Typed = e.At.In(f.Location).Format(timeField)
	if !Replaceable(e.Kind) || voided {
		return nil, fiber.ErrNotFound
	}
	p.places()
	if e.By.ID != f.Who.Person.ID {
		p.Sign = d.Commands.Signing(f, f.T("say.replace", "seq", p.SeqText(), "what", f.Word("kind", e.Kind)+", "+p.What), haccp.RoleManager)
	}
	return p, nil
}

// Replaceable says whether a report of a kind can be put in the place of a void one.
func Replaceable(kind string) bool {
	return slices.Contains([]string{haccp.KindReading, haccp.KindFilled, haccp.KindAdded, haccp.KindPartReplaced, haccp.KindDrained,
		haccp.KindCleaned, haccp.KindInService, haccp.KindOutOfService, haccp.KindLineStopped, haccp.KindNote}, kind)
}

// places lists where a report of this kind may belong.
func (p *ReplacePage) places() {
	add := func(id string) { p.Places = append(p.Places, frame.Choice{Code: id, Word: p.PlaceName(id)}) }
	switch b := p.body.(type) {
	case *haccp.Reading:
		p.Place, p.HasLots, p.Lots = b.Place, true, strings.Join(b.Lots, ", ")
		if check := frame.Ever(p.Frame, func(x *plan.Plan) *plan.Check { return frame.FindCheck(x, b.Check) }); check != nil {
			for _, id := range check.Places {
				add(id)
			}
		}
	case *haccp.Bath:
		p.Place = b.Place
		if p.Plan != nil {
			for i := range p.Plan.Places {
				if x := &p.Plan.Places[i]; x.Kind == plan.Bath || x.ID == b.Place {
					add(x.ID)
				}
			}
		}
	case *haccp.Note:
		p.Place, p.Places = b.Place, append([]frame.Choice{{Word: p.T("note.no-place")}}, places(p.Frame)...)
	}
	if len(p.Places) > 0 && !slices.ContainsFunc(p.Places, func(x frame.Choice) bool { return x.Code == p.Place }) {
		add(p.Place)
	}
}

func (d *Desk) replaceForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newReplacePage(c, f)
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "replace", f.T("replace.title"), p)
}

func (d *Desk) replaceSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newReplacePage(c, f)
	if err != nil {
		return err
	}
	p.Form, p.Reason = frame.ReadForm(c), strings.TrimSpace(c.FormValue("reason"))
	p.Place, p.Lots = c.FormValue("place"), strings.TrimSpace(c.FormValue("lots"))
	members := map[string]string{"reason": "reason", "password": "password", "new.at": "at", "at": "at", "new.place": "place", "new.lots": "lots"}
	err = d.replace(c, p, members)
	if err == nil {
		return d.Pages.Redirect(c, "/records/"+p.Target)
	}
	status := fiber.StatusUnprocessableEntity
	if errors.Is(err, errBelow) {
		f.Problem = f.T("form.look-below")
	} else {
		status = d.Pages.Refused(c, f, &p.Form, err, members)
	}
	if p.Edit != nil {
		p.Edit.Mark(p.Form.Wrong)
	}
	if p.Sign != nil {
		p.Sign.Wrong = p.Form.Wrong["password"]
	}
	return d.show(c, status, "replace", f.T("replace.title"), p)
}

// errBelow says that what is wrong stands at its field already.
var errBelow = errors.New("a field is not right")

func (d *Desk) replace(c *fiber.Ctx, p *ReplacePage, members map[string]string) error {
	next, err := p.next(c, members)
	if err != nil {
		return err
	}
	ask := &haccp.Void{New: next, Reason: p.Reason, Target: p.Target}
	if p.Sign == nil {
		_, err = d.Commands.Ask(c, p.Frame, &p.Form, haccp.AskVoid, ask)
		return err
	}
	return d.Commands.Signed(c, p.Frame, &p.Form, p.Sign, haccp.MeaningVoid, haccp.AskVoid, func(g haccp.Signature) any {
		ask.Signature = &g
		return ask
	})
}

// next makes the new report. A time left as it was keeps its milliseconds and how it is known.
func (p *ReplacePage) next(c *fiber.Ctx, members map[string]string) (*haccp.Command, error) {
	n := &haccp.Command{Kind: p.event.Kind, At: p.event.At, AtKnown: p.event.AtKnown, LateReason: p.Form.LateReason, Ask: p.body}
	if n.AtKnown == haccp.AtImported {
		n.AtKnown = haccp.AtTyped
	}
	at, err := frame.LocalTime(p.Form.Typed, p.Location, c.FormValue("twice"))
	same := p.Form.Typed == p.event.At.In(p.Location).Format(timeField) || err == nil && at.Equal(p.event.At.Truncate(time.Second))
	switch {
	case same:
	case err != nil:
		p.Form.Twice = errors.Is(err, frame.ErrTwice)
		return nil, &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: err.Error(), Field: "at", Message: p.T("refusal." + err.Error())}
	default:
		n.At, n.AtKnown = at, haccp.AtTyped
	}
	if p.Edit != nil {
		body, ok := p.Edit.Read(c, p.Frame, members, "new.")
		if !ok {
			return nil, errBelow
		}
		n.Ask = body
	}
	switch b := n.Ask.(type) {
	case *haccp.Reading:
		if b.Place != p.Place {
			b.SamplePoint = ""
		}
		b.Place, b.Lots, b.Filling = p.Place, frame.Codes(p.Lots), ""
	case *haccp.Bath:
		b.Place, b.Filling = p.Place, ""
	case *haccp.Note:
		b.Place = p.Place
	}
	return n, nil
}
