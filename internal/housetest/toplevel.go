package housetest

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// topLevel lists what may lie at the top of the repository beside hidden files.
var topLevel = []string{
	"cmd", "internal", "haccp", "alerts", "dashboards", "testdata",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "docker-compose.yml", "LICENSE",
}

// checkTop finds entries at the top that are neither listed nor ignored by git.
func checkTop(t *tree) []string {
	entries, err := fs.ReadDir(t.fsys, ".")
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	for _, e := range entries {
		name := e.Name()
		if strings.HasPrefix(name, ".") || slices.Contains(topLevel, name) || t.ignored(name, e.IsDir()) {
			continue
		}
		out = append(out, fmt.Sprintf("%s: not on the list of the top level; give it a home further in", name))
	}
	return out
}

// A pattern is one line of .gitignore, of the kinds that file uses.
type pattern struct {
	glob     string
	anchored bool // matches from the root only
	dirOnly  bool
}

// readIgnore reads the patterns of .gitignore at the root. A pattern that
// takes something back ("!") is refused, since nothing here needs one.
func readIgnore(fsys fs.FS) ([]pattern, error) {
	b, err := fs.ReadFile(fsys, ".gitignore")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []pattern
	for line := range strings.Lines(string(b)) {
		glob := strings.TrimSpace(line)
		if glob == "" || strings.HasPrefix(glob, "#") {
			continue
		}
		if strings.HasPrefix(glob, "!") || strings.Contains(glob, "**") {
			return nil, fmt.Errorf(".gitignore: pattern %q is not understood by housetest", glob)
		}
		p := pattern{dirOnly: strings.HasSuffix(glob, "/")}
		glob = strings.TrimSuffix(glob, "/")
		p.anchored = strings.Contains(glob, "/")
		p.glob = strings.TrimPrefix(glob, "/")
		if _, err := path.Match(p.glob, ""); err != nil {
			return nil, fmt.Errorf(".gitignore: pattern %q: %w", glob, err)
		}
		out = append(out, p)
	}
	return out, nil
}

// ignored reports whether git ignores the entry called name.
func (t *tree) ignored(name string, dir bool) bool {
	return slices.ContainsFunc(t.ignore, func(p pattern) bool {
		if p.dirOnly && !dir {
			return false
		}
		entry := name
		if !p.anchored {
			entry = path.Base(name)
		}
		ok, err := path.Match(p.glob, entry)
		return err == nil && ok
	})
}
