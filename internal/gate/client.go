package gate

import (
	"net/netip"
	"slices"
	"strings"

	"github.com/gofiber/fiber/v2"
)

// Address gives the network address of the client. Behind a trusted proxy it is the last address in
// X-Forwarded-For that is no trusted proxy: what stands before it was written by the client.
func (g *Gate) Address(c *fiber.Ctx) string {
	peer := c.Context().RemoteIP().String()
	if !g.proxied(c) {
		return peer
	}
	for _, part := range slices.Backward(strings.Split(c.Get(fiber.HeaderXForwardedFor), ",")) {
		a, err := netip.ParseAddr(strings.TrimSpace(part))
		if err != nil {
			return peer
		}
		if !g.trusts(a) {
			return a.Unmap().String()
		}
	}
	return peer
}

// Secure says whether the client's side of the connection is TLS.
func (g *Gate) Secure(c *fiber.Ctx) bool {
	return g.opt.TLS || c.Context().IsTLS() || (g.proxied(c) && strings.EqualFold(c.Get(fiber.HeaderXForwardedProto), "https"))
}

// TLS says whether clients reach the service over TLS, its own or that of a trusted proxy.
func (g *Gate) TLS() bool { return g.opt.TLS || len(g.opt.Proxies) > 0 }

// host gives the host that the client asked for.
func (g *Gate) host(c *fiber.Ctx) string {
	if forwarded := c.Get(fiber.HeaderXForwardedHost); forwarded != "" && g.proxied(c) {
		return forwarded
	}
	return string(c.Request().Header.Host())
}

func (g *Gate) proxied(c *fiber.Ctx) bool {
	if len(g.opt.Proxies) == 0 {
		return false
	}
	a, ok := netip.AddrFromSlice(c.Context().RemoteIP())
	return ok && g.trusts(a)
}

func (g *Gate) trusts(a netip.Addr) bool {
	a = a.Unmap()
	return slices.ContainsFunc(g.opt.Proxies, func(p netip.Prefix) bool { return p.Contains(a) })
}
