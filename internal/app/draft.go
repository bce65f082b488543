package app

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"linewarden/internal/app/durable"
)

// Draft is the plan that somebody works on before the first one of a site is signed. It is no fact: it stands in a file of
// the data folder and may be lost.
type Draft struct{ path string }

// Draft gives the draft of a site; nil where there is no data folder to keep it in.
func (f *Folder) Draft(site string) *Draft {
	if f.Dir == "" {
		return nil
	}
	return &Draft{path: filepath.Join(f.Dir, site+".plan-draft.yaml")}
}

// Text gives the draft; "" where there is none.
func (d *Draft) Text() (string, error) {
	if d == nil {
		return "", nil
	}
	b, err := os.ReadFile(d.path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("read the draft of the plan: %w", err)
	}
	return string(b), nil
}

// Keep puts another draft in its place.
func (d *Draft) Keep(text string) error {
	if d == nil {
		return nil
	}
	if err := durable.Write(d.path, text, 0o600); err != nil {
		return fmt.Errorf("keep the draft of the plan: %w", err)
	}
	return nil
}
