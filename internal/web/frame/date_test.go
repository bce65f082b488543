package frame

import (
	"testing"
	"time"

	"linewarden/internal/wording"
)

// src: the abbreviations are those of the Unicode Common Locale Data Repository, version 46, for en and es (stand-alone, without
// the point), from memory.
func TestDates(t *testing.T) {
	zone := time.FixedZone("", -6*3600)
	at := time.Date(2026, 9, 3, 1, 5, 0, 0, time.UTC)
	for lang, want := range map[wording.Language][3]string{wording.English: {"2 Sep 2026 19:05", "2 Sep 19:05", "31 Dec 2026"},
		wording.Spanish: {"2 sep 2026 19:05", "2 sep 19:05", "31 dic 2026"}} {
		f := &Frame{Lang: lang, Location: zone, Now: at.AddDate(0, 0, 2)}
		if got := [3]string{f.At(at), f.Clock(at), f.Day("2026-12-31")}; got != want {
			t.Errorf("%s: %q, want %q", lang, got, want)
		}
		if f.At(time.Time{}) != "–" || f.Day("soon") != "soon" || f.Day("") != "" {
			t.Error("what is no date is not left alone")
		}
	}
}
