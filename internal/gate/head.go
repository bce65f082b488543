package gate

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/plant"
)

// HeaderHead carries the number of a commit: in an answer the last one of the log as the answer knows it, in a
// request the highest that the client has seen. An instance that has not seen that commit reads it first, so that
// people find what they wrote, whichever instance they come to.
const HeaderHead = "Linewarden-Head"

const (
	cookieHead = "linewarden-head-" // and the site
	// headAge is how long a browser tells what it has seen, in seconds: every instance knows it long before, and
	// after a restore from a copy nobody is kept out for longer.
	headAge     = 60
	catchUpWait = 2 * time.Second
)

// Follow returns the middleware that keeps a client from being shown less than it has seen of a site's log.
// shared says that other instances write to it.
func (g *Gate) Follow(site *plant.Site, shared bool) fiber.Handler {
	id, _ := site.Name()
	return func(c *fiber.Ctx) error {
		if strings.HasPrefix(c.Path(), "/static/") {
			return c.Next()
		}
		if err := g.catchUp(c, site, id); err != nil {
			return err
		}
		err := c.Next()
		head := strconv.FormatInt(site.Head().Commit, 10)
		c.Set(HeaderHead, head)
		if shared && !isAPI(c.Path()) {
			c.Cookie(&fiber.Cookie{Name: cookieHead + id, Value: head, Path: "/", MaxAge: headAge, HTTPOnly: true, Secure: g.Secure(c),
				SameSite: fiber.CookieSameSiteLaxMode})
		}
		return err
	}
}

// catchUp has the site read what the client has seen, or else what others wrote since it was last read.
func (g *Gate) catchUp(c *fiber.Ctx, site *plant.Site, id string) error {
	seen, err := strconv.ParseInt(c.Cookies(cookieHead+id), 10, 64)
	if err != nil {
		seen = 0 // a cookie that says nothing asks for nothing
	}
	if text := c.Get(HeaderHead); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 0 {
			return &Fault{Status: fiber.StatusBadRequest, Code: "bad-head-header", Message: HeaderHead + " is the number of a commit, as an answer gave it"}
		}
		seen = max(seen, n)
	}
	if seen == 0 || seen <= site.Head().Commit {
		if !site.Shared() {
			return nil
		}
		ctx, cancel := context.WithTimeout(c.UserContext(), catchUpWait)
		defer cancel()
		if err := site.Refresh(ctx); err != nil {
			// What is known is shown; the head beside it says how old it is, and a command is decided at the log's head.
			g.opt.Logger.Debug("a site was not refreshed", "site", id, "error", err)
		}
		return nil
	}
	ctx, cancel := context.WithTimeout(c.UserContext(), catchUpWait)
	defer cancel()
	if err := site.CatchUp(ctx, seen); err != nil {
		return fmt.Errorf("%w: %w", plant.ErrBehind, err)
	}
	return nil
}
