// Package frame is what the pages of package web have in common: the frame around their content, how they
// word and date the facts of the rules, and how the fields of their forms are laid out and read.
//
// It renders nothing, sends no command and judges nothing; what it shows comes from a published view of the
// state. A form that is refused gives back all that was typed.
package frame

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/gate"
	"linewarden/internal/wording"
)

// Text writes anything as text.
func Text(v any) string { return fmt.Sprint(v) }

// Frame is what every page shows around its content, and how it words and dates things.
type Frame struct {
	Lang        wording.Language
	Mode        string // light, dark or sunlight; "": as the device says
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
	Sheet       string   // what stands at the foot of every printed page beside plant, plan version and head of the log
	Problem     string   // what is wrong with what was sent
	Items       []string // a list that belongs to the problem

	Location *time.Location
	State    *haccp.State
	Who      *gate.Who
	Plan     *plan.Plan // in force now; nil: none
	Here     string     // path of the request, for the navigation
	Stale    bool       // the form token is not of this session
	Sites    bool       // the site is one of several: there is a page of all of them

	Device, DeviceName string // the enrolled tablet the page is for; "": none
	PersonID           string
	API                string // where the interface for programs begins
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

// Clock writes a moment as time of day, with the date where it is not today.
func (f *Frame) Clock(t time.Time) string {
	local, now := t.In(f.Location), f.Now.In(f.Location)
	if local.YearDay() == now.YearDay() && local.Year() == now.Year() {
		return local.Format("15:04")
	}
	return f.dayMonth(local) + local.Format(" 15:04")
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

// Lackings words what a start lacked.
func (f *Frame) Lackings(items []string) []string {
	out := make([]string, len(items))
	for i, x := range items {
		out[i] = f.Lang.Lacking(x)
	}
	return out
}

// Ways fills the navigation for who is signed in.
func (f *Frame) Ways() {
	way := func(path, key string) Way {
		here := f.Here == path || (path != "/" && strings.HasPrefix(f.Here, path+"/"))
		return Way{Path: path, Text: f.T(key), Here: here}
	}
	if f.State.IsGroup() {
		f.Nav, f.More = []Way{way("/", "nav.sites")}, []Way{way("/records", "nav.records")}
		if f.May(haccp.AskPerson) {
			f.Nav = append(f.Nav, way("/people", "nav.people"))
		}
		return
	}
	f.Nav = []Way{way("/", "nav.due"), way("/places", "nav.places"), way("/lots", "nav.lots"), way("/deviations", "nav.deviations"), way("/log", "nav.log")}
	f.Nav[3].Count = len(f.State.Cases())
	alerts := way("/alerts", "nav.alerts")
	for _, a := range f.State.Alerts() {
		if a.Open() {
			alerts.Count++
		}
	}
	f.Nav = append(f.Nav, alerts)
	for _, h := range f.State.Handovers() {
		if h.Waits() && h.To == f.PersonID {
			f.Nav = append(f.Nav, Way{Path: "/handover?line=" + h.Line, Text: f.T("nav.handover"), Count: 1})
			break
		}
	}
	f.More = []Way{
		way("/display", "display.title"),
		way("/handover", "handover.title"),
		way("/trends", "nav.trends"),
		way("/trace", "nav.trace"),
		way("/exercises", "nav.exercises"),
		way("/materials", "nav.materials"),
		way("/instruments", "nav.instruments"),
		way("/laboratory", "laboratory.title"),
		way("/records", "nav.records"),
		way("/plan", "nav.plan"),
	}
	if f.May(haccp.AskReview) {
		f.More = append(f.More, way("/review", "nav.review"), way("/patterns", "nav.patterns"))
	}
	if f.May(haccp.AskSignPlan) && len(f.State.Plans) == 0 {
		f.Nav = append([]Way{way("/first-run", "firstrun.guide")}, f.Nav...)
	}
	if f.May(haccp.AskSignPlan) {
		f.More = append(f.More, way("/unverified", "nav.unverified"))
	}
	f.More = append(f.More, way("/labels", "nav.labels"))
	if f.May(haccp.KindNote) {
		f.More = append(f.More, way("/notes", "nav.note"))
	}
	for _, r := range f.Roles {
		if r == haccp.RoleAdministrator {
			f.More = append(f.More, way("/people", "nav.people"), way("/badges", "nav.badges"), way("/devices", "nav.devices"), way("/first-run", "firstrun.guide"))
		}
	}
	f.More = append(f.More, way("/me", "nav.me"))
}

// AtTablet fills the navigation of a tablet on which nobody is signed in.
func (f *Frame) AtTablet() {
	if f.Device == "" {
		return
	}
	for _, x := range [][2]string{{"/", "nav.due"}, {"/places", "nav.places"}} {
		f.Nav = append(f.Nav, Way{Path: x[0], Text: f.T(x[1]), Here: f.Here == x[0]})
	}
}

// May says whether one of the roles of who is signed in may give a kind of command now.
func (f *Frame) May(kind string) bool {
	if f.Device != "" && f.PersonID == "" { // whoever confirms it with a PIN
		return f.State.May(haccp.RoleTechnician, kind, f.Now)
	}
	for _, r := range f.Roles {
		if f.State.May(r, kind, f.Now) {
			return true
		}
	}
	return false
}

// Pager is a page struct: anything that embeds the frame.
type Pager interface{ Base() *Frame }

// Base gives the frame of a page.
func (f *Frame) Base() *Frame { return f }

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

func (f *Frame) words(keys ...string) []string {
	out := make([]string, len(keys))
	for i, k := range keys {
		out[i] = f.T(k)
	}
	return out
}

func joinLines(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// Value words the answers of yes and no; all else is shown as recorded.
func (f *Frame) Value(text string) string {
	if text == "yes" || text == "no" {
		return f.Word("answer", text)
	}
	return strings.TrimPrefix(text, "pH ")
}

// Ptr gives a pointer to a value.
//
//go:fix inline
func Ptr[T any](v T) *T { return new(v) }
