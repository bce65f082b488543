package haccp

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// Person returns a person by id.
func (s *State) Person(id string) (*Person, bool) { return s.people.get(id) }

// PersonBySignIn returns the person with a sign-in name, without regard to case.
func (s *State) PersonBySignIn(name string) (*Person, bool) {
	for _, p := range s.people.all() {
		if strings.EqualFold(p.SignIn, name) {
			return p, true
		}
	}
	return nil, false
}

// People returns everybody, in the order of their ids.
func (s *State) People() []*Person {
	var out []*Person
	for _, p := range s.people.all() {
		out = append(out, p)
	}
	return out
}

// Device returns a device by id.
func (s *State) Device(id string) (*DeviceState, bool) { return s.devices.get(id) }

// Devices returns every device, in the order of their ids.
func (s *State) Devices() []*DeviceState {
	var out []*DeviceState
	for _, d := range s.devices.all() {
		out = append(out, d)
	}
	return out
}

// Held reports whether the person held a role at a moment.
func (p *Person) Held(role string, at time.Time) bool {
	return slices.ContainsFunc(p.Roles, func(r RoleSpan) bool {
		return r.Role == role && !at.Before(r.From) && (r.To.IsZero() || at.Before(r.To))
	})
}

// RolesNow returns the roles a person holds.
func (p *Person) RolesNow() []string {
	var out []string
	for _, r := range p.Roles {
		if r.To.IsZero() {
			out = with(out, r.Role)
		}
	}
	return out
}

// DisabledNow reports whether the person is disabled.
func (p *Person) DisabledNow() bool {
	return len(p.Disabled) > 0 && p.Disabled[len(p.Disabled)-1].To.IsZero()
}

// disabledAt reports whether the person was disabled at a moment.
func (p *Person) disabledAt(at time.Time) bool {
	return slices.ContainsFunc(p.Disabled, func(g Gap) bool {
		return !at.Before(g.From) && (g.To.IsZero() || at.Before(g.To))
	})
}

// may lists, for each kind of command, the roles that may give it. A plan may narrow this, never widen it.
var may = map[string][]string{
	KindReading:      {RoleTechnician, RoleLineLead, RoleManager, RoleLaboratory, RoleDevice},
	KindFilled:       {RoleTechnician, RoleLineLead, RoleManager},
	KindAdded:        {RoleTechnician, RoleLineLead, RoleManager},
	KindPartReplaced: {RoleTechnician, RoleLineLead, RoleManager},
	KindDrained:      {RoleTechnician, RoleLineLead, RoleManager},
	KindCleaned:      {RoleTechnician, RoleLineLead, RoleManager},
	KindInService:    {RoleLineLead, RoleManager},
	KindOutOfService: {RoleLineLead, RoleManager},
	KindCleanBreak:   {RoleTechnician, RoleLineLead, RoleManager},
	KindLineStarted:  {RoleTechnician, RoleLineLead, RoleManager},
	KindLineStopped:  {RoleTechnician, RoleLineLead, RoleManager}, // anybody at the line may stop it
	KindFixDone:      {RoleTechnician, RoleLineLead, RoleManager},
	KindNote:         {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindLotReceived:  {RoleTechnician, RoleLineLead, RoleManager},
	KindLotEntered:   {RoleTechnician, RoleLineLead, RoleManager},
	KindLotLeft:      {RoleTechnician, RoleLineLead, RoleManager},
	KindLotFed:       {RoleTechnician, RoleLineLead, RoleManager},
	KindLotRemoved:   {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindPlaceEmptied: {RoleTechnician, RoleLineLead, RoleManager},
	KindLotShipped:   {RoleLineLead, RoleManager},
	AskLotEnter:      {RoleTechnician, RoleLineLead, RoleManager},
	AskLotHold:       {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskLotEvaluate:   {RoleLineLead, RoleLaboratory, RoleManager},
	AskLotReview:     {RoleManager},
	AskLotDispose:    {RoleLineLead, RoleLaboratory, RoleManager},
	AskLotShip:       {RoleLineLead, RoleManager},
	AskStart:         {RoleLineLead, RoleManager},
	AskAmend:         {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskVoid:          {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskSignPart:      {RoleLineLead, RoleLaboratory, RoleManager},
	AskSignPlan:      {RoleManager, RoleConsole},
	AskAcceptTime:    {RoleManager},
	AskReview:        {RoleManager},
	AskPerson:        {RoleAdministrator, RoleConsole, RoleGroup},
	AskDevice:        {RoleAdministrator, RoleConsole},
	AskSecurity:      {RoleTimetable},
	AskSweep:         {RoleTimetable},
	AskAlerts:        {RoleTimetable},
	AskAcknowledge:   {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskHandOver:      {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskSilence:       {RoleLineLead, RoleManager},
	AskEndOfSilence:  {RoleLineLead, RoleManager},
	AskTimetable:     {RoleTimetable},
	AskGroupSite:     {RoleAdministrator, RoleConsole},
	AskSiteRole:      {RoleAdministrator, RoleConsole},
	AskImport:        {RoleManager, RoleAdministrator, RoleConsole},
	AskRestore:       {RoleConsole},
	AskShiftHandOver: {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	AskShiftAccept:   {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},

	KindMaterialReceived:  {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindMaterialCounted:   {RoleTechnician, RoleLineLead, RoleManager},
	KindInstrumentChecked: {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindInstrumentOut:     {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager}, // whoever sees it is broken may say so
	KindInstrumentBack:    {RoleLineLead, RoleLaboratory, RoleManager},
	AskMaterialApprove:    {RoleLineLead, RoleLaboratory, RoleManager},
	AskMaterialReject:     {RoleLineLead, RoleLaboratory, RoleManager},

	KindLotSampled:     {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindSamplePassed:   {RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager},
	KindSampleReceived: {RoleLaboratory, RoleManager},
	KindResult:         {RoleLaboratory, RoleManager},

	AskExerciseStart:  {RoleLineLead, RoleLaboratory, RoleManager},
	AskExerciseFinish: {RoleLineLead, RoleLaboratory, RoleManager},
}

// wide are the acts that a plan cannot narrow: one that closed them would lock everybody out of correcting it.
var wide = []string{AskSignPlan, AskPerson, AskDevice, AskSecurity, AskSweep, AskTimetable, AskGroupSite, AskSiteRole, AskRestore, AskAlerts}

// Acts lists the kinds of commands that a plan may narrow to some of the roles that may give them, sorted.
func Acts() []string {
	return slices.DeleteFunc(slices.Sorted(maps.Keys(may)), func(act string) bool { return slices.Contains(wide, act) })
}

// May reports whether a role may give a kind of command, as far as the product and the plan in force at
// a moment say.
func (s *State) May(role, kind string, at time.Time) bool {
	if !slices.Contains(may[kind], role) {
		return false
	}
	v := s.versionAt(at)
	if v == nil || slices.Contains(wide, kind) {
		return true
	}
	for _, p := range v.Plan.Permissions {
		if p.Act == kind {
			return slices.Contains(p.Roles, role)
		}
	}
	return true
}

// impersonal roles are held by no person.
func impersonal(role string) bool {
	return role == RoleTimetable || role == RoleConsole || role == RoleGroup
}

// checkActor refuses a command of somebody who is not known, may not give it, or did not hold the role
// when the thing happened. That the person was disabled since is a finding of a report and refuses a decision.
func (s *State) checkActor(c *Command, report bool, now time.Time) (findings []Finding, err error) {
	moment := c.At
	if !report {
		moment = now
	}
	if !s.May(c.By.Role, c.Kind, moment) {
		return nil, refuse(ErrForbidden, "", "role-may-not", "the role %s may not do this (%s)", c.By.Role, c.Kind)
	}
	if impersonal(c.By.Role) {
		return nil, nil
	}
	if c.By.Role == RoleDevice {
		d, ok := s.devices.get(c.By.ID)
		if !ok || (!d.Revoked.IsZero() && !moment.Before(d.Revoked)) {
			return nil, refuse(ErrForbidden, "", "device-not-enrolled", "this device is not enrolled")
		}
		return nil, nil
	}
	p, ok := s.people.get(c.By.ID)
	if !ok {
		return nil, refuse(ErrForbidden, "", "unknown-person", "this person is not known here")
	}
	if !p.Held(c.By.Role, moment) {
		return nil, refuse(ErrForbidden, "", "role-not-held", "%s did not hold the role %s at that time", p.Name, c.By.Role)
	}
	if p.disabledAt(moment) {
		return nil, refuse(ErrForbidden, "", "disabled", "%s was disabled at that time: ask an administrator", p.Name)
	}
	if p.DisabledNow() {
		findings = append(findings, Finding{Code: FindingDisabledSince})
	}
	return findings, nil
}
