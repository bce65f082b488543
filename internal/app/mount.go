package app

import (
	"errors"
	"net/netip"
	"slices"

	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/adaptor"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"linewarden/internal/gate"
)

// AuthorityPath is where the certificate of the plant's own authority can be fetched for a tablet.
const AuthorityPath = "/plant-authority.crt"

// mount builds the fiber app: the gate in front, then health and metrics, then API and pages.
func (a *App) mount(reg prometheus.Registerer) error {
	o := gate.Options{Door: a.door, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg, Proxies: a.proxies, TLS: a.tls != nil}
	var err error
	if a.gate, err = gate.New(o); err != nil {
		return err
	}
	a.fiber = fiber.New(a.gate.Config())
	a.gate.Use(a.fiber)
	a.fiber.Use(a.onlyFromProxy)
	a.mountHealth()
	return nil
}

func (a *App) mountHealth() {
	a.fiber.Get("/healthz", gate.Healthz)
	a.fiber.Get("/readyz", a.gate.Readyz(a.Ready))
	if !a.cfg.NoMetrics {
		h := promhttp.HandlerFor(a.registry, promhttp.HandlerOpts{Registry: a.registry})
		a.fiber.Get("/metrics", adaptor.HTTPHandler(h))
	}
	if a.authority != nil {
		a.fiber.Get(AuthorityPath, func(c *fiber.Ctx) error {
			c.Set(fiber.HeaderContentType, "application/x-x509-ca-cert")
			c.Set(fiber.HeaderContentDisposition, `attachment; filename="plant-authority.crt"`)
			return c.Send(a.authority)
		})
	}
}

var errNotProxy = errors.New("requests come through the proxy")

// onlyFromProxy answers nobody but the proxies where they end TLS: whoever came past them would be
// unencrypted.
func (a *App) onlyFromProxy(c *fiber.Ctx) error {
	if len(a.proxies) == 0 {
		return c.Next()
	}
	ip, ok := netip.AddrFromSlice(c.Context().RemoteIP())
	ip = ip.Unmap()
	if ok && (ip.IsLoopback() || slices.ContainsFunc(a.proxies, func(p netip.Prefix) bool { return p.Contains(ip) })) {
		return c.Next()
	}
	return &gate.Fault{Status: fiber.StatusForbidden, Code: "not-through-proxy", Message: errNotProxy.Error()}
}
