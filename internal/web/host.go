package web

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// host lends the pages of the desk the frame of the others and their way to the plant.
type host struct{ *Server }

func (h host) Frame(c *fiber.Ctx, w *gate.Who) *frame.Frame { return h.frame(c, w) }

func (h host) Show(c *fiber.Ctx, status int, name, title string, page frame.Pager) error {
	return h.show(c, status, name, title, page)
}

// Render gives a page, or a part of one, as text.
func (h host) Render(name string, page frame.Pager) (string, error) {
	var b strings.Builder
	if err := h.templates.ExecuteTemplate(&b, name, page); err != nil {
		return "", fmt.Errorf("render %s: %w", name, err)
	}
	return b.String(), nil
}

func (h host) Redirect(c *fiber.Ctx, to string) error { return h.redirect(c, to) }

func (h host) Refused(c *fiber.Ctx, f *frame.Frame, form *frame.Form, err error, fields map[string]string) int {
	return h.refused(c, f, form, err, fields)
}

func (h host) Report(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any) (plant.Result, error) {
	return h.report(c, f, form, kind, ask)
}

func (h host) ReportFrom(c *fiber.Ctx, f *frame.Frame, form *frame.Form, began time.Time, kind string, ask any) (plant.Result, error) {
	return h.reportFrom(c, f, form, began, kind, ask)
}

func (h host) Ask(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind string, ask any, prefer ...string) (plant.Result, error) {
	return h.ask(c, f, form, kind, ask, prefer...)
}

func (h host) Signing(f *frame.Frame, statement string, roles ...string) *frame.Signing {
	return h.signing(f, statement, roles...)
}

func (h host) Signed(c *fiber.Ctx, f *frame.Frame, form *frame.Form, g *frame.Signing, meaning, kind string, ask func(haccp.Signature) any) error {
	sig, err := h.sign(c, f, g, meaning)
	if err != nil {
		return err
	}
	return h.decide(c, f, form, kind, g.Role, ask(sig))
}

func (h host) Stand(ctx context.Context, f *frame.Frame, id string) (*haccp.Event, any, bool, error) {
	st, _, err := h.stand(ctx, f, id)
	if err != nil {
		return nil, nil, false, err
	}
	return st.event, st.body, st.voided, nil
}
