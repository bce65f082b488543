package web

import (
	"slices"
	"strings"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// peoplePage is where an administrator adds people, gives and takes roles, and makes one-time codes.
type peoplePage struct {
	*frame.Frame
	Form         frame.Form
	People       []personRow
	AllRoles     []string
	Name, SignIn string
	Chosen       string // role ticked for the new person
	Code         string // one-time code, shown once
	CodeFor      string
	CodeName     string // to sign in with
	SlipAddress  string // where the code is used
	SlipQR       *frame.QR
	Sites        []string // of a group
}

type personRow struct {
	ID, Name, SignIn string
	Roles, Can       []string
	Disabled         bool
	AtSites          []string // roles at the sites of a group, worded
}

func (s *Server) newPeoplePage(f *frame.Frame) (*peoplePage, error) {
	if !f.May(haccp.AskPerson) {
		return nil, &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	}
	p := &peoplePage{Frame: f, Form: frame.NewForm(), AllRoles: access.Roles()}
	for _, x := range s.site.View().People() {
		row := personRow{ID: x.ID, Name: x.Name, SignIn: x.SignIn, Roles: x.RolesNow(), Disabled: x.DisabledNow()}
		for _, r := range access.Roles() {
			if !slices.Contains(row.Roles, r) {
				row.Can = append(row.Can, r)
			}
		}
		row.AtSites = f.RolesAtSites(x.ID)
		p.People = append(p.People, row)
	}
	p.Sites = f.MemberSites()
	slices.SortFunc(p.People, func(a, b personRow) int { return strings.Compare(a.Name, b.Name) })
	return p, nil
}

func (s *Server) peopleList(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newPeoplePage(f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "people", f.T("people.title"), p)
}

// personAdd adds a person with a first role, and makes the code with which they choose a password.
func (s *Server) personAdd(c *fiber.Ctx, f *frame.Frame) error {
	form := frame.ReadForm(c)
	name, signIn, role := strings.TrimSpace(c.FormValue("name")), access.SignInName(c.FormValue("sign_in")), c.FormValue("role")
	// Ids follow from the command, so that the form sent twice adds one person.
	id := uuid.NewSHA1(uuid.MustParse(form.Command), []byte("person")).String()
	_, err := s.ask(c, f, &form, haccp.AskPerson, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: id, Name: name, SignIn: signIn}})
	if err == nil {
		second := form
		second.Command = uuid.NewSHA1(uuid.MustParse(form.Command), []byte("role")).String()
		_, err = s.ask(c, f, &second, haccp.AskPerson, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: id, Role: role}})
	}
	if err == nil {
		return s.code(c, f, id)
	}
	p, perr := s.newPeoplePage(f)
	if perr != nil {
		return perr
	}
	p.Form, p.Name, p.SignIn, p.Chosen = form, name, c.FormValue("sign_in"), role
	status := s.refused(c, f, &p.Form, err, map[string]string{"name": "name", "sign_in": "sign_in"})
	return s.show(c, status, "people", f.T("people.title"), p)
}

// code makes a one-time code and shows it.
func (s *Server) code(c *fiber.Ctx, f *frame.Frame, person string) error {
	code, err := s.door.IssueSetup(c.UserContext(), f.Who.Person.ID, person, s.clock())
	if err != nil {
		return err
	}
	p, err := s.newPeoplePage(f)
	if err != nil {
		return err
	}
	p.Code = code
	for _, x := range p.People {
		if x.ID == person {
			p.CodeFor, p.CodeName = x.Name, x.SignIn
		}
	}
	p.SlipAddress = c.BaseURL() + s.root + "/set-up"
	if p.SlipQR, err = frame.NewQR(p.SlipAddress); err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "people", f.T("people.title"), p)
}

// personChange changes a role or the standing of a person, or makes a new code.
func (s *Server) personChange(c *fiber.Ctx, f *frame.Frame) error {
	id, change := c.Params("id"), c.FormValue("change")
	form := frame.ReadForm(c)
	var err error
	switch {
	case f.Stale:
		err = gate.ErrFormToken
	case !f.May(haccp.AskPerson):
		err = &haccp.Refusal{Kind: haccp.ErrForbidden, Code: "role-may-not", Message: f.T("refusal.role-may-not")}
	case change == "code":
		return s.code(c, f, id)
	case change == "unlock":
		err = s.door.Unlock(c.UserContext(), f.Who.Person.ID, id, s.clock())
	default:
		_, err = s.ask(c, f, &form, haccp.AskPerson, &haccp.PersonChange{Change: change, PersonBody: haccp.PersonBody{Person: id, Role: c.FormValue("role")}})
		if err == nil && change == "disabled" {
			err = s.door.EndPerson(c.UserContext(), id, s.clock())
		}
		if err == nil && s.group != nil {
			err = s.group.Settle(c.UserContext())
		}
	}
	if err == nil {
		return s.redirect(c, "/people")
	}
	p, perr := s.newPeoplePage(f)
	if perr != nil {
		return perr
	}
	status := s.refused(c, f, &p.Form, err, nil)
	return s.show(c, status, "people", f.T("people.title"), p)
}
