package firstrun

import (
	"path/filepath"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/plant"
	page "linewarden/internal/web/firstrun"
)

func options(t *testing.T, dir string) Options {
	t.Helper()
	f, err := app.OpenFolder(t.Context(), dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
	set := access.Defaults()
	set.Params, set.WeakHashes = access.Params{Memory: 8, Time: 1, Threads: 1}, true
	return Options{Folder: f, Clock: time.Now, Access: &set}
}

var elena = page.Wish{Site: "agua-clara", Name: "Agua Clara", Plan: "site: agua-clara\n", Person: "Elena Ruiz", SignIn: "elena", Password: "cedar lamp quarry nine"}

// needed says whether the first run is needed, and what stands already.
func needed(t *testing.T, o Options) (bool, page.Standing) {
	t.Helper()
	yes, standing, err := Needed(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return yes, standing
}

func TestFound(t *testing.T) {
	o := options(t, filepath.Join(t.TempDir(), "data"))
	if yes, s := needed(t, o); !yes || s != (page.Standing{}) {
		t.Fatalf("an empty folder: %t %+v", yes, s)
	}
	weak := elena
	weak.Password = "agua clara agua clara"
	if err := o.found(t.Context(), weak); err == nil {
		t.Error("a password that leans on the plant's name is taken")
	}
	if sites, err := o.Folder.Sites(t.Context()); err != nil || len(sites) != 0 {
		t.Fatalf("a refused password founds %v: %v", sites, err)
	}
	if err := o.found(t.Context(), elena); err != nil {
		t.Fatal(err)
	}
	if yes, _ := needed(t, o); yes {
		t.Error("still needed")
	}
	text, err := o.Folder.Draft("agua-clara").Text()
	if err != nil || text != elena.Plan {
		t.Errorf("draft %q: %v", text, err)
	}
	err = o.with(t.Context(), "agua-clara", func(site *plant.Site, door *access.Gate) error {
		p, ok := site.View().PersonBySignIn("elena")
		if !ok || !p.Held(haccp.RoleManager, time.Now()) || !p.Held(haccp.RoleAdministrator, time.Now()) {
			t.Errorf("%t %+v", ok, p)
		}
		if len(site.View().Plans) != 0 {
			t.Error("a plan is in force unsigned")
		}
		_, err := door.SignIn(t.Context(), "elena", elena.Password, access.Source{}, time.Now())
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// Cut at any point between the founding and the password, it is taken up there, whatever was asked for the second time.
func TestFoundResumed(t *testing.T) {
	for name, done := range map[string]func(Options) error{
		"after the founding": func(o Options) error {
			return o.Folder.Found(t.Context(), plant.Founding{Site: elena.Site, Name: elena.Name}, o.Clock)
		},
		"after the person": func(o Options) error {
			if err := o.Folder.Found(t.Context(), plant.Founding{Site: elena.Site, Name: elena.Name}, o.Clock); err != nil {
				return err
			}
			return o.with(t.Context(), elena.Site, func(site *plant.Site, _ *access.Gate) error {
				return o.change(t.Context(), site, "added", haccp.PersonBody{Person: firstID(elena.Site), Name: elena.Person, SignIn: elena.SignIn})
			})
		},
	} {
		t.Run(name, func(t *testing.T) {
			o := options(t, filepath.Join(t.TempDir(), "data"))
			if err := done(o); err != nil {
				t.Fatal(err)
			}
			yes, standing := needed(t, o)
			if !yes || standing.Site != "agua-clara" || (standing.SignIn == "elena") != (name == "after the person") {
				t.Fatalf("%t %+v", yes, standing)
			}
			w := elena
			w.Plan = ""
			if err := o.found(t.Context(), w); err != nil {
				t.Fatal(err)
			}
			if yes, _ := needed(t, o); yes {
				t.Error("still needed")
			}
			if err := o.found(t.Context(), w); err == nil {
				t.Error("a second first password is taken")
			}
		})
	}
}

// A demo that the console founded is served as it is: nobody signs in there.
func TestDemoIsNotTakenOver(t *testing.T) {
	o := options(t, filepath.Join(t.TempDir(), "data"))
	if err := o.Folder.Found(t.Context(), plant.Founding{Site: "demo", Name: "Demo", Demo: true}, o.Clock); err != nil {
		t.Fatal(err)
	}
	if yes, _ := needed(t, o); yes {
		t.Error("the first run takes over a demo")
	}
}
