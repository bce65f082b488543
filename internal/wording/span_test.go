package wording

import (
	"testing"
	"time"

	"linewarden/haccp"
)

func TestSpan(t *testing.T) {
	for in, want := range map[string]string{"31h17m33.793s": "31 h 18 min", "-5m20s": "5 min", "20s": "20 s", "59m40s": "1 h 00 min", "80h": "3 d 8 h", "2m30.5s": "3 min"} {
		d, err := time.ParseDuration(in)
		if err != nil {
			t.Fatal(err)
		}
		if got := Span(d); got != want {
			t.Errorf("Span(%s) = %q, want %q", in, got, want)
		}
	}
}

func TestFindingsSayLengthsOfTimeAsPeopleDo(t *testing.T) {
	off := haccp.Finding{Code: haccp.FindingClockOff, Data: map[string]string{"offset": "-31h17m33.793s"}}
	if got, want := Spanish.Finding(off), "el reloj del dispositivo está desfasado 31 h 18 min"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	late := haccp.Finding{Code: haccp.FindingLate, Data: map[string]string{"by": "whenever"}}
	if got, want := English.Finding(late), "received late, by whenever"; got != want {
		t.Errorf("what is no length of time stands as it is: %q, want %q", got, want)
	}
}

func TestCount(t *testing.T) {
	if one, many, none := Spanish.Count("boxes", 1), Spanish.Count("boxes", 6), English.Count("shipments", 0); one != "1 caja" || many != "6 cajas" || none != "0 shipments" {
		t.Errorf("%q, %q, %q", one, many, none)
	}
}
