package alarm

import (
	"slices"
	"testing"
	"time"

	"linewarden/haccp/plan"
)

var sounded = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) // 06:00 in America/Merida

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func ladder(t *testing.T) Terms {
	p := &plan.Plan{
		Shifts: []plan.Shift{{ID: "day", From: plan.At(6, 0), To: plan.At(18, 0)}, {ID: "night", From: plan.At(18, 0), To: plan.At(6, 0)}},
		Alerts: plan.Alerts{Retest: plan.Of(20, "min"), Ladder: []plan.Rung{
			{After: plan.Of(30, "min"), Roles: []string{"manager"}, Severities: []string{Critical}},
			{Roles: []string{"technician"}},
			{After: plan.Of(10, "min"), Shifts: []string{"day"}, Roles: []string{"line_lead"}},
			{After: plan.Of(10, "min"), Shifts: []string{"night"}, Roles: []string{"manager"}},
		}}}
	return TermsOf(p, zone(t, "America/Merida"))
}

func TestLadder(t *testing.T) {
	terms := ladder(t)
	if terms.Retest != 20*time.Minute || terms.Repeat != DefaultRepeat || terms.Gather != DefaultGather {
		t.Fatalf("terms %+v", terms)
	}
	for _, x := range []struct {
		name     string
		severity string
		begin    time.Time
		passed   time.Duration
		reached  int64
		ack      bool
		after    int64
		roles    []string
	}{
		{"nothing yet", Critical, sounded, 10*time.Minute - 1, 0, false, 0, nil},
		{"the lead by day", Critical, sounded, 10 * time.Minute, 0, false, 600, []string{"line_lead"}},
		{"the manager by night", Critical, sounded.Add(13 * time.Hour), 10 * time.Minute, 0, false, 600, []string{"manager"}},
		{"a step is taken once", Critical, sounded, 29 * time.Minute, 600, false, 0, nil},
		{"what a stopped hour left out comes together", Critical, sounded, time.Hour, 0, false, 1800, []string{"line_lead", "manager"}},
		{"a warning ends with the lead", Warning, sounded, time.Hour, 0, false, 600, []string{"line_lead"}},
		{"taken on", Critical, sounded, time.Hour, 0, true, 0, nil},
		{"the clock stepped back", Critical, sounded, -time.Hour, 0, false, 0, nil},
	} {
		a := &Alert{Raised: Raised{Severity: x.severity}, Sounded: x.begin, Reached: x.reached}
		if x.ack {
			a.Ack = &Ack{At: x.begin}
		}
		got, _ := terms.Due(a, x.begin.Add(x.passed))
		if got.After != x.after || !slices.Equal(got.Roles, x.roles) {
			t.Errorf("%s: step %+v, want %d %v", x.name, got, x.after, x.roles)
		}
	}
	if got := terms.First(Warning, sounded); !slices.Equal(got, []string{"technician"}) {
		t.Errorf("told at once: %v", got)
	}
}

// A shift is a span of the wall clock: on the days a clock changes, an instant belongs to the shift its local
// time reads (Europe/Madrid, 29 March and 25 October 2026; IANA time zone database).
func TestShiftsWhereTheClockChanges(t *testing.T) {
	terms := Terms{Zone: zone(t, "Europe/Madrid"), Shifts: []plan.Shift{{ID: "early", From: plan.At(0, 0), To: plan.At(2, 30)}, {ID: "late", From: plan.At(2, 30), To: plan.At(0, 0)}}}
	for _, x := range []struct{ at, want string }{
		{"2026-03-29T00:59:59Z", "early"}, // 01:59:59
		{"2026-03-29T01:00:00Z", "late"},  // 03:00, 02:30 never comes
		{"2026-10-25T00:29:59Z", "early"}, // 02:29:59 summer time
		{"2026-10-25T00:30:00Z", "late"},
		{"2026-10-25T01:00:00Z", "early"}, // 02:00 again
		{"2026-10-25T01:30:00Z", "late"},
	} {
		at, err := time.Parse(time.RFC3339, x.at)
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := terms.Shift(at); !ok || s.ID != x.want {
			t.Errorf("%s is in shift %q, want %q", x.at, s.ID, x.want)
		}
	}
	if _, ok := (&Terms{}).Shift(sounded); ok {
		t.Error("a shift without shifts")
	}
}

func TestNextWants(t *testing.T) {
	terms := ladder(t)
	a := &Alert{Raised: Raised{Severity: Critical}, Sounded: sounded}
	if got := terms.Next(a, sounded); !got.Equal(sounded.Add(10 * time.Minute)) {
		t.Errorf("first step at %s", got)
	}
	if got := terms.Next(a, sounded.Add(time.Hour)); !got.IsZero() {
		t.Errorf("a step after the last: %s", got)
	}
	a = a.Acknowledge("p", "P", "x", sounded.Add(time.Minute))
	if got := terms.Next(a, sounded.Add(2*time.Minute)); !got.Equal(sounded.Add(21 * time.Minute)) {
		t.Errorf("a cure is wanted by %s", got)
	}
	if got := terms.Next(a.End(sounded), sounded); !got.IsZero() {
		t.Errorf("a cleared alert wants something at %s", got)
	}
}

func TestAtLeast(t *testing.T) {
	for _, x := range []struct {
		severity, least string
		want            bool
	}{{Critical, Warning, true}, {Warning, Warning, true}, {Notice, Warning, false}, {Notice, "", true}, {"", Warning, false}} {
		if AtLeast(x.severity, x.least) != x.want {
			t.Errorf("%q at least %q: %v", x.severity, x.least, !x.want)
		}
	}
	if !slices.Equal(Severities(), plan.Severities()) {
		t.Error("the severities of a plan are others")
	}
}
