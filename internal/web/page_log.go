package web

import (
	"bytes"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/report"
)

// logPage is the corrective-action log of a period, by production day.
type logPage struct {
	*Frame
	From, To, Versions   string
	Tally                []tally
	None                 bool
	Days                 []logDay
	ChangeHead, MissHead []string
	Changes, Misses      [][]string
}

type tally struct {
	Key   string
	Count int
}

type logDay struct {
	Day     string
	Entries []logEntry
}

type logEntry struct {
	ID, Number, Kind, Where, Status string
	Facts                           []lines
}

type lines struct {
	What  string
	Lines []string
}

func (s *Server) readLog(c *fiber.Ctx, f *Frame) (haccp.Log, day, day, error) {
	from, to, err := f.period(c, 28)
	if err != nil {
		return haccp.Log{}, from, to, err
	}
	l, err := s.site.CorrectiveLog(c.UserContext(), from.at, to.at, f.Now)
	return l, from, to, err
}

func (s *Server) logShow(c *fiber.Ctx, f *Frame) error {
	l, from, to, err := s.readLog(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "log", f.T("log.title"), newLogPage(f, l, from.label, to.label))
}

func newLogPage(f *Frame, l haccp.Log, from, to string) *logPage {
	all, open := report.Cases(l)
	p := &logPage{Frame: f, From: from, To: to, None: report.Nothing(l),
		Tally: []tally{{"log.tally-due", l.Checks.Due}, {"log.tally-done", l.Checks.Done - l.Checks.Late}, {"log.tally-late", l.Checks.Late},
			{"log.tally-missed", l.Checks.Missed}, {"log.tally-cases", all}, {"log.tally-open", open}},
		MissHead:   f.words("log.check", "log.place", "log.due", "log.window", "log.no-deviation"),
		ChangeHead: f.words("log.record", "log.when", "log.who", "log.old", "log.new", "log.reason")}
	versions := make([]string, len(l.Versions))
	for i, v := range l.Versions {
		versions[i] = strconv.Itoa(v)
	}
	p.Versions = orDash(strings.Join(versions, ", "))
	for i := range l.Days {
		p.day(&l.Days[i])
	}
	return p
}

func (f *Frame) words(keys ...string) []string {
	out := make([]string, len(keys))
	for i, k := range keys {
		out[i] = f.T(k)
	}
	return out
}

func (p *logPage) day(d *haccp.LogDay) {
	if len(d.Entries) > 0 {
		day := logDay{Day: string(d.Day)}
		for i := range d.Entries {
			day.Entries = append(day.Entries, p.entry(&d.Entries[i]))
		}
		p.Days = append(p.Days, day)
	}
	for i := range d.Misses {
		m := &d.Misses[i]
		note := m.NoDeviation
		if m.TakenInTime {
			note = joinLines(p.T("log.taken"), note)
		}
		p.Misses = append(p.Misses, []string{m.CheckName, m.PlaceName, p.At(m.Due), p.T("log.to") + " " + p.At(m.Until), note})
	}
	for i := range d.Changes {
		p.change(&d.Changes[i])
	}
}

func (p *logPage) change(x *haccp.ChangeEntry) {
	var was, now []string
	if x.Kind == haccp.KindVoided {
		for _, w := range facts(p.Frame, x.Old) {
			was = append(was, w.What+": "+w.Text)
		}
		now = []string{p.T("log.voided-word")}
	} else {
		for _, c := range diff(p.Frame, x.Old, x.New) {
			was, now = append(was, c.What+": "+c.Old), append(now, c.What+": "+c.New)
		}
	}
	p.Changes = append(p.Changes, []string{p.Word("kind", x.Of) + ", " + p.At(x.At) + " (" + strconv.FormatInt(x.Seq, 10) + ")", p.At(x.Made),
		x.By, strings.Join(was, "; "), strings.Join(now, "; "), x.Reason})
}

// entry words one case: the items of the log in their order, with empty ones that still want an answer shown
// as a dash.
func (p *logPage) entry(e *haccp.LogEntry) logEntry {
	out := logEntry{ID: e.Deviation, Number: strconv.FormatInt(e.Number, 10), Kind: p.Word("case", e.Word), Where: e.PlaceName + " · " + e.PointName, Status: e.Status}
	add := func(key string, texts ...string) {
		var kept []string
		for _, t := range texts {
			if t != "" {
				kept = append(kept, t)
			}
		}
		if len(kept) == 0 {
			kept = []string{"–"}
		}
		out.Facts = append(out.Facts, lines{p.T(key), kept})
	}
	add("log.found", p.At(e.Found)+", "+e.FoundBy)
	add("log.ground", append([]string{p.Word("ground", e.Ground)}, p.lackings(e.Lacking)...)...)
	if len(e.Limits) > 0 {
		add("log.limits", append(p.limitLines(e), p.T("ui.plan-version", "version", strconv.Itoa(e.Version)))...)
		add("log.values", p.sample("deviation.first", e, e.First), p.sample("deviation.worst", e, e.Worst))
	}
	add("log.span", p.span(e.Now))
	if e.Widest != e.Now && !e.Widest.Begin.IsZero() {
		add("log.widest", p.span(e.Widest))
	}
	add("log.product", p.product(e)...)
	if e.Product != nil && e.Product.HeldWhere != "" {
		add("log.held", e.Product.HeldWhere)
	}
	var fixes []string
	for _, x := range e.Fixes {
		fixes = append(fixes, joinLines(p.fixName(x.Fix), x.Note)+" · "+p.At(x.At)+" · "+x.By)
	}
	add("log.fixes", fixes...)
	add("log.retest", p.sample("", e, e.Retest))
	add("log.restored", e.Restored)
	p.causes(e, add)
	closed := ""
	if !e.ClosedAt.IsZero() {
		closed = p.At(e.ClosedAt) + ", " + e.ClosedBy
	}
	add("log.closed", closed)
	add("log.days-open", strconv.Itoa(e.DaysOpen))
	add("log.status", p.Word("status", e.Status))
	return out
}

func (p *logPage) causes(e *haccp.LogEntry, add func(string, ...string)) {
	cause := e.Cause
	if e.InError {
		cause = joinLines(cause, p.T("part.field.in_error")+" "+p.T("answer.yes"))
	}
	add("log.cause", cause)
	add("log.action", e.Action)
	if e.FixOnly != "" {
		add("log.fix-only", e.FixOnly)
	}
	outcome := ""
	if e.Product != nil {
		outcome = e.Product.Outcome
	}
	add("log.disposition", outcome)
	add("log.evaluated", e.Evaluated)
}

func (p *logPage) limitLines(e *haccp.LogEntry) []string {
	if e.Version < 1 || e.Version > len(p.state.Plans) {
		return e.Limits
	}
	var out []string
	if pt := findPoint(p.state.Plans[e.Version-1].Plan, e.Point); pt != nil {
		for _, l := range pt.Limits {
			if l.Kind != "operating" {
				out = append(out, p.Bounds(l)+" ("+p.Word("limit", l.Kind)+")")
			}
		}
	}
	return out
}

func (p *logPage) sample(key string, e *haccp.LogEntry, x *haccp.SampleFacts) string {
	if x == nil {
		return ""
	}
	s := p.measured(e.Version, e.Point, x) + " · " + p.At(x.At)
	if key != "" {
		s = p.T(key) + ": " + s
	}
	return s
}

func (p *logPage) product(e *haccp.LogEntry) []string {
	x := e.Product
	if x == nil {
		return nil
	}
	if !x.Exposed {
		return []string{p.T("log.no-product"), x.Evidence}
	}
	mass := ""
	if x.Mass != nil {
		mass = x.Mass.String()
	}
	return []string{joinLines(strings.Join(x.Codes, ", "), x.Description), mass, x.Evaluation}
}

func joinLines(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// logFile answers with the log as CSV or NDJSON.
func (s *Server) logFile(c *fiber.Ctx, f *Frame) error {
	l, from, to, err := s.readLog(c, f)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	name := "corrective-actions-" + from.label + "-" + to.label
	if strings.HasSuffix(c.Path(), ".ndjson") {
		if err := report.CorrectiveNDJSON(&b, l, f.reportHead()); err != nil {
			return err
		}
		return sendFile(c, name+".ndjson", ndjsonType, b.Bytes())
	}
	if err := report.CorrectiveCSV(&b, l, f.reportHead()); err != nil {
		return err
	}
	return sendFile(c, name+".csv", csvType, b.Bytes())
}
