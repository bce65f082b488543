package frame

import (
	"regexp"
	"strings"

	"linewarden/internal/wording"
)

// A number of a form is written with a point, or, by who reads Spanish, with a comma: either is in use where Spanish is
// spoken (ISO 80000-1:2022, 7.3.2 allows both as decimal sign, and neither between thousands).
var (
	// One number or the two ends of a band, with the sign of a result.
	commas    = regexp.MustCompile(`^[<>]?\s*-?\d+([.,]\d+)?(\s*-\s*\d+([.,]\d+)?)?$`)
	thousands = regexp.MustCompile(`(^|[^\d,.])([1-9]\d{0,2}),(\d{3})($|[^\d,.])`)
)

// Typed is how a number that was typed reads.
type Typed struct {
	Text string   // with a point, as the rules take it
	Ask  bool     // it was written otherwise, and is shown before it is recorded
	Ways []string // two readings of what was typed, of which the person has to choose
}

// ReadNumber reads a number as a form of a language takes it. Where three digits follow a comma, it may be decimal or
// stand between thousands; then meant says which of the two it is, as chosen before, and a number that it does not fit
// is asked for again. What is no number comes back as typed.
func ReadNumber(lang wording.Language, typed, meant string) Typed {
	if lang != wording.Spanish || !strings.Contains(typed, ",") || !commas.MatchString(typed) {
		return Typed{Text: typed}
	}
	decimal := strings.ReplaceAll(typed, ",", ".")
	if !thousands.MatchString(typed) {
		return Typed{Text: decimal, Ask: true}
	}
	whole := strings.ReplaceAll(thousands.ReplaceAllString(thousands.ReplaceAllString(typed, "$1$2$3$4"), "$1$2$3$4"), ",", ".")
	if meant == decimal || meant == whole {
		return Typed{Text: meant}
	}
	return Typed{Text: typed, Ways: []string{decimal, whole}}
}

// number reads what was typed into a field, and says what to show at it where it is not to be recorded yet.
func (f *Frame) number(typed, meant string) (t Typed, tell string) {
	t = ReadNumber(f.Lang, typed, meant)
	switch {
	case t.Ways != nil:
		tell = f.T("form.two-ways", "typed", typed)
	case t.Ask:
		tell = f.T("form.read-as", "typed", typed, "read", t.Text)
	}
	return t, tell
}

// Number reads the text of a field that is more than a number, such as <10. False: it is shown again first.
func (fd *Field) Number(f *Frame) bool {
	t, tell := f.number(fd.Value, fd.Meant)
	fd.Value, fd.Ways = t.Text, t.Ways
	if tell != "" {
		fd.Wrong, fd.Asked = tell, true
	}
	return tell == ""
}
