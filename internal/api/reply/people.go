package reply

import "time"

// Session is who is signed in.
type Session struct {
	Person    *PersonRef `json:"person,omitempty" doc:"Missing for a device token."`
	Device    *DeviceRef `json:"device,omitempty"`
	Known     string     `json:"known" enum:"password,PIN,device token"`
	FormToken string     `json:"form_token,omitempty" doc:"Send it as X-Form-Token with every request of this session that changes something."`
	Ends      time.Time  `json:"ends,omitzero" doc:"Of the session, in any case."`
	Grant     *Grant     `json:"grant,omitempty" doc:"After signing in on an enrolled tablet: leave to deliver reports later. See POST /session/grant."`
}

// PersonRef names a person and the roles held now.
type PersonRef struct {
	ID    string   `json:"id"`
	Name  string   `json:"name"`
	Roles []string `json:"roles"`
}

// DeviceRef names a device.
type DeviceRef struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Person is a person as the log knows them.
type Person struct {
	PersonRef
	SignIn   string `json:"sign_in,omitempty" doc:"Shown to administrators."`
	Disabled bool   `json:"disabled"`
	HasPIN   *bool  `json:"has_pin,omitempty" doc:"Shown to administrators."`
}

// People is everybody.
type People struct {
	People []Person `json:"people"`
}

// Device is an enrolled device.
type Device struct {
	DeviceRef
	Since   time.Time `json:"since"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// Devices is every device.
type Devices struct {
	Devices []Device `json:"devices"`
}

// PersonAnswer is the answer to a change of a person.
type PersonAnswer struct {
	Done
	Person    string `json:"person"`
	SetupCode string `json:"setup_code,omitempty" doc:"One-time code to choose a password with, shown once. A repeated request does not show it: ask for a new one with /people/{id}/reset."`
}

// SetupCode is a one-time code for a first or next password.
type SetupCode struct {
	Person    string `json:"person"`
	SetupCode string `json:"setup_code" doc:"Shown once. The old password and PIN no longer work, and all sessions have ended."`
}

// Grant is a delivery grant.
type Grant struct {
	Token  string    `json:"token" doc:"Shown once; the device keeps it."`
	Person string    `json:"person"`
	Device string    `json:"device"`
	From   time.Time `json:"from" doc:"Reports that happened at or after this time"`
	To     time.Time `json:"to" doc:"and at or before this time can be delivered, now or ever."`
}
