package demo

import (
	"time"

	"linewarden/haccp"
)

// Person is one of the invented people.
type Person struct {
	ID, Name, SignIn string
	Roles            []string
}

// The ids of those who do things in the history.
const (
	dayTech   = "marisol"
	eveTech   = "teodoro"
	spareTech = "ximena"
	dayLead   = "gaspar"
	eveLead   = "noemi"
	boss      = "herminia"
)

func people() []Person {
	return []Person{
		{dayTech, "Marisol Quebranta", dayTech, []string{haccp.RoleTechnician}},
		{eveTech, "Teodoro Almenjar", eveTech, []string{haccp.RoleTechnician}},
		{spareTech, "Ximena Torrevel", spareTech, []string{haccp.RoleTechnician}},
		{dayLead, "Gaspar Lindoro", dayLead, []string{haccp.RoleLineLead}},
		{eveLead, "Noemí Carrasquil", eveLead, []string{haccp.RoleLineLead}},
		{"aurelio", "Aurelio Peñablanda", "aurelio", []string{haccp.RoleLaboratory}},
		{boss, "Herminia Olvidares", boss, []string{haccp.RoleManager}},
		{"ismael", "Ismael Trasmonte", "ismael", []string{haccp.RoleAuditor}},
		{"perla", "Perla Zarcillo", "perla", []string{haccp.RoleAdministrator}},
	}
}

// The devices of the plant.
const (
	tablet     = "tablet-wash"
	coldLogger = "cold-room-logger"
)

var console = haccp.Actor{ID: haccp.KnownConsole, Name: haccp.KnownConsole, Role: haccp.RoleConsole, Known: haccp.KnownConsole}

// as gives the person as they are known when they do something: by PIN on the tablet, by password when
// they sign.
func (w *writer) as(id, known string) haccp.Actor {
	for _, p := range people() {
		if p.ID == id {
			return haccp.Actor{ID: id, Name: p.Name, Role: p.Roles[0], Known: known}
		}
	}
	panic("demo: nobody is called " + id)
}

// settle adds the people, their roles and the devices, and signs the plan.
func (w *writer) settle() {
	at := w.from.Add(time.Second)
	next := func() time.Time { at = at.Add(7 * time.Second); return at }
	for _, p := range people() {
		body := haccp.PersonBody{Person: p.ID, Name: p.Name, SignIn: p.SignIn}
		w.ask(next(), console, haccp.AskPerson, &haccp.PersonChange{Change: "added", PersonBody: body})
		for _, role := range p.Roles {
			w.ask(next(), console, haccp.AskPerson, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: p.ID, Role: role}})
		}
	}
	for _, d := range []haccp.DeviceBody{{Device: tablet, Name: "Tablet in the wash hall"}, {Device: coldLogger, Name: "Logger in the cold room"}} {
		w.ask(next(), console, haccp.AskDevice, &haccp.DeviceChange{Change: "enrolled", DeviceBody: d})
	}
}
