package haccp

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// GroupID is the id of the log of a group, in which its sites, its people and their roles at each site are
// recorded. No plant has this id.
const GroupID = "group"

// Member is a site of a group, as the group's log knows it.
type Member struct {
	Site    string       `json:"site"`
	Name    string       `json:"name"`
	LogID   string       `json:"log_id"`
	Key     string       `json:"key"`
	Added   time.Time    `json:"added"`
	Retired time.Time    `json:"retired,omitzero"`
	Roles   []MemberRole `json:"roles,omitempty"` // in the order in which they were given
}

// MemberRole is the time in which a person holds a role at a site by the group's log.
type MemberRole struct {
	Person string `json:"person"`
	Seq    int64  `json:"seq"` // record that gave it
	Taken  int64  `json:"taken,omitempty"`
	RoleSpan
}

// Holds returns what the group's log says last about a person and a role at the site; nil where it says nothing.
func (m *Member) Holds(person, role string) *MemberRole {
	for i := len(m.Roles) - 1; i >= 0; i-- {
		if m.Roles[i].Person == person && m.Roles[i].Role == role {
			return &m.Roles[i]
		}
	}
	return nil
}

// IsGroup reports whether this is the log of a group.
func (s *State) IsGroup() bool { return s.Site.Site == GroupID }

// Members returns every site of a group, in the order of their ids.
func (s *State) Members() []*Member {
	var out []*Member
	for _, m := range s.sites.all() {
		out = append(out, m)
	}
	return out
}

// Member returns a site of a group by id.
func (s *State) Member(site string) (*Member, bool) { return s.sites.get(site) }

func (d *deciding) checkGroup() error {
	if !d.IsGroup() {
		return refuse(ErrConflict, "", "not-a-group", "this is the log of a site, not of a group")
	}
	return nil
}

// groupSite decides that a site joins the group or is retired from it.
func (d *deciding) groupSite(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*GroupSiteChange)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := cmp.Or(d.checkGroup(), short("name", ask.Name, "reason", ask.Reason, "site", ask.Site, "log_id", ask.LogID)); err != nil {
		return err
	}
	m, known := d.sites.get(ask.Site)
	kind := KindSiteAdded
	switch {
	case ask.Change == "added" && known && m.Retired.IsZero():
		return refuse(ErrConflict, "site", "site-exists", "the site %q belongs to the group already", ask.Site)
	case ask.Change == "added":
		if err := wanted("site", ask.Site, "name", ask.Name, "log_id", ask.LogID, "key", ask.Key); err != nil {
			return err
		}
		if ask.Site == GroupID {
			return invalid("site", "site-is-group", "the group is no site of its own")
		}
		if known && m.LogID != ask.LogID {
			return refuse(ErrConflict, "site", "other-log", "the site %q had another log when it belonged to the group before", ask.Site)
		}
	case ask.Change == "retired" && (!known || !m.Retired.IsZero()):
		return refuse(ErrNotFound, "site", "unknown-site", "the group has no site %q", ask.Site)
	case ask.Change == "retired":
		if err := wanted("reason", ask.Reason); err != nil {
			return err
		}
		kind = KindSiteRetired
	default:
		return invalid("change", "unknown-change", "there is no change %q of a site", ask.Change)
	}
	return d.emit(&Event{Kind: kind, About: []string{"site:" + ask.Site}, At: d.now, AtKnown: AtServer, Body: new(ask.GroupSite)})
}

// siteRole decides that a person of the group holds a role at one of its sites, or no longer.
func (d *deciding) siteRole(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*SiteRoleChange)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := cmp.Or(d.checkGroup(), short("reason", ask.Reason)); err != nil {
		return err
	}
	m, known := d.sites.get(ask.Site)
	if !known || !m.Retired.IsZero() {
		return refuse(ErrNotFound, "site", "unknown-site", "the group has no site %q", ask.Site)
	}
	p, known := d.people.get(ask.Person)
	if !known {
		return refuse(ErrNotFound, "person", "unknown-person", "there is no person %q", ask.Person)
	}
	if !slices.Contains(roles, ask.Role) {
		return invalid("role", "unknown-role", "there is no role %q: one of %s", ask.Role, strings.Join(roles, ", "))
	}
	last := m.Holds(ask.Person, ask.Role)
	holds := last != nil && last.To.IsZero()
	kind := KindSiteRoleGiven
	switch {
	case ask.Change == "given" && holds:
		return refuse(ErrConflict, "role", "has-role", "%s holds this role already", p.Name)
	case ask.Change == "taken" && !holds:
		return refuse(ErrConflict, "role", "lacks-role", "%s does not hold this role", p.Name)
	case ask.Change == "taken":
		kind = KindSiteRoleTaken
	case ask.Change != "given":
		return invalid("change", "unknown-change", "there is no change %q of a role", ask.Change)
	}
	return d.emit(&Event{Kind: kind, About: []string{"person:" + ask.Person, "site:" + ask.Site}, At: d.now, AtKnown: AtServer,
		Body: new(ask.SiteRole)})
}

func (s *State) foldGroupSite(e *Event, b *GroupSite) {
	var m Member
	if old, ok := s.sites.get(b.Site); ok {
		m = *old
	}
	if e.Kind == KindSiteRetired {
		m.Retired = e.At
	} else {
		m.Site, m.Name, m.LogID, m.Key, m.Added, m.Retired = b.Site, b.Name, b.LogID, b.Key, e.At, time.Time{}
	}
	s.sites.set(b.Site, &m)
}

func (s *State) foldSiteRole(e *Event, b *SiteRole) {
	m := Member{Site: b.Site}
	if old, ok := s.sites.get(b.Site); ok {
		m = *old
	}
	m.Roles = slices.Clone(m.Roles)
	if e.Kind == KindSiteRoleGiven {
		m.Roles = append(m.Roles, MemberRole{Person: b.Person, Seq: e.Seq, RoleSpan: RoleSpan{Role: b.Role, From: e.At}})
	} else if last := m.Holds(b.Person, b.Role); last != nil {
		last.To, last.Taken = e.At, e.Seq
	}
	s.sites.set(b.Site, &m)
}
