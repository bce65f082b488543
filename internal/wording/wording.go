// Package wording holds every sentence and word that people read on pages, in reports and in alerts, in
// plain English and plain Spanish, by key.
//
// A message is one row of a Go table with both languages side by side. That is simpler than a catalogue
// file per language: a row cannot lack a language, a translator sees both texts at once, nothing is
// parsed when a page is shown, and one rule of plurals is enough: one and many (Count).
// The language is chosen by BCP 47 matching (es-MX, es-419 and es give Spanish, all else English).
//
// A placeholder is a name in braces, such as {limit}. A word the tables do not know is shown as it
// stands: an older page must never stop at a newer record.
package wording

import (
	"fmt"
	"maps"
	"strings"

	"golang.org/x/text/language"

	"linewarden/haccp"
)

// Language is a language that people can read the product in.
type Language string

// The languages.
const (
	English Language = "en"
	Spanish Language = "es"
)

// Languages lists the languages, the fallback first.
func Languages() []Language { return []Language{English, Spanish} }

// text is one message in both languages.
type text struct{ en, es string }

var matcher = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// Match gives the best language for wishes in falling order; each is a language tag ("es-MX") or an
// Accept-Language header. Nothing usable gives English.
func Match(wishes ...string) Language {
	for _, wish := range wishes {
		if wish == "" {
			continue
		}
		tags, _, err := language.ParseAcceptLanguage(wish)
		if err != nil || len(tags) == 0 {
			continue
		}
		_, i, sure := matcher.Match(tags...)
		if sure > language.No {
			return Languages()[i]
		}
	}
	return English
}

// Name gives the name of the language in itself.
func (l Language) Name() string {
	if l == Spanish {
		return "Español"
	}
	return "English"
}

// groups lists every table; a key is "group.name".
var groups = []map[string]text{
	refusals, requests, findings, words, records, screens, forms, logTexts, cautions, quantities, washing, contact, desk, calculators,
	alerting,
	trending,
	supplies, tracing,
	lots,
	display,
	floor,
	laboratoryTexts,
	lineTexts,
	handoverTexts,
	verifying,
	firstRun,
	badgeTexts,
	patternTexts,
	logParts,
	counts, ruleTexts,
}

var all = func() map[string]text {
	m := map[string]text{}
	for _, g := range groups {
		maps.Copy(m, g)
	}
	return m
}()

// Has reports whether there is a message with the key.
func Has(key string) bool {
	_, ok := all[key]
	return ok
}

// Text gives the message of a key with its placeholders filled from pairs of name and value. A key that
// is not known is returned as it stands.
func (l Language) Text(key string, pairs ...string) string {
	m, ok := all[key]
	if !ok {
		return key
	}
	s := m.en
	if l == Spanish {
		s = m.es
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		s = strings.ReplaceAll(s, "{"+pairs[i]+"}", pairs[i+1])
	}
	return s
}

// Word gives the word for a code of a group, such as Word("state", "inside"). A code that is not known is
// returned as it stands.
func (l Language) Word(group, code string) string {
	if key := group + "." + code; Has(key) {
		return l.Text(key)
	}
	return code
}

// Refusal says why a command was refused. In English this is the refusal's own message, which names the
// values at hand; in Spanish the same sentence with the same values, or else that of its code with its data, or
// the English message where neither is known.
func (l Language) Refusal(r *haccp.Refusal) string {
	key := "refusal." + r.Code
	if l == English && r.Message != "" || !Has(key) {
		return r.Message
	}
	if sentence, ok := spanishRefusals[r.Format]; ok {
		args := make([]any, len(r.Args))
		for i, x := range r.Args {
			args[i] = l.worded(x)
		}
		return fmt.Sprintf(sentence, args...)
	}
	return l.Text(key, pairsOf(r.Data)...)
}

// worded gives the word for a role or a kind of record that a sentence names; all else stands as it is.
func (l Language) worded(x any) any {
	if s, ok := x.(string); ok {
		for _, group := range []string{"role", "kind"} {
			if w := l.Word(group, s); w != s {
				return w
			}
		}
	}
	return x
}

// Finding says what was noticed about a record.
func (l Language) Finding(f haccp.Finding) string {
	key := "finding." + f.Code
	if !Has(key) {
		return f.Code
	}
	s := l.Text(key, spans(f.Data)...)
	if before, _, ok := strings.Cut(s, "{"); ok {
		return strings.TrimSpace(before) // data of an older form: the sentence without it
	}
	return s
}

// Lacking words an item of what a start of a line lacks, which the rules give in English with the plan's own
// names in it. One that is not known is returned as it stands.
func (l Language) Lacking(item string) string {
	i := strings.LastIndex(item, ": ")
	if i < 0 {
		return item
	}
	name, tail := item[:i], item[i+2:]
	within, noTest := strings.CutPrefix(tail, "no test inside limits of this filling within ")
	switch {
	case tail == "not inspected":
		return l.Text("lacks.not-inspected", "item", name)
	case tail == "failed and not yet re-inspected as good":
		return l.Text("lacks.failed", "item", name)
	case noTest:
		return l.Text("lacks.no-test", "item", name, "within", within)
	}
	return item
}

func pairsOf(data map[string]string) []string {
	out := make([]string, 0, 2*len(data))
	for k, v := range data {
		out = append(out, k, v)
	}
	return out
}
