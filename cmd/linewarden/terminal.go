package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// terminal is where a command reads, writes and shows its progress.
type terminal struct {
	in       *os.File
	out, err io.Writer
	getenv   func(string) string
	now      func() time.Time
	live     bool // standard error is a terminal: progress is shown

	mu    sync.Mutex
	shown time.Time
	dirty bool // a line of progress stands there
	lines *bufio.Reader
}

func newTerminal() *terminal {
	return &terminal{in: os.Stdin, out: os.Stdout, err: os.Stderr, getenv: os.Getenv, now: time.Now,
		live: term.IsTerminal(int(os.Stderr.Fd()))}
}

// say writes a line about what is going on to standard error.
func (t *terminal) say(format string, args ...any) {
	t.clear()
	fmt.Fprintf(t.err, format+"\n", args...)
}

// print writes a line of the result to standard output.
func (t *terminal) print(format string, args ...any) {
	t.clear()
	fmt.Fprintf(t.out, format+"\n", args...)
}

const progressEvery = 200 * time.Millisecond

// progress gives a function that shows how far work is, on a terminal only and a few times a second.
func (t *terminal) progress(what, unit string) func(done, total int64) {
	began := t.now()
	return func(done, total int64) {
		t.mu.Lock()
		defer t.mu.Unlock()
		now := t.now()
		if !t.live || now.Sub(t.shown) < progressEvery || now.Sub(began) < progressEvery {
			return
		}
		t.shown, t.dirty = now, true
		if total > 0 {
			fmt.Fprintf(t.err, "\r\x1b[K%s: %d of %d %s (%d %%)", what, done, total, unit, 100*done/total)
		} else {
			fmt.Fprintf(t.err, "\r\x1b[K%s: %d %s", what, done, unit)
		}
	}
}

// clear takes the line of progress away.
func (t *terminal) clear() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.dirty {
		fmt.Fprint(t.err, "\r\x1b[K")
		t.dirty = false
	}
}

// errNoTerminal says that a question cannot be asked.
var errNoTerminal = errors.New("this command asks on the terminal, and standard input is at its end")

// ask asks for a line.
func (t *terminal) ask(question string) (string, error) {
	t.clear()
	fmt.Fprint(t.err, question+": ")
	if t.lines == nil {
		t.lines = bufio.NewReader(t.in)
	}
	line, err := t.lines.ReadString('\n')
	if err != nil && line == "" {
		fmt.Fprintln(t.err)
		return "", errNoTerminal
	}
	return strings.TrimRight(line, "\r\n"), nil
}

// askHidden asks for a line that is not shown while it is typed, where the input is a terminal.
func (t *terminal) askHidden(question string) (string, error) {
	fd := int(t.in.Fd())
	if !term.IsTerminal(fd) {
		return t.ask(question)
	}
	t.clear()
	fmt.Fprint(t.err, question+": ")
	b, err := term.ReadPassword(fd)
	fmt.Fprintln(t.err)
	if err != nil {
		return "", fmt.Errorf("read from the terminal: %w", err)
	}
	return string(b), nil
}

// logger gives the logger of a service or a command.
func (t *terminal) logger(level, format string) *slog.Logger {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		l = slog.LevelInfo
	}
	o := &slog.HandlerOptions{Level: l}
	if format == "json" {
		return slog.New(slog.NewJSONHandler(t.err, o))
	}
	return slog.New(slog.NewTextHandler(t.err, o))
}

// quiet gives the logger of a command that is no service: warnings only.
func (t *terminal) quiet() *slog.Logger { return t.logger("warn", "text") }

// moment is a point in time given on the command line.
type moment struct{ time.Time }

// UnmarshalText reads RFC 3339, with its zone.
func (m *moment) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.RFC3339, string(text))
	if err != nil {
		return fmt.Errorf("%q is no time with its zone: write it like 2026-03-01T00:00:00Z or 2026-03-01T00:00:00-06:00", text)
	}
	m.Time = t
	return nil
}
