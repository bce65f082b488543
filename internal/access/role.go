package access

import (
	"fmt"
	"maps"
	"slices"
)

// A Role is a word of the plan and of the record log.
type Role = string

// The roles of the product. A person may hold several.
const (
	Technician    Role = "technician"
	LineLead      Role = "line_lead"
	Laboratory    Role = "laboratory"
	Manager       Role = "manager"
	Auditor       Role = "auditor"
	Administrator Role = "administrator"
	DeviceRole    Role = "device" // a probe; never a person
)

// Roles lists the roles a person can be given.
func Roles() []Role {
	return []Role{Technician, LineLead, Laboratory, Manager, Auditor, Administrator}
}

// An Act is a thing one may or may not do. The act of a command is the
// command's kind.
type Act = string

// The acts. What else has to hold (who logged what, what state it is in, which
// role the plan names for a part of a deviation) is for the rules of control to
// judge.
const (
	LogReading      Act = "reading"
	LogFilling      Act = "bath.filled"
	LogAddition     Act = "bath.added"
	LogReplacement  Act = "bath.part-replaced"
	LogDraining     Act = "bath.drained"
	LogCleaning     Act = "bath.cleaned"
	LogInService    Act = "place.in-service"
	LogOutOfService Act = "place.out-of-service"
	LogCleanBreak   Act = "clean-break"
	LogLineStart    Act = "line.started" // report of a start that has taken place
	LogLineStop     Act = "line.stopped"
	LogFix          Act = "fix.done"
	LogNote         Act = "note"
	StartLine       Act = "line.start"     // ask for leave to start now
	SignPart        Act = "deviation.sign" // one part of a deviation, closing among them
	AmendReport     Act = "report.amend"
	VoidReport      Act = "report.void"
	AcceptTime      Act = "time.accept" // sign for a typed time
	SignReview      Act = "records.review"
	SignPlan        Act = "plan.sign"
	ImportReadings  Act = "readings.import"
	ManagePeople    Act = "person.change" // add, disable, roles, set-up codes, unlock
	ManageDevices   Act = "device.change"
	ReadRecords     Act = "records.read"
	ExportRecords   Act = "records.export"
)

// floor are the acts of anybody who works at the line. Amending and voiding are
// among them because the author may correct their own; the rules of control ask
// for the manager's signature in every other case.
var floor = []Act{
	LogReading, LogFilling, LogAddition, LogReplacement, LogDraining, LogCleaning, LogInService, LogOutOfService,
	LogLineStop, LogFix, LogNote, AmendReport, VoidReport, ReadRecords,
}

// table is the whole of what each role may do. Nobody signs for the plant as
// administrator or auditor, and the manager makes no accounts.
var table = map[Role]map[Act]bool{
	Technician: set(floor, SignPart, LogLineStart),
	LineLead:   set(floor, SignPart, LogLineStart, StartLine, LogCleanBreak),
	Laboratory: set([]Act{LogReading, LogNote, AmendReport, VoidReport, SignPart, ReadRecords}),
	Manager: set(floor, SignPart, LogLineStart, StartLine, LogCleanBreak, AcceptTime, SignReview, SignPlan,
		ImportReadings, ExportRecords),
	Auditor:       set(nil, ReadRecords, ExportRecords),
	Administrator: set(nil, ReadRecords, ManagePeople, ManageDevices),
	DeviceRole:    set(nil, LogReading),
}

func set(base []Act, more ...Act) map[Act]bool {
	m := map[Act]bool{}
	for _, a := range slices.Concat(base, more) {
		m[a] = true
	}
	return m
}

// Acts lists every act that some role may do, sorted.
func Acts() []Act {
	all := map[Act]bool{}
	for _, acts := range table {
		maps.Copy(all, acts)
	}
	return slices.Sorted(maps.Keys(all))
}

// A Narrowing is the plan's word on who does what: an act that is named may be
// done only by the roles listed, and by these only if the table lets them. An
// act that is not named is as in the table; one with an empty list is closed to
// all.
type Narrowing map[Act][]Role

// open are the acts a plan cannot narrow: a plan that closed them would lock
// everybody out of correcting it.
var open = []Act{SignPlan, ManagePeople, ManageDevices, ReadRecords}

// May says whether a role may do an act. An unknown role or act may nothing.
func May(role Role, act Act, plan Narrowing) bool {
	if !table[role][act] {
		return false
	}
	roles, named := plan[act]
	return !named || slices.Contains(open, act) || slices.Contains(roles, role)
}

// MayAny says whether one of the roles may do an act, and which is the first.
func MayAny(roles []Role, act Act, plan Narrowing) (Role, bool) {
	for _, r := range roles {
		if May(r, act, plan) {
			return r, true
		}
	}
	return "", false
}

// Problems says what is wrong with a narrowing: an act or a role nobody knows,
// an act that a plan cannot narrow, or a role that the table does not give the
// act.
func (n Narrowing) Problems() []string {
	known := set(Acts())
	var out []string
	for _, act := range slices.Sorted(maps.Keys(n)) {
		switch {
		case !known[act]:
			out = append(out, fmt.Sprintf("there is no act %q", act))
			continue
		case slices.Contains(open, act):
			out = append(out, fmt.Sprintf("%s: a plan cannot narrow this act", act))
		}
		for _, r := range n[act] {
			switch {
			case table[r] == nil:
				out = append(out, fmt.Sprintf("%s: there is no role %q", act, r))
			case !table[r][act]:
				out = append(out, fmt.Sprintf("%s: the role %s may never do this; a plan can only narrow", act, r))
			}
		}
	}
	return out
}
