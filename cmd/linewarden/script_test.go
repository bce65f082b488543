package main

import (
	"bytes"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"linewarden": main})
}

// The stories of testdata/scripts run the program as a person does, each in a folder of its own.
func TestScripts(t *testing.T) {
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join(root, "testdata", "scripts"),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			address, err := freeAddress()
			e.Setenv("REPO", root)
			e.Setenv("ADDR", address)
			return err
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"replace": replaceCommand, "cut": cutCommand, "ready": waitCommand, "answers": answersCommand,
		},
	})
}

// freeAddress gives an address on this machine that nobody listens on at the moment.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// replaceCommand is "replace FILE OLD NEW": every OLD of the file becomes NEW; there must be one.
func replaceCommand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: replace FILE OLD NEW")
	}
	file := ts.MkAbs(args[0])
	b, err := os.ReadFile(file)
	ts.Check(err)
	if !bytes.Contains(b, []byte(args[1])) {
		ts.Fatalf("%s does not hold %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(file, bytes.ReplaceAll(b, []byte(args[1]), []byte(args[2])), 0o600))
}

// cutCommand is "cut FILE TEXT": the first line with the text goes.
func cutCommand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: cut FILE TEXT")
	}
	file := ts.MkAbs(args[0])
	b, err := os.ReadFile(file)
	ts.Check(err)
	lines := strings.SplitAfter(string(b), "\n")
	for i, l := range lines {
		if strings.Contains(l, args[1]) {
			ts.Check(os.WriteFile(file, []byte(strings.Join(append(lines[:i], lines[i+1:]...), "")), 0o600))
			return
		}
	}
	ts.Fatalf("%s does not hold %q", args[0], args[1])
}

// waitCommand is "ready ADDR": it waits until the service there is ready.
func waitCommand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: ready ADDR")
	}
	ts.Check(awaitReady("http://" + args[0]))
}

// answersCommand is "answers ADDR": it waits until the service answers, whether it is ready or not.
func answersCommand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: answers ADDR")
	}
	ts.Check(await("http://" + args[0] + "/healthz"))
}

func awaitReady(url string) error { return await(url + "/readyz") }

func await(url string) error {
	last := errors.New("not asked")
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		res, err := http.Get(url)
		if err != nil {
			last = err
			continue
		}
		last = errors.Join(res.Body.Close())
		if res.StatusCode == http.StatusOK {
			return last
		}
		last = errors.New(res.Status)
	}
	return last
}
