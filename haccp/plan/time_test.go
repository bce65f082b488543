package plan

import (
	"encoding/json"
	"testing"
	"time"
)

func TestDuration(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"30 min": 30 * time.Minute, "90 s": 90 * time.Second, "4 h": 4 * time.Hour, "7 d": 168 * time.Hour,
		" 5 min ": 5 * time.Minute, "": 0, "0 min": 0,
	} {
		var d Duration
		if err := d.UnmarshalText([]byte(text)); err != nil || d.Std() != want {
			t.Errorf("%q: %v, %v", text, d.Std(), err)
		}
		if d.IsZero() != (want == 0) || d.IsZero() && d != (Duration{}) {
			t.Errorf("%q: zero %v, %#v", text, d.IsZero(), d)
		}
		var back Duration
		b, err := json.Marshal(d)
		if err != nil || json.Unmarshal(b, &back) != nil || back != d {
			t.Errorf("%q comes back from %s as %v", text, b, back)
		}
	}
	for _, text := range []string{"30", "30min", "30  min", "min", "-5 min", "1.5 h", "1e3 s", "5 weeks", "1000001 s", "+5 min", "05 min", "9999999999999999999 s"} {
		var d Duration
		if err := d.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken as %v", text, d)
		}
	}
	if got := Of(30, "min").String(); got != "30 min" {
		t.Errorf("as typed: %q", got)
	}
}

func TestClock(t *testing.T) {
	for text, want := range map[string]int{"00:00": 0, "06:30": 390, "23:59": 1439} {
		var c Clock
		if err := c.UnmarshalText([]byte(text)); err != nil || c.Minutes() != want || !c.Set() || c.String() != text {
			t.Errorf("%q: %v %v", text, c, err)
		}
		if c != At(want/60, want%60) {
			t.Errorf("%q is not At(%d, %d)", text, want/60, want%60)
		}
	}
	for _, text := range []string{"24:00", "6:30", "06:60", "06:30:00", "0630", "06.30", "noon"} {
		var c Clock
		if err := c.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken as %v", text, c)
		}
	}
	var none Clock
	if err := none.UnmarshalText(nil); err != nil || none.Set() || none.String() != "" {
		t.Errorf("no time: %v %v", none, err)
	}
}

func TestDate(t *testing.T) {
	var d Date
	if err := d.UnmarshalText([]byte("2028-02-29")); err != nil {
		t.Error(err)
	}
	if at, ok := d.Time(); !ok || !at.Equal(time.Date(2028, 2, 29, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("%v %v", at, ok)
	}
	for _, text := range []string{"2026-02-29", "2026-13-01", "2026-1-1", "01/02/2026", "2026-01-01T00:00:00Z"} {
		if err := d.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken", text)
		}
	}
	if _, ok := Date("").Time(); ok {
		t.Error("no date is a date")
	}
}

func TestAmount(t *testing.T) {
	for text, want := range map[string][2]string{
		"50 mg/L": {"50", "mg/L"}, "7.10 pH": {"7.10", "pH"}, "-0.5 °C": {"-0.5", "°C"}, "3": {"3", ""}, "3 % w/w": {"3", "% w/w"},
	} {
		var a Amount
		if err := a.UnmarshalText([]byte(text)); err != nil || a.Value.String() != want[0] || a.Unit != want[1] || a.String() != text {
			t.Errorf("%q: %v, %v", text, a, err)
		}
		b, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back Amount
		if err := json.Unmarshal(b, &back); err != nil || back != a {
			t.Errorf("%q comes back from %s as %v: %v", text, b, back, err)
		}
	}
	for _, text := range []string{"", "mg/L", "50mg/L", "5,5 mg/L", "NaN mg/L", "1e309 mg/L", "-0 mg/L"} {
		var a Amount
		if err := a.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%q is taken as %v", text, a)
		}
	}
	for _, text := range []string{`{"unit":"mg/L","value":50}`, `{"unit":"mg/L"}`, `"50 mg/L"`, `{"value":"1e3","unit":""}`} {
		var a Amount
		if err := json.Unmarshal([]byte(text), &a); err == nil {
			t.Errorf("%s is taken as %v", text, a)
		}
	}
}

func TestLate(t *testing.T) {
	if got := (Tolerances{}).Late(); got != 15*time.Minute {
		t.Errorf("default %v", got)
	}
	if got := (Tolerances{ReceivedLate: Of(1, "h")}).Late(); got != time.Hour {
		t.Errorf("as stated %v", got)
	}
}
