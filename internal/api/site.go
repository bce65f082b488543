package api

import (
	"bytes"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/api/reply"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

func (q *call) site() (reply.SiteInfo, error) {
	s := q.api.Site.View()
	day, _, _ := s.ProductionDay(q.now)
	out := reply.SiteInfo{Site: s.Site.Site, Name: s.Site.Name, Demo: s.Site.Demo, LogID: s.Site.LogID, Key: q.api.Evidence.Key(), Zone: s.Zone().String(),
		Head: headOf(q.api.Site.Head()), Time: q.now.UTC(), Day: string(day), Counts: s.Counts, Cautions: []string{}}
	if out.Key == "" {
		out.Key = s.Site.Key
	}
	if p, ok := s.PlanAt(q.now); ok {
		out.PlanVersion = p.Version
	}
	if q.api.Cautions != nil {
		out.Cautions = append(out.Cautions, q.api.Cautions(q.lang())...)
	}
	return out, nil
}

func noPlan() error {
	return &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "no-plan", Message: "there is no such plan version"}
}

func (q *call) planNow() (reply.Plan, error) {
	p, ok := q.api.Site.View().PlanAt(q.now)
	if !ok {
		return reply.Plan{}, noPlan()
	}
	return reply.Plan{Version: p.Version, From: p.From, Plan: p.Plan}, nil
}

// signedPlans reads the records of the plan versions.
func (q *call) signedPlans() ([]*haccp.Event, error) {
	out, err := plant.All(q.UserContext(), q.api.Site, plant.Query{Kind: haccp.KindPlanSigned})
	return plant.BySeq(out), err
}

func (q *call) listPlans() (reply.Plans, error) {
	events, err := q.signedPlans()
	out := reply.Plans{Plans: []reply.PlanRef{}}
	now, _ := q.api.Site.View().PlanAt(q.now)
	for _, e := range events {
		if b, ok := e.Body.(*haccp.PlanSigned); ok {
			out.Plans = append(out.Plans, reply.PlanRef{Version: b.Version, From: b.From, InForce: b.Version == now.Version, Seq: e.Seq,
				SignedAt: e.RecordedAt, SignedBy: e.By.Name, Reason: b.Reason})
		}
	}
	return out, err
}

// getPlan gives a plan version, as JSON or as the file that was signed.
func (q *call) getPlan() error {
	n, err := strconv.Atoi(q.Params("version"))
	format, ferr := q.choice("format", "json", "yaml")
	if ferr != nil {
		return ferr
	}
	plans := q.api.Site.View().Plans
	if err != nil || n < 1 || n > len(plans) {
		return noPlan()
	}
	if format == "json" {
		return q.answer(reply.Plan{Version: plans[n-1].Version, From: plans[n-1].From, Plan: plans[n-1].Plan})
	}
	events, err := q.signedPlans()
	if err != nil {
		return err
	}
	for _, e := range events {
		if b, ok := e.Body.(*haccp.PlanSigned); ok && b.Version == n {
			q.Set(fiber.HeaderContentType, "application/yaml")
			return q.SendString(b.Source)
		}
	}
	return noPlan()
}

// PlanCheck is what the check of a plan file found.
type PlanCheck struct {
	Good     bool        `json:"good" doc:"No errors: it may be signed."`
	Errors   []PlanFault `json:"errors"`
	Warnings []PlanFault `json:"warnings"`
}

// PlanFault is one error or warning about a plan file.
type PlanFault struct {
	Line    int    `json:"line"`
	Column  int    `json:"column"`
	Path    string `json:"path,omitempty"`
	Message string `json:"message"`
	Fix     string `json:"fix,omitempty" doc:"What would be right."`
	Source  string `json:"source,omitempty" doc:"Where the figure of a warning is published."`
}

func (q *call) checkPlan() error {
	if err := q.wantsBody("application/yaml"); err != nil {
		return err
	}
	rep := q.api.CheckPlan(bytes.Clone(q.Request().Body()))
	out := PlanCheck{Good: rep.Plan != nil, Errors: []PlanFault{}, Warnings: []PlanFault{}}
	for _, p := range rep.Errors {
		out.Errors = append(out.Errors, PlanFault{p.Line, p.Column, p.Path, p.Message, p.Fix, p.Source})
	}
	for _, p := range rep.Warnings {
		out.Warnings = append(out.Warnings, PlanFault{p.Line, p.Column, p.Path, p.Message, p.Fix, p.Source})
	}
	return q.answer(out)
}

// Place is a place of the plan in force, with its water and the states of its control points.
type Place struct {
	plan.Place
	Filling *haccp.FillingView `json:"filling,omitempty" doc:"In the bath now."`
	States  []PointState       `json:"states"`
}

// Places lists the places of the plan in force.
type Places struct {
	Places []Place `json:"places"`
}

// PointState is a control point at a place as it stands. A value always stands with its age.
type PointState struct {
	Point      string             `json:"point"`
	PointName  string             `json:"point_name"`
	Place      string             `json:"place"`
	PlaceName  string             `json:"place_name"`
	Class      plan.Class         `json:"class"`
	State      string             `json:"state" enum:"inside,act,outside,not-known,not-in-use" doc:"not-known is never in control."`
	Last       *haccp.LastReading `json:"last,omitempty"`
	AgeS       int64              `json:"age_s,omitempty" doc:"Seconds since the last reading."`
	FrequencyS int64              `json:"frequency_s,omitempty" doc:"Seconds after which a reading no longer counts; missing: no frequency."`
}

// Points lists the control points as they stand.
type Points struct {
	Points []PointState `json:"points"`
	At     time.Time    `json:"at"`
}

func (q *call) points() (Points, error) {
	out := Points{Points: []PointState{}, At: q.now.UTC()}
	for _, p := range q.api.Site.View().PointStates(q.now) {
		out.Points = append(out.Points, pointState(p))
	}
	return out, nil
}

func pointState(p haccp.PointState) PointState {
	return PointState{Point: p.Point, PointName: p.PointName, Place: p.Place, PlaceName: p.PlaceName, Class: p.Class, State: p.State,
		Last: p.Last, AgeS: int64(p.Age / time.Second), FrequencyS: int64(p.Frequency / time.Second)}
}

func (q *call) places() (Places, error) {
	out := Places{Places: []Place{}}
	s := q.api.Site.View()
	p, ok := s.PlanAt(q.now)
	if !ok {
		return out, nil
	}
	states := s.PointStates(q.now)
	for _, pl := range p.Plan.Places {
		x := Place{Place: pl, States: []PointState{}}
		if f, in := s.FillingAt(pl.ID, q.now); in {
			x.Filling = &f
		}
		for _, st := range states {
			if st.Place == pl.ID {
				x.States = append(x.States, pointState(st))
			}
		}
		out.Places = append(out.Places, x)
	}
	return out, nil
}

// Line is a line of the plan in force and its runs of the last days.
type Line struct {
	plan.Line
	Running bool  `json:"running"`
	Runs    []Run `json:"runs" doc:"Of the last seven days, oldest first."`
}

// Run is a run of a line.
type Run struct {
	From    time.Time `json:"from"`
	To      time.Time `json:"to,omitzero" doc:"Missing: running."`
	Reason  string    `json:"reason,omitempty" doc:"Of the stop."`
	Product []string  `json:"product,omitempty" doc:"Places that held product at the stop."`
}

// Lines lists the lines of the plan in force.
type Lines struct {
	Lines []Line `json:"lines"`
}

func (q *call) lines() (Lines, error) {
	out := Lines{Lines: []Line{}}
	s := q.api.Site.View()
	p, ok := s.PlanAt(q.now)
	if !ok {
		return out, nil
	}
	for _, l := range p.Plan.Lines {
		x := Line{Line: l, Running: s.Running(l.ID, q.now), Runs: []Run{}}
		for _, r := range s.LineRuns(l.ID) {
			x.Runs = append(x.Runs, Run{r.From, r.To, r.Reason, r.Product})
		}
		out.Lines = append(out.Lines, x)
	}
	return out, nil
}

// Conditions is what a start of a line lacks now.
type Conditions struct {
	Line    string   `json:"line"`
	Lacking []string `json:"lacking" doc:"Item by item; empty: it may start once the pre-operational items are good."`
}

func (q *call) conditions() (Conditions, error) {
	s := q.api.Site.View()
	id := q.Params("id")
	p, ok := s.PlanAt(q.now)
	if ok {
		ok = false
		for _, l := range p.Plan.Lines {
			ok = ok || l.ID == id
		}
	}
	if !ok {
		return Conditions{}, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "id", Code: "unknown-line", Message: "the plan in force has no such line"}
	}
	return Conditions{id, append([]string{}, s.StartConditions(id, nil, q.now)...)}, nil
}

// Due lists the checks that are due, late, missed or next, the most urgent first.
type Due struct {
	Checks []haccp.DueItem `json:"checks"`
	At     time.Time       `json:"at"`
}

func (q *call) due() (Due, error) {
	return Due{append([]haccp.DueItem{}, q.api.Site.View().DueList(q.now)...), q.now.UTC()}, nil
}

func (q *call) correctiveActions() error {
	from, err := q.when("from")
	if err != nil {
		return err
	}
	to, err := q.when("to")
	if err != nil {
		return err
	}
	switch {
	case from.IsZero():
		return intake.Missing("from", "from, the beginning of the period,")
	case to.IsZero():
		return intake.Missing("to", "to, the end of the period,")
	case !from.Before(to):
		return q.refused("to", "bad-query", "to must be after from")
	}
	format, err := q.choice("format", "json", "csv")
	if err != nil {
		return err
	}
	log, err := q.api.Site.CorrectiveLog(q.UserContext(), from, to, q.now)
	if err != nil {
		return err
	}
	note, err := q.api.Evidence.Checkpoint(q.UserContext())
	if err != nil {
		return err
	}
	if format == "json" {
		return q.answer(CorrectiveLog{log, note})
	}
	if q.api.LogCSV == nil {
		return &gate.Fault{Status: 406, Code: "no-csv", Field: "format", Message: "this service gives no CSV here"}
	}
	var b bytes.Buffer
	if err := q.api.LogCSV(&b, q.lang(), log, note); err != nil {
		return err
	}
	q.Set(fiber.HeaderContentType, "text/csv; charset=utf-8")
	q.Set(fiber.HeaderContentDisposition, `attachment; filename="corrective-actions.csv"`)
	q.Response().SetBody(b.Bytes())
	return nil
}

// CorrectiveLog is the corrective-action log of a period with the checkpoint it stands under.
type CorrectiveLog struct {
	haccp.Log
	Checkpoint string `json:"checkpoint" doc:"Signed note over the log at this moment."`
}

// siteRoutes lists what tells of the site, its plan and how things stand.
func (a *API) siteRoutes() []route {
	plans := post("/plans", "Sign a plan version and put it in force.", (*call).signPlan)
	check := get("/plans/check", "Check a plan file without signing it.", access.ReadRecords, func(*call) (PlanCheck, error) { return PlanCheck{}, nil }).
		with(fiber.MethodPost).taking("application/yaml")
	check.run = func(q *call) error { return q.checkPlan() }
	one := get("/plans/:version", "One plan version.", access.ReadRecords, func(*call) (reply.Plan, error) { return reply.Plan{}, nil },
		query{name: "format", kind: "string", enum: []string{"json", "yaml"}, doc: "yaml gives the file that was signed."}).answering("application/yaml")
	one.run = func(q *call) error { return q.getPlan() }
	log := get("/corrective-actions", "The corrective-action log of a period.", access.ReadRecords, func(*call) (CorrectiveLog, error) { return CorrectiveLog{}, nil },
		query{name: "from", kind: "time", required: true, doc: "At or after this time."}, query{name: "to", kind: "time", required: true, doc: "Before this time."},
		query{name: "format", kind: "string", enum: []string{"json", "csv"}, doc: "json where it is left out."}).answering("text/csv")
	log.run = func(q *call) error { return q.correctiveActions() }
	return []route{
		get("/site", "The site, its log and its cautions.", access.ReadRecords, (*call).site),
		get("/plan", "The plan in force.", access.ReadRecords, (*call).planNow),
		get("/plans", "The plan versions.", access.ReadRecords, (*call).listPlans),
		plans, check, one,
		get("/places", "Places with their water and states.", access.ReadRecords, (*call).places),
		get("/lines", "Lines and their runs.", access.ReadRecords, (*call).lines),
		get("/lines/:id/start-conditions", "What a start of a line lacks now.", access.ReadRecords, (*call).conditions),
		get("/checks", "Checks due, late, missed and next.", access.ReadRecords, (*call).due),
		get("/points", "Control points as they stand.", access.ReadRecords, (*call).points),
		get("/readings", "Readings, by check, point, place and time.", access.ReadRecords, (*call).listReadings,
			append([]query{{name: "check", kind: "string"}, {name: "point", kind: "string"}, {name: "place", kind: "string"}, orderQuery},
				append(periodQuery, pageQuery...)...)...),
		get("/readings/:id", "One reading with its whole history.", access.ReadRecords, (*call).getReading),
		log,
	}
}
