package app

import (
	"errors"
	"io"
	"net/netip"
	"slices"

	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/adaptor"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/api"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/report"
	"linewarden/internal/web"
	"linewarden/internal/wording"
)

// AuthorityPath is where the certificate of the plant's own authority can be fetched for a tablet.
const AuthorityPath = "/plant-authority.crt"

// mount builds the fiber app: the gate in front, then health and metrics, then API and pages.
func (a *App) mount(reg prometheus.Registerer) error {
	pages, err := web.New(web.Options{Site: a.site, Clock: a.parts.Clock, Logger: a.logger, Alerts: a.webAlerts})
	if err != nil {
		return err
	}
	door := gate.Options{Door: a.door, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg, Proxies: a.proxies,
		TLS: a.tls != nil, Page: pages.Problem}
	if a.gate, err = gate.New(door); err != nil {
		return err
	}
	pages.UseGate(a.gate)
	rest, err := api.New(api.Options{Site: a.site, Evidence: a.site, Gate: a.gate, CheckPlan: checkPlan, LogCSV: a.logCSV,
		Cautions: cautions, Alerts: a.apiAlerts, Logger: a.logger})
	if err != nil {
		return err
	}
	a.fiber = fiber.New(a.gate.Config())
	a.gate.Use(a.fiber)
	a.fiber.Use(a.onlyFromProxy)
	a.mountHealth()
	rest.Mount(a.fiber)
	pages.Register(a.fiber)
	return nil
}

func checkPlan(source []byte) planfile.Report {
	return planfile.Check("plan.yaml", source, plan.Options{Acts: haccp.Acts()})
}

// cautions are the safety notes shown where the work is done.
func cautions(lang string) []string {
	var out []string
	for _, key := range []string{"mix", "apart", "water", "dose", "exposure", "store"} {
		out = append(out, wording.Language(lang).Text("caution."+key))
	}
	return out
}

// logCSV writes the corrective-action log as the API gives it.
func (a *App) logCSV(w io.Writer, lang string, l haccp.Log, checkpoint string) error {
	view := a.site.View()
	return report.CorrectiveCSV(w, l, report.Head{Site: view.Site.Site, Name: view.Site.Name, Demo: view.Site.Demo, Zone: view.Zone(),
		Made: a.parts.Clock(), Checkpoint: checkpoint, Language: wording.Language(lang)})
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
