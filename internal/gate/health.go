package gate

import (
	"github.com/gofiber/fiber/v2"
)

// Healthz answers that the process runs.
func Healthz(c *fiber.Ctx) error { return c.SendString("ok\n") }

// Readyz answers whether the service takes commands: ready gives nil, or why it does not.
func (g *Gate) Readyz(ready func() error) fiber.Handler {
	return func(c *fiber.Ctx) error {
		if err := ready(); err != nil {
			return c.Status(fiber.StatusServiceUnavailable).SendString("not ready: " + err.Error() + "\n")
		}
		return c.SendString("ready\n")
	}
}
