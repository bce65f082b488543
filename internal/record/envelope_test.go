package record_test

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

const fullText = `{"about":["check:bath-test","lot:0","place:bath-2","series:free-cl@bath-2"],"amends":"AMENDS",` +
	`"at":"2026-01-05T06:00:07.000Z","at_known":"device","body":{"text":"Note 7: bath “B” tested.\n"},` +
	`"by":{"id":"person-3","known":"PIN","name":"Ana Invented","role":"technician"},"command":"COMMAND","command_hash":"HASH",` +
	`"device":{"clock":"2026-01-05T06:00:09.000Z","id":"tablet-1","offset_ms":2000},` +
	`"findings":[{"code":"clock.offset","data":{"offset_ms":"150000","ä":"\n","😀":"","` + "\ufb33" + `":"x"}},{"code":"lot.unknown"}],` +
	`"id":"ID","kind":"note","late_reason":"tablet was offline \"again\"","recorded_at":"2026-01-05T06:00:07.150Z","seq":8,` +
	`"server_clock":"2026-01-05T06:00:07.147Z","site":"north","until":"2026-01-05T07:00:07.000Z","v":1}`

func TestEnvelopeBytes(t *testing.T) {
	e := recordtest.Full()
	got := string(e.AppendCanonical(nil))
	frame := strings.NewReplacer(e.Amends.String(), "AMENDS", e.Command.String(), "COMMAND", e.ID.String(), "ID").Replace(got)
	from := strings.Index(frame, `"command_hash":"`) + len(`"command_hash":"`)
	frame = frame[:from] + "HASH" + frame[from+44:]
	if frame != fullText {
		t.Errorf("got\n%s\nwant\n%s", frame, fullText)
	}
	if !record.IsCanonical([]byte(got)) {
		t.Error("the bytes are not canonical")
	}
	back, err := record.Decode([]byte(got))
	if err != nil || !reflect.DeepEqual(back, e) {
		t.Errorf("decoded: %+v, %v", back, err)
	}
	if err := e.Check(); err != nil {
		t.Error(err)
	}
}

func TestEnvelopeLeavesOut(t *testing.T) {
	e := record.Envelope{V: 2, Site: "s", Seq: 1, ID: record.UUID{1}, Kind: "k", At: recordtest.Start, AtKnown: record.AtServer, RecordedAt: recordtest.Start}
	const want = `{"at":"2026-01-05T06:00:00.000Z","at_known":"server","id":"01000000-0000-0000-0000-000000000000","kind":"k","recorded_at":"2026-01-05T06:00:00.000Z","seq":1,"site":"s","v":2}`
	if got := string(e.AppendCanonical(nil)); got != want {
		t.Errorf("got %s", got)
	}
	if back, err := record.Decode([]byte(want)); err != nil || !reflect.DeepEqual(back, e) {
		t.Errorf("decoded %+v, %v", back, err)
	}
}

func TestEnvelopeCheckRefuses(t *testing.T) {
	for name, change := range map[string]func(*record.Envelope){
		"no v":               func(e *record.Envelope) { e.V = 0 },
		"site in capitals":   func(e *record.Envelope) { e.Site = "North" },
		"no site":            func(e *record.Envelope) { e.Site = "" },
		"long site":          func(e *record.Envelope) { e.Site = strings.Repeat("a", 41) },
		"no seq":             func(e *record.Envelope) { e.Seq = 0 },
		"no id":              func(e *record.Envelope) { e.ID = record.UUID{} },
		"no kind":            func(e *record.Envelope) { e.Kind = "" },
		"bad UTF-8":          func(e *record.Envelope) { e.LateReason = "\xff" },
		"no at":              func(e *record.Envelope) { e.At = time.Time{} },
		"microseconds":       func(e *record.Envelope) { e.At = e.At.Add(time.Microsecond) },
		"year 10000":         func(e *record.Envelope) { e.Until = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
		"about out of order": func(e *record.Envelope) { e.About = []string{"b", "a"} },
		"about twice":        func(e *record.Envelope) { e.About = []string{"a", "a"} },
		"about empty":        func(e *record.Envelope) { e.About = []string{""} },
		"device without id":  func(e *record.Envelope) { e.Device = &record.Device{} },
		"nobody":             func(e *record.Envelope) { e.By = &record.Person{} },
		"finding, no code":   func(e *record.Envelope) { e.Findings = []record.Finding{{}} },
		"body not canonical": func(e *record.Envelope) { e.Body = []byte(`{"a": 1}`) },
		"body a list":        func(e *record.Envelope) { e.Body = []byte(`[]`) },
		"body with fraction": func(e *record.Envelope) { e.Body = []byte(`{"a":1.5}`) },
		"body breaks out":    func(e *record.Envelope) { e.Body = []byte(`{},"by":{}`) },
		"body null":          func(e *record.Envelope) { e.Body = []byte(`null`) },
	} {
		e := recordtest.Full()
		change(&e)
		if err := e.Check(); !errors.Is(err, record.ErrInvalid) && !errors.Is(err, record.ErrNotCanonical) {
			t.Errorf("%s: %v", name, err)
		}
	}
	e := recordtest.Full()
	e.Body = []byte(`{"a":"` + strings.Repeat("x", record.MaxRecordBytes) + `"}`)
	if err := e.Check(); !errors.Is(err, record.ErrTooLarge) {
		t.Errorf("a large body: %v", err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	e := recordtest.Full()
	good := string(e.AppendCanonical(nil))
	for name, swap := range map[string][2]string{
		"unknown member":        {`"v":1`, `"v":1,"w":2`},
		"unknown in by":         {`"role":"technician"`, `"role":"technician","shoe":"44"`},
		"unknown in finding":    {`{"code":"lot.unknown"}`, `{"code":"lot.unknown","x":"y"}`},
		"null":                  {`"until":"2026-01-05T07:00:07.000Z"`, `"until":null`},
		"empty reason":          {`"late_reason":"tablet was offline \"again\""`, `"late_reason":""`},
		"number as text":        {`"seq":8`, `"seq":"8"`},
		"space":                 {`"seq":8`, `"seq": 8`},
		"fraction":              {`"seq":8`, `"seq":8.0`},
		"order":                 {`"seq":8,"server_clock":"2026-01-05T06:00:07.147Z"`, `"server_clock":"2026-01-05T06:00:07.147Z","seq":8`},
		"twice":                 {`"seq":8`, `"seq":8,"seq":8`},
		"time zone":             {`07.147Z`, `07.147+00:00`},
		"two decimals":          {`07.147Z`, `07.14Z`},
		"February 30":           {`2026-01-05T07`, `2026-02-30T07`},
		"24:00":                 {`T07:00:07.000Z`, `T24:00:07.000Z`},
		"escaped letter":        {`"kind":"note"`, `"kind":"\u006eote"`},
		"escaped slash":         {`"kind":"note"`, `"kind":"no\/te"`},
		"upper-case UUID":       {e.ID.String(), strings.ToUpper(e.ID.String())},
		"data not a string":     {`"offset_ms":"150000"`, `"offset_ms":150000`},
		"data out of order":     {`"data":{"offset_ms":"150000","ä":"\n"`, `"data":{"ä":"\n","offset_ms":"150000"`},
		"empty about":           {`["check:bath-test","lot:0","place:bath-2","series:free-cl@bath-2"]`, `[]`},
		"body a list":           {`{"text":"Note 7: bath “B” tested.\n"}`, `[]`},
		"device without offset": {`,"offset_ms":2000}`, `}`},
		"site":                  {`"site":"north"`, `"site":"NORTH"`},
		"text behind":           {`"v":1}`, `"v":1} `},
		"no v":                  {`,"v":1`, ``},
	} {
		bad := strings.Replace(good, swap[0], swap[1], 1)
		if bad == good {
			t.Errorf("%s: nothing was changed", name)
		}
		if _, err := record.Decode([]byte(bad)); err == nil {
			t.Errorf("%s: was taken", name)
		}
	}
	tolerated := strings.NewReplacer(`"known":"PIN"`, `"known":"retina"`, `"at_known":"device"`, `"at_known":"satellite"`, `"code":"lot.unknown"`, `"code":"of.tomorrow"`).Replace(good)
	back, err := record.Decode([]byte(tolerated))
	if err != nil || back.By.Known != "retina" || back.AtKnown != "satellite" || back.Findings[1].Code != "of.tomorrow" {
		t.Errorf("unknown words: %v", err)
	}
}

func FuzzDecode(f *testing.F) {
	e := recordtest.Full()
	f.Add(e.AppendCanonical(nil))
	small := record.Envelope{V: 2, Site: "s", Seq: 1, ID: record.UUID{1}, Kind: "k", At: recordtest.Start, AtKnown: "x", RecordedAt: recordtest.Start}
	f.Add(small.AppendCanonical(nil))
	f.Fuzz(func(t *testing.T, in []byte) {
		e, err := record.Decode(in)
		if err != nil {
			return
		}
		if out := e.AppendCanonical(nil); !bytes.Equal(out, in) {
			t.Errorf("%q decodes and encodes to %q", in, out)
		}
		if err := e.Check(); err != nil || !record.IsCanonical(in) {
			t.Errorf("%q decodes and is not right: %v", in, err)
		}
	})
}

// RFC 9562 appendix A.4 (from memory).
func TestUUIDv5(t *testing.T) {
	dns, err := record.ParseUUID("6ba7b810-9dad-11d1-80b4-00c04fd430c8")
	if err != nil {
		t.Fatal(err)
	}
	if got := record.UUIDv5(dns, "www.example.com").String(); got != "2ed6657d-e927-568b-95e1-2665a8aea6a2" {
		t.Errorf("got %s", got)
	}
	if record.RecordID(dns, 0) == record.RecordID(dns, 1) || record.DerivedID(dns, "a", "b") == record.DerivedID(dns, `a","b`) || record.DerivedID(dns, "ab") == record.DerivedID(dns, "a", "b") {
		t.Error("two names give one id")
	}
	if record.SiteNamespace("a") == record.SiteNamespace("b") {
		t.Error("two sites have one namespace")
	}
}

func BenchmarkEncode(b *testing.B) {
	e := recordtest.Full()
	e.Findings, e.Body = nil, []byte(`{"text":"`+strings.Repeat("abcdefgh", 40)+`"}`)
	b.ReportAllocs()
	buf := make([]byte, 0, 2048)
	for b.Loop() {
		buf = e.AppendCanonical(buf[:0])
	}
	b.SetBytes(int64(len(buf)))
}

func BenchmarkDecode(b *testing.B) {
	e := recordtest.Full()
	e.Findings, e.Body = nil, []byte(`{"text":"`+strings.Repeat("abcdefgh", 40)+`"}`)
	s := string(e.AppendCanonical(nil))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := record.DecodeString(s); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkBuilder64(b *testing.B) {
	command := make([][]record.Envelope, 64)
	for i := range command {
		e := recordtest.Note("north", i)
		e.Body = []byte(`{"text":"` + strings.Repeat("abcdefgh", 40) + `"}`)
		command[i] = []record.Envelope{e}
	}
	tree := new(record.Tree)
	b.ReportAllocs()
	for b.Loop() {
		build := record.NewBuilder("north", tree, 1)
		for i := range command {
			if err := build.AppendCommand(command[i]); err != nil {
				b.Fatal(err)
			}
		}
		build.Build()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*64), "ns/record")
}
