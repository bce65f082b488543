package access

import (
	"errors"
	"strings"
	"testing"

	"linewarden/internal/memstore"
)

func TestFirstPassword(t *testing.T) {
	s := newSite(t, memstore.NewAccounts(), cheap())
	s.people.persons["p-ana"] = Person{ID: "p-ana", SignIn: "ana", Name: "Ana"}
	ctx := t.Context()
	if has, err := s.HasWayIn(ctx, "p-ana"); has || err != nil {
		t.Fatal("a way in before any", err)
	}
	var weak *Weak
	if err := s.FirstPassword(ctx, "console", "p-ana", "short", t0); !errors.As(err, &weak) {
		t.Errorf("a short password: %v", err)
	}
	wantErr(t, "nobody", s.FirstPassword(ctx, "console", "p-nobody", anaPassword, t0), ErrUnknown)
	if err := s.FirstPassword(ctx, "console", "p-ana", anaPassword, t0); err != nil {
		t.Fatal(err)
	}
	s.mustSignIn("ana", anaPassword, t0)
	wantErr(t, "a second first one", s.FirstPassword(ctx, "console", "p-ana", boPassword, t0), ErrHasWayIn)
	s.mustSignIn("ana", anaPassword, t0)
}

func TestSameCode(t *testing.T) {
	code := NewOneTimeCode()
	for typed, want := range map[string]bool{code: true, strings.ToUpper(code): true, strings.ReplaceAll(code, "-", " "): true, "": false,
		code[:18]: false, NewOneTimeCode(): false} {
		if SameCode(code, typed) != want {
			t.Errorf("%q for %q: %t", typed, code, !want)
		}
	}
}
