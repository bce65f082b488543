package housetest

import (
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"strings"
)

const (
	composeFile = "docker-compose.yml"
	dockerfile  = "cmd/linewarden/Dockerfile"
)

// composeCommand finds the arguments that the compose file gives to a program.
var composeCommand = regexp.MustCompile(`command:\s*\[([^\]]*)\]`)

// composeMount finds a file or folder of the tree that the compose file mounts.
var composeMount = regexp.MustCompile(`^\s*- \./([^:]+):`)

// checkContainer finds commands and flags in the compose file that the program
// does not have, and files that it mounts, or the Dockerfile copies, and the tree
// does not have. The tests build no image, so these slips would show at the user first.
func checkContainer(t *tree) []string {
	var out []string
	compose, err := readLines(t.fsys, composeFile)
	if err != nil {
		out = append(out, err.Error())
	}
	names := commandNames(t)
	for i, line := range compose {
		if m := composeMount.FindStringSubmatch(line); m != nil && !t.exists(m[1]) {
			out = append(out, fmt.Sprintf("%s:%d: %s: no such file or folder", composeFile, i+1, m[1]))
		}
		m := composeCommand.FindStringSubmatch(line)
		if m == nil || len(names) == 0 {
			continue
		}
		words := strings.NewReplacer(",", " ", `"`, "").Replace(m[1])
		if fault := checkCommand("linewarden "+words, names); fault != "" {
			out = append(out, fmt.Sprintf("%s:%d: %s", composeFile, i+1, fault))
		}
	}
	image, err := readLines(t.fsys, dockerfile)
	if err != nil {
		out = append(out, err.Error())
	}
	for i, line := range image {
		words := strings.Fields(line)
		if len(words) < 3 || words[0] != "COPY" || strings.HasPrefix(words[1], "--") {
			continue
		}
		for _, name := range words[1 : len(words)-1] {
			if !t.exists(name) {
				out = append(out, fmt.Sprintf("%s:%d: %s: no such file or folder", dockerfile, i+1, name))
			}
		}
	}
	return out
}

// readLines reads the lines of a file; a file that is not there has none.
func readLines(fsys fs.FS, name string) ([]string, error) {
	b, err := fs.ReadFile(fsys, name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return strings.Split(string(b), "\n"), err
}
