package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// Log is the corrective-action log of a period (RULES 8).
type Log struct {
	Site     string      `json:"site"`
	Name     string      `json:"name"`
	Demo     bool        `json:"demo"`
	Zone     string      `json:"zone"`
	From     time.Time   `json:"from"`
	To       time.Time   `json:"to"`
	Versions []int       `json:"plan_versions"` // plan versions in force in the period
	Checks   CheckCounts `json:"checks"`
	Days     []LogDay    `json:"days"` // only days with an entry, oldest first
}

// CheckCounts says how the checks of a period went.
type CheckCounts struct {
	Due    int `json:"due"`
	Done   int `json:"done"`
	Late   int `json:"late"` // of those done: inside the grace, after the due time
	Missed int `json:"missed"`
}

// LogDay is one production day of the log.
type LogDay struct {
	Day     plan.Date     `json:"day"`
	Entries []LogEntry    `json:"entries,omitempty"`
	Misses  []LogMiss     `json:"misses,omitempty"`
	Changes []ChangeEntry `json:"changes,omitempty"` // amended and voided reports
}

// LogEntry is one case in the log.
type LogEntry struct {
	Number    int64        `json:"number"`
	Deviation string       `json:"deviation"`
	Word      string       `json:"word"` // deviation or nonconformity
	Ground    string       `json:"ground"`
	Found     time.Time    `json:"found"`
	FoundBy   string       `json:"found_by"`
	At        time.Time    `json:"at"`
	Class     plan.Class   `json:"class"`
	Point     string       `json:"point"`
	PointName string       `json:"point_name"`
	Place     string       `json:"place"`
	PlaceName string       `json:"place_name"`
	Version   int          `json:"plan_version"`
	Limits    []string     `json:"limits,omitempty"` // the limits in force, as people read them
	First     *SampleFacts `json:"first,omitempty"`
	Worst     *SampleFacts `json:"worst,omitempty"`
	Lacking   []string     `json:"lacking,omitempty"`
	Now       Span         `json:"now"`
	Widest    Span         `json:"widest"`
	Lots      []string     `json:"lots,omitempty"`
	Product   *Product     `json:"product,omitempty"`
	Fixes     []FixFacts   `json:"fixes,omitempty"`
	Retest    *SampleFacts `json:"retest,omitempty"`
	Restored  string       `json:"restored,omitempty"`
	Cause     string       `json:"cause,omitempty"`
	Action    string       `json:"action,omitempty"`
	InError   bool         `json:"in_error,omitempty"`
	FixOnly   string       `json:"fix_only,omitempty"` // reason why the immediate fix was enough
	Parts     []LogPart    `json:"parts,omitempty"`
	Evaluated string       `json:"evaluated_by,omitempty"`
	ClosedBy  string       `json:"closed_by,omitempty"`
	ClosedAt  time.Time    `json:"closed_at,omitzero"`
	DaysOpen  int          `json:"days_open"`
	Reopened  int          `json:"reopened,omitempty"`
	Status    string       `json:"status"` // open, overdue, closed
	TakenLate string       `json:"taken_in_time,omitempty"`
}

// LogPart is a signed part as the log prints it.
type LogPart struct {
	Part      string    `json:"part"`
	By        string    `json:"by"`
	Role      string    `json:"role"`
	At        time.Time `json:"at"`
	Meaning   string    `json:"meaning"`
	Changed   bool      `json:"changed_since,omitempty"` // the span widened, or a report it covers was changed, since
	ChangedBy int64     `json:"changed_by,omitempty"`    // the record that changed a report it covers
}

// LogMiss is a missed check in the log.
type LogMiss struct {
	Check       string    `json:"check"`
	CheckName   string    `json:"check_name"`
	Place       string    `json:"place"`
	PlaceName   string    `json:"place_name"`
	Due         time.Time `json:"due"`
	Until       time.Time `json:"until"`
	Recorded    time.Time `json:"recorded"`
	NoDeviation string    `json:"no_deviation,omitempty"`
	TakenInTime bool      `json:"taken_in_time,omitempty"` // taken in time, received late
}

// ChangeEntry is an amended or voided report in the log, with its old and its new content.
type ChangeEntry struct {
	Seq    int64     `json:"seq"`
	Kind   string    `json:"kind"` // report.amended or report.voided
	Of     string    `json:"of"`   // kind of the report
	Target string    `json:"target"`
	At     time.Time `json:"at"`   // of the report
	Made   time.Time `json:"made"` // when it was changed
	By     string    `json:"by"`
	Author string    `json:"author"`
	Reason string    `json:"reason"`
	Signed bool      `json:"signed,omitempty"`
	Old    any       `json:"old,omitempty"`
	New    any       `json:"new,omitempty"`
}

// Period is what the log of a period is made from beside the state.
type Period struct {
	From, To time.Time
	Now      time.Time
	// Events are the records of the kinds deviation.opened, check.missed, report.amended and report.voided
	// with From <= at < To.
	Events []*Event
	// Cases folds the records of a case that the state has forgotten (FoldCase).
	Cases map[string]*Deviation
	// Originals are the reports that amendments and voids name, by id.
	Originals map[string]*Event
	Checks    CheckCounts
}

// Forgotten lists the cases among events that the state does not hold: their records are to be read.
func (s *State) Forgotten(events []*Event) []string {
	var out []string
	for _, e := range events {
		if b, ok := e.Body.(*DeviationOpened); ok {
			if _, held := s.deviations.get(b.Deviation); !held {
				out = with(out, b.Deviation)
			}
		}
	}
	return out
}

// CorrectiveLog puts the log of a period together, by production day.
func (s *State) CorrectiveLog(p Period) Log {
	l := Log{Site: s.Site.Site, Name: s.Site.Name, Demo: s.Site.Demo, Zone: s.Zone().String(), From: p.From, To: p.To, Checks: p.Checks}
	for i, v := range s.memo.versions {
		last := i+1 == len(s.memo.versions)
		if v.From.Before(p.To) && (last || s.memo.versions[i+1].From.After(p.From)) {
			l.Versions = append(l.Versions, v.Version)
		}
	}
	days := map[plan.Date]*LogDay{}
	day := func(at time.Time) *LogDay {
		name, _, _ := s.ProductionDay(at)
		if days[name] == nil {
			days[name] = &LogDay{Day: name}
		}
		return days[name]
	}
	bodies := map[string]any{}
	for _, e := range p.Events {
		d := day(e.At)
		switch b := e.Body.(type) {
		case *DeviationOpened:
			c, ok := s.deviations.get(b.Deviation)
			if !ok {
				c = p.Cases[b.Deviation]
			}
			if c != nil {
				d.Entries = append(d.Entries, s.LogEntry(c, p.Now))
			}
		case *Missed:
			d.Misses = append(d.Misses, s.logMiss(e, b))
		case *Amended:
			d.Changes = append(d.Changes, changeEntry(e, b.Target, b.TargetKind, b.Reason, b.Signature != nil, b.New, p.Originals, bodies))
		case *Voided:
			d.Changes = append(d.Changes, changeEntry(e, b.Target, b.TargetKind, b.Reason, b.Signature != nil, nil, p.Originals, bodies))
		}
	}
	for _, d := range days {
		slices.SortFunc(d.Entries, func(a, b LogEntry) int { return cmp.Compare(a.Number, b.Number) })
		slices.SortFunc(d.Misses, func(a, b LogMiss) int {
			return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Check, b.Check), cmp.Compare(a.Place, b.Place))
		})
		slices.SortFunc(d.Changes, func(a, b ChangeEntry) int { return cmp.Compare(a.Seq, b.Seq) })
		l.Days = append(l.Days, *d)
	}
	slices.SortFunc(l.Days, func(a, b LogDay) int { return cmp.Compare(a.Day, b.Day) })
	return l
}

// LogEntry gives one case as the log prints it.
func (s *State) LogEntry(d *Deviation, now time.Time) LogEntry {
	e := LogEntry{Number: d.Number, Deviation: d.Deviation, Word: d.Word(), Ground: d.Ground, Found: d.Found, FoundBy: d.FoundBy.Name, At: d.At,
		Class: d.Class, Point: d.Point, PointName: d.Point, Place: d.Place, PlaceName: d.Place, Version: d.PlanVersion,
		First: factsOf(d.First), Worst: factsOf(d.Worst), Lacking: d.Lacking, Now: d.Now, Widest: d.Widest, Lots: d.Lots, Fixes: d.Fixes, Retest: factsOf(d.Retest),
		Reopened: len(d.Reopened), Status: "open"}
	if v := s.numbered(d.PlanVersion); v != nil {
		e.name(v)
	}
	if d.Result != nil {
		e.PointName, e.Limits = d.Result.Name, []string{d.Result.Rule}
	}
	end := now
	if d.IsClosed {
		e.Status, e.ClosedAt, end = "closed", d.ClosedAt, d.ClosedAt
	} else if slices.Contains(s.Overdue(now), d) {
		e.Status = "overdue"
	}
	e.DaysOpen = int(end.Sub(d.Found) / (24 * time.Hour))
	if id, ok := s.TakenInTime(d); ok {
		e.TakenLate = id
	}
	for i := range d.Parts {
		e.part(&d.Parts[i])
	}
	return e
}

func (e *LogEntry) name(v *version) {
	if pl := v.places[e.Place]; pl != nil {
		e.PlaceName = pl.Name
	}
	pt := v.points[e.Point]
	if pt == nil {
		return
	}
	e.PointName = pt.Name
	for i := range pt.Limits {
		if pt.Limits[i].Kind != plan.Operating {
			e.Limits = append(e.Limits, pt.Limits[i].String())
		}
	}
}

func (e *LogEntry) part(p *SignedPart) {
	b := p.Body
	e.Parts = append(e.Parts, LogPart{Part: b.Part, By: p.By.Name, Role: p.By.Role, At: p.At, Meaning: b.Signature.Meaning,
		Changed: p.Stale || p.Changed > 0, ChangedBy: p.Changed})
	if p.Stale {
		return
	}
	switch b.Part {
	case plan.ControlRestored:
		e.Restored = b.Restored
	case plan.ProductEvaluated:
		e.Product, e.Evaluated = b.Product, p.By.Name
	case plan.CauseAndAction:
		e.Cause, e.Action, e.InError = b.Cause, b.Action, b.InError
	case PartFixOnly:
		e.FixOnly = b.Reason
	case plan.Closed, PartTakenInTime:
		e.ClosedBy = p.By.Name
	}
}

func (s *State) logMiss(e *Event, b *Missed) LogMiss {
	m := LogMiss{Check: b.Check, CheckName: b.Check, Place: b.Place, PlaceName: b.Place, Due: b.Due, Until: b.Until, Recorded: e.RecordedAt, NoDeviation: b.NoDeviation}
	if v := s.numbered(b.PlanVersion); v != nil {
		if c := v.checks[b.Check]; c != nil {
			m.CheckName = c.Name
		}
		if pl := v.places[b.Place]; pl != nil {
			m.PlaceName = pl.Name
		}
	}
	if cs, ok := s.checks.get(key(b.Check, b.Place)); ok {
		for t := range cs.Taken.all() {
			m.TakenInTime = m.TakenInTime || t.Proved && !t.At.Before(b.From) && !t.At.After(b.Until)
		}
	}
	return m
}

func changeEntry(e *Event, target, kind, reason string, signed bool, to any, originals map[string]*Event, bodies map[string]any) ChangeEntry {
	c := ChangeEntry{Seq: e.Seq, Kind: e.Kind, Of: kind, Target: target, At: e.At, Made: e.RecordedAt, By: e.By.Name, Reason: reason, Signed: signed, New: to}
	if o := originals[target]; o != nil {
		c.Author, c.Old = o.By.Name, o.Body
	}
	if old, ok := bodies[target]; ok {
		c.Old = old
	}
	bodies[target] = to
	return c
}

// CountMargin is how far around a period CountChecks looks, so that a reading near its ends satisfies the due
// it belongs to, inside the period or outside.
const CountMargin = 2 * 24 * time.Hour

// CountChecks counts how the checks due in [from, to) went, from the records of that period and of CountMargin
// on both sides: line starts and stops, what was done to baths, service, readings, and what amends or voids them.
// The acts must reach back far enough to know which line ran and which filling was in the baths then.
func (s *State) CountChecks(events []*Event, from, to, now time.Time) CheckCounts {
	past := New(s.zones)
	past.memo, past.Plans, past.Planned = s.memo, s.Plans, s.Planned
	taken := map[string][]control.Taken{}
	voided, amended := map[string]bool{}, map[string]any{}
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Voided:
			voided[b.Target] = true
		case *Amended:
			amended[b.Target] = b.New
		}
	}
	for _, e := range events {
		if voided[e.ID] {
			continue
		}
		if now := amended[e.ID]; now != nil {
			own := *e
			own.Body, e = now, &own
		}
		switch b := e.Body.(type) {
		case *Bath, *LineStarted, *LineStopped:
			past.addAct(e)
		case *Reading:
			if e.AtKnown != AtImported && s.whole(b) {
				k := key(b.Check, b.Place)
				taken[k] = append(taken[k], control.Taken{ID: e.ID, At: e.At})
			}
		}
	}
	var n CheckCounts
	for _, k := range s.memo.checkPlaces {
		id, place := splitKey(k)
		c := past.dueContext(id, place)
		const step = control.MaxDueSpan - 2*CountMargin
		for day := from; day.Before(to); day = day.Add(step) {
			end := earlier(day.Add(step), to)
			n.count(allMatched(control.Dues(c, day.Add(-CountMargin), end.Add(CountMargin)), taken[k]), day, end, now)
		}
	}
	return n
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// count adds the dues in [from, to).
func (n *CheckCounts) count(all []control.Matched, from, to, now time.Time) {
	for _, m := range all {
		switch {
		case m.At.Before(from) || !m.At.Before(to):
			continue
		case m.Reading != "":
			n.Done++
			if m.Late {
				n.Late++
			}
		case m.Until.Before(now):
			n.Missed++
		case m.At.After(now):
			continue
		}
		n.Due++
	}
}

// addAct keeps an act without any horizon, for a look at a past period.
func (s *State) addAct(e *Event) {
	if a, ok := lineAct(e); ok {
		l := LineState{ID: lineOf(e)}
		if old, ok := s.lines.get(l.ID); ok {
			l = *old
		}
		l.Acts = insert(l.Acts, a, orderLine)
		s.lines.set(l.ID, &l)
		return
	}
	a := BathAct{Kind: e.Kind, ID: e.ID, At: e.At, By: e.By.ID}
	a.Body, _ = e.Body.(*Bath)
	p := PlaceState{ID: a.Body.Place}
	if old, ok := s.places.get(p.ID); ok {
		p = *old
	}
	if e.Kind == KindOutOfService || e.Kind == KindInService {
		p.Service = insert(p.Service, ServiceAct{ID: e.ID, At: e.At, Out: e.Kind == KindOutOfService}, orderService)
	} else {
		p.Log = insert(p.Log, a, orderBath)
	}
	s.setPlace(&p)
}
