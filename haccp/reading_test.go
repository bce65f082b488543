package haccp_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func mgL(s string) quantity.Value { return value(s, "mg/L") }

// Dilution: the sample holds what the cell shows, times the parts of the whole over the parts of sample,
// rounded half-even to one decimal more than the most precise limit. The arithmetic is that of volumetric
// dilution as the standard methods for water teach it (from memory, no clause at hand).
func TestDilution(t *testing.T) {
	dec := quantity.MustDecimal
	for _, x := range []struct {
		read          quantity.Value
		sample, total int64
		limit         string
		want          string
	}{
		{mgL("2.50"), 1, 50, "100", "125.0 mg/L"},    // 2.50 × 50
		{mgL("1.2345"), 1, 10, "100", "12.3 mg/L"},   // 12.345 → 12.3
		{mgL("1.005"), 1, 10, "100", "10.0 mg/L"},    // 10.05 is half-way: to the even 10.0
		{mgL("1.015"), 1, 10, "100", "10.2 mg/L"},    // 10.15 is half-way: to the even 10.2
		{mgL("1.015"), 1, 10, "100.0", "10.15 mg/L"}, // the limit states one decimal
		{mgL("2.0"), 3, 10, "100", "6.7 mg/L"},       // 6.66…
		{mgL("0.000"), 1, 100, "100", "0.0 mg/L"},
		{quantity.Above(dec("5.0"), "mg/L"), 1, 10, "100", "> 50.0 mg/L"},
		{quantity.Below(dec("0.02"), "mg/L"), 1, 100, "100", "< 2.0 mg/L"},
		{quantity.Band(dec("1"), dec("3"), "mg/L"), 1, 10, "100", "10.0–30.0 mg/L"},
	} {
		w := newWorld(t, func(p *plan.Plan) { limitOf(p, "wash-chlorine", "free-chlorine").Min = amountOf(x.limit, "mg/L") })
		r := bathTest("bath-1", "1", "6.80")
		r.Entries[0].Read, r.Entries[0].Dilution = x.read, &haccp.Dilution{Sample: x.sample, Total: x.total}
		e := w.must(haccp.KindReading, tina, r)[0].Body.(*haccp.Reading).Entries[0]
		if e.Value == nil || !sameText(e.Value.String(), x.want) || e.Formula != "dilution/1" {
			t.Errorf("%v, %d in %d: %v (%s), want %s", x.read, x.sample, x.total, e.Value, e.Formula, x.want)
		}
		if e.Read != x.read {
			t.Errorf("what was read was changed: %v", e.Read)
		}
	}
}

// sameText compares without regard to blanks.
func sameText(a, b string) bool {
	return strings.Join(strings.Fields(a), "") == strings.Join(strings.Fields(b), "")
}

// Over range is never in limits by number, a band is judged by its worse end, and what is not measured is
// not evaluated (RULES 2.3, 1.3).
func TestCensoredAndMissing(t *testing.T) {
	dec := quantity.MustDecimal
	for _, x := range []struct {
		read *quantity.Value
		want string
	}{
		{new(mgL("100")), control.Inside}, {new(mgL("150")), control.Inside}, {new(mgL("99.999")), control.Outside}, {new(mgL("150.01")), control.Outside},
		{new(quantity.Above(dec("120"), "mg/L")), control.Outside}, // over range
		{new(quantity.Above(dec("20"), "mg/L")), control.Outside},  // never in limits by number, whatever the number
		{new(quantity.Below(dec("50"), "mg/L")), control.Outside},
		{new(quantity.Below(dec("120"), "mg/L")), control.Outside},
		{new(quantity.Band(dec("110"), dec("140"), "mg/L")), control.Inside},
		{new(quantity.Band(dec("90"), dec("110"), "mg/L")), control.Outside},
		{nil, control.NotEvaluated},
	} {
		w := newWorld(t)
		r := bathTest("bath-1", "124", "6.80")
		if x.read == nil {
			r.Entries = r.Entries[1:]
		} else {
			r.Entries[0].Read = *x.read
		}
		out := w.must(haccp.KindReading, tina, r)
		i := slices.IndexFunc(out[0].Body.(*haccp.Reading).Verdicts, func(v control.Verdict) bool { return v.Limit == "free-chlorine" })
		v := out[0].Body.(*haccp.Reading).Verdicts[i]
		if v.Verdict != x.want {
			t.Errorf("%v is %s (%s), want %s", x.read, v.Verdict, v.Reason, x.want)
		}
		if opened := slices.Contains(kinds(out), haccp.KindDeviationOpened); opened != (x.want == control.Outside) {
			t.Errorf("%v: opened a case: %v", x.read, opened)
		}
	}
}

// What is odd about a report is recorded with it and never refuses it.
func TestFindings(t *testing.T) {
	note := func(f func(*haccp.Command, *haccp.Reading)) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			r := bathTest("bath-1", "124", "6.80")
			c := w.command(haccp.KindReading, tina, r)
			f(c, r)
			return c
		}
	}
	for want, give := range map[string]func(*world) *haccp.Command{
		"": note(func(*haccp.Command, *haccp.Reading) {}),
		"received-late": note(func(c *haccp.Command, _ *haccp.Reading) {
			c.At, c.LateReason = c.At.Add(-16*time.Minute), "no network"
		}),
		"late-without-reason received-late": note(func(c *haccp.Command, _ *haccp.Reading) { c.At = c.At.Add(-16 * time.Minute) }),
		"device-clock-off":                  note(func(c *haccp.Command, _ *haccp.Reading) { c.Device = &haccp.Device{ID: "t", OffsetMS: -120_001} }),
		"unknown-filling":                   note(func(_ *haccp.Command, r *haccp.Reading) { r.Filling = "nobody's" }),
		"unknown-instrument":                note(func(_ *haccp.Command, r *haccp.Reading) { r.Entries[0].Instrument = "nobody's" }),
		"outside-plausible-range":           note(func(_ *haccp.Command, r *haccp.Reading) { r.Entries[0].Read = mgL("251") }),
		"reagent-expired": note(func(c *haccp.Command, r *haccp.Reading) {
			r.Entries[0].Reagent = &haccp.Reagent{Lot: "R1", Expiry: plan.Date(c.At.AddDate(0, 0, -1).Format(time.DateOnly))}
		}),
		"pin-unverified": note(func(c *haccp.Command, _ *haccp.Reading) { c.By.Known = haccp.KnownPINUnproved }),
		"retest-diluted": note(func(_ *haccp.Command, r *haccp.Reading) { r.Entries[0].Read = mgL("19") }), // below a fifth of 100 mg/L
		"no-filling-recorded": func(w *world) *haccp.Command {
			w.must(haccp.KindDrained, lea, &haccp.Bath{Place: "bath-1"})
			return w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
		},
		"outside-plausible-range retest-diluted": func(w *world) *haccp.Command {
			w.must(haccp.KindAdded, lea, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: new(value("1", "L"))})
			return w.command(haccp.KindReading, tina, bathTest("bath-1", "0.5", "6.80"))
		},
		"person-disabled-since": func(w *world) *haccp.Command {
			c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
			w.at(time.Minute)
			w.must(haccp.AskPerson, console, &haccp.PersonChange{Change: "disabled", PersonBody: haccp.PersonBody{Person: "tina"}})
			return c
		},
		"unknown-chemical": func(w *world) *haccp.Command {
			return w.command(haccp.KindAdded, lea, &haccp.Bath{Place: "bath-1", Chemical: "moon dust", Amount: new(value("1", "L"))})
		},
		"line-running-already": func(w *world) *haccp.Command {
			return w.command(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
		},
		"unknown-case": func(w *world) *haccp.Command {
			return w.command(haccp.KindFixDone, lea, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite", Deviation: "nobody's"})
		},
		"before-first-plan late-without-reason received-late": func(w *world) *haccp.Command {
			c := w.command(haccp.KindReading, w.longTimer(), bathTest("bath-1", "124", "6.80"))
			c.At = monday.AddDate(-2, 0, 0)
			return c
		},
	} {
		w := running(t)
		w.at(20 * time.Minute)
		c := give(w)
		out, err := w.try(c)
		if err != nil {
			t.Errorf("%s: refused: %v", want, err)
			continue
		}
		var got []string
		for _, f := range out[0].Findings {
			got = append(got, f.Code)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("findings %q, want %q", got, want)
		}
	}
}

// longTimer is a device: it has no time before which it was nobody.
func (w *world) longTimer() haccp.Actor {
	w.must(haccp.AskDevice, console, &haccp.DeviceChange{Change: "enrolled", DeviceBody: haccp.DeviceBody{Device: "probe-1", Name: "Probe"}})
	return probe
}

// The summary of a span of device readings is checked for form.
func TestReadingSpan(t *testing.T) {
	w := running(t)
	give := func(f func(*haccp.Command, *haccp.Reading)) error {
		r := &haccp.Reading{Check: "cold-room-check", Place: "cold-room", Mode: "device", Entries: []haccp.Entry{{Quantity: "temperature", Read: value("3.0", "°C")}}}
		r.Span = &haccp.ReadingSpan{Last: value("3.0", "°C"), Max: value("3.9", "°C"), Median: value("3.1", "°C"), Min: value("2.0", "°C"), N: 12}
		c := w.command(haccp.KindReading, tina, r)
		c.Until = c.At
		f(c, r)
		_, err := w.try(c)
		return err
	}
	if err := give(func(*haccp.Command, *haccp.Reading) {}); err != nil {
		t.Error(err)
	}
	if err := give(func(c *haccp.Command, _ *haccp.Reading) { c.Until = time.Time{} }); codeOfError(err) != "bad-span" {
		t.Error(err)
	}
	if err := give(func(_ *haccp.Command, r *haccp.Reading) { r.Span.Max = value("3.9", "pH") }); codeOfError(err) != "unknown-unit" {
		t.Error(err)
	}
}

// A sweep after a standstill longer than the horizon still finds what was missed meanwhile, once.
func TestSweepAfterAStandstill(t *testing.T) {
	w := newWorld(t)
	w.at(12 * 24 * time.Hour)
	seen := map[string]bool{}
	var oldest time.Time
	for range 10 {
		for _, e := range w.must(haccp.AskSweep, timetable, &haccp.Sweep{}) {
			if seen[e.ID] {
				t.Fatal("recorded twice", e.ID)
			}
			seen[e.ID] = true
			if oldest.IsZero() || e.At.Before(oldest) {
				oldest = e.At
			}
		}
	}
	if oldest.IsZero() || oldest.Sub(monday) > 24*time.Hour {
		t.Fatalf("the first miss found is of %v", oldest)
	}
}
