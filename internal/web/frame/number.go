package frame

import "linewarden/internal/web/frame/numeral"

// number reads what was typed into a field, and says what to show at it where it is not to be recorded yet.
func (f *Frame) number(typed, meant string) (t numeral.Typed, tell string) {
	t = numeral.Read(f.Lang, typed, meant)
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
