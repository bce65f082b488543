package haccp

import (
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// roles lists the roles a person may hold.
var roles = []string{RoleTechnician, RoleLineLead, RoleLaboratory, RoleManager, RoleAuditor, RoleAdministrator}

// person decides a change of a person: added, role given or taken, disabled, enabled.
func (d *deciding) person(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*PersonChange)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := checkCode("person", ask.Person); err != nil {
		return err
	}
	p, known := d.people.get(ask.Person)
	if known == (ask.Change == "added") {
		if known {
			return refuse(ErrConflict, "person", "person-exists", "there is a person %q already: ids are never used again", ask.Person)
		}
		return refuse(ErrNotFound, "person", "unknown-person", "there is no person %q", ask.Person)
	}
	kind, err := d.checkPersonChange(ask, p)
	if err != nil {
		return err
	}
	if err := short("name", ask.Name, "reason", ask.Reason, "what", ask.What); err != nil {
		return err
	}
	body := ask.PersonBody
	return d.emit(&Event{Kind: kind, About: []string{"person:" + ask.Person}, At: d.now, AtKnown: AtServer, Body: &body})
}

func (d *deciding) checkPersonChange(ask *PersonChange, p *Person) (string, error) {
	switch ask.Change {
	case "added":
		if err := wanted("name", ask.Name, "sign_in", ask.SignIn); err != nil {
			return "", err
		}
		if err := printed("name", ask.Name); err != nil {
			return "", err
		}
		if err := checkCode("sign_in", ask.SignIn); err != nil {
			return "", err
		}
		if _, taken := d.PersonBySignIn(ask.SignIn); taken {
			return "", refuse(ErrConflict, "sign_in", "sign-in-taken", "the sign-in name %q is taken", ask.SignIn)
		}
		return KindPersonAdded, nil
	case "role-given":
		if !slices.Contains(roles, ask.Role) {
			return "", invalid("role", "unknown-role", "there is no role %q: one of %s", ask.Role, strings.Join(roles, ", "))
		}
		if p.Held(ask.Role, d.now) {
			return "", refuse(ErrConflict, "role", "has-role", "%s holds this role already", p.Name)
		}
		return KindRoleGiven, nil
	case "role-taken":
		if !p.Held(ask.Role, d.now) {
			return "", refuse(ErrConflict, "role", "lacks-role", "%s does not hold this role", p.Name)
		}
		return KindRoleTaken, nil
	case "disabled":
		if p.DisabledNow() {
			return "", refuse(ErrConflict, "", "disabled-already", "%s is disabled already", p.Name)
		}
		return KindPersonDisabled, nil
	case "enabled":
		if !p.DisabledNow() {
			return "", refuse(ErrConflict, "", "not-disabled", "%s is not disabled", p.Name)
		}
		return KindPersonEnabled, nil
	}
	return "", invalid("change", "unknown-change", "there is no change %q of a person", ask.Change)
}

// printed refuses a name that would not stand in one line as it is: one with a line break, a control character,
// or a mark that turns the direction of writing.
func printed(field, name string) error {
	if i := strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }); i >= 0 || !utf8.ValidString(name) {
		return invalid(field, "bad-name", "a printed name holds printable characters only: take out line ends, tabs and control characters")
	}
	return nil
}

// device decides the enrolment or revoking of a device.
func (d *deciding) device(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*DeviceChange)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := checkCode("device", ask.Device); err != nil {
		return err
	}
	old, known := d.devices.get(ask.Device)
	kind := KindDeviceEnrolled
	switch {
	case ask.Change == "enrolled" && known:
		return refuse(ErrConflict, "device", "device-exists", "there is a device %q already: ids are never used again", ask.Device)
	case ask.Change == "enrolled":
		if err := wanted("name", ask.Name); err != nil {
			return err
		}
		if err := printed("name", ask.Name); err != nil {
			return err
		}
	case ask.Change == "revoked" && (!known || !old.Revoked.IsZero()):
		return refuse(ErrNotFound, "device", "unknown-device", "there is no enrolled device %q", ask.Device)
	case ask.Change == "revoked":
		kind = KindDeviceRevoked
	default:
		return invalid("change", "unknown-change", "there is no change %q of a device", ask.Change)
	}
	if err := short("name", ask.Name, "reason", ask.Reason); err != nil {
		return err
	}
	body := ask.DeviceBody
	return d.emit(&Event{Kind: kind, About: []string{"device:" + ask.Device}, At: d.now, AtKnown: AtServer, Body: &body})
}

// security records a happening of sign-in that the service itself noticed.
func (d *deciding) security(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*SecurityHappened)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if !slices.Contains([]string{KindCredentialChanged, KindSignInLocked, KindSignatureFailed}, ask.Kind) {
		return invalid("kind", "unknown-kind", "there is no happening %q", ask.Kind)
	}
	if err := short("person", ask.Person, "sign_in", ask.SignIn, "what", ask.What, "reason", ask.Reason); err != nil {
		return err
	}
	body, about := ask.PersonBody, "person:"+ask.Person
	if ask.Person == "" {
		about = "site" // a device or address was locked, not a person
	}
	return d.emit(&Event{Kind: ask.Kind, About: []string{about}, At: d.now, AtKnown: AtServer, Body: &body})
}

// restore records that the log was put back from a backup. It says what was put back: the records before it,
// all of them and nothing else.
func (d *deciding) restore(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*RestoreLog)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := wanted("backup", ask.Backup, "operator", ask.Operator, "root", ask.Root); err != nil {
		return err
	}
	if err := short("backup", ask.Backup, "operator", ask.Operator, "reason", ask.Reason); err != nil {
		return err
	}
	if ask.Made.IsZero() || ask.Made.After(d.now.Add(FutureTolerance)) {
		return invalid("made", "bad-made", "a backup was made at some moment in the past")
	}
	if ask.Size != d.Size {
		return refuse(ErrConflict, "size", "not-just-restored", "the log has %d records, %d were put back: this must be the next record after them", d.Size, ask.Size)
	}
	body := ask.Restored
	body.Made = body.Made.UTC().Truncate(time.Millisecond)
	return d.emit(&Event{Kind: KindRestored, About: []string{"site"}, At: d.now, AtKnown: AtServer, Body: &body})
}
