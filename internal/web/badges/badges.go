// Package badges serves the page on which badges are printed and revoked. A badge is a secret random token as a QR code, with
// which somebody confirms an entry beside the bath; it is no signature.
package badges

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// Door makes badges worthless and new ones.
type Door interface {
	IssueBadge(ctx context.Context, by, person string, at time.Time) (string, error)
	RevokeBadge(ctx context.Context, by, person string, at time.Time) error
	HasBadge(ctx context.Context, person string) (bool, error)
}

// Badges serves the page. All members are required.
type Badges struct {
	Pages frame.Pages
	Door  Door
	Clock func() time.Time
}

// Register adds the routes. in lets only people through who are signed in.
func (b *Badges) Register(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/badges", in(b.list))
	app.Post("/badges/:id", in(b.change))
}

// Page lists who has a badge, and shows a new one once.
type Page struct {
	*frame.Frame
	Form   frame.Form
	People []Row
	New    *Badge
}

// Row is a person.
type Row struct {
	ID, Name, Roles string
	Has             bool
}

// Badge is one to be printed.
type Badge struct {
	Name string
	Text string // as a scanner types it
	QR   *frame.QR
}

func (b *Badges) page(c *fiber.Ctx, f *frame.Frame) (*Page, error) {
	if _, ok := access.MayAny(f.Roles, access.ManagePeople); !ok {
		return nil, &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	p := &Page{Frame: f, Form: frame.NewForm()}
	for _, x := range f.State.People() {
		has, err := b.Door.HasBadge(c.UserContext(), x.ID)
		if err != nil {
			return nil, err
		}
		if x.DisabledNow() && !has {
			continue
		}
		var roles []string
		for _, r := range x.RolesNow() {
			roles = append(roles, f.Word("role", r))
		}
		p.People = append(p.People, Row{ID: x.ID, Name: x.Name, Roles: strings.Join(roles, ", "), Has: has})
	}
	slices.SortFunc(p.People, func(a, b Row) int { return strings.Compare(a.Name, b.Name) })
	return p, nil
}

func (b *Badges) list(c *fiber.Ctx, f *frame.Frame) error {
	p, err := b.page(c, f)
	if err != nil {
		return err
	}
	return b.Pages.Show(c, fiber.StatusOK, "badges", f.T("badges.title"), p)
}

// change makes a badge, which is on the page that answers and nowhere else, or revokes one.
func (b *Badges) change(c *fiber.Ctx, f *frame.Frame) error {
	p, err := b.page(c, f)
	if err != nil {
		return err
	}
	id, by := c.Params("id"), f.Who.Person.ID
	var text string
	switch {
	case f.Stale:
		err = gate.ErrFormToken
	case c.FormValue("change") == "revoke":
		if err = b.Door.RevokeBadge(c.UserContext(), by, id, b.Clock()); err == nil {
			return b.Pages.Redirect(c, "/badges")
		}
	default:
		text, err = b.Door.IssueBadge(c.UserContext(), by, id, b.Clock())
	}
	if err != nil {
		return b.Pages.Show(c, b.Pages.Refused(c, f, &p.Form, err, nil), "badges", f.T("badges.title"), p)
	}
	if p, err = b.page(c, f); err != nil {
		return err
	}
	p.New = &Badge{Text: text}
	if who, ok := f.State.Person(id); ok {
		p.New.Name = who.Name
	}
	if p.New.QR, err = frame.NewQR(text); err != nil {
		return err
	}
	return b.Pages.Show(c, fiber.StatusOK, "badges", f.T("badges.title"), p)
}
