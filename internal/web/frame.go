package web

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/gate"
	"linewarden/internal/wording"
)

// Frame is what every page shows around its content, and how it words and dates things.
type Frame struct {
	Lang        wording.Language
	Title       string
	Plant       string
	Demo        bool
	Zone        string
	Now         time.Time
	Person      string
	Roles       []string
	FormToken   string
	Path        string
	Nav, More   []Way
	PlanVersion int
	Checkpoint  string
	Problem     string   // what is wrong with what was sent
	Items       []string // a list that belongs to the problem

	zone  *time.Location
	state *haccp.State
	who   *gate.Who
	plan  *plan.Plan // in force now; nil: none
	here  string     // path of the request, for the navigation
	stale bool       // the form token is not of this session
}

// Way is a link of the navigation.
type Way struct {
	Path, Text string
	Here       bool
	Count      int
}

// T gives the message of a key in the page's language.
func (f *Frame) T(key string, pairs ...string) string { return f.Lang.Text(key, pairs...) }

// Word gives the word for a code of a group.
func (f *Frame) Word(group string, code any) string { return f.Lang.Word(group, fmt.Sprint(code)) }

// Other gives the language that the page is not in.
func (f *Frame) Other() wording.Language {
	if f.Lang == wording.Spanish {
		return wording.English
	}
	return wording.Spanish
}

// RoleWords names the roles of who is signed in.
func (f *Frame) RoleWords() string {
	words := make([]string, len(f.Roles))
	for i, r := range f.Roles {
		words[i] = f.Word("role", r)
	}
	return strings.Join(words, ", ")
}

// PlanVersionText is the number of the plan version in force.
func (f *Frame) PlanVersionText() string { return strconv.Itoa(f.PlanVersion) }

// At writes a moment as date and time of the plant.
func (f *Frame) At(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.In(f.zone).Format("2006-01-02 15:04")
}

// Clock writes a moment as time of day, with the date where it is not today.
func (f *Frame) Clock(t time.Time) string {
	local, now := t.In(f.zone), f.Now.In(f.zone)
	if local.YearDay() == now.YearDay() && local.Year() == now.Year() {
		return local.Format("15:04")
	}
	return local.Format("01-02 15:04")
}

// Gap says how far a moment is from now: "in 12 min", "8 min ago".
func (f *Frame) Gap(t time.Time) string {
	d := t.Sub(f.Now)
	key := "gap.in"
	if d < 0 {
		key, d = "gap.ago", -d
	}
	if d < time.Minute {
		return f.T("gap.now")
	}
	return f.T(key, "span", span(d))
}

// span writes a length of time in the two units that matter.
func span(d time.Duration) string {
	d = d.Round(time.Minute)
	days, hours, minutes := int(d/(24*time.Hour)), int(d/time.Hour)%24, int(d/time.Minute)%60
	switch {
	case days > 0:
		return fmt.Sprintf("%d d %d h", days, hours)
	case hours > 0:
		return fmt.Sprintf("%d h %02d min", hours, minutes)
	}
	return fmt.Sprintf("%d min", minutes)
}

// YesNo words an answer; nil is no answer.
func (f *Frame) YesNo(b *bool) string {
	switch {
	case b == nil:
		return "–"
	case *b:
		return f.T("answer.yes")
	}
	return f.T("answer.no")
}

// lackings words what a start lacked.
func (f *Frame) lackings(items []string) []string {
	out := make([]string, len(items))
	for i, x := range items {
		out[i] = f.Lang.Lacking(x)
	}
	return out
}

// frame makes the frame of a request.
func (s *Server) frame(c *fiber.Ctx, w *gate.Who) *Frame {
	st, now := s.site.View(), s.clock()
	f := &Frame{Lang: gate.Language(c), Plant: st.Site.Name, Demo: st.Site.Demo, Now: now, Path: c.Path(), here: c.Path(), zone: st.Zone(), state: st, who: w}
	f.Zone = f.zone.String() + ", UTC" + now.In(f.zone).Format("-07:00")
	if signed, ok := st.PlanAt(now); ok {
		f.PlanVersion, f.plan = signed.Version, signed.Plan
	}
	if c.Method() != fiber.MethodGet {
		f.Path = "/"
	}
	head := s.site.Head()
	f.Checkpoint = strconv.FormatInt(head.Size, 10) + " " + head.Root.String()
	if w == nil || w.Person.ID == "" {
		return f
	}
	f.Person, f.Roles, f.FormToken = w.Person.Name, w.Person.Roles, w.FormToken()
	f.ways()
	return f
}

// ways fills the navigation for who is signed in.
func (f *Frame) ways() {
	way := func(path, key string) Way {
		here := f.here == path || (path != "/" && strings.HasPrefix(f.here, path+"/"))
		return Way{Path: path, Text: f.T(key), Here: here}
	}
	f.Nav = []Way{way("/", "nav.due"), way("/places", "nav.places"), way("/deviations", "nav.deviations"), way("/log", "nav.log")}
	f.Nav[2].Count = len(f.state.Cases())
	f.More = []Way{way("/records", "nav.records"), way("/plan", "nav.plan")}
	for _, r := range f.Roles {
		if r == haccp.RoleAdministrator {
			f.More = append(f.More, way("/people", "nav.people"))
		}
	}
}

// may says whether one of the roles of who is signed in may give a kind of command now.
func (f *Frame) may(kind string) bool {
	for _, r := range f.Roles {
		if f.state.May(r, kind, f.Now) {
			return true
		}
	}
	return false
}

// pager is a page struct: anything that embeds the frame.
type pager interface{ base() *Frame }

func (f *Frame) base() *Frame { return f }

// show renders a page whole before any of it is sent.
func (s *Server) show(c *fiber.Ctx, status int, name, title string, page pager) error {
	page.base().Title = title
	var b bytes.Buffer
	if err := s.templates.ExecuteTemplate(&b, name, page); err != nil {
		return fmt.Errorf("render page %s: %w", name, err)
	}
	c.Set(fiber.HeaderContentType, "text/html; charset=utf-8")
	return c.Status(status).Send(b.Bytes())
}

// messagePage is a page of one sentence.
type messagePage struct {
	*Frame
	Text string
}

// Problem shows an error as a page; it is what gate.Options.Page wants.
func (s *Server) Problem(c *fiber.Ctx, p *gate.Problem) error {
	w, err := s.gate.Who(c)
	if err != nil {
		w = nil
	}
	f := s.frame(c, w)
	title := f.T("ui.wrong")
	switch p.Status {
	case fiber.StatusNotFound:
		title = f.T("ui.not-found")
	case fiber.StatusForbidden:
		if strings.HasPrefix(p.Code, "role") {
			title = f.T("ui.forbidden")
		}
	case fiber.StatusServiceUnavailable:
		title = f.T("ui.not-ready")
	}
	f.Items = p.Items
	return s.show(c, p.Status, "message", title, &messagePage{f, p.Detail})
}
