package housetest

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
)

// packageName is one lower-case word.
var packageName = regexp.MustCompile(`^[a-z][a-z0-9]*$`)

// vague lists names that say nothing about what a package holds.
var vague = []string{"base", "common", "helper", "helpers", "lib", "misc", "model", "models", "shared", "types", "util", "utils"}

// platforms lists the last words of a file name by which the go command
// leaves the file out of the build on other machines, without a message.
var platforms = []string{
	"386", "amd64", "arm", "arm64", "loong64", "mips", "mips64", "ppc64", "ppc64le", "riscv64", "s390x", "wasm",
	"aix", "android", "darwin", "dragonfly", "freebsd", "illumos", "ios", "js", "linux", "netbsd", "openbsd",
	"plan9", "solaris", "wasip1", "windows",
}

// checkNames finds package names that are vague or not one lower-case word,
// and file names that drop out of the build unseen.
func checkNames(t *tree) []string {
	var out []string
	seen := map[string]bool{}
	for _, f := range t.files {
		out = append(out, platformName(f)...)
		name := strings.TrimSuffix(f.syntax.Name.Name, "_test")
		if seen[f.dir+" "+name] {
			continue
		}
		seen[f.dir+" "+name] = true
		switch {
		case name == "main":
		case !packageName.MatchString(name):
			out = append(out, fmt.Sprintf("%s: package %s: the name is one lower-case word", f.path, name))
		case slices.Contains(vague, name) || strings.HasSuffix(name, "util") || strings.HasSuffix(name, "utils"):
			out = append(out, fmt.Sprintf("%s: package %s: name what it holds", f.path, name))
		case name != path.Base(f.dir):
			out = append(out, fmt.Sprintf("%s: package %s lies in a folder of another name", f.path, name))
		}
	}
	return out
}

// platformName finds a file name that ends in the name of an operating system
// or a processor while the file has no build line that says so.
func platformName(f *goFile) []string {
	words := strings.Split(strings.TrimSuffix(strings.TrimSuffix(path.Base(f.path), ".go"), "_test"), "_")
	last := words[len(words)-1]
	if len(words) < 2 || !slices.Contains(platforms, last) {
		return nil
	}
	head, _, _ := strings.Cut(f.src, "\npackage ")
	if strings.HasPrefix(head, "//go:build ") || strings.Contains(head, "\n//go:build ") {
		return nil
	}
	return []string{fmt.Sprintf("%s: is built only for %s because of its name; rename it or add a go:build line", f.path, last)}
}
