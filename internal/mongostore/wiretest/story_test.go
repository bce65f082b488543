package wiretest

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// The stories of testdata run the program as a person does, against the server. $DB1 to $DB3 are files with the
// URI of a fresh database each.
func TestStories(t *testing.T) {
	root, err := filepath.Abs(filepath.Join("..", "..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	bin := t.TempDir()
	build := exec.Command("go", "build", "-buildvcs=false", "-o", filepath.Join(bin, "linewarden"), "./cmd/linewarden")
	build.Dir = root
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata", RequireExplicitExec: true, RequireUniqueNames: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", bin+string(filepath.ListSeparator)+e.Getenv("PATH"))
			e.Setenv("REPO", root)
			for n := 1; n <= 3; n++ {
				file := filepath.Join(e.WorkDir, fmt.Sprint("uri", n))
				name := RandomDatabase()
				uri, err := Within(server.URI, name)
				if err == nil {
					err = os.WriteFile(file, []byte(uri+"\n"), 0o600)
				}
				if err != nil {
					return err
				}
				e.Setenv(fmt.Sprint("DB", n), file)
				e.Defer(func() {
					ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
					defer cancel()
					if err := Drop(ctx, server.URI, name); err != nil {
						t.Error(err)
					}
				})
			}
			for _, name := range []string{"ADDR", "ADDR2"} {
				l, err := net.Listen("tcp", "127.0.0.1:0")
				if err != nil {
					return err
				}
				e.Setenv(name, l.Addr().String())
				if err := l.Close(); err != nil {
					return err
				}
			}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"ready": ready},
	})
}

// ready is "ready ADDR": it waits until the service there is ready.
func ready(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: ready ADDR")
	}
	last := errors.New("not asked")
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		res, err := http.Get("http://" + args[0] + "/readyz")
		if err != nil {
			last = err
			continue
		}
		res.Body.Close()
		if res.StatusCode == http.StatusOK {
			return
		}
		last = errors.New(res.Status)
	}
	ts.Check(last)
}
