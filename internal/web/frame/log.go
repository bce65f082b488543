package frame

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"linewarden/haccp"
	"linewarden/internal/report"
)

// LogPage is the corrective-action log of a period, by production day.
type LogPage struct {
	*Frame
	From, To, Versions   string
	Tally                []tally
	None                 bool
	Days                 []logDay
	ChangeHead, MissHead []string
	Changes, Misses      [][]string
	Points               []Choice // to narrow it to
	Lot                  string
	Part                 bool   // narrowed: it is no whole log
	Query                string // what narrows it, for links
}

// Narrowed says what the log was narrowed to, and to what it may be.
func (p *LogPage) Narrowed(point, lot string) {
	p.Lot, p.Part = lot, point != "" || lot != ""
	p.Points = []Choice{{Word: p.T("log.any-point"), Chosen: point == ""}}
	for _, v := range slices.Backward(p.State.Plans) {
		for _, x := range v.Plan.Points {
			if !slices.ContainsFunc(p.Points, func(c Choice) bool { return c.Code == x.ID }) {
				p.Points = append(p.Points, Choice{Code: x.ID, Word: x.Name, Chosen: x.ID == point})
			}
		}
	}
	if p.Part {
		p.None = p.None && len(p.Days) == 0
		p.Query = "&" + url.Values{"point": {point}, "lot": {lot}}.Encode()
	}
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

// NewLogPage lays out the corrective-action log of a period, by production day.
func NewLogPage(f *Frame, l haccp.Log, from, to string) *LogPage {
	all, open := report.Cases(l)
	p := &LogPage{Frame: f, From: from, To: to, None: report.Nothing(l),
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

func (p *LogPage) day(d *haccp.LogDay) {
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

func (p *LogPage) change(x *haccp.ChangeEntry) {
	var was, now []string
	if x.Kind == haccp.KindVoided {
		for _, w := range Facts(p.Frame, x.Old) {
			was = append(was, w.What+": "+w.Text)
		}
		now = []string{p.T("log.voided-word")}
	} else {
		for _, c := range Diff(p.Frame, x.Old, x.New) {
			was, now = append(was, c.What+": "+c.Old), append(now, c.What+": "+c.New)
		}
	}
	p.Changes = append(p.Changes, []string{p.Word("kind", x.Of) + ", " + p.At(x.At) + " (" + strconv.FormatInt(x.Seq, 10) + ")", p.At(x.Made),
		x.By, strings.Join(was, "; "), strings.Join(now, "; "), x.Reason})
}

// entry words one case: the items of the log in their order, with empty ones that still want an answer shown
// as a dash.
func (p *LogPage) entry(e *haccp.LogEntry) logEntry {
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
	add("log.ground", append([]string{p.Word("ground", e.Ground)}, p.Lackings(e.Lacking)...)...)
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
	var changed []string
	for _, x := range e.Parts {
		if x.ChangedBy > 0 {
			changed = append(changed, p.Word("part", x.Part)+" · "+x.By+": "+p.ChangedSince(x.ChangedBy))
		}
	}
	if len(changed) > 0 {
		add("log.changed", changed...)
	}
	add("log.days-open", strconv.Itoa(e.DaysOpen))
	add("log.status", p.Word("status", e.Status))
	return out
}

func (p *LogPage) causes(e *haccp.LogEntry, add func(string, ...string)) {
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

func (p *LogPage) limitLines(e *haccp.LogEntry) []string {
	if e.Version < 1 || e.Version > len(p.State.Plans) {
		return e.Limits
	}
	var out []string
	if pt := FindPoint(p.State.Plans[e.Version-1].Plan, e.Point); pt != nil {
		for _, l := range pt.Limits {
			if l.Kind != "operating" {
				out = append(out, p.Bounds(l)+" ("+p.Word("limit", l.Kind)+")")
			}
		}
	}
	return out
}

func (p *LogPage) sample(key string, e *haccp.LogEntry, x *haccp.SampleFacts) string {
	if x == nil {
		return ""
	}
	s := p.measured(e.Version, e.Point, x) + " · " + p.At(x.At)
	if key != "" {
		s = p.T(key) + ": " + s
	}
	return s
}

// cured names the later bath that made product good.
func (p *LogPage) cured(x *haccp.Product) string {
	if x.CuredBy == "" {
		return ""
	}
	return p.T("part.field.cured_by") + ": " + p.PlaceName(x.CuredBy)
}

func (p *LogPage) product(e *haccp.LogEntry) []string {
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
	return []string{joinLines(strings.Join(x.Codes, ", "), x.Description), mass, x.Evaluation, p.cured(x)}
}
