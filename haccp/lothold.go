package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// causesOf gathers what cases may affect lots, as the facts stand. Only cases of classes that the plan holds
// product for, and those that touch a critical limit, count.
func (s *State) causesOf(ids func(string) bool) lot.Causes {
	var c lot.Causes
	for id, d := range s.deviations.all() {
		if !ids(id) || !s.holdsProduct(d) {
			continue
		}
		switch {
		case d.Ground == GroundResult:
			s.resultCause(&c, d)
		case d.Lot != "":
			if !d.Now.Begin.IsZero() {
				c.Own = append(c.Own, lot.Own{Cause: id, Lot: d.Lot, From: d.Now.Begin})
			}
		case d.Point == "":
			c.Spans = append(c.Spans, s.lineSpans(d)...)
		case len(d.Spans) > 0:
			for _, x := range d.Spans {
				c.Spans = append(c.Spans, lot.Span{Cause: id, Place: d.Place, Filling: s.fillingNamed(d.Place, x.Water), Begin: x.Begin, End: x.End})
			}
		case !d.Now.Begin.IsZero():
			c.Spans = append(c.Spans, lot.Span{Cause: id, Place: d.Place, Begin: d.Now.Begin, End: d.Now.End})
		}
	}
	return c
}

// holdsProduct reports whether a case puts product on hold.
func (s *State) holdsProduct(d *Deviation) bool {
	if d.Critical || d.Ground == GroundResult {
		return true
	}
	v := s.numbered(d.PlanVersion)
	return v != nil && v.classes[d.Class] != nil && v.classes[d.Class].Holds
}

// fillingNamed returns the water of a span where it is a filling that the state knows.
func (s *State) fillingNamed(place, water string) string {
	if p, ok := s.places.get(place); ok {
		for _, f := range p.fillings() {
			if f.ID == water {
				return water
			}
		}
	}
	return ""
}

// lineSpans are those of a start without proof: every place of the line, for as long as it ran.
func (s *State) lineSpans(d *Deviation) []lot.Span {
	end := d.Now.End
	if l, ok := s.lines.get(d.Place); ok && end.IsZero() {
		for _, r := range runsOf(l.Acts) {
			if !r.From.After(d.At) && (r.To.IsZero() || !r.To.Before(d.At)) {
				end = r.To
			}
		}
	}
	var out []lot.Span
	for _, place := range s.memo.placesOf[d.Place] {
		out = append(out, lot.Span{Cause: d.Deviation, Place: place, Begin: d.At, End: end})
	}
	return out
}

// Affected lists what the cases known to the state affect among the lots it holds.
func (s *State) Affected() []lot.Touch {
	return s.LotBook().Affected(s.causesOf(func(string) bool { return true }))
}

// holdAffected judges the times of lots that changed and puts on hold what became affected, in the commit of the
// fact that made it so (RULES 5.4).
func (d *deciding) holdAffected() error {
	if err := d.judgeResults(); err != nil {
		return err
	}
	if len(d.loose.lots) == 0 && !d.loose.hoppers && len(d.loose.cases) == 0 {
		return nil
	}
	book := d.lookedBack(d.facts).LotBook()
	if !book.Any() {
		return nil
	}
	if len(d.loose.lots) > 0 || d.loose.hoppers {
		if err := d.judgeTimes(book); err != nil {
			return err
		}
	}
	if err := d.reopenTimes(); err != nil {
		return err
	}
	byCause := map[string][]HeldLot{}
	var order []string
	for _, t := range book.Affected(d.causesNow(book)) {
		l := d.knownLot(t.Lot, d.facts)
		if l == nil {
			l = &LotState{Lot: lot.Lot{Code: t.Lot}}
		}
		if d.heldFor(l, &t) {
			continue
		}
		x := l.Disposed()
		byCause[t.Cause] = append(byCause[t.Cause], HeldLot{From: t.From, How: t.How, Lot: t.Lot, Place: t.Place, Shipped: l.left(),
			Released: !l.left() && x != nil && x.Body.Outcome == plan.Release, To: t.To, Via: t.Via})
		order = with(order, t.Cause)
	}
	for _, cause := range order {
		b := &LotHeld{Deviation: cause, Lots: byCause[cause]}
		err := d.emit(&Event{Kind: KindLotHeld, At: d.now, AtKnown: AtServer, About: append(aboutLots(b), "deviation:"+cause), Body: b})
		if err != nil {
			return err
		}
	}
	return nil
}

// causesNow gathers the causes that may touch what they did not touch before: cases that changed, those that bear on
// lots that changed, and all where it is no longer known that a hopper was empty.
func (d *deciding) causesNow(book *lot.Book) lot.Causes {
	changed := slices.Clone(d.loose.cases)
	if d.loose.hoppers {
		return d.causesOf(func(string) bool { return true })
	}
	c := d.causesOf(func(id string) bool { return slices.Contains(changed, id) })
	if len(d.loose.lots) > 0 {
		more := book.Bearing(d.loose.lots, d.causesOf(func(id string) bool { return !slices.Contains(changed, id) }))
		c.Spans, c.Results, c.Own = append(c.Spans, more.Spans...), append(c.Results, more.Results...), append(c.Own, more.Own...)
	}
	return c
}

// reopenTimes re-opens the closed cases about times of lots that grew since.
func (d *deciding) reopenTimes() error {
	for _, id := range slices.Clone(d.loose.cases) {
		c, ok := d.deviations.get(id)
		if !ok || c.Lot == "" || !c.IsClosed || c.Widened <= c.lastClosing() {
			continue
		}
		err := d.emit(&Event{Kind: KindDeviationReopened, AtKnown: AtServer, At: d.now, About: []string{"deviation:" + id},
			Body: &DeviationReopened{Because: BecauseGrew, Begin: c.Now.Begin, Deviation: id, End: c.Now.End}})
		if err != nil {
			return err
		}
	}
	return nil
}

// heldFor reports whether a lot is on hold for a cause already, or recorded as shipped and affected by it, or a
// disposition covers what the cause does to it.
func (d *deciding) heldFor(l *LotState, t *lot.Touch) bool {
	if slices.ContainsFunc(l.Standing(), func(h Hold) bool { return h.Deviation == t.Cause }) ||
		l.left() && slices.ContainsFunc(l.Holds, func(h Hold) bool { return h.Shipped && h.Deviation == t.Cause }) {
		return true
	}
	return l.covered(t)
}

// judgeTimes judges the clocks and contact times of the lots that changed, and of those that hold what they gave.
// One that is complete and outside opens a case, once.
func (d *deciding) judgeTimes(book *lot.Book) error {
	var codes []string
	if d.loose.hoppers {
		codes = book.Codes()
	}
	for _, c := range d.loose.lots {
		for _, f := range book.Forward(c).Lots {
			codes = with(codes, f)
		}
	}
	for _, code := range codes {
		l, ok := d.lots.get(code)
		if !ok {
			continue
		}
		for _, x := range d.lotTimes(book, l) {
			if x.Running || x.Verdict != control.Outside || l.caseOf(x.Point) != "" {
				continue
			}
			if err := d.openTime(l, &x, x.End); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *LotState) caseOf(point string) string {
	for _, c := range l.Clocks {
		if c.Point == point {
			return c.Deviation
		}
	}
	return ""
}

// openTime opens the case of a time that was outside; end is when the clock stopped, zero where it still runs.
func (d *deciding) openTime(l *LotState, x *LotTime, end time.Time) error {
	v := d.numbered(x.PlanVersion)
	pt := v.points[x.Point]
	b := &DeviationOpened{Begin: x.Start, Class: pt.Class, Critical: x.Critical, End: end, Ground: GroundClock, Limits: []string{x.Limit},
		Lot: l.Code, Place: x.Place, PlanVersion: x.PlanVersion, Point: x.Point, Value: x.Elapsed.Round(time.Second).String()}
	if n := len(d.events); n > 0 {
		b.OpenedBy = d.events[n-1].ID
	}
	b.Deviation = uuid5("deviation", d.Site.Site, b.Point, b.Place, b.OpenedBy, l.Code)
	return d.openCase(b, d.cmd.At)
}

// LotTime is a clock or contact time of a lot under a control point.
type LotTime struct {
	Point       string        `json:"point"`
	Name        string        `json:"name"`
	Limit       string        `json:"limit"` // the one judged worst
	Critical    bool          `json:"critical,omitempty"`
	PlanVersion int           `json:"plan_version"`
	Place       string        `json:"place,omitempty"`
	Of          string        `json:"of,omitempty"` // the lot whose gel is oldest
	Start       time.Time     `json:"start"`
	End         time.Time     `json:"end,omitzero"`
	Running     bool          `json:"running,omitempty"`
	Assumed     bool          `json:"assumed,omitempty"` // the start is not recorded
	Elapsed     time.Duration `json:"elapsed"`           // of a contact time: the one that counts for the limit
	Verdict     string        `json:"verdict"`           // inside, act, outside, not evaluated
	LimitAt     time.Time     `json:"limit_at,omitzero"` // running: when it passes the lowest maximum that opens a case
	WarnAt      time.Time     `json:"warn_at,omitzero"`
}

// Remaining is how long a running clock has until its limit; negative past it.
func (x *LotTime) Remaining(now time.Time) time.Duration { return x.LimitAt.Sub(now) }

// LotTimes returns the times of a lot as the facts stand.
func (s *State) LotTimes(book *lot.Book, code string) []LotTime {
	l, ok := s.lots.get(code)
	if !ok {
		return nil
	}
	return s.lotTimes(book, l)
}

func (s *State) lotTimes(book *lot.Book, l *LotState) []LotTime {
	var out []LotTime
	n := len(s.memo.versions)
	if n == 0 {
		return nil
	}
	for i := range s.memo.versions[n-1].Plan.Points {
		pt := &s.memo.versions[n-1].Plan.Points[i]
		switch {
		case pt.Clock == nil:
		case pt.Clock.From == pt.Clock.To && pt.Limits[0].Quantity == string(quantity.ContactTime):
			out = append(out, s.contacts(l, pt)...)
		default:
			if x, ok := s.clockOf(book, l, pt); ok {
				out = append(out, x)
			}
		}
	}
	return out
}

// judgedBy returns the point as the plan in force at a moment has it, or as the newest has it.
func (s *State) judgedBy(pt *plan.Point, at time.Time) (*plan.Point, int) {
	if v := s.versionAt(at); v != nil {
		if old := v.points[pt.ID]; old != nil && old.Clock != nil {
			return old, v.Version
		}
	}
	return pt, s.memo.versions[len(s.memo.versions)-1].Version
}

func (s *State) clockOf(book *lot.Book, l *LotState, pt *plan.Point) (LotTime, bool) {
	r := book.Clock(l.Code, lot.Clock{From: pt.Clock.From, To: pt.Clock.To})
	if r.Start.IsZero() {
		return LotTime{}, false
	}
	at := r.End
	if r.Running() {
		at = s.LastRecorded
	}
	pt, version := s.judgedBy(pt, at)
	x := LotTime{Point: pt.ID, Name: pt.Name, PlanVersion: version, Of: r.Of, Start: r.Start, End: r.End, Running: r.Running(), Assumed: r.Assumed,
		Place: placeOfStep(s.memo.versions[version-1].Plan, pt.Clock.To)}
	if !x.Running {
		x.Elapsed = r.End.Sub(r.Start)
	}
	x.judge(pt, x.Elapsed, x.Elapsed)
	if r.Assumed && !x.Running { // outside only where what is recorded says so; else it is neither in nor out
		known := LotTime{}
		if !r.Known.IsZero() {
			known.judge(pt, x.End.Sub(r.Known), x.End.Sub(r.Known))
		}
		if known.Verdict != control.Outside {
			x.Verdict = control.NotEvaluated
		}
	}
	return x, true
}

func placeOfStep(p *plan.Plan, step string) string {
	for i := range p.Steps {
		if w := p.Steps[i].Where(); p.Steps[i].ID == step && len(w) > 0 {
			return w[0]
		}
	}
	return step
}

// contacts judges every stay of a lot in the step of a contact time.
func (s *State) contacts(l *LotState, pt *plan.Point) []LotTime {
	var out []LotTime
	for i := range l.Stays() {
		st := &l.Stays()[i]
		if st.Step != pt.Clock.From || st.Unseen || !slices.Contains(pt.Places, st.Place) {
			continue
		}
		running := st.NoTo && st.To.IsZero()
		at := st.To
		if running {
			at = s.LastRecorded
		}
		own, version := s.judgedBy(pt, at)
		x := LotTime{Point: own.ID, Name: own.Name, PlanVersion: version, Place: st.Place, Start: st.From, End: st.To, Running: running, Assumed: st.NoFrom}
		c := st.Contact()
		if !running && !c.OK {
			x.Verdict, x.Elapsed = control.NotEvaluated, 0
			out = append(out, x)
			continue
		}
		x.judge(own, c.Least, c.Most)
		out = append(out, x)
	}
	return out
}

// judge holds a time against the limits of a point: minima against least, maxima against most. A running one is
// given the moment at which it passes its lowest maximum that opens a case.
func (x *LotTime) judge(pt *plan.Point, least, most time.Duration) {
	x.Verdict = control.Inside
	for i := range pt.Limits {
		lim := &pt.Limits[i]
		if lim.Max != nil && lim.Kind != plan.Operating && x.Running {
			if max, err := span(lim.Quantity, lim.Max); err == nil {
				if at := x.Start.Add(max); x.LimitAt.IsZero() || at.Before(x.LimitAt) {
					x.LimitAt, x.WarnAt, x.Limit, x.Critical = at, at.Add(-pt.Clock.Warn.Std()), lim.ID, lim.Kind == plan.Critical
				}
			}
		}
		if x.Running {
			continue
		}
		x.against(lim, lim.Min, least, func(d, edge time.Duration) bool { return d < edge })
		x.against(lim, lim.Max, most, func(d, edge time.Duration) bool { return d > edge })
	}
	if x.Running {
		x.Verdict = "running"
	} else if x.Elapsed == 0 {
		x.Elapsed = most
	}
}

func (x *LotTime) against(lim *plan.Limit, bound *plan.Amount, d time.Duration, beyond func(d, edge time.Duration) bool) {
	if bound == nil {
		return
	}
	edge, err := span(lim.Quantity, bound)
	if err != nil || !beyond(d, edge) {
		return
	}
	if lim.Kind == plan.Operating {
		if x.Verdict == control.Inside {
			x.Verdict, x.Limit, x.Elapsed = control.Act, lim.ID, d
		}
		return
	}
	if x.Verdict != control.Outside || lim.Kind == plan.Critical && !x.Critical {
		x.Verdict, x.Limit, x.Elapsed, x.Critical = control.Outside, lim.ID, d, lim.Kind == plan.Critical
	}
}

// span is an amount of time as a duration, in whole milliseconds.
func span(id string, a *plan.Amount) (time.Duration, error) {
	q, err := quantity.Get(quantity.ID(id))
	if err != nil {
		return 0, err
	}
	sec, err := q.Convert(a.Value, quantity.Unit(a.Unit), quantity.Second, 3)
	if err != nil {
		return 0, err
	}
	var ms int64
	for _, c := range []byte(sec.String()) {
		if c != '.' {
			ms = ms*10 + int64(c-'0')
		}
	}
	return time.Duration(ms) * time.Millisecond, nil
}

// flagging is a flag that a sweep is to raise.
type flagging struct {
	lot  *LotState
	what string
	LotTime
}

// maxFlags bounds the flags of one sweep.
const maxFlags = 30

// flagsAt lists the running clocks that want a flag at a moment, and the next moment at which one will.
func (s *State) flagsAt(now time.Time) (due []flagging, next time.Time) {
	n := len(s.memo.versions)
	if n == 0 || !slices.ContainsFunc(s.memo.versions[n-1].Plan.Points, func(p plan.Point) bool { return p.Clock != nil }) {
		return nil, next
	}
	var book *lot.Book
	for _, l := range s.lots.all() {
		if l.done() {
			continue
		}
		if book == nil {
			book = s.LotBook()
		}
		for _, x := range s.lotTimes(book, l) {
			if !x.Running || x.LimitAt.IsZero() {
				continue
			}
			for _, f := range []struct {
				what string
				at   time.Time
			}{{FlagOver, x.LimitAt}, {FlagNear, x.WarnAt}} {
				switch {
				case f.what == FlagNear && !f.at.Before(x.LimitAt): // the plan wants no warning
				case l.flagged(x.Point, FlagOver) || l.flagged(x.Point, f.what):
				case f.at.Before(now):
					due = append(due, flagging{l, f.what, x})
				case next.IsZero() || f.at.Before(next):
					next = f.at
				}
				if len(due) > 0 && due[len(due)-1].lot == l && due[len(due)-1].what == FlagOver && due[len(due)-1].Point == x.Point {
					break // past the limit it is no longer near it
				}
			}
		}
	}
	return due, next
}

func (l *LotState) flagged(point, what string) bool {
	return slices.ContainsFunc(l.Flags, func(f Flag) bool { return f.Point == point && f.What == what })
}

// flagClocks records the running clocks that near or passed their limit; past it a case is opened.
func (d *deciding) flagClocks() error {
	due, _ := d.flagsAt(d.now)
	for i := range due[:min(len(due), maxFlags)] {
		f := &due[i]
		b := &LotFlagged{Limit: f.Limit, LimitAt: f.LimitAt, Lot: f.lot.Code, Of: f.Of, PlanVersion: f.PlanVersion, Point: f.Point, Start: f.Start, What: f.what}
		e := &Event{Kind: KindLotFlagged, ID: uuid5("flagged", d.Site.Site, f.Point, f.lot.Code, f.what, fmt.Sprint(f.Start.UnixMilli())), At: d.now, AtKnown: AtServer,
			About: aboutLots(b), Body: b}
		if err := d.emit(e); err != nil {
			return err
		}
		if f.what == FlagNear || f.lot.caseOf(f.Point) != "" {
			continue
		}
		f.Elapsed = d.now.Sub(f.Start)
		if err := d.openTime(f.lot, &f.LotTime, time.Time{}); err != nil {
			return err
		}
	}
	return nil
}

// settleTimes brings the cases about times of lots in line with the facts, once lots or hoppers changed: an open
// span ends with the clock; where the time is no longer outside, nothing is left of the span.
func (s *State) settleTimes() {
	if !s.loose.times {
		return
	}
	s.loose.times = false
	var cases []*Deviation
	for _, d := range s.deviations.all() {
		if d.Lot != "" {
			cases = append(cases, d)
		}
	}
	var book *lot.Book
	for _, d := range cases {
		l, ok := s.lots.get(d.Lot)
		if !ok || l.caseOf(d.Point) != d.Deviation {
			continue
		}
		if book == nil {
			book = s.LotBook()
		}
		now := Span{}
		for _, x := range s.lotTimes(book, l) {
			if x.Point == d.Point && (x.Running && d.open() && !d.Now.Begin.IsZero() || x.Verdict == control.Outside) {
				now = Span{Begin: x.Start, End: x.End}
			}
		}
		next := *d
		next.Now = now
		if next.widen(); now == d.Now || d.IsClosed && !grew(d, &next) {
			continue
		}
		next.Touched = s.Size
		if grew(d, &next) {
			next.Widened, next.Parts = s.Size, staled(d.Parts)
		}
		s.deviations.set(d.Deviation, &next)
		s.loose.cases = with(s.loose.cases, d.Deviation)
	}
}
