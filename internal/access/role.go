package access

import "slices"

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

// An Act is a thing one may or may not do that leaves nothing in the record log by itself. Who may give
// which command is a rule of control and stands in package haccp.
type Act = string

// The acts.
const (
	ReadRecords   Act = "records.read"
	ExportRecords Act = "records.export"
	ManagePeople  Act = "people.manage"  // see accounts, give set-up codes, unlock
	ManageDevices Act = "devices.manage" // see, enrol and revoke devices
)

// table is the whole of what each role may do. A plan cannot narrow it: one that did would lock everybody
// out of correcting it.
var table = map[Act][]Role{
	ReadRecords:   {Technician, LineLead, Laboratory, Manager, Auditor, Administrator},
	ExportRecords: {Manager, Auditor},
	ManagePeople:  {Administrator},
	ManageDevices: {Administrator},
}

// May says whether a role may do an act. An unknown role or act may nothing.
func May(role Role, act Act) bool { return slices.Contains(table[act], role) }

// MayAny says whether one of the roles may do an act, and which is the first.
func MayAny(roles []Role, act Act) (Role, bool) {
	for _, r := range roles {
		if May(r, act) {
			return r, true
		}
	}
	return "", false
}
