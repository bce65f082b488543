// Command counttests reads the output of go test -json, prints what failed
// and go test's own closing line of each package, and counts. Subtests count
// as tests. It exits 1 when a test or a package failed, or when nothing passed.
//
//	go test -json ./... | go run .ci/counttests.go
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
)

// An event is one line of go test -json; see go doc cmd/test2json.
type event struct {
	Action, Package, Test, Output string
}

// A tally collects the events of one run.
type tally struct {
	passed, failed int
	skipped        []string
	broken         map[string]bool     // packages with a failed test
	said           map[string][]string // output by package and test, until it is known to matter
}

func main() {
	t := &tally{broken: map[string]bool{}, said: map[string][]string{}}
	if err := t.read(os.Stdin); err != nil {
		fmt.Fprintln(os.Stderr, "counttests:", err)
		os.Exit(1)
	}
	if len(t.skipped) > 0 {
		fmt.Printf("%d skipped: %s\n", len(t.skipped), strings.Join(t.skipped, ", "))
	}
	fmt.Printf("%d passed, %d failed\n", t.passed, t.failed)
	if t.passed == 0 {
		fmt.Println("no test passed: is the list of packages right?")
	}
	if t.failed > 0 || t.passed == 0 {
		os.Exit(1)
	}
}

// read takes in the events up to the end. Lines that are no event are passed on.
func (t *tally) read(r io.Reader) error {
	lines := bufio.NewReader(r)
	for {
		line, err := lines.ReadString('\n')
		var e event
		if json.Unmarshal([]byte(line), &e) == nil && e.Action != "" {
			t.take(e)
		} else {
			fmt.Print(line)
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (t *tally) take(e event) {
	key := e.Package + " " + e.Test
	switch e.Action {
	case "build-output":
		fmt.Print(e.Output)
		return
	case "output":
		t.said[key] = append(t.said[key], e.Output)
		return
	case "pass", "fail", "skip":
	default:
		return
	}
	said := strings.Join(t.said[key], "")
	delete(t.said, key)
	if e.Test == "" {
		t.closePackage(e, said)
		return
	}
	switch e.Action {
	case "pass":
		t.passed++
	case "skip":
		t.skipped = append(t.skipped, e.Package+" "+e.Test)
	case "fail":
		t.failed++
		t.broken[e.Package] = true
		fmt.Print(said)
	}
}

// closePackage prints the closing line of a package, or all it said outside
// its tests when it failed. A package that failed without a failed test did
// not build or stopped halfway: the tests under way then are printed too.
func (t *tally) closePackage(e event, said string) {
	if e.Action == "fail" {
		if !t.broken[e.Package] {
			t.failed++
			for key, out := range t.said {
				if strings.HasPrefix(key, e.Package+" ") {
					fmt.Print(strings.Join(out, ""))
				}
			}
		}
		fmt.Print(said)
		return
	}
	for line := range strings.Lines(said) {
		if strings.HasPrefix(line, "ok ") || strings.HasPrefix(line, "? ") {
			fmt.Print(line)
		}
	}
}
