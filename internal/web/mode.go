package web

import (
	"slices"

	"github.com/gofiber/fiber/v2"

	"linewarden/internal/web/frame"
)

// cookieMode holds the mode that a device's person chose. Scripts may read it: it says nothing about anybody.
const cookieMode = "mode"

// chosenMode gives the mode chosen on the device; "": as the device says.
func chosenMode(c *fiber.Ctx) string {
	if m := c.Cookies(cookieMode); slices.Contains(frame.Modes, m) {
		return m
	}
	return ""
}

// setMode keeps the choice and goes back to the page.
func (s *Server) setMode(c *fiber.Ctx) error {
	if err := s.gate.SameSite(c); err != nil {
		return err
	}
	mode := c.FormValue("mode")
	if !slices.Contains(frame.Modes, mode) {
		mode = frame.ModeOfDevice
	}
	s.keepChoice(c, &fiber.Cookie{Name: cookieMode, Value: mode})
	return s.redirect(c, frame.Local(c.FormValue("back")))
}

func (s *Server) setLanguage(c *fiber.Ctx) error {
	if err := s.gate.SameSite(c); err != nil {
		return err
	}
	lang := "en"
	if c.FormValue("language") == "es" {
		lang = "es"
	}
	s.keepChoice(c, &fiber.Cookie{Name: "lang", Value: lang, HTTPOnly: true})
	return s.redirect(c, frame.Local(c.FormValue("back")))
}

// keepChoice sets a cookie that stays with the device for as long as browsers keep one.
func (s *Server) keepChoice(c *fiber.Ctx, k *fiber.Cookie) {
	k.Path, k.MaxAge, k.Secure, k.SameSite = "/", 400*24*3600, s.gate.Secure(c), fiber.CookieSameSiteLaxMode
	c.Cookie(k)
}
