package web

import (
	"net/http"
	"strings"
	"testing"
)

// A decimal comma typed in Spanish is shown back and stored with the second save, without script; three digits behind a comma
// are asked about; in English a comma is refused, as the interface for programs does in any language.
func TestDecimalCommaOnAPage(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	const form = "/checks/bath-test/bath-1"
	size := w.site.View().Size
	v := bathTest("120", "6,75")
	v.Set("q.salt", "1,250")
	if a := w.submit(form, form, v); a.status != http.StatusUnprocessableEntity || !strings.Contains(a.body, `value="6,75"`) {
		t.Errorf("a comma in English: %d", a.status)
	}
	w.lang = "es"
	a := w.submit(form, form, v)
	for _, want := range []string{"6,75 se registrará como 6.75", `value="6.75"`, "1,250 se puede leer de dos maneras", `name="q.salt.meant" value="1.250"`,
		`name="q.salt.meant" value="1250"`, `value="120"`} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the form lacks %q", want)
		}
	}
	if a.status != http.StatusUnprocessableEntity || w.site.View().Size != size {
		t.Fatalf("%d, and %d records came", a.status, w.site.View().Size-size)
	}
	v.Set("q.ph", "6.75")
	if a := w.submit(form, form, v); a.status != http.StatusUnprocessableEntity || w.site.View().Size != size {
		t.Fatalf("two ways and none chosen: %d", a.status)
	}
	v.Set("q.salt.meant", "1.250")
	a = w.submit(form, form, v)
	if a.status != http.StatusSeeOther {
		t.Fatalf("saved again: %d\n%s", a.status, a.body)
	}
	if p := w.page(a.location); !strings.Contains(p, "6.75") || !strings.Contains(p, "1.250") {
		t.Error("the reading is not as it was shown back")
	}
}
