package staff

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// groupActor is who the group is in the record of a site.
var groupActor = haccp.Actor{ID: haccp.KnownGroup, Name: "Group", Role: haccp.RoleGroup, Known: haccp.KnownGroup}

// settling brings what a group's log says of people into the log of one of its sites. Only what the group has
// said something about is touched: people and roles that the site gave by itself stay.
type settling struct {
	ctx   context.Context //nolint:containedctx // of one round
	site  *plant.Site
	group *haccp.State
	errs  []error
}

// Settle brings what a group's log says of the people at one of its sites into the log of that site. What is done
// already is not done again, whoever did it.
func Settle(ctx context.Context, site *plant.Site, group *haccp.State, m *haccp.Member) error {
	s := &settling{ctx: ctx, site: site, group: group}
	last := map[[2]string]*haccp.MemberRole{}
	for i := range m.Roles {
		last[[2]string{m.Roles[i].Person, m.Roles[i].Role}] = &m.Roles[i]
	}
	for i := range m.Roles {
		r := &m.Roles[i]
		if last[[2]string{r.Person, r.Role}] == r && s.person(r) {
			s.role(r)
			s.standing(r.Person)
		}
	}
	return errors.Join(s.errs...)
}

// person sees to it that the site knows the person; false where it cannot.
func (s *settling) person(r *haccp.MemberRole) bool {
	p, ok := s.group.Person(r.Person)
	if !ok {
		return false
	}
	at, known := s.site.View().Person(r.Person)
	if known {
		if access.SignInName(at.SignIn) != access.SignInName(p.SignIn) {
			s.errs = append(s.errs, fmt.Errorf("person %s signs in as %q there and as %q in the group: they are not taken for the same", r.Person, at.SignIn, p.SignIn))
			return false
		}
		return true
	}
	if !r.To.IsZero() {
		return false // nothing to take from somebody who never was there
	}
	return s.do("added", r.Seq, haccp.PersonBody{Person: p.ID, Name: p.Name, SignIn: p.SignIn})
}

// role gives or takes the role.
func (s *settling) role(r *haccp.MemberRole) {
	at, ok := s.site.View().Person(r.Person)
	if !ok {
		return
	}
	holds := false
	for _, x := range at.Roles {
		holds = holds || x.Role == r.Role && x.To.IsZero()
	}
	switch {
	case r.To.IsZero() && !holds:
		s.do("role-given", r.Seq, haccp.PersonBody{Person: r.Person, Role: r.Role})
	case !r.To.IsZero() && holds:
		s.do("role-taken", r.Taken, haccp.PersonBody{Person: r.Person, Role: r.Role})
	}
}

// standing disables the person where the group has, and enables again whom the group disabled.
func (s *settling) standing(person string) {
	p, _ := s.group.Person(person)
	at, ok := s.site.View().Person(person)
	if p == nil || !ok || len(p.Disabled) == 0 {
		return
	}
	gap := p.Disabled[len(p.Disabled)-1]
	switch {
	case p.DisabledNow() && !at.DisabledNow():
		s.do("disabled", gap.From.UnixMilli(), haccp.PersonBody{Person: person})
	case !p.DisabledNow() && at.DisabledNow():
		if from := at.Disabled[len(at.Disabled)-1].From; !from.Before(gap.From) && !from.After(gap.To) {
			s.do("enabled", gap.To.UnixMilli(), haccp.PersonBody{Person: person})
		}
	}
}

// do gives the command. Its id follows from what the group recorded, so that instances that do the same do it
// once.
func (s *settling) do(change string, cause int64, b haccp.PersonBody) bool {
	site, _ := s.site.Name()
	b.Reason = "recorded in the group's log"
	if change == "added" || strings.HasPrefix(change, "role") {
		b.Reason += ", record " + strconv.FormatInt(cause, 10)
	}
	id := record.DerivedID(record.SiteNamespace(site), "group", s.group.Site.LogID, change, b.Person, b.Role, strconv.FormatInt(cause, 10))
	_, err := s.site.Do(s.ctx, plant.Request{Command: &haccp.Command{ID: id.String(), Kind: haccp.AskPerson, At: s.group.LastRecorded,
		AtKnown: haccp.AtServer, By: groupActor, Ask: &haccp.PersonChange{Change: change, PersonBody: b}}})
	if err != nil {
		s.errs = append(s.errs, fmt.Errorf("%s %s: %w", change, b.Person, err))
	}
	return err == nil
}
