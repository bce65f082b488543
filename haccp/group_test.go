package haccp_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
)

// register is the log of a group with one person, decided and folded side by side.
type register struct {
	t      *testing.T
	state  *haccp.State // as decided
	folded *haccp.State // as replayed
	now    time.Time
}

func newRegister(t *testing.T, id string) *register {
	t.Helper()
	r := &register{t: t, state: haccp.New(time.LoadLocation), folded: haccp.New(time.LoadLocation), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	e := &haccp.Event{Kind: haccp.KindFounded, V: 1, Seq: 1, ID: uuid.NewString(), At: r.now, RecordedAt: r.now,
		Body: &haccp.Founded{Site: id, Name: "Invented group", Format: 1}}
	for _, s := range []*haccp.State{r.state, r.folded} {
		if err := s.Apply([]*haccp.Event{e}, haccp.Facts{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.give(haccp.AskPerson, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: "p-1", Name: "Ana Test", SignIn: "ana"}}); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *register) give(kind string, ask any) error {
	r.t.Helper()
	r.now = r.now.Add(time.Minute)
	c := &haccp.Command{ID: uuid.NewString(), Kind: kind, At: r.now, AtKnown: haccp.AtServer, Ask: ask,
		By: haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}}
	out, err := r.state.Decide(c, haccp.Facts{}, r.now)
	if err != nil {
		return err
	}
	r.state = out.Next
	if err := r.folded.Apply(out.Events, haccp.Facts{}); err != nil {
		r.t.Fatal(err)
	}
	a, err := r.state.Snapshot()
	if err != nil {
		r.t.Fatal(err)
	}
	b, err := r.folded.Snapshot()
	if err != nil || string(a) != string(b) {
		r.t.Fatalf("folding gives another state (%v):\n%s\n%s", err, b, a)
	}
	return nil
}

func site(change, id, logID, reason string) *haccp.GroupSiteChange {
	return &haccp.GroupSiteChange{Change: change, GroupSite: haccp.GroupSite{Site: id, Name: "Plant " + id, LogID: logID, Key: "key", Reason: reason}}
}

func roleAt(change, person, role, id string) *haccp.SiteRoleChange {
	return &haccp.SiteRoleChange{Change: change, SiteRole: haccp.SiteRole{Person: person, Role: role, Site: id}}
}

// A group's log holds sites, people and roles per site; every role keeps the times in which it was held.
func TestGroup(t *testing.T) {
	r := newRegister(t, haccp.GroupID)
	for _, x := range []struct {
		kind string
		ask  any
	}{
		{haccp.AskGroupSite, site("added", "north", "log-1", "")}, {haccp.AskGroupSite, site("added", "south", "log-2", "")},
		{haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "north")}, {haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleAuditor, "south")},
		{haccp.AskSiteRole, roleAt("taken", "p-1", haccp.RoleManager, "north")}, {haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "north")},
		{haccp.AskGroupSite, site("retired", "south", "", "sold")},
	} {
		if err := r.give(x.kind, x.ask); err != nil {
			t.Fatal(err)
		}
	}
	north, _ := r.state.Member("north")
	if len(r.state.Members()) != 2 || len(north.Roles) != 2 || north.Roles[0].To.IsZero() || north.Roles[0].Taken == 0 ||
		!north.Holds("p-1", haccp.RoleManager).To.IsZero() || north.Holds("p-1", haccp.RoleAuditor) != nil {
		t.Fatalf("members %+v, north %+v", r.state.Members(), north)
	}
	if south, _ := r.state.Member("south"); south.Retired.IsZero() {
		t.Fatal("a retired site stands as if it belonged to the group")
	}
	if err := r.give(haccp.AskGroupSite, site("added", "south", "log-2", "")); err != nil {
		t.Fatalf("a retired site comes back: %v", err)
	}
}

// groupRefused reaches the refusals of a group's log.
func groupRefused(t *testing.T) {
	r, plain := newRegister(t, haccp.GroupID), newRegister(t, "plant")
	for _, ask := range []*haccp.GroupSiteChange{site("added", "north", "log-1", ""), site("added", "gone", "log-3", ""), site("retired", "gone", "", "sold")} {
		if err := r.give(haccp.AskGroupSite, ask); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.give(haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "north")); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		in    *register
		kind  string
		ask   any
		code  string
		field string
	}{
		{plain, haccp.AskGroupSite, site("added", "north", "log-1", ""), "not-a-group", ""},
		{plain, haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "north"), "not-a-group", ""},
		{r, haccp.AskGroupSite, site("added", "north", "log-1", ""), "site-exists", "site"},
		{r, haccp.AskGroupSite, site("added", haccp.GroupID, "log-9", ""), "site-is-group", "site"},
		{r, haccp.AskGroupSite, site("added", "gone", "log-4", ""), "other-log", "site"},
		{r, haccp.AskGroupSite, site("added", "west", "", ""), "missing", "log_id"},
		{r, haccp.AskGroupSite, site("retired", "west", "", "sold"), "unknown-site", "site"},
		{r, haccp.AskGroupSite, site("retired", "north", "", ""), "missing", "reason"},
		{r, haccp.AskGroupSite, site("moved", "north", "log-1", ""), "unknown-change", "change"},
		{r, haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "gone"), "unknown-site", "site"},
		{r, haccp.AskSiteRole, roleAt("given", "p-2", haccp.RoleManager, "north"), "unknown-person", "person"},
		{r, haccp.AskSiteRole, roleAt("given", "p-1", "chief", "north"), "unknown-role", "role"},
		{r, haccp.AskSiteRole, roleAt("given", "p-1", haccp.RoleManager, "north"), "has-role", "role"},
		{r, haccp.AskSiteRole, roleAt("taken", "p-1", haccp.RoleAuditor, "north"), "lacks-role", "role"},
		{r, haccp.AskSiteRole, roleAt("lent", "p-1", haccp.RoleAuditor, "north"), "unknown-change", "change"},
	} {
		err := x.in.give(x.kind, x.ask)
		refusal, is := errors.AsType[*haccp.Refusal](err)
		if !is || refusal.Code != x.code || refusal.Field != x.field {
			t.Errorf("%s %+v: %v, want %s (%s)", x.kind, x.ask, err, x.code, x.field)
			continue
		}
		reached[x.code]++
	}
}

// A takeover of the timetable needs a later epoch than the log's, and a sweep needs that of the log.
func TestTimetableEpoch(t *testing.T) {
	r := newRegister(t, "plant")
	by := haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}
	try := func(kind string, ask any) string {
		r.now = r.now.Add(time.Minute)
		out, err := r.state.Decide(&haccp.Command{ID: uuid.NewString(), Kind: kind, At: r.now, AtKnown: haccp.AtServer, By: by, Ask: ask}, haccp.Facts{}, r.now)
		if refusal, is := errors.AsType[*haccp.Refusal](err); is {
			return refusal.Code
		}
		if err != nil {
			t.Fatal(err)
		}
		r.state = out.Next
		return ""
	}
	take := func(epoch int64, holder string) string {
		return try(haccp.AskTimetable, &haccp.TakeTimetable{TimetableTaken: haccp.TimetableTaken{Epoch: epoch, Holder: holder}})
	}
	sweep := func(epoch int64) string { return try(haccp.AskSweep, &haccp.Sweep{Epoch: epoch}) }
	for _, x := range []struct{ what, got, want string }{
		{"nobody took it over", sweep(0), ""}, {"an epoch nobody took", sweep(1), haccp.CodeStaleEpoch}, {"first", take(1, "a"), ""},
		{"as if alone", sweep(0), haccp.CodeStaleEpoch}, {"its own", sweep(1), ""}, {"the same again", take(1, "b"), haccp.CodeStaleEpoch},
		{"a later one", take(4, "b"), ""}, {"the paused one", sweep(1), haccp.CodeStaleEpoch}, {"an older one", take(3, "a"), haccp.CodeStaleEpoch},
		{"the present one", sweep(4), ""}, {"nobody", take(5, ""), "missing"},
	} {
		if x.got != x.want {
			t.Errorf("%s: %q, want %q", x.what, x.got, x.want)
		}
	}
	if r.state.Timetable.Holder != "b" || r.state.Timetable.Epoch != 4 {
		t.Errorf("turn %+v", r.state.Timetable)
	}
}
