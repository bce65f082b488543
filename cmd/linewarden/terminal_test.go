package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"
)

// Progress is shown on a terminal only, not more than a few times a second, and taken away before any
// other line.
func TestProgress(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var out, result bytes.Buffer
	term := &terminal{out: &result, err: &out, now: func() time.Time { return now }, live: true}
	show := term.progress("importing", "rows")
	for i := range int64(1000) { // a second of work
		now = now.Add(time.Millisecond)
		show(i, 2000)
	}
	if n := strings.Count(out.String(), "importing:"); n < 3 || n > 6 {
		t.Errorf("shown %d times in a second:\n%q", n, out.String())
	}
	if !strings.Contains(out.String(), " of 2000 rows (") {
		t.Errorf("%q", out.String())
	}
	out.Reset()
	term.print("done")
	if out.String() != "\r\x1b[K" || result.String() != "done\n" {
		t.Errorf("%q %q", out.String(), result.String())
	}
	out.Reset()
	now = now.Add(time.Second)
	show(7, 0)
	if !strings.Contains(out.String(), "importing: 7 rows") {
		t.Errorf("without a total: %q", out.String())
	}
	term.live = false
	out.Reset()
	now = now.Add(time.Second)
	show(8, 10)
	if out.Len() > 0 {
		t.Errorf("shown where there is no terminal: %q", out.String())
	}
}

// An error is one line, and an interruption says so.
func TestFailIsOneLine(t *testing.T) {
	for err, want := range map[error]string{
		errors.Join(errors.New("one"), errors.New("two")): "linewarden: one; two\n",
		context.Canceled: "linewarden: interrupted\n",
		errSilent:        "",
	} {
		var out bytes.Buffer
		term := &terminal{out: &out, err: &out, now: time.Now}
		if code := term.fail(err); code != 1 || out.String() != want {
			t.Errorf("%v: code %d, %q, want %q", err, code, out.String(), want)
		}
	}
	term := &terminal{}
	if term.fail(nil) != 0 {
		t.Error("no error is no failure")
	}
}

// The program's own function is short: each subcommand has a file of its own.
func TestMainIsShort(t *testing.T) {
	src, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	_, body, ok := strings.Cut(string(src), "\nfunc main() {\n")
	body, _, end := strings.Cut(body, "\n}\n")
	if n := strings.Count(body, "\n") + 1; !ok || !end || n > 60 {
		t.Errorf("main has %d lines", n)
	}
}
