package housetest

import (
	"fmt"
	"go/ast"
	"io/fs"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// documents lists the files whose quoted paths, commands and settings must exist.
var documents = []string{"README.md", "DEVELOPERS.md"}

// A quote is a piece of a document set as code.
type quote struct {
	at   string // document:line
	text string
}

// checkDocuments finds paths, subcommands, flags and environment variables
// that a document quotes and the tree does not have.
func checkDocuments(t *tree) []string {
	names := commandNames(t)
	var out []string
	for _, doc := range documents {
		b, err := fs.ReadFile(t.fsys, doc)
		if err != nil {
			out = append(out, err.Error())
			continue
		}
		for _, q := range quotes(doc, string(b)) {
			for word := range strings.FieldsSeq(q.text) {
				if fault := t.checkWord(word); fault != "" {
					out = append(out, q.at+": "+fault)
				}
			}
			if fault := checkCommand(q.text, names); fault != "" {
				out = append(out, q.at+": "+fault)
			}
		}
	}
	return out
}

// span finds code set between backticks within a line.
var span = regexp.MustCompile("`([^`]+)`")

// quotes returns the code spans and the lines of the code blocks of a document.
func quotes(doc, text string) []quote {
	var out []quote
	block, n := false, 0
	for line := range strings.Lines(text) {
		n++
		at := fmt.Sprintf("%s:%d", doc, n)
		switch {
		case strings.HasPrefix(strings.TrimSpace(line), "```"):
			block = !block
		case block:
			out = append(out, quote{at, line})
		default:
			for _, m := range span.FindAllStringSubmatch(line, -1) {
				out = append(out, quote{at, m[1]})
			}
		}
	}
	return out
}

var (
	// variable is the name of a setting in the environment.
	variable = regexp.MustCompile(`\bLINEWARDEN_[A-Z0-9_]+`)
	// lineNumber is the line after a path.
	lineNumber = regexp.MustCompile(`:\d+$`)
	// member is an exported name after a package path, as in internal/record.Decode.
	member = regexp.MustCompile(`^(.*/[a-z0-9]+)\.[A-Z]\w*$`)
)

// checkWord says what a quoted word names that the tree does not have, or nothing.
func (t *tree) checkWord(word string) string {
	for _, v := range variable.FindAllString(word, -1) {
		if !t.mentions(v) {
			return v + ": no code reads this setting"
		}
	}
	name, ok := repositoryPath(word)
	if !ok || t.exists(name) {
		return ""
	}
	if m := member.FindStringSubmatch(name); m != nil && t.exists(m[1]) {
		return ""
	}
	return word + ": no such file or folder"
}

// repositoryPath returns the path that a word names, when it looks like one of ours.
func repositoryPath(word string) (string, bool) {
	name := lineNumber.ReplaceAllString(strings.Trim(word, `"'(),;:`), "")
	dotted := strings.HasPrefix(name, "./")
	name = strings.TrimSuffix(strings.TrimPrefix(name, "./"), "...")
	slashed := strings.Contains(name, "/")
	name = strings.TrimSuffix(name, "/")
	if name == "" || name == "." {
		return "", false
	}
	first, _, _ := strings.Cut(name, "/")
	if slices.Contains(topLevel, first) && (slashed || dotted || strings.Contains(first, ".")) {
		return name, true
	}
	return name, first == ".ci" || name == ".golangci.yml" || name == ".gitignore"
}

// exists reports whether name is in the tree. A name with a placeholder such
// as <key>, {a,b} or NAME… is followed up to that placeholder; a star must match.
func (t *tree) exists(name string) bool {
	if strings.Contains(name, "*") {
		found, err := fs.Glob(t.fsys, name)
		return err == nil && len(found) > 0
	}
	if i := strings.IndexAny(name, "<{$…"); i >= 0 {
		name = path.Dir(name[:i] + "x")
	}
	_, err := fs.Stat(t.fsys, name)
	return err == nil
}

// mentions reports whether a Go file or a script of the gate holds the word.
func (t *tree) mentions(word string) bool {
	if slices.ContainsFunc(t.files, func(f *goFile) bool {
		return f.dir != "internal/housetest" && strings.Contains(f.src, word)
	}) {
		return true
	}
	scripts, err := fs.Glob(t.fsys, ".ci/*")
	return err == nil && slices.ContainsFunc(scripts, func(name string) bool {
		b, err := fs.ReadFile(t.fsys, name)
		return err == nil && strings.Contains(string(b), word)
	})
}

var (
	// invocation finds the words after the program's name, up to the end of the command.
	invocation = regexp.MustCompile(`(?:^|\s)(?:\./|\S*/cmd/)?linewarden((?:\s+[^|;&#\s]+)*)`)
	// subcommand is a word that can be the name of a command.
	subcommand = regexp.MustCompile(`^[a-z][a-z-]*$`)
	// flagName is a long flag, with or without a value.
	flagName = regexp.MustCompile(`^\[?--([a-z][a-z0-9-]*)`)
)

// checkCommand says which subcommand or flag in a quoted command line the
// program does not have, or nothing.
func checkCommand(text string, names map[string]bool) string {
	m := invocation.FindStringSubmatch(text)
	if m == nil {
		return ""
	}
	words := strings.Fields(m[1])
	for i, word := range words {
		if f := flagName.FindStringSubmatch(word); f != nil && !names[f[1]] && f[1] != "help" {
			return fmt.Sprintf("linewarden has no flag --%s", f[1])
		}
		if i == 0 && subcommand.MatchString(word) && !names[word] {
			return fmt.Sprintf("linewarden has no command %s", word)
		}
	}
	return ""
}

// commandNames returns the names of the commands and flags: those of the
// struct fields in cmd, as the command line library derives them, unless a
// tag gives another name.
func commandNames(t *tree) map[string]bool {
	names := map[string]bool{}
	for _, f := range t.code() {
		if !under(f.dir, "cmd") {
			continue
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			st, ok := n.(*ast.StructType)
			if !ok {
				return true
			}
			for _, field := range st.Fields.List {
				tag := fieldTag(field)
				if name, ok := tag.Lookup("name"); ok {
					names[name] = true
					continue
				}
				for _, id := range field.Names {
					names[kebab(id.Name)] = true
				}
			}
			return true
		})
	}
	return names
}

// fieldTag returns the tag of a struct field, empty when it has none.
func fieldTag(field *ast.Field) reflect.StructTag {
	if field.Tag == nil {
		return ""
	}
	s, err := strconv.Unquote(field.Tag.Value)
	if err != nil {
		return ""
	}
	return reflect.StructTag(s)
}

// kebab turns TLSCert into tls-cert.
func kebab(name string) string {
	var b strings.Builder
	runes := []rune(name)
	for i, r := range runes {
		if i > 0 && unicode.IsUpper(r) && (!unicode.IsUpper(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])) {
			b.WriteByte('-')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}
