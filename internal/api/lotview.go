package api

import (
	"net/url"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot"
)

// LotRef is a lot in a list.
type LotRef struct {
	Lot     string     `json:"lot"`
	Product string     `json:"product,omitempty"`
	State   string     `json:"state" enum:"in process,on hold,released,reworked,diverted,destroyed,shipped,used up"`
	Born    time.Time  `json:"born,omitzero" doc:"Received, or made."`
	Last    time.Time  `json:"last,omitzero" doc:"Latest moment recorded about it."`
	At      []LotStay  `json:"at" doc:"Where it is recorded to be now."`
	Holds   []LotHold  `json:"holds" doc:"Standing."`
	Clocks  []LotClock `json:"clocks" doc:"Running times."`
}

// LotHold is a standing hold.
type LotHold struct {
	Deviation string    `json:"deviation,omitempty"`
	Number    int64     `json:"number,omitempty" doc:"Running number of the case."`
	Reason    string    `json:"reason,omitempty"`
	How       string    `json:"how,omitempty" doc:"How the cause touched it, as computed then."`
	Place     string    `json:"place,omitempty"`
	Since     time.Time `json:"since"`
	By        string    `json:"by"`
	Affected  bool      `json:"affected" doc:"As the facts stand now. False: held, and no longer affected; a signed disposition lifts it."`
	Released  bool      `json:"was_released,omitempty" doc:"It had been released when it was put on hold."`
}

// LotClock is a time of a lot under a control point.
type LotClock struct {
	Point      string    `json:"point"`
	PointName  string    `json:"point_name"`
	Place      string    `json:"place,omitempty"`
	Of         string    `json:"of,omitempty" doc:"The lot whose gel is oldest."`
	Start      time.Time `json:"start"`
	End        time.Time `json:"end,omitzero"`
	Running    bool      `json:"running,omitempty"`
	Assumed    bool      `json:"assumed,omitempty" doc:"The start was not recorded."`
	ElapsedMS  int64     `json:"elapsed_ms"`
	LimitAt    time.Time `json:"limit_at,omitzero" doc:"Running: when it passes its limit."`
	RemainingS int64     `json:"remaining_s,omitempty" doc:"Running: seconds until the limit; negative past it."`
	Verdict    string    `json:"verdict" enum:"inside,act,outside,not-evaluated,running"`
}

// LotStay is a time of a lot at a place.
type LotStay struct {
	Step    string    `json:"step"`
	Place   string    `json:"place"`
	Filling string    `json:"filling,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to,omitzero"`
	NoFrom  bool      `json:"no_from,omitempty" doc:"Not recorded: as early as the steps around it allow."`
	NoTo    bool      `json:"no_to,omitempty" doc:"Not recorded: as late as the steps around it allow."`
	Unseen  bool      `json:"unseen,omitempty" doc:"Nothing is recorded of this step; it counts as exposed."`
}

// LotList lists lots.
type LotList struct {
	Lots []LotRef `json:"lots"`
}

// LotFile is all that is known of a lot.
type LotFile struct {
	LotRef
	Source       *haccp.Source       `json:"source,omitempty"`
	Harvested    time.Time           `json:"harvested,omitzero"`
	Stays        []LotStay           `json:"stays"`
	Times        []LotClock          `json:"times"`
	Feeds        []lot.Feed          `json:"feeds"`
	Boxes        []lot.Boxes         `json:"boxes"`
	Materials    []haccp.UsedAt      `json:"materials"`
	People       []string            `json:"people" doc:"Who reported on it."`
	Affected     []lot.Touch         `json:"affected" doc:"By which cases, as the facts stand."`
	Balance      LotBalance          `json:"balance"`
	Missing      []haccp.Missing     `json:"missing" doc:"What stands between it and its release."`
	Tests        []laboratory.Status `json:"tests" doc:"How every test of its specification stands; empty where the plan has none."`
	Samples      []SampleFile        `json:"samples"`
	NotChecked   []string            `json:"not_checked" doc:"What the system does not check: who signs a release confirms each."`
	Evaluations  []haccp.Evaluation  `json:"evaluations"`
	Reviews      []haccp.SignedMark  `json:"reviews"`
	Dispositions []haccp.Disposition `json:"dispositions"`
	Shipments    []haccp.Shipment    `json:"shipments"`
	Records      []int64             `json:"records" doc:"Seq of the records about it."`
	Head         haccp.Head          `json:"head" doc:"To be given back with a signature."`
}

// LotBalance says where the mass of a lot went, in kilograms.
type LotBalance struct {
	Received    string            `json:"received_kg"`
	FedIn       string            `json:"fed_in_kg"`
	FedOut      string            `json:"fed_out_kg"`
	Removed     map[string]string `json:"removed_kg"`
	Left        string            `json:"left_kg"`
	Unexplained string            `json:"unexplained_kg,omitempty" doc:"Missing while something is left and its stock was not counted."`
	Unweighed   []string          `json:"unweighed" doc:"Ids of records without a mass."`
}

// LotLink is product that went from one lot into another.
type LotLink struct {
	From string    `json:"from"`
	To   string    `json:"to"`
	At   time.Time `json:"at"`
	Mass string    `json:"kg,omitempty" doc:"Missing: not weighed, as of a heel in a hopper."`
	How  string    `json:"how"`
	Feed string    `json:"feed,omitempty" doc:"Id of its record."`
}

// LotTotal is the mass of several lots, in kilograms: received + crossing = removed + left + unexplained.
type LotTotal struct {
	Received    string            `json:"received_kg"`
	Removed     map[string]string `json:"removed_kg"`
	Left        string            `json:"left_kg"`
	Unexplained string            `json:"unexplained_kg"`
	Crossing    string            `json:"crossing_kg" doc:"Came from lots outside the trace, minus went to lots outside it."`
	Unweighed   []string          `json:"unweighed"`
}

// param gives a part of the address, decoded.
func (q *call) param(name string) string {
	p, err := url.PathUnescape(q.Params(name))
	if err != nil {
		return q.Params(name)
	}
	return p
}

// gathered is a state that holds a lot and its relatives, whatever it had forgotten.
func (q *call) gathered(code string) (*haccp.State, haccp.Facts, *haccp.LotState, error) {
	s, f, err := q.withLots([]string{code})
	if err != nil {
		return nil, f, nil, err
	}
	l, ok := s.Lot(code)
	if !ok {
		return nil, f, nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "unknown-lot", Message: "there is no such lot"}
	}
	return s, f, l, nil
}

func (q *call) listLots() (LotList, error) {
	s := q.api.Site.View()
	book := s.LotBook()
	affected := map[[2]string]bool{}
	for _, t := range s.Affected() {
		affected[[2]string{t.Lot, t.Cause}] = true
	}
	want := q.Query("state")
	out := LotList{Lots: []LotRef{}}
	for _, l := range s.Lots() {
		if want == "" || l.State() == want {
			out.Lots = append(out.Lots, q.lotRef(s, book, l, affected))
		}
	}
	return out, nil
}

func (q *call) lotRef(s *haccp.State, book *lot.Book, l *haccp.LotState, affected map[[2]string]bool) LotRef {
	out := LotRef{Lot: l.Code, Product: l.Product, State: l.State(), Born: l.Born(), Last: l.Last(), At: []LotStay{}, Holds: []LotHold{}, Clocks: []LotClock{}}
	for i := range l.Stays() {
		if st := &l.Stays()[i]; st.NoTo && st.To.IsZero() && !st.Unseen {
			out.At = append(out.At, stayOf(st))
		}
	}
	for _, h := range l.Standing() {
		x := LotHold{Deviation: h.Deviation, Reason: h.Reason, How: h.How, Place: h.Place, Since: h.At, By: h.By, Released: h.Released,
			Affected: h.Deviation == "" || affected[[2]string{l.Code, h.Deviation}]}
		if d, ok := s.Case(h.Deviation); ok {
			x.Number = d.Number
		}
		out.Holds = append(out.Holds, x)
	}
	for _, t := range s.LotTimes(book, l.Code) {
		if t.Running {
			out.Clocks = append(out.Clocks, q.clockOf(&t))
		}
	}
	return out
}

func (q *call) clockOf(t *haccp.LotTime) LotClock {
	c := LotClock{Point: t.Point, PointName: t.Name, Place: t.Place, Of: t.Of, Start: t.Start, End: t.End, Running: t.Running, Assumed: t.Assumed,
		ElapsedMS: t.Elapsed.Milliseconds(), LimitAt: t.LimitAt, Verdict: t.Verdict}
	if t.Running {
		c.ElapsedMS = q.now.Sub(t.Start).Milliseconds()
		if !t.LimitAt.IsZero() {
			c.RemainingS = int64(t.Remaining(q.now) / time.Second)
		}
	}
	return c
}

func stayOf(s *lot.Stay) LotStay {
	return LotStay{Step: s.Step, Place: s.Place, Filling: s.Filling, From: s.From, To: s.To, NoFrom: s.NoFrom, NoTo: s.NoTo, Unseen: s.Unseen}
}

func (q *call) getLot() (LotFile, error) {
	s, f, l, err := q.gathered(q.param("lot"))
	if err != nil {
		return LotFile{}, err
	}
	if err := q.around(s, l.Code, &f); err != nil {
		return LotFile{}, err
	}
	book := s.LotBook()
	touches := s.TouchesOf(book, l.Code)
	affected := map[[2]string]bool{}
	for _, t := range touches {
		affected[[2]string{t.Lot, t.Cause}] = true
	}
	out := LotFile{LotRef: q.lotRef(s, book, l, affected), Source: l.Source, Harvested: l.Harvested, Stays: []LotStay{}, Times: []LotClock{},
		Feeds: list(l.Fed), Boxes: list(l.Boxes()), Materials: list(l.Materials), People: list(l.People), Affected: list(touches), NotChecked: list(s.Unchecked(l, q.now)),
		Tests: list(s.Tests(l, q.now)), Samples: samplesOf(s, l),
		Balance: balanceOf(book.Balance(l.Code)), Missing: list(s.MissingFor(l.Code, f, q.now)), Evaluations: list(l.Evaluations), Reviews: list(l.Reviews),
		Dispositions: list(l.Signed), Shipments: list(l.Shipments), Records: list(l.Seqs), Head: headOf(q.api.Site.Head())}
	for i := range l.Stays() {
		out.Stays = append(out.Stays, stayOf(&l.Stays()[i]))
	}
	for _, t := range s.LotTimes(book, l.Code) {
		out.Times = append(out.Times, q.clockOf(&t))
	}
	return out, nil
}

// around reads what was recorded at the places of a lot and that the state has forgotten.
func (q *call) around(s *haccp.State, code string, f *haccp.Facts) error {
	return q.gather(s, f, func(f haccp.Facts) haccp.Need { return s.ReleaseNeeds(code, f) })
}

// list is a list that is never null in JSON.
func list[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func balanceOf(b lot.Balance) LotBalance {
	out := LotBalance{Received: b.Received.Decimal(), FedIn: b.FedIn.Decimal(), FedOut: b.FedOut.Decimal(), Left: b.Left.Decimal(), Removed: map[string]string{},
		Unweighed: list(b.Unweighed)}
	for what, m := range b.Removed {
		out.Removed[what] = m.Decimal()
	}
	if b.Unexplained != nil {
		out.Unexplained = b.Unexplained.Decimal()
	}
	return out
}

func totalOf(t lot.Total) LotTotal {
	out := LotTotal{Received: t.Received.Decimal(), Left: t.Left.Decimal(), Unexplained: t.Unexplained().Decimal(), Crossing: t.Crossing.Decimal(),
		Removed: map[string]string{}, Unweighed: list(t.Unweighed)}
	for what, m := range t.Removed {
		out.Removed[what] = m.Decimal()
	}
	return out
}
