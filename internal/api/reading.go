package api

import (
	"errors"
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
	"linewarden/internal/api/intake"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

// readingBody is what a reading says.
type readingBody struct {
	Check       string    `json:"check" max:"80"`
	Place       string    `json:"place" max:"80"`
	Entries     []entryIn `json:"entries" max:"24" doc:"One for each quantity measured on this sample."`
	Filling     string    `json:"filling,omitempty" max:"80" doc:"Id of the filling in the bath; left out: the one recorded."`
	SamplePoint string    `json:"sample_point,omitempty" max:"80"`
	Lots        []string  `json:"lots,omitempty" max:"50" doc:"Codes of the lots at the place."`
	Repeats     string    `json:"repeats,omitempty" max:"36" doc:"Id of the reading that was asked for again."`
	Note        string    `json:"note,omitempty"`
}

type entryIn struct {
	Quantity   string          `json:"quantity" max:"80"`
	Read       quantity.Value  `json:"read" doc:"As read on the instrument."`
	As         string          `json:"as,omitempty" max:"20" doc:"Chlorine: Cl2 or NaOCl."`
	Method     string          `json:"method,omitempty" max:"80"`
	Instrument string          `json:"instrument,omitempty" max:"80"`
	Reagent    *haccp.Reagent  `json:"reagent,omitempty"`
	Dilution   *haccp.Dilution `json:"dilution,omitempty" doc:"Sample parts made up to total parts; the result is computed here."`
}

func (b *readingBody) report() any {
	r := &haccp.Reading{Check: b.Check, Place: b.Place, Filling: b.Filling, SamplePoint: b.SamplePoint, Lots: b.Lots, Repeats: b.Repeats,
		Note: b.Note, Mode: "hand", Entries: make([]haccp.Entry, len(b.Entries))}
	for i, e := range b.Entries {
		r.Entries[i] = haccp.Entry{Quantity: e.Quantity, Read: e.Read, As: e.As, Method: e.Method, Instrument: e.Instrument,
			Reagent: e.Reagent, Dilution: e.Dilution}
	}
	return r
}

type readingIn struct {
	stamp
	readingBody
	Until time.Time `json:"until,omitzero" doc:"End of the time a probe's reading covers."`
	Span  *spanIn   `json:"span,omitempty" doc:"What a probe saw from at to until."`
}

type spanIn struct {
	N      int64          `json:"n"`
	Min    quantity.Value `json:"min"`
	Max    quantity.Value `json:"max"`
	Median quantity.Value `json:"median"`
	Last   quantity.Value `json:"last"`
}

func (q *call) postReading(in *readingIn) (Answer, error) {
	r := in.readingBody.report().(*haccp.Reading) //nolint:forcetypeassert // it gives nothing else
	if q.who.Probe() {
		r.Mode = "device"
	}
	if s := in.Span; s != nil {
		if in.Until.IsZero() {
			return Answer{}, intake.Missing("until", "until, the end of the span,")
		}
		r.Span = &haccp.ReadingSpan{N: s.N, Min: s.Min, Max: s.Max, Median: s.Median, Last: s.Last}
	}
	c, err := q.command(haccp.KindReading, &in.stamp, r)
	if err != nil {
		return Answer{}, err
	}
	c.Until = in.Until
	return q.report(c)
}

// Event is a record as the API shows it.
type Event struct {
	Seq        int64           `json:"seq"`
	ID         string          `json:"id"`
	Command    string          `json:"command"`
	Kind       string          `json:"kind"`
	V          int             `json:"v" doc:"Version of the kind's body."`
	At         time.Time       `json:"at"`
	AtKnown    string          `json:"at_known"`
	Until      time.Time       `json:"until,omitzero"`
	RecordedAt time.Time       `json:"recorded_at"`
	LateReason string          `json:"late_reason,omitempty"`
	Device     *haccp.Device   `json:"device,omitempty"`
	By         haccp.Actor     `json:"by"`
	About      []string        `json:"about,omitempty"`
	Amends     string          `json:"amends,omitempty"`
	Findings   []haccp.Finding `json:"findings,omitempty"`
	Body       any             `json:"body" doc:"The body of the kind, as it stands in the record."`
	// ChangedSince marks a signature; 0: nothing that it covers was changed.
	ChangedSince int64 `json:"changed_since,omitempty" doc:"Of a signed record: the newest record that changed what its signature covers, since it was given."`
}

func eventOf(e *haccp.Event) Event {
	return Event{Seq: e.Seq, ID: e.ID, Command: e.Command, Kind: e.Kind, V: e.V, At: e.At, AtKnown: e.AtKnown, Until: e.Until,
		RecordedAt: e.RecordedAt, LateReason: e.LateReason, Device: e.Device, By: e.By, About: e.About, Amends: e.Amends,
		Findings: e.Findings, Body: e.Body}
}

// Reading is a reading with everything that was changed about it since.
type Reading struct {
	Event
	Standing string  `json:"standing" enum:"as-recorded,amended,void" doc:"Whether the reading counts as it was recorded."`
	History  []Event `json:"history" doc:"Amendments, voids and accepted times, oldest first: old value, new value, who, when and why."`
}

// Readings is a page of readings.
type Readings struct {
	Readings []Reading    `json:"readings"`
	Next     plant.Cursor `json:"next,omitempty" doc:"Cursor of the next page; missing after the last."`
}

const maxPage = 200 // readings or other entries in one page

var periodQuery = []query{
	{name: "from", kind: "time", doc: "At or after this time."},
	{name: "to", kind: "time", doc: "Before this time."},
}

var pageQuery = []query{
	{name: "cursor", kind: "string", doc: "Next of the page before."},
	{name: "limit", kind: "integer", doc: "Entries in a page, 1 to 200; 50 where it is left out."},
}

// page reads the query members of a list.
func (q *call) page() (p plant.Query, err error) {
	if p.From, err = q.when("from"); err != nil {
		return p, err
	}
	if p.To, err = q.when("to"); err != nil {
		return p, err
	}
	if !p.From.IsZero() && !p.To.IsZero() && !p.From.Before(p.To) {
		return p, q.refused("to", "bad-query", "to must be after from")
	}
	limit, err := q.whole("limit", 50, 1, maxPage)
	if err != nil {
		return p, err
	}
	order, err := q.choice("order", "newest", "oldest")
	p.Limit, p.After, p.Descending = int(limit), plant.Cursor(q.Query("cursor")), order == "newest"
	return p, err
}

func (q *call) listReadings() (Readings, error) {
	p, err := q.page()
	if err != nil {
		return Readings{}, err
	}
	p.Kind = haccp.KindReading
	keys, all, err := q.readingKeys()
	if err != nil {
		return Readings{}, err
	}
	events, next, err := q.merged(p, keys, all)
	if err != nil {
		return Readings{}, err
	}
	history, err := q.history(events)
	if err != nil {
		return Readings{}, err
	}
	out := Readings{Readings: make([]Reading, len(events)), Next: next}
	for i, e := range events {
		out.Readings[i] = readingOf(e, history[e.ID])
	}
	return out, nil
}

// readingKeys gives the keys of the checks and places asked for, over all plan versions; all where neither
// check, point nor place was named.
func (q *call) readingKeys() (keys []string, all bool, err error) {
	check, point, place := q.Query("check"), q.Query("point"), q.Query("place")
	if check == "" && point == "" && place == "" {
		return nil, true, nil
	}
	known := [3]bool{check == "", point == "", place == ""}
	for _, v := range q.api.Site.View().Plans {
		for _, c := range v.Plan.Checks {
			for _, at := range c.Places {
				hit := [3]bool{check == "" || c.ID == check, point == "" || slices.Contains(c.Points, point), place == "" || at == place}
				for i := range hit {
					known[i] = known[i] || hit[i]
				}
				if k := "check:" + c.ID + "@" + at; hit == [3]bool{true, true, true} && !slices.Contains(keys, k) {
					keys = append(keys, k)
				}
			}
		}
	}
	for i, name := range []string{"check", "point", "place"} {
		if !known[i] {
			return nil, false, q.refused(name, "unknown-"+name, "no plan version of this site has a "+name+" of this id that is tested")
		}
	}
	return keys, false, nil
}

// find asks the site, and names a bad cursor as the query does.
func (q *call) find(p plant.Query) ([]*haccp.Event, plant.Cursor, error) {
	events, next, err := q.api.Site.Find(q.UserContext(), p)
	if r, ok := errors.AsType[*haccp.Refusal](err); ok && r.Field == "after" {
		err = q.refused("cursor", r.Code, r.Message)
	}
	return events, next, err
}

// merged reads one page over several keys, in the order of time.
func (q *call) merged(p plant.Query, keys []string, all bool) ([]*haccp.Event, plant.Cursor, error) {
	if all {
		return q.find(p)
	}
	var events []*haccp.Event
	more := false
	for _, k := range keys {
		p.About = k
		page, next, err := q.find(p)
		if err != nil {
			return nil, "", err
		}
		more = more || next != ""
		events = append(events, page...)
	}
	slices.SortFunc(events, func(a, b *haccp.Event) int {
		c := a.At.Compare(b.At)
		if c == 0 {
			c = int(a.Seq - b.Seq)
		}
		if p.Descending {
			return -c
		}
		return c
	})
	if len(events) > p.Limit {
		events, more = events[:p.Limit], true
	}
	if !more || len(events) == 0 {
		return events, "", nil
	}
	return events, plant.CursorAfter(events[len(events)-1]), nil
}

// history reads what was changed about some reports, by their ids: a change carries the time of its report.
func (q *call) history(events []*haccp.Event) (map[string][]*haccp.Event, error) {
	if len(events) == 0 {
		return nil, nil
	}
	from, to := events[0].At, events[0].At
	for _, e := range events {
		if e.At.Before(from) {
			from = e.At
		}
		if e.At.After(to) {
			to = e.At
		}
	}
	changes, err := plant.OfKinds(q.UserContext(), q.api.Site, from, to.Add(time.Millisecond), haccp.KindAmended, haccp.KindVoided, haccp.KindTimeAccepted)
	if err != nil {
		return nil, err
	}
	out := map[string][]*haccp.Event{}
	for _, e := range changes {
		out[e.Amends] = append(out[e.Amends], e)
	}
	return out, nil
}

func readingOf(e *haccp.Event, changes []*haccp.Event) Reading {
	plant.BySeq(changes)
	r := Reading{Event: eventOf(e), Standing: "as-recorded", History: []Event{}}
	for _, c := range changes {
		switch c.Kind {
		case haccp.KindVoided:
			r.Standing = "void"
		case haccp.KindAmended:
			r.Standing = "amended"
		}
		h := eventOf(c)
		h.ChangedSince = haccp.SignedBefore(c, changes)
		r.History = append(r.History, h)
	}
	return r
}

func (q *call) getReading() (Reading, error) {
	_, e, err := q.api.Site.ByID(q.UserContext(), q.Params("id"))
	if err != nil {
		return Reading{}, err
	}
	if e.Kind != haccp.KindReading {
		return Reading{}, &gate.Fault{Status: 404, Code: "no-record", Message: "there is no reading with this id"}
	}
	changes, err := q.history([]*haccp.Event{e})
	if err != nil {
		return Reading{}, err
	}
	return readingOf(e, changes[e.ID]), nil
}
