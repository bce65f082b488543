package main

import (
	"runtime"
	"runtime/debug"
)

type versionCommand struct{}

// Help is shown by --help.
func (versionCommand) Help() string { return "Example:\n  linewarden version" }

// Run prints the version, the Go it was built with and, where known, the commit.
func (versionCommand) Run(t *terminal) error {
	commit := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				commit = ", commit " + s.Value
			}
		}
	}
	t.print("linewarden %s (%s, %s/%s%s)", version, runtime.Version(), runtime.GOOS, runtime.GOARCH, commit)
	return nil
}
