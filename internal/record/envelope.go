package record

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Envelope is one record. A member with its zero value is left out of the
// bytes. Times have whole milliseconds.
type Envelope struct {
	V           int             // version of this kind's body, from 1; of record 1: the format version
	Site        string          // site id
	Seq         int64           // place in the log, from 1
	ID          UUID            // id of the record
	Command     UUID            // the client's id, shared by all records of one command
	CommandHash [32]byte        // SHA-256 of the canonical command as the client sent it
	Kind        string          // what happened, for example "reading"
	At          time.Time       // when it happened
	AtKnown     string          // how At is known: device, typed, imported, server
	Until       time.Time       // end of the span that a record covers, optional
	RecordedAt  time.Time       // when the server recorded it; never runs backwards in a log
	ServerClock time.Time       // the server's clock, only where it differs from RecordedAt
	LateReason  string          // why it was received late
	Device      *Device         // the device it was entered on, optional
	By          *Person         // who it is from, optional
	About       []string        // the keys one searches by, sorted, for example "place:bath-1"
	Amends      UUID            // the record that this one amends or voids
	Findings    []Finding       // what was wrong with it when it was recorded
	Body        json.RawMessage // canonical JSON object, its members fixed by Kind and V
}

// Device is the device that a record was entered on.
type Device struct {
	ID       string
	Clock    time.Time // the device's own time, uncorrected; optional
	OffsetMS int64     // device clock minus server clock at the last contact, in milliseconds
}

// Person is who a record is from. Known says how the person was recognised:
// password, PIN, badge, PIN unverified, device token, timetable, import, probe
// or console; other words are kept as they stand.
type Person struct {
	ID, Name, Role, Known string
}

// Finding is something wrong with a record that did not refuse it.
type Finding struct {
	Code string
	Data map[string]string // optional
}

// The words of AtKnown that this version writes; others are kept as they stand.
const (
	AtDevice   = "device"
	AtTyped    = "typed"
	AtImported = "imported"
	AtServer   = "server"
)

// The words of Person.Known that this version writes; others are kept as they
// stand.
const (
	KnownPassword      = "password"
	KnownPIN           = "PIN"
	KnownBadge         = "badge"
	KnownPINUnverified = "PIN unverified"
	KnownDeviceToken   = "device token"
	KnownTimetable     = "timetable"
	KnownImport        = "import"
	KnownProbe         = "probe"
	KnownConsole       = "console"
)

// SortAbout sorts keys by bytes and drops doubles and empty ones, in place.
func SortAbout(about []string) []string {
	slices.Sort(about)
	about = slices.Compact(about)
	if len(about) > 0 && about[0] == "" {
		about = about[1:]
	}
	return about
}

// Check reports with ErrInvalid what would keep the envelope out of a log.
func (e *Envelope) Check() error {
	_, err := e.encode(nil, new(strings.Builder))
	return err
}

// encode checks the envelope and gives its canonical bytes, written to the end of a text; buf is scratch.
func (e *Envelope) encode(buf []byte, text *strings.Builder) (string, error) {
	if err := e.checkMembers(); err != nil {
		return "", fmt.Errorf("record %d of kind %q: %w", e.Seq, clip(e.Kind), err)
	}
	buf, start := e.appendHead(buf[:0]), text.Len()
	from := len(buf)
	text.Write(e.appendTail(buf))
	s := text.String()[start:]
	if len(s) > MaxRecordBytes {
		return "", fmt.Errorf("record %d of kind %q: %w: %d bytes are over %d", e.Seq, clip(e.Kind), ErrTooLarge, len(s), MaxRecordBytes)
	}
	if len(e.Body) > 0 {
		body := cursor{s: s[from+len(`"body":`):]}
		body.s = body.s[:len(e.Body)]
		if err := body.checkBody(); err != nil {
			return "", fmt.Errorf("record %d of kind %q: body: %w", e.Seq, clip(e.Kind), err)
		}
	}
	return s, nil
}

func (c *cursor) checkBody() error {
	if c.i >= len(c.s) || c.s[c.i] != '{' {
		return c.errorf("the body must be an object")
	}
	if err := c.skipValue(1); err != nil {
		return err
	}
	return c.end()
}

func (e *Envelope) checkMembers() error {
	switch {
	case e.V < 1 || e.V > maxInteger:
		return fmt.Errorf("%w: v must be at least 1", ErrInvalid)
	case !ValidSite(e.Site):
		return fmt.Errorf("%w: site %q: a site id is 1 to 40 of a-z, 0-9 and hyphen", ErrInvalid, clip(e.Site))
	case e.Seq < 1 || e.Seq > maxInteger:
		return fmt.Errorf("%w: seq must be at least 1", ErrInvalid)
	case e.ID.IsZero():
		return fmt.Errorf("%w: id is missing", ErrInvalid)
	case e.Kind == "" || e.AtKnown == "":
		return fmt.Errorf("%w: kind or at_known is missing", ErrInvalid)
	case !utf8.ValidString(e.Kind) || !utf8.ValidString(e.AtKnown) || !utf8.ValidString(e.LateReason):
		return fmt.Errorf("%w: a text is not valid UTF-8", ErrInvalid)
	case e.At.IsZero() || e.RecordedAt.IsZero():
		return fmt.Errorf("%w: at or recorded_at is missing", ErrInvalid)
	}
	for _, t := range [...]time.Time{e.At, e.RecordedAt, e.Until, e.ServerClock} {
		if err := checkTime(t); err != nil {
			return err
		}
	}
	if err := e.checkPeople(); err != nil {
		return err
	}
	if err := checkAbout(e.About); err != nil {
		return err
	}
	return checkFindings(e.Findings)
}

func (e *Envelope) checkPeople() error {
	if d := e.Device; d != nil {
		if d.ID == "" || !utf8.ValidString(d.ID) {
			return fmt.Errorf("%w: device id is missing or not valid UTF-8", ErrInvalid)
		}
		if d.OffsetMS > maxInteger || d.OffsetMS < -maxInteger {
			return fmt.Errorf("%w: device offset_ms is out of range", ErrInvalid)
		}
		if err := checkTime(d.Clock); err != nil {
			return err
		}
	}
	if p := e.By; p != nil {
		if *p == (Person{}) {
			return fmt.Errorf("%w: by is empty", ErrInvalid)
		}
		for _, s := range [...]string{p.ID, p.Name, p.Role, p.Known} {
			if !utf8.ValidString(s) {
				return fmt.Errorf("%w: by: a text is not valid UTF-8", ErrInvalid)
			}
		}
	}
	return nil
}

func checkTime(t time.Time) error {
	if t.Nanosecond()%1e6 != 0 {
		return fmt.Errorf("%w: time %s is finer than a millisecond", ErrInvalid, t.UTC().Format(time.RFC3339Nano))
	}
	if y := t.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%w: year %d is outside 1 to 9999", ErrInvalid, y)
	}
	return nil
}

func checkAbout(about []string) error {
	for i, key := range about {
		if key == "" || !utf8.ValidString(key) || i > 0 && about[i-1] >= key {
			return fmt.Errorf("%w: about must be sorted keys without doubles, found %q", ErrInvalid, clip(key))
		}
	}
	return nil
}

func checkFindings(findings []Finding) error {
	for _, f := range findings {
		if f.Code == "" || !utf8.ValidString(f.Code) {
			return fmt.Errorf("%w: a finding has no code", ErrInvalid)
		}
		for k, v := range f.Data {
			if !utf8.ValidString(k) || !utf8.ValidString(v) {
				return fmt.Errorf("%w: finding %q: a text is not valid UTF-8", ErrInvalid, clip(f.Code))
			}
		}
	}
	return nil
}

// ValidSite reports whether the text can be a site id: [a-z0-9-]{1,40}.
func ValidSite(site string) bool {
	if len(site) < 1 || len(site) > 40 {
		return false
	}
	for i := range len(site) {
		c := site[i]
		if c != '-' && (c < '0' || c > '9') && (c < 'a' || c > 'z') {
			return false
		}
	}
	return true
}

// AppendCanonical appends the canonical bytes. It does not check: an envelope
// that Check refuses gives bytes that Decode refuses.
func (e *Envelope) AppendCanonical(dst []byte) []byte {
	return e.appendTail(e.appendHead(dst))
}

// appendHead writes the members before body.
func (e *Envelope) appendHead(dst []byte) []byte {
	dst = append(dst, '{')
	if len(e.About) > 0 {
		dst = append(dst, `"about":[`...)
		for i, key := range e.About {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = AppendString(dst, key)
		}
		dst = append(dst, `],`...)
	}
	if !e.Amends.IsZero() {
		dst = appendUUID(append(dst, `"amends":`...), e.Amends)
		dst = append(dst, ',')
	}
	dst = appendStamp(append(dst, `"at":`...), e.At)
	dst = append(dst, `,"at_known":`...)
	dst = AppendString(dst, e.AtKnown)
	return append(dst, ',')
}

// appendTail writes the members from body on.
func (e *Envelope) appendTail(dst []byte) []byte {
	if len(e.Body) > 0 {
		dst = append(dst, `"body":`...)
		dst = append(append(dst, e.Body...), ',')
	}
	if e.By != nil {
		dst = e.By.append(append(dst, `"by":`...))
		dst = append(dst, ',')
	}
	if !e.Command.IsZero() {
		dst = appendUUID(append(dst, `"command":`...), e.Command)
		dst = append(dst, ',')
	}
	if e.CommandHash != [32]byte{} {
		dst = AppendHash(append(dst, `"command_hash":`...), e.CommandHash)
		dst = append(dst, ',')
	}
	if e.Device != nil {
		dst = e.Device.append(append(dst, `"device":`...))
		dst = append(dst, ',')
	}
	if len(e.Findings) > 0 {
		dst = appendFindings(append(dst, `"findings":`...), e.Findings)
		dst = append(dst, ',')
	}
	dst = appendUUID(append(dst, `"id":`...), e.ID)
	dst = AppendString(append(dst, `,"kind":`...), e.Kind)
	if e.LateReason != "" {
		dst = AppendString(append(dst, `,"late_reason":`...), e.LateReason)
	}
	dst = appendStamp(append(dst, `,"recorded_at":`...), e.RecordedAt)
	dst = strconv.AppendInt(append(dst, `,"seq":`...), e.Seq, 10)
	if !e.ServerClock.IsZero() {
		dst = appendStamp(append(dst, `,"server_clock":`...), e.ServerClock)
	}
	dst = AppendString(append(dst, `,"site":`...), e.Site)
	if !e.Until.IsZero() {
		dst = appendStamp(append(dst, `,"until":`...), e.Until)
	}
	dst = strconv.AppendInt(append(dst, `,"v":`...), int64(e.V), 10)
	return append(dst, '}')
}

func (p *Person) append(dst []byte) []byte {
	sep := byte('{')
	for _, m := range [...]struct{ name, value string }{
		{`"id":`, p.ID}, {`"known":`, p.Known}, {`"name":`, p.Name}, {`"role":`, p.Role},
	} {
		if m.value != "" {
			dst = AppendString(append(append(dst, sep), m.name...), m.value)
			sep = ','
		}
	}
	return append(dst, '}')
}

func (d *Device) append(dst []byte) []byte {
	dst = append(dst, '{')
	if !d.Clock.IsZero() {
		dst = appendStamp(append(dst, `"clock":`...), d.Clock)
		dst = append(dst, ',')
	}
	dst = AppendString(append(dst, `"id":`...), d.ID)
	dst = strconv.AppendInt(append(dst, `,"offset_ms":`...), d.OffsetMS, 10)
	return append(dst, '}')
}

func appendFindings(dst []byte, findings []Finding) []byte {
	sep := byte('[')
	for _, f := range findings {
		dst = append(dst, sep)
		sep = ','
		dst = AppendString(append(dst, `{"code":`...), f.Code)
		if len(f.Data) > 0 {
			dst = append(dst, `,"data":`...)
			open := byte('{')
			for _, name := range slices.SortedFunc(maps.Keys(f.Data), compareUTF16) {
				dst = AppendString(append(dst, open), name)
				dst = AppendString(append(dst, ':'), f.Data[name])
				open = ','
			}
			dst = append(dst, '}')
		}
		dst = append(dst, '}')
	}
	return append(dst, ']')
}

func appendUUID(dst []byte, u UUID) []byte {
	return append(u.appendText(append(dst, '"')), '"')
}

// AppendHash appends 32 bytes as a JSON string of padded base64 (RFC 4648).
func AppendHash(dst []byte, h [32]byte) []byte {
	return append(base64.StdEncoding.AppendEncode(append(dst, '"'), h[:]), '"')
}

func appendStamp(dst []byte, t time.Time) []byte {
	return append(appendTime(append(dst, '"'), t), '"')
}
