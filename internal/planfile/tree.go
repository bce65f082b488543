package planfile

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// The bounds of a plan file. A large real plan has a few thousand lines of under 100 characters and
// ten levels; the bounds keep the time and memory of reading one small, whatever it holds.
const (
	maxSize    = 1 << 20 // bytes
	maxLines   = 20_000  // the YAML library takes a time that grows with their square
	maxTokens  = 60_000  // keys, values and signs; likewise
	maxFlow    = 16      // brackets inside one another
	maxColumn  = 200     // of a key or a dash that opens a level
	maxLine    = 4000    // bytes in one line
	maxForeign = 10      // faults listed of parts of YAML that a plan does not use
)

// position is a place in the file, from 1.
type position struct{ line, column int }

func at(t *token.Token) position {
	if t == nil || t.Position == nil {
		return position{1, 1}
	}
	return position{max(t.Position.Line, 1), max(t.Position.Column, 1)}
}

// fault is a problem of the YAML itself.
type fault struct {
	position
	message, fix string
}

// tree parses src into one document. What could make reading slow or deep is refused before it is parsed.
func tree(src []byte) (body ast.Node, faults []fault) {
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	if f := measure(src); f != nil {
		return nil, []fault{*f}
	}
	// The YAML library has panicked on broken input before; here that is a fault of the file.
	defer func() {
		if r := recover(); r != nil {
			body, faults = nil, []fault{{position{1, 1}, fmt.Sprintf("the YAML cannot be read: %v", r),
				"look for an unclosed quote or bracket"}}
		}
	}()
	tokens := lexer.Tokenize(string(src))
	if len(tokens) > maxTokens {
		return nil, []fault{{at(tokens[maxTokens]), fmt.Sprintf("the file has more than %d keys, values and signs", maxTokens),
			"split off what is no plan"}}
	}
	if faults := scan(tokens); len(faults) > 0 {
		return nil, faults
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, []fault{syntax(err)}
	}
	return document(file)
}

// measure refuses what is too large or no text.
func measure(src []byte) *fault {
	if len(src) > maxSize {
		return &fault{position{1, 1}, fmt.Sprintf("the file has %d bytes, more than the %d of a plan", len(src), maxSize),
			"split off what is no plan"}
	}
	line, start := 1, 0
	for i := 0; i < len(src); {
		r, n := utf8.DecodeRune(src[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			return &fault{position{line, i - start + 1}, "the file is not UTF-8 text", "save it as UTF-8"}
		case r == '\n' && line == maxLines:
			return &fault{position{line, 1}, fmt.Sprintf("the file has more than %d lines", maxLines), "split off what is no plan"}
		case r == '\n':
			line, start = line+1, i+1
		case r < ' ' && r != '\t' && r != '\r':
			return &fault{position{line, i - start + 1}, fmt.Sprintf("control character %U", r), "take it out"}
		case i-start > maxLine:
			return &fault{position{line, maxLine}, fmt.Sprintf("the line has more than %d bytes", maxLine),
				"break it into several lines"}
		}
		i += n
	}
	return nil
}

// scan refuses the parts of YAML that a plan has no use for, and levels without end.
func scan(tokens token.Tokens) []fault {
	var faults []fault
	flow := 0
	for _, t := range tokens {
		f := fault{position: at(t)}
		switch t.Type {
		case token.AnchorType, token.AliasType, token.MergeKeyType:
			f.message, f.fix = "anchors, aliases and merge keys are not taken", "write the values out where they are meant"
		case token.TagType, token.DirectiveType:
			f.message, f.fix = fmt.Sprintf("tags and directives such as %q are not taken", t.Value), "leave it out"
		case token.MappingKeyType:
			f.message, f.fix = `the "? key" form is not taken`, `write "key: value"`
		case token.SequenceStartType, token.MappingStartType:
			if flow++; flow > maxFlow {
				f.message, f.fix = fmt.Sprintf("more than %d brackets inside one another", maxFlow), "a plan needs at most two"
				return append(faults, f)
			}
		case token.SequenceEndType, token.MappingEndType:
			flow--
		case token.SequenceEntryType, token.MappingValueType:
			if flow == 0 && f.column > maxColumn {
				f.message, f.fix = fmt.Sprintf("a level that opens beyond column %d", maxColumn), "a plan needs at most ten levels"
				return append(faults, f)
			}
		}
		if f.message != "" && len(faults) < maxForeign {
			faults = append(faults, f)
		}
	}
	return faults
}

// syntax turns an error of the YAML library into a fault with its place.
func syntax(err error) fault {
	var e interface {
		GetToken() *token.Token
		GetMessage() string
	}
	if !errors.As(err, &e) {
		first, _, _ := strings.Cut(err.Error(), "\n")
		return fault{position{1, 1}, "not YAML: " + first, ""}
	}
	return fault{at(e.GetToken()), "not YAML: " + e.GetMessage(),
		"look for an unclosed quote or bracket, a missing space after a colon, a wrong indent, or a tab instead of spaces"}
}

// document returns the one document of a file.
func document(file *ast.File) (ast.Node, []fault) {
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			return nil, []fault{{at(doc.Body.GetToken()), "a second document begins here", "one plan a file"}}
		}
		body = doc.Body
	}
	if body == nil {
		return nil, []fault{{position{1, 1}, "the file holds no plan", "start from the template"}}
	}
	return body, nil
}
