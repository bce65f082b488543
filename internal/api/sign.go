package api

import (
	"errors"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

// signing is what a signature takes: the password again, and what was shown.
type signing struct {
	Password  string      `json:"password" max:"1024" doc:"The signer's password, given again. It is checked and stored nowhere; a PIN or a token is not taken."`
	Signature signatureIn `json:"signature"`
}

// maySign is the same where a signature is not always wanted.
type maySign struct {
	Password  string       `json:"password,omitempty" max:"1024" doc:"With signature: the signer's password, given again."`
	Signature *signatureIn `json:"signature,omitempty" doc:"Wanted where the change makes a verdict better, the report was reviewed, or it is somebody else's; then by a manager who is not its author."`
}

type signatureIn struct {
	Statement string     `json:"statement" doc:"The exact text that was shown."`
	Language  string     `json:"language" enum:"en,es" doc:"Of the statement."`
	Head      haccp.Head `json:"head" doc:"Size and root of the log that it was shown at. Refused where what is signed changed since."`
}

// sign checks the password and gives the signature; covers are filled in where the command is decided.
func (q *call) sign(password string, s *signatureIn, meaning string) (haccp.Signature, error) {
	if q.who.Person.ID == "" {
		return haccp.Signature{}, &gate.Fault{Status: 403, Code: "password-wanted", Field: "signature", Message: "a signature wants a person with password, never a PIN, badge or token"}
	}
	if password == "" {
		return haccp.Signature{}, intake.Missing(passwordMember, "the password of whoever signs")
	}
	door := q.api.Gate.Door()
	err := door.Reauthenticate(q.UserContext(), q.who.Person.ID, password, q.api.Gate.Source(q.Ctx, ""), q.now)
	if errors.Is(err, access.ErrSignIn) {
		return haccp.Signature{}, &gate.Fault{Status: 403, Code: "signature-password", Field: passwordMember,
			Message: "the password is not right: nothing was signed, and the attempt is recorded"}
	}
	return haccp.Signature{Head: s.Head, Language: s.Language, Meaning: meaning, Statement: s.Statement}, err
}

// signed makes the command of a signed act. Whoever signs is known by password, whatever the session.
func (q *call) signed(kind string, st *stamp, ask any, prefer ...string) (*haccp.Command, error) {
	c, err := q.command(kind, st, ask)
	if err != nil {
		return nil, err
	}
	c.By = gate.Actor(q.api.Site.View(), q.who, kind, q.now, st.Role, prefer...)
	c.By.Known = haccp.KnownPassword
	return c, nil
}

type partIn struct {
	stamp
	signing
	Part      string     `json:"part" enum:"control-restored,product-evaluated,cause-and-action,effectiveness,fix-only,taken-in-time,closed"`
	Restored  string     `json:"restored,omitempty" doc:"control-restored: how."`
	Product   *productIn `json:"product,omitempty" doc:"product-evaluated: what product was affected, or that none was exposed."`
	Cause     string     `json:"cause,omitempty" doc:"cause-and-action."`
	Action    string     `json:"action,omitempty" doc:"cause-and-action: corrective action against recurrence."`
	InError   bool       `json:"in_error,omitempty" doc:"cause-and-action: the reading was in error."`
	Effective *bool      `json:"effective,omitempty" doc:"effectiveness."`
	Reason    string     `json:"reason,omitempty" doc:"effectiveness and fix-only."`
}

type productIn struct {
	Exposed     bool            `json:"exposed"`
	Codes       []string        `json:"codes,omitempty" max:"200"`
	Description string          `json:"description,omitempty"`
	Mass        *quantity.Value `json:"mass,omitempty"`
	HeldWhere   string          `json:"held_where,omitempty"`
	Evaluation  string          `json:"evaluation,omitempty"`
	Outcome     string          `json:"outcome,omitempty" doc:"What became of it."`
	Evidence    string          `json:"evidence,omitempty" doc:"Where no product was exposed: what shows it."`
	CuredBy     string          `json:"cured_by,omitempty" max:"80" doc:"Id of the later bath in series that made it good. Refused unless the plan says so with its basis and its readings show it inside all the while."`
}

func (q *call) signPart(in *partIn) (Answer, error) {
	id := q.Params("id")
	sig, err := q.sign(in.Password, &in.Signature, in.Part)
	if err != nil {
		return Answer{}, err
	}
	b := haccp.DeviationSigned{Deviation: id, Part: in.Part, Restored: in.Restored, Cause: in.Cause, Action: in.Action, InError: in.InError,
		Effective: in.Effective, Reason: in.Reason, Signature: sig}
	if p := in.Product; p != nil {
		b.Product = &haccp.Product{Exposed: p.Exposed, Codes: p.Codes, Description: p.Description, Mass: p.Mass, HeldWhere: p.HeldWhere,
			Evaluation: p.Evaluation, Outcome: p.Outcome, Evidence: p.Evidence, CuredBy: p.CuredBy}
	}
	c, err := q.signed(haccp.AskSignPart, &in.stamp, &haccp.SignPart{DeviationSigned: b}, q.signers(id, in.Part)...)
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

// signers lists the roles that the plan names for a part of a case.
func (q *call) signers(id, part string) []string {
	s := q.api.Site.View()
	d, ok := s.Case(id)
	if !ok || d.PlanVersion < 1 || d.PlanVersion > len(s.Plans) {
		return nil
	}
	for _, r := range s.Plans[d.PlanVersion-1].Plan.Classes {
		for _, p := range r.Closing {
			if r.Class == d.Class && p.Part == part {
				return p.Roles
			}
		}
	}
	return []string{haccp.RoleManager}
}

type amendIn struct {
	stamp
	maySign
	Target string     `json:"target" max:"36" doc:"Id of the report."`
	Reason string     `json:"reason"`
	New    intake.Raw `json:"new" doc:"The whole new body, in the form in which a report of this kind is sent, without id and time."`
}

type voidIn struct {
	stamp
	maySign
	Target string  `json:"target" max:"36" doc:"Id of the report."`
	Reason string  `json:"reason"`
	New    *newFor `json:"new,omitempty" doc:"The report that takes its place."`
}

// newFor is the report in place of a void one; it is of the same kind.
type newFor struct {
	At         time.Time  `json:"at"`
	AtKnown    string     `json:"at_known,omitempty" enum:"device,typed"`
	LateReason string     `json:"late_reason,omitempty"`
	Body       intake.Raw `json:"body" doc:"In the form in which a report of this kind is sent, without id and time."`
}

// target finds the report to change.
func (q *call) target(id string) (*haccp.Event, error) {
	_, e, err := q.api.Site.ByID(q.UserContext(), id)
	if errors.Is(err, haccp.ErrNotFound) {
		return nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "target", Code: "unknown-report", Message: "there is no report with this id"}
	}
	return e, err
}

// bodyFor reads the new body of a report of the kind of an old one.
func (q *call) bodyFor(old *haccp.Event, raw intake.Raw, at ...string) (any, error) {
	kind, ok := q.api.reports[old.Kind]
	if !ok {
		return nil, &haccp.Refusal{Kind: haccp.ErrConflict, Field: "target", Code: "not-changeable", Message: "a record of the kind " + old.Kind + " is not changed this way"}
	}
	b := kind.new()
	if err := kind.shape.ReadInside(raw, b, at...); err != nil {
		return nil, err
	}
	out := b.report()
	if r, ok := out.(*haccp.Reading); ok {
		if was, ok := old.Body.(*haccp.Reading); ok {
			r.Mode = was.Mode
		}
	}
	return out, nil
}

func (q *call) amend(in *amendIn) (Answer, error) {
	e, err := q.target(in.Target)
	if err != nil {
		return Answer{}, err
	}
	n, err := q.bodyFor(e, in.New, "new")
	if err != nil {
		return Answer{}, err
	}
	ask := &haccp.Amend{New: n, Reason: in.Reason, Target: in.Target}
	return q.change(haccp.AskAmend, &in.stamp, &in.maySign, haccp.MeaningAmend, ask, &ask.Signature)
}

func (q *call) void(in *voidIn) (Answer, error) {
	e, err := q.target(in.Target)
	if err != nil {
		return Answer{}, err
	}
	ask := &haccp.Void{Reason: in.Reason, Target: in.Target}
	if n := in.New; n != nil {
		b, err := q.bodyFor(e, n.Body, "new", "body")
		if err != nil {
			return Answer{}, err
		}
		known := n.AtKnown
		if known == "" {
			known = haccp.AtTyped
		}
		ask.New = &haccp.Command{Kind: e.Kind, At: n.At.Truncate(time.Millisecond), AtKnown: known, LateReason: n.LateReason, Ask: b}
	}
	return q.change(haccp.AskVoid, &in.stamp, &in.maySign, haccp.MeaningVoid, ask, &ask.Signature)
}

// change has an amendment or a void decided, with a signature where one is given.
func (q *call) change(kind string, st *stamp, m *maySign, meaning string, ask any, into **haccp.Signature) (Answer, error) {
	var c *haccp.Command
	var err error
	switch {
	case m.Signature == nil && m.Password != "":
		return Answer{}, intake.Missing("signature", "the signature that the password is for")
	case m.Signature == nil:
		c, err = q.command(kind, st, ask)
	default:
		var sig haccp.Signature
		if sig, err = q.sign(m.Password, m.Signature, meaning); err != nil {
			return Answer{}, err
		}
		*into = &sig
		c, err = q.signed(kind, st, ask, haccp.RoleManager)
	}
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

type acceptIn struct {
	stamp
	signing
	Reason string `json:"reason"`
}

func (q *call) acceptTime(in *acceptIn) (Answer, error) {
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningTime)
	if err != nil {
		return Answer{}, err
	}
	c, err := q.signed(haccp.AskAcceptTime, &in.stamp, &haccp.AcceptTime{Reason: in.Reason, Signature: sig, Target: q.Params("reading")})
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

type reviewIn struct {
	stamp
	signing
	From     int64  `json:"from" doc:"Number of the first record reviewed."`
	To       int64  `json:"to" doc:"Number of the last record reviewed."`
	Findings string `json:"findings,omitempty"`
}

func (q *call) review(in *reviewIn) (Answer, error) {
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningReviewed)
	if err != nil {
		return Answer{}, err
	}
	c, err := q.signed(haccp.AskReview, &in.stamp, &haccp.Review{Reviewed: haccp.Reviewed{Findings: in.Findings, From: in.From, To: in.To, Signature: sig}})
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

type planIn struct {
	stamp
	signing
	Source string    `json:"source" max:"500000" doc:"The plan file, YAML."`
	From   time.Time `json:"from,omitzero" doc:"From when it judges; left out: from now. Only a site's first plan may start in the past."`
	Reason string    `json:"reason"`
}

func (q *call) signPlan(in *planIn) (Answer, error) {
	rep := q.api.CheckPlan([]byte(in.Source))
	if rep.Plan == nil {
		f := &gate.Fault{Status: 422, Code: "plan-faults", Field: "source", Message: "the plan has faults: see items"}
		for _, p := range rep.Errors {
			f.Items = append(f.Items, p.Error())
		}
		return Answer{}, f
	}
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningPlan)
	if err != nil {
		return Answer{}, err
	}
	c, err := q.signed(haccp.AskSignPlan, &in.stamp, &haccp.SignPlan{From: in.From, Plan: rep.Plan, Reason: in.Reason, Source: in.Source, Signature: sig})
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

// Case is a deviation or nonconformity as it stands.
type Case struct {
	haccp.Deviation
	Word    string     `json:"word" enum:"deviation,nonconformity"`
	Status  string     `json:"status" enum:"open,overdue,closed"`
	Missing []string   `json:"missing" doc:"Parts that closing still wants."`
	Head    haccp.Head `json:"head" doc:"Sign at this head."`
}

// CaseWithRecords is a case with every record about it.
type CaseWithRecords struct {
	Case
	Records []Event `json:"records" doc:"Every record about it, oldest first."`
}

// Cases is a page of cases.
type Cases struct {
	Deviations []Case       `json:"deviations"`
	Next       plant.Cursor `json:"next,omitempty"`
}

func (q *call) caseOf(s *haccp.State, d *haccp.Deviation, overdue map[string]bool) Case {
	c := Case{Deviation: *d, Word: d.Word(), Status: "open", Missing: []string{}, Head: headOf(q.api.Site.Head())}
	var p *plan.Plan
	if d.PlanVersion >= 1 && d.PlanVersion <= len(s.Plans) {
		p = s.Plans[d.PlanVersion-1].Plan
	}
	switch {
	case d.IsClosed:
		c.Status = "closed"
	case overdue[d.Deviation]:
		c.Status = "overdue"
	}
	if !d.IsClosed {
		c.Missing = append(c.Missing, d.Missing(p)...)
	}
	return c
}

func (q *call) overdue(s *haccp.State) map[string]bool {
	out := map[string]bool{}
	for _, d := range s.Overdue(q.now) {
		out[d.Deviation] = true
	}
	return out
}

func (q *call) listCases() (Cases, error) {
	which, err := q.choice("state", "open", "all")
	if err != nil {
		return Cases{}, err
	}
	s := q.api.Site.View()
	late := q.overdue(s)
	out := Cases{Deviations: []Case{}}
	if which == "open" {
		for _, d := range s.Cases() {
			out.Deviations = append(out.Deviations, q.caseOf(s, d, late))
		}
		return out, nil
	}
	p, err := q.page()
	if err != nil {
		return out, err
	}
	p.Kind = haccp.KindDeviationOpened
	events, next, err := q.find(p)
	if err != nil {
		return out, err
	}
	out.Next = next
	for _, e := range events {
		b, ok := e.Body.(*haccp.DeviationOpened)
		if !ok {
			continue
		}
		d, ok := s.Case(b.Deviation)
		if !ok {
			records, err := q.recordsOf(b.Deviation)
			if err != nil {
				return out, err
			}
			if d, err = q.api.Site.FoldCase(q.UserContext(), records); err != nil {
				return out, err
			}
			if d == nil {
				continue
			}
		}
		out.Deviations = append(out.Deviations, q.caseOf(s, d, late))
	}
	return out, nil
}

// recordsOf reads every record about a case.
func (q *call) recordsOf(id string) ([]*haccp.Event, error) {
	out, err := plant.All(q.UserContext(), q.api.Site, plant.Query{About: "deviation:" + id})
	return plant.BySeq(out), err
}

func (q *call) getCase() (CaseWithRecords, error) {
	id := q.Params("id")
	s := q.api.Site.View()
	records, err := q.recordsOf(id)
	if err != nil {
		return CaseWithRecords{}, err
	}
	d, ok := s.Case(id)
	if !ok {
		if d, err = q.api.Site.FoldCase(q.UserContext(), records); err != nil {
			return CaseWithRecords{}, err
		}
	}
	if d == nil {
		return CaseWithRecords{}, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "id", Code: "unknown-case", Message: "there is no deviation or nonconformity with this id"}
	}
	out := CaseWithRecords{Case: q.caseOf(s, d, q.overdue(s)), Records: make([]Event, len(records))}
	for i, e := range records {
		out.Records[i] = eventOf(e)
		for j := range d.Parts {
			if d.Parts[j].Seq == e.Seq {
				out.Records[i].ChangedSince = d.Parts[j].Changed
			}
		}
	}
	return out, nil
}

// caseRoutes lists what is done about deviations and about reports that were wrong.
func (a *API) caseRoutes() []route {
	return []route{
		get("/deviations", "Deviations and nonconformities: the open ones, or all that were opened in a period.", access.ReadRecords, (*call).listCases,
			append([]query{{name: "state", kind: "string", enum: []string{"open", "all"}, doc: "open where it is left out; the others go with all."}, orderQuery},
				append(periodQuery, pageQuery...)...)...),
		get("/deviations/:id", "One deviation or nonconformity with every record about it.", access.ReadRecords, (*call).getCase),
		post("/deviations/:id/parts", "Sign one part of a deviation.", (*call).signPart),
		post("/amendments", "Amend a report: a new body in place of the old one, which stays readable.", (*call).amend),
		post("/voids", "Withdraw a report, with a new one in its place where time, place or lot was wrong.", (*call).void),
		post("/times/:reading/accept", "Accept the typed time of a reading.", (*call).acceptTime),
		post("/reviews", "Sign a review of records.", (*call).review),
	}
}

var orderQuery = query{name: "order", kind: "string", enum: []string{"newest", "oldest"}, doc: "newest where it is left out."}
