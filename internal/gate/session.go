package gate

import (
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/access"
)

type key int

const (
	keyRequest key = iota
	keyWho
)

// Names of the cookies. Over TLS they carry the prefix that binds them to this host (RFC 6265bis).
const (
	cookieSession = "linewarden"
	cookieDevice  = "linewarden-device"
	hostPrefix    = "__Host-"
)

const deviceCookieAge = 400 * 24 * time.Hour

// FormField is the name of the form field, and FormHeader that of the header, that carry the form token.
const (
	FormField  = "form_token"
	FormHeader = "X-Form-Token"
)

// Who is who a request comes from. Without a person and a device it is nobody.
type Who struct {
	Person access.Person  // signed in by cookie
	Device access.Device  // the enrolled device that a bearer token names, or that the session is bound to
	Bearer bool           // by device token, which no browser sends by itself
	Signed access.Session // of a person
	Token  string         // of the session
	Grant  *access.Grant  // a device delivers reports of the person under it; nobody is signed in
}

// Nobody says whether nobody is signed in and no device has shown itself.
func (w *Who) Nobody() bool { return w.Person.ID == "" && !w.Bearer }

// Probe says whether a machine acts by itself.
func (w *Who) Probe() bool { return w.Bearer && w.Device.Kind == access.DeviceProbe }

// FormToken is what the forms of the session carry.
func (w *Who) FormToken() string {
	if w.Token == "" {
		return ""
	}
	return access.FormToken(w.Token)
}

// Who gives who a request comes from: by device token in Authorization, or by session cookie. A cookie that
// opens nothing is nobody; a device token that is not good is access.ErrDevice.
func (g *Gate) Who(c *fiber.Ctx) (*Who, error) {
	if w, ok := c.Locals(keyWho).(*Who); ok {
		return w, nil
	}
	w, err := g.who(c)
	if err != nil {
		return nil, err
	}
	c.Locals(keyWho, w)
	return w, nil
}

func (g *Gate) who(c *fiber.Ctx) (*Who, error) {
	if token, ok := strings.CutPrefix(c.Get(fiber.HeaderAuthorization), "Bearer "); ok {
		d, err := g.opt.Door.DeviceByToken(c.UserContext(), token)
		if err != nil {
			return nil, err
		}
		return &Who{Device: d, Bearer: true}, nil
	}
	token := g.cookie(c, cookieSession)
	if token == "" {
		return &Who{}, nil
	}
	s, p, err := g.opt.Door.Check(c.UserContext(), token, g.opt.Clock())
	if errors.Is(err, access.ErrSession) {
		return &Who{}, nil
	}
	if err != nil {
		return nil, err
	}
	w := &Who{Person: p, Signed: s, Token: token}
	if s.Device != "" {
		w.Device, _ = g.opt.Door.Directory.Device(s.Device)
	}
	return w, nil
}

// deliveryScheme is that of Authorization with the token of a delivery grant.
const deliveryScheme = "Delivery "

// Deliverer gives whose reports a request delivers, by the delivery grant in Authorization; nil where it has none.
// [Gate.Who] knows nothing of grants: they are good for nothing but routes that ask here.
func (g *Gate) Deliverer(c *fiber.Ctx) (*Who, error) {
	token, ok := strings.CutPrefix(c.Get(fiber.HeaderAuthorization), deliveryScheme)
	if !ok {
		return nil, nil
	}
	x, err := g.opt.Door.GrantByToken(c.UserContext(), token)
	if err != nil {
		return nil, err
	}
	w := &Who{Grant: &x, Signed: access.Session{Person: x.Person, Device: x.Device, Known: x.Known, Began: x.From}}
	w.Person, _ = g.opt.Door.Directory.Person(x.Person)
	w.Device, _ = g.opt.Door.Directory.Device(x.Device)
	return w, nil
}

// Source says where an attempt to sign in comes from: the device token of the cookie, of Authorization or as
// given, and the client's address.
func (g *Gate) Source(c *fiber.Ctx, token string) access.Source {
	if token == "" {
		token, _ = strings.CutPrefix(c.Get(fiber.HeaderAuthorization), "Bearer ")
	}
	if token == "" {
		token = g.cookie(c, cookieDevice)
	}
	return access.Source{DeviceToken: token, Address: g.Address(c)}
}

// SignedIn gives the browser the cookie of a session.
func (g *Gate) SignedIn(c *fiber.Ctx, o access.Opened) { g.setCookie(c, cookieSession, o.Token, 0) }

// SignedOut takes the cookie back.
func (g *Gate) SignedOut(c *fiber.Ctx) { g.setCookie(c, cookieSession, "", -1) }

// Enrolled gives this browser the token of an enrolled device.
func (g *Gate) Enrolled(c *fiber.Ctx, token string) {
	g.setCookie(c, cookieDevice, token, int(deviceCookieAge/time.Second))
}

func (g *Gate) cookieName(c *fiber.Ctx, name string) string {
	if g.Secure(c) {
		return hostPrefix + name
	}
	return name
}

func (g *Gate) cookie(c *fiber.Ctx, name string) string { return c.Cookies(g.cookieName(c, name)) }

func (g *Gate) setCookie(c *fiber.Ctx, name, value string, maxAge int) {
	ck := &fiber.Cookie{Name: g.cookieName(c, name), Value: value, Path: "/", MaxAge: maxAge, HTTPOnly: true,
		Secure: g.Secure(c), SameSite: fiber.CookieSameSiteStrictMode, SessionOnly: maxAge == 0}
	if maxAge < 0 {
		ck.Expires = time.Unix(0, 0)
	}
	c.Cookie(ck)
}

// SameSite refuses a request that changes something and that another site made a browser send.
func (g *Gate) SameSite(c *fiber.Ctx) error {
	return access.CrossSite(c.Method(), c.Get(fiber.HeaderOrigin), c.Get("Sec-Fetch-Site"), g.host(c))
}

// Protect refuses a request that changes something unless it comes from our own pages: SameSite, and for a
// session in a cookie the form token of that session, in the header X-Form-Token or the form field
// form_token. A device token needs neither: no browser sends it by itself.
func (g *Gate) Protect(c *fiber.Ctx, w *Who) error {
	if w.Bearer || c.Method() == fiber.MethodGet || c.Method() == fiber.MethodHead {
		return nil
	}
	if err := g.SameSite(c); err != nil {
		return err
	}
	if w.Token == "" {
		return nil
	}
	form := c.Get(FormHeader)
	if form == "" && !strings.HasPrefix(c.Get(fiber.HeaderContentType), fiber.MIMEApplicationJSON) {
		form = c.FormValue(FormField)
	}
	if !access.FormTokenMatches(w.Token, form) {
		return ErrFormToken
	}
	return nil
}

// ErrFormToken is the refusal of a request without the form token of its session (answer 403).
var ErrFormToken = errors.New("form token is missing or not of this session")

// Actor gives who a command is by. A person who holds several roles acts in the wished one, or else in the
// first, in the order of prefer and then of access.Roles, that may give the command then; whether it may
// stands in the rules, and they refuse a role that may not. moment is when a report happened, or now for a
// decision.
func Actor(s *haccp.State, w *Who, kind string, moment time.Time, wish string, prefer ...string) haccp.Actor {
	if w.Bearer {
		return haccp.Actor{ID: w.Device.ID, Name: w.Device.Name, Role: haccp.RoleDevice, Known: haccp.KnownDeviceToken}
	}
	a := haccp.Actor{ID: w.Person.ID, Name: w.Person.Name, Known: w.Signed.Known, Role: wish}
	p, ok := s.Person(w.Person.ID)
	if wish != "" || !ok {
		return a
	}
	held := slices.DeleteFunc(append(slices.Clone(prefer), access.Roles()...), func(r string) bool { return !p.Held(r, moment) })
	for _, r := range held {
		if s.May(r, kind, moment) {
			a.Role = r
			return a
		}
	}
	if len(held) > 0 {
		a.Role = held[0]
	} else if now := p.RolesNow(); len(now) > 0 {
		a.Role = now[0]
	}
	return a
}
