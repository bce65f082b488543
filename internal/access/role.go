package access

import (
	"fmt"
	"maps"
	"slices"
)

// A Role is a word of the plan and of the record log.
type Role string

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

// An Act is a thing one may or may not do.
type Act string

// The acts. What else has to hold (who logged what, which state it is in) is
// for the rules of control to judge.
const (
	LogReading       Act = "reading.log"
	LogFilling       Act = "filling.log"
	LogAddition      Act = "addition.log"
	LogFix           Act = "fix.log" // an immediate fix
	LogNote          Act = "note.log"
	LogLine          Act = "line.log"   // report that the line started or stopped
	StartLine        Act = "line.start" // ask for leave to start now
	StopLine         Act = "line.stop"
	LogLotStep       Act = "lot.log"
	LogResult        Act = "result.log" // a laboratory result
	LogCalibration   Act = "calibration.log"
	AmendOwn         Act = "report.amend_own"
	AmendAny         Act = "report.amend" // with signature
	VoidReport       Act = "report.void"  // with signature
	ConfirmTime      Act = "time.confirm" // sign for a typed time
	SignRestored     Act = "deviation.restored"
	SignProduct      Act = "deviation.product"
	SignCause        Act = "deviation.cause"
	SignEffect       Act = "deviation.effectiveness"
	CloseDeviation   Act = "deviation.close"
	DisposeLot       Act = "lot.dispose"
	ReleaseLot       Act = "lot.release"
	SignReview       Act = "records.review"
	ProposePlan      Act = "plan.propose"
	SignPlan         Act = "plan.sign"
	AcknowledgeAlert Act = "alert.acknowledge"
	SilenceAlert     Act = "alert.silence"
	ImportReadings   Act = "readings.import"
	ReadRecords      Act = "records.read"
	ExportRecords    Act = "records.export"
	ManagePeople     Act = "people.manage" // add, disable, roles, set-up codes, unlock
	ManageDevices    Act = "devices.manage"
)

// floor are the reports that anybody who works at the line may make.
var floor = []Act{LogReading, LogFilling, LogAddition, LogFix, LogNote, LogLine, AmendOwn, AcknowledgeAlert, ReadRecords}

// table is the whole of what each role may do. Nobody may sign for the plant as
// administrator or auditor, and the manager makes no accounts.
var table = map[Role]map[Act]bool{
	Technician: set(floor, StopLine),
	LineLead:   set(floor, StartLine, StopLine, LogLotStep, SignRestored),
	Laboratory: set(floor, LogResult, LogCalibration),
	Manager: set(floor, StartLine, StopLine, LogLotStep, LogResult, LogCalibration, AmendAny, VoidReport, ConfirmTime,
		SignRestored, SignProduct, SignCause, SignEffect, CloseDeviation, DisposeLot, ReleaseLot, SignReview,
		ProposePlan, SignPlan, SilenceAlert, ImportReadings, ExportRecords),
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

// May says whether a role may do an act. An unknown role or act may nothing.
func May(role Role, act Act, plan Narrowing) bool {
	if !table[role][act] {
		return false
	}
	roles, named := plan[act]
	return !named || slices.Contains(roles, role)
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
// or a role that the table does not give the act, which a plan cannot do.
func (n Narrowing) Problems() []string {
	known := set(Acts())
	var out []string
	for _, act := range slices.Sorted(maps.Keys(n)) {
		if !known[act] {
			out = append(out, fmt.Sprintf("there is no act %q", act))
			continue
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
