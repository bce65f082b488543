package benchmark

import (
	"errors"
	"fmt"
	"os"
)

// Measuring is what a test does with a figure; *testing.T does.
type Measuring interface {
	Helper()
	Name() string
	Log(args ...any)
	Fatal(args ...any)
}

// Figure logs what was measured, and adds it to the file that LINEWARDEN_FIGURES names.
func Figure(t Measuring, format string, args ...any) {
	t.Helper()
	line := fmt.Sprintf(format, args...)
	t.Log(line)
	name := os.Getenv("LINEWARDEN_FIGURES")
	if name == "" {
		return
	}
	f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err == nil {
		_, err = fmt.Fprintf(f, "%s: %s\n", t.Name(), line)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}
