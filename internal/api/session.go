package api

import (
	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/api/intake"
	"linewarden/internal/api/reply"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
)

type signInIn struct {
	Name     string `json:"name" max:"200"`
	Password string `json:"password" max:"1024"`
}

type pinIn struct {
	Person      string `json:"person,omitempty" max:"80" doc:"Id of the person; or name."`
	Name        string `json:"name,omitempty" max:"200" doc:"Sign-in name; or person."`
	PIN         string `json:"pin" max:"20"`
	DeviceToken string `json:"device_token,omitempty" max:"200" doc:"Of the enrolled tablet; left out where its cookie or Authorization carries it."`
}

func (q *call) signIn(in *signInIn) (reply.Session, error) {
	o, err := q.api.Gate.Door().SignIn(q.UserContext(), in.Name, in.Password, q.api.Gate.Source(q.Ctx, ""), q.now)
	return q.opened(o, err)
}

func (q *call) signInPIN(in *pinIn) (reply.Session, error) {
	if (in.Person == "") == (in.Name == "") {
		return reply.Session{}, intake.Missing("person", "either person or name")
	}
	name := in.Name
	if in.Person != "" {
		p, _ := q.api.Gate.Door().Directory.Person(in.Person)
		name = p.SignIn
	}
	return q.onTablet(q.api.Gate.Door().SignInPIN(q.UserContext(), name, in.PIN, q.api.Gate.Source(q.Ctx, in.DeviceToken), q.now))
}

type badgeIn struct {
	Badge       string `json:"badge" max:"100" doc:"As a scanner types it."`
	DeviceToken string `json:"device_token,omitempty" max:"200" doc:"Of the enrolled tablet; left out where its cookie or Authorization carries it."`
}

func (q *call) signInBadge(in *badgeIn) (reply.Session, error) {
	return q.onTablet(q.api.Gate.Door().SignInBadge(q.UserContext(), in.Badge, q.api.Gate.Source(q.Ctx, in.DeviceToken), q.now))
}

// onTablet hands over a session opened on a tablet, with the grant to deliver what is logged in it.
func (q *call) onTablet(o access.Opened, err error) (reply.Session, error) {
	if err != nil {
		return reply.Session{}, err
	}
	g, err := q.api.Gate.Door().HandOut(q.UserContext(), o.Token, q.now)
	if err != nil {
		return reply.Session{}, err
	}
	s, err := q.opened(o, nil)
	s.Grant = &reply.Grant{Token: g.Token, Person: g.Person, Device: g.Device, From: g.From, To: g.To}
	return s, err
}

// opened hands a session over.
func (q *call) opened(o access.Opened, err error) (reply.Session, error) {
	if err != nil {
		return reply.Session{}, err
	}
	q.api.Gate.SignedIn(q.Ctx, o)
	dir := q.api.Gate.Door().Directory
	p, _ := dir.Person(o.Person)
	d, _ := dir.Device(o.Device)
	return sessionOf(&gate.Who{Person: p, Device: d, Signed: o.Session, Token: o.Token}), nil
}

func sessionOf(w *gate.Who) reply.Session {
	s := reply.Session{Known: w.Signed.Known, FormToken: w.FormToken(), Ends: w.Signed.Ends}
	if w.Bearer {
		s.Known = access.KnownDevice
	} else {
		s.Person = &reply.PersonRef{ID: w.Person.ID, Name: w.Person.Name, Roles: w.Person.Roles}
	}
	if w.Device.ID != "" {
		s.Device = &reply.DeviceRef{ID: w.Device.ID, Name: w.Device.Name}
	}
	return s
}

func (q *call) signOut() (nothing, error) {
	err := q.api.Gate.Door().SignOut(q.UserContext(), q.who.Token, q.now)
	q.api.Gate.SignedOut(q.Ctx)
	return nothing{}, err
}

type passwordIn struct {
	Name     string `json:"name,omitempty" max:"200" doc:"With code: sign-in name."`
	Code     string `json:"code,omitempty" max:"100" doc:"One-time code from an administrator."`
	Present  string `json:"present,omitempty" max:"1024" doc:"With a session: the present password."`
	Password string `json:"password" max:"1024" doc:"The password chosen, at least 15 characters."`
}

// password chooses a password: by one-time code, which signs in, or in place of the present one, which ends
// every session of the person.
func (q *call) password(in *passwordIn) (reply.Session, error) {
	door, from := q.api.Gate.Door(), q.api.Gate.Source(q.Ctx, "")
	if in.Code != "" {
		if in.Name == "" {
			return reply.Session{}, intake.Missing("name", "the sign-in name")
		}
		o, err := door.FinishSetup(q.UserContext(), in.Name, in.Code, in.Password, from, q.now)
		return q.opened(o, err)
	}
	w, err := q.api.Gate.Who(q.Ctx)
	if err != nil {
		return reply.Session{}, err
	}
	if w.Person.ID == "" {
		return reply.Session{}, access.ErrSession
	}
	if err := q.api.Gate.Protect(q.Ctx, w); err != nil {
		return reply.Session{}, err
	}
	if in.Present == "" {
		return reply.Session{}, intake.Missing("present", "the present password, or name and code,")
	}
	if err := door.ChangePassword(q.UserContext(), w.Person.ID, in.Present, in.Password, from, q.now); err != nil {
		return reply.Session{}, err
	}
	o, err := door.SignIn(q.UserContext(), w.Person.SignIn, in.Password, from, q.now)
	return q.opened(o, err)
}

type newPINIn struct {
	Password string `json:"password" max:"1024"`
	PIN      string `json:"pin" max:"20" doc:"Four to eight digits."`
}

func (q *call) setPIN(in *newPINIn) (nothing, error) {
	door := q.api.Gate.Door()
	err := door.SetPIN(q.UserContext(), q.who.Person.ID, in.Password, in.PIN, q.api.Gate.Source(q.Ctx, ""), q.now)
	return nothing{}, err
}

func (q *call) manages() bool {
	_, ok := access.MayAny(q.who.Person.Roles, access.ManagePeople)
	return ok
}

func (q *call) listPeople() (reply.People, error) {
	out := reply.People{People: []reply.Person{}}
	admin := q.manages()
	for _, p := range q.api.Site.View().People() {
		x := reply.Person{PersonRef: reply.PersonRef{ID: p.ID, Name: p.Name, Roles: append([]string{}, p.RolesNow()...)}, Disabled: p.DisabledNow()}
		if admin {
			has, err := q.api.Gate.Door().HasPIN(q.UserContext(), p.ID)
			if err != nil {
				return out, err
			}
			x.SignIn, x.HasPIN = p.SignIn, &has
		}
		out.People = append(out.People, x)
	}
	return out, nil
}

type personIn struct {
	stamp
	Person string `json:"person,omitempty" max:"80" doc:"Id the person keeps for ever; left out: made from the command's id."`
	Name   string `json:"name" max:"200" doc:"Printed name."`
	SignIn string `json:"sign_in" max:"80" doc:"Name typed at sign-in."`
}

func (q *call) addPerson(in *personIn) (reply.PersonAnswer, error) {
	id := in.Person
	if id == "" {
		id = "p-" + in.ID
	}
	out, repeated, err := q.changePerson(&in.stamp, haccp.PersonBody{Person: id, Name: in.Name, SignIn: access.SignInName(in.SignIn)}, "added")
	if err != nil || repeated {
		return out, err
	}
	out.SetupCode, err = q.api.Gate.Door().IssueSetup(q.UserContext(), q.who.Person.ID, id, q.now)
	return out, err
}

func (q *call) changePerson(st *stamp, b haccp.PersonBody, change string) (out reply.PersonAnswer, repeated bool, err error) {
	c, err := q.command(haccp.AskPerson, st, &haccp.PersonChange{Change: change, PersonBody: b})
	if err != nil {
		return out, false, err
	}
	var r plant.Result
	if r, err = q.do(c); err != nil {
		return out, false, err
	}
	out.Person = b.Person
	if len(r.Events) > 0 {
		out.Done = reply.DoneOf(r.Events[0])
	}
	return out, r.Repeated, nil
}

// rolesIn gives or takes a role. The role of the person who asks is act_as here, as role is what is given.
type rolesIn struct {
	ID     string `json:"id" max:"36" doc:"UUID in lower case, made by the client."`
	Give   string `json:"give,omitempty" enum:"technician,line_lead,laboratory,manager,auditor,administrator" doc:"Either give or take."`
	Take   string `json:"take,omitempty" enum:"technician,line_lead,laboratory,manager,auditor,administrator"`
	Reason string `json:"reason,omitempty"`
}

func (q *call) roles(in *rolesIn) (reply.PersonAnswer, error) {
	if (in.Give == "") == (in.Take == "") {
		return reply.PersonAnswer{}, intake.Missing("give", "either give or take")
	}
	change, role := "role-given", in.Give
	if role == "" {
		change, role = "role-taken", in.Take
	}
	out, _, err := q.changePerson(&stamp{ID: in.ID}, haccp.PersonBody{Person: q.Params("id"), Role: role, Reason: in.Reason}, change)
	return out, err
}

type standingIn struct {
	ID     string `json:"id" max:"36" doc:"UUID in lower case, made by the client."`
	Reason string `json:"reason,omitempty"`
}

func (q *call) standing(in *standingIn, change string) (reply.PersonAnswer, error) {
	id := q.Params("id")
	out, _, err := q.changePerson(&stamp{ID: in.ID}, haccp.PersonBody{Person: id, Reason: in.Reason}, change)
	if err == nil && change == "disabled" {
		err = q.api.Gate.Door().EndPerson(q.UserContext(), id, q.now)
	}
	return out, err
}

func (q *call) reset() (reply.SetupCode, error) {
	id := q.Params("id")
	code, err := q.api.Gate.Door().IssueSetup(q.UserContext(), q.who.Person.ID, id, q.now)
	return reply.SetupCode{Person: id, SetupCode: code}, err
}

func (q *call) unlock() (nothing, error) {
	return nothing{}, q.api.Gate.Door().Unlock(q.UserContext(), q.who.Person.ID, q.Params("id"), q.now)
}

func (q *call) listDevices() (reply.Devices, error) {
	out := reply.Devices{Devices: []reply.Device{}}
	for _, d := range q.api.Site.View().Devices() {
		out.Devices = append(out.Devices, reply.Device{DeviceRef: reply.DeviceRef{ID: d.ID, Name: d.Name}, Since: d.Since, Revoked: d.Revoked})
	}
	return out, nil
}

type deviceNewIn struct {
	Name string `json:"name" max:"200" doc:"Such as where it hangs."`
	Kind string `json:"kind" enum:"tablet,probe"`
	Here bool   `json:"here,omitempty" doc:"true: this browser is the tablet; it gets the token as a cookie."`
}

// Enrolled is a new device with its token.
type Enrolled struct {
	ID    string `json:"id"`
	Token string `json:"token" doc:"Shown once; stored nowhere in the clear. Send it as Authorization: Bearer."`
}

func (q *call) enrol(in *deviceNewIn) (Enrolled, error) {
	e, err := q.api.Gate.Door().EnrolDevice(q.UserContext(), q.who.Person.ID, in.Name, in.Kind, q.now)
	if err != nil {
		return Enrolled{}, err
	}
	if in.Here && in.Kind == access.DeviceTablet {
		q.api.Gate.Enrolled(q.Ctx, e.Token)
	}
	q.Status(201)
	return Enrolled{e.ID, e.Token}, nil
}

func (q *call) revoke() (nothing, error) {
	return nothing{}, q.api.Gate.Door().RevokeDevice(q.UserContext(), q.who.Person.ID, q.Params("id"), q.now)
}

// empty is a body without members.
type empty struct{}

// sessionRoutes lists signing in, people and devices.
func (a *API) sessionRoutes() []route {
	return []route{
		post("/session", "Sign in with name and password.", (*call).signIn).at(doorOpen),
		post("/session/badge", "Sign in with a badge on an enrolled tablet; a badge signs nothing.", (*call).signInBadge).at(doorOpen),
		post("/session/pin", "Sign in with a PIN on an enrolled tablet.", (*call).signInPIN).at(doorOpen),
		get("/session", "Who is signed in, with the form token.", "", func(q *call) (reply.Session, error) { return sessionOf(q.who), nil }).at(doorAny),
		get("/session", "Sign out.", "", (*call).signOut).with("DELETE"),
		post("/password", "Choose a password, by one-time code or in place of the present one.", (*call).password).at(doorOpen),
		post("/pin", "Choose a PIN for the tablets.", (*call).setPIN),
		get("/people", "Everybody.", access.ReadRecords, (*call).listPeople),
		post("/people", "Add a person.", (*call).addPerson).needs(access.ManagePeople),
		post("/people/:id/roles", "Give or take a role.", (*call).roles).needs(access.ManagePeople),
		post("/people/:id/disable", "Disable a person. Ids are never used again.",
			func(q *call, in *standingIn) (reply.PersonAnswer, error) { return q.standing(in, "disabled") }).needs(access.ManagePeople),
		post("/people/:id/enable", "Let a disabled person in again.",
			func(q *call, in *standingIn) (reply.PersonAnswer, error) { return q.standing(in, "enabled") }).needs(access.ManagePeople),
		post("/people/:id/reset", "Get a one-time code with which the person chooses a new password.",
			func(q *call, _ *empty) (reply.SetupCode, error) { return q.reset() }).needs(access.ManagePeople),
		post("/people/:id/unlock", "Let a person who is locked out try again.",
			func(q *call, _ *empty) (nothing, error) { return q.unlock() }).needs(access.ManagePeople),
		get("/devices", "Enrolled devices.", access.ReadRecords, (*call).listDevices),
		post("/devices", "Enrol a tablet or a probe.", (*call).enrol).needs(access.ManageDevices).creates(),
		get("/devices/:id", "Revoke a device.", "", (*call).revoke).with("DELETE").needs(access.ManageDevices),
	}
}
