package accesstest

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"linewarden/internal/access"
)

func wantGrant(t *testing.T, s access.Grants, hash, want string, to time.Time) {
	t.Helper()
	person, device, known, from, until, found, err := s.Grant(t.Context(), hash)
	must(t, err)
	got := fmt.Sprint(person, "|", device, "|", known)
	if found != (want != "") || (found && got != want) {
		t.Fatalf("grant %s: %s, found %v; want %q", hash, got, found, want)
	}
	if found && (!from.Equal(kept(t0)) || !until.Equal(kept(to)) || until.Location() != time.UTC) {
		t.Errorf("grant %s covers %v to %v; want to %v", hash, from, until, kept(to))
	}
}

func grants(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	to := t0.Add(72 * time.Hour)
	wantGrant(t, s, "g1", "", t0)
	must(t, s.AddGrant(ctx, "g1", "s1", "ana", "t1", "PIN", t0, to))
	must(t, s.AddGrant(ctx, "g2", "s2", "bo", "t1", "password", t0, to))
	if err := s.AddGrant(ctx, "g1", "s3", "eve", "t1", "PIN", t0, to); err == nil {
		t.Error("the same hash was added twice")
	}
	wantGrant(t, s, "g1", "ana|t1|PIN", to)
	wantGrant(t, s, "g2", "bo|t1|password", to)

	later := t0.Add(time.Hour)
	must(t, s.AddGrant(ctx, "g3", "s3", "cy", "t1", "PIN", later, to))
	must(t, s.AddGrant(ctx, "g4", "s4", "di", "t2", "PIN", later.Add(time.Hour), to))
	for _, c := range []struct {
		device string
		at     time.Time
		want   string
	}{{"t1", t0.Add(-time.Second), ""}, {"t1", t0, "bo"}, {"t1", later.Add(-time.Second), "bo"}, {"t1", later, "cy"}, {"t1", to.Add(1000 * time.Hour), "cy"},
		{"t2", later, ""}, {"t2", to, "di"}, {"t3", to, ""}} {
		person, found, err := s.LastGrant(ctx, c.device, c.at)
		must(t, err)
		if person != c.want || found != (c.want != "") {
			t.Errorf("last on %s at %v: %q, found %v; want %q", c.device, c.at.Sub(t0), person, found, c.want)
		}
	}
}

func grantEnds(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	to := t0.Add(72 * time.Hour)
	for hash, x := range map[string][3]string{"a": {"s1", "ana", "t1"}, "b": {"s2", "ana", "t2"}, "c": {"s3", "bo", "t1"}, "d": {"s4", "cy", "t2"}, "e": {"s1", "ana", "t1"}} {
		must(t, s.AddGrant(ctx, hash, x[0], x[1], x[2], "PIN", t0, to))
	}
	if n, err := s.EndGrants(ctx, "", "", "", t0); err == nil || n != 0 {
		t.Errorf("ended %d grants of nobody, error %v; want an error", n, err)
	}
	for i, c := range []struct {
		session, person, device string
		after                   time.Duration
		ended                   int
		left                    string
	}{
		{"s1", "", "", 3 * time.Hour, 2, "a3 b72 c72 d72 e3"},
		{"s1", "", "", 4 * time.Hour, 0, "a3 b72 c72 d72 e3"}, // never moved forward
		{"", "ana", "", 2 * time.Hour, 3, "a2 b2 c72 d72 e2"},
		{"", "bo", "t2", time.Hour, 0, "a2 b2 c72 d72 e2"},
		{"", "", "t2", -time.Hour, 2, "a2 b0 c72 d0 e2"}, // not before its begin
		{"s9", "", "", time.Hour, 0, "a2 b0 c72 d0 e2"},
	} {
		n, err := s.EndGrants(ctx, c.session, c.person, c.device, t0.Add(c.after))
		must(t, err)
		var left []string
		for _, hash := range []string{"a", "b", "c", "d", "e"} {
			_, _, _, _, until, found, err := s.Grant(ctx, hash)
			must(t, err)
			if !found {
				t.Fatalf("grant %s is gone", hash)
			}
			left = append(left, fmt.Sprint(hash, until.Sub(kept(t0)).Hours()))
		}
		if got := strings.Join(left, " "); n != c.ended || got != c.left {
			t.Errorf("end %d: %d ended, %s; want %d, %s", i, n, got, c.ended, c.left)
		}
	}
}
