package app

import (
	"errors"
	"io"
	"net/netip"
	"slices"

	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/adaptor"
	"github.com/prometheus/client_golang/prometheus"

	"linewarden/dashboards"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/api"
	"linewarden/internal/gate"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/report"
	"linewarden/internal/web"
	"linewarden/internal/web/desk"
	"linewarden/internal/wording"
)

// AuthorityPath is where the certificate of the plant's own authority can be fetched for a tablet.
const AuthorityPath = "/plant-authority.crt"

// mount builds the fiber app of a site: the gate in front, then health and metrics, then API and pages.
func (a *App) mount(h *house, reg prometheus.Registerer) error {
	options := web.Options{Site: h.site, Clock: a.parts.Clock, Logger: a.logger, Root: h.root, Authority: a.tabletsAuthority(),
		Group: a.pagesOf(h), Alerts: h.webAlerts}
	if f, ok := a.home.(*Folder); ok && f.Dir != "" {
		options.Draft = f.Draft(h.id)
	}
	pages, err := web.New(options)
	if err != nil {
		return err
	}
	door := gate.Options{Door: h.door, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg, Proxies: a.proxies,
		TLS: a.tls != nil, Page: pages.Problem}
	if h.gate, err = gate.New(door); err != nil {
		return err
	}
	pages.UseGate(h.gate)
	rest, err := api.New(api.Options{Site: h.site, Evidence: h.site, Gate: h.gate, CheckPlan: checkPlan, LogCSV: a.logCSV(h.site),
		Cautions: cautions, Alerts: h.apiAlerts, Live: a.liveOf(h), Logger: a.logger, Group: a.groupOf(h)})
	if err != nil {
		return err
	}
	h.fiber = fiber.New(h.gate.Config())
	if a.group != nil && h.root == "" {
		h.fiber.Use(a.group.dispatch)
	}
	h.gate.Use(h.fiber)
	h.fiber.Use(a.onlyFromProxy)
	if err := a.mountHealth(h); err != nil {
		return err
	}
	h.fiber.Use(h.gate.Follow(h.site, a.shared != nil))
	rest.Mount(h.fiber)
	pages.Register(h.fiber)
	h.handler = h.fiber.Handler()
	return nil
}

// liveOf gives the API the streams of a site.
func (a *App) liveOf(h *house) *api.Live {
	l := &api.Live{Hub: h.live, Quit: a.quit}
	if a.shared != nil {
		l.Refresh = h.site.Refresh
	}
	return l
}

// tabletsAuthority is the plant's own certificate authority as the pages tell of it.
func (a *App) tabletsAuthority() desk.Authority {
	_, fingerprint := a.Authority()
	return desk.Authority{Fingerprint: fingerprint, Address: func() string { // known once the service listens
		address, _ := a.Authority()
		return address
	}}
}

// pagesOf gives the group to its own pages, and nothing to those of a site.
func (a *App) pagesOf(h *house) web.Group {
	if a.group == nil || h.root != "" {
		return nil
	}
	return a.group
}

// groupOf does the same for the API.
func (a *App) groupOf(h *house) api.Group {
	if a.group == nil || h.root != "" {
		return nil
	}
	return a.group
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

// logCSV writes the corrective-action log of a site as the API gives it.
func (a *App) logCSV(site *plant.Site) func(w io.Writer, lang string, l haccp.Log, checkpoint string) error {
	return func(w io.Writer, lang string, l haccp.Log, checkpoint string) error {
		view := site.View()
		return report.CorrectiveCSV(w, l, report.Head{Site: view.Site.Site, Name: view.Site.Name, Demo: view.Site.Demo, Zone: view.Zone(),
			Made: a.parts.Clock(), Checkpoint: checkpoint, Language: wording.Language(lang)})
	}
}

func (a *App) readyOf(h *house) func() error {
	if a.group != nil && h.root == "" {
		return a.group.ready
	}
	return h.site.Ready
}

func (a *App) mountHealth(h *house) error {
	h.fiber.Get("/healthz", gate.Healthz)
	h.fiber.Get("/readyz", h.gate.Readyz(a.readyOf(h)))
	if !a.cfg.NoMetrics && h.root == "" {
		all, err := dashboards.Handler(a.figures, a.registry)
		if err != nil {
			return err
		}
		h.fiber.Get("/metrics", adaptor.HTTPHandler(all))
	}
	if a.authority != nil {
		h.fiber.Get(AuthorityPath, func(c *fiber.Ctx) error {
			c.Set(fiber.HeaderContentType, "application/x-x509-ca-cert")
			c.Set(fiber.HeaderContentDisposition, `attachment; filename="plant-authority.crt"`)
			return c.Send(a.authority)
		})
	}
	return nil
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
