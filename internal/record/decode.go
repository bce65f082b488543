package record

import (
	"encoding/json"
	"fmt"
)

var envelopeFields = []string{
	"about", "amends", "at", "at_known", "body", "by", "command", "command_hash",
	"device", "findings", "id", "kind", "late_reason", "recorded_at", "seq",
	"server_clock", "site", "until", "v",
}

var (
	personFields  = []string{"id", "known", "name", "role"}
	deviceFields  = []string{"clock", "id", "offset_ms"}
	findingFields = []string{"code", "data"}
)

// Decode reads the canonical bytes of a record. It refuses unknown members and
// anything that is not byte for byte the canonical form; unknown words in
// at_known, known and findings are kept as they stand. The body is checked for
// form, not for meaning.
func Decode(record []byte) (Envelope, error) { return DecodeString(string(record)) }

// DecodeString is Decode without a copy: the strings of the envelope share
// memory with s, so whoever keeps one for long keeps the whole record, unless
// strings.Clone is used.
func DecodeString(s string) (Envelope, error) {
	var e Envelope
	if len(s) > MaxRecordBytes {
		return Envelope{}, fmt.Errorf("%w: record of %d bytes is over %d", ErrTooLarge, len(s), MaxRecordBytes)
	}
	c := cursor{s: s}
	if err := c.envelope(&e); err != nil {
		return Envelope{}, err
	}
	if err := c.end(); err != nil {
		return Envelope{}, err
	}
	if err := e.checkMembers(); err != nil {
		return Envelope{}, err
	}
	return e, nil
}

func (c *cursor) envelope(e *Envelope) error {
	return c.fields(envelopeFields, func(index int) error {
		switch envelopeFields[index] {
		case "about":
			return c.about(e)
		case "amends":
			return c.uuid(&e.Amends)
		case "at":
			return c.time(&e.At)
		case "at_known":
			return c.filled(&e.AtKnown)
		case "body":
			return c.body(e)
		case "by":
			return c.person(e)
		case "command":
			return c.uuid(&e.Command)
		case "command_hash":
			return c.hash(&e.CommandHash)
		case "device":
			return c.device(e)
		case "findings":
			return c.findings(e)
		case "id":
			return c.uuid(&e.ID)
		case "kind":
			return c.filled(&e.Kind)
		case "late_reason":
			return c.filled(&e.LateReason)
		case "recorded_at":
			return c.time(&e.RecordedAt)
		case "seq":
			return c.number(&e.Seq)
		case "server_clock":
			return c.time(&e.ServerClock)
		case "site":
			return c.filled(&e.Site)
		case "until":
			return c.time(&e.Until)
		default:
			n, err := c.integer()
			e.V = int(n)
			return err
		}
	})
}

func (c *cursor) about(e *Envelope) error {
	e.About = make([]string, 0, 4)
	return c.list(func() error {
		var key string
		err := c.filled(&key)
		e.About = append(e.About, key)
		return err
	})
}

func (c *cursor) body(e *Envelope) error {
	from := c.i
	if from >= len(c.s) || c.s[from] != '{' {
		return c.errorf("the body must be an object")
	}
	if err := c.skipValue(1); err != nil {
		return err
	}
	e.Body = json.RawMessage(c.s[from:c.i])
	return nil
}

func (c *cursor) person(e *Envelope) error {
	p := &Person{}
	e.By = p
	into := [...]*string{&p.ID, &p.Known, &p.Name, &p.Role}
	return c.fields(personFields, func(index int) error { return c.filled(into[index]) })
}

func (c *cursor) device(e *Envelope) error {
	d := &Device{}
	e.Device = d
	offset := false
	err := c.fields(deviceFields, func(index int) error {
		switch index {
		case 0:
			return c.time(&d.Clock)
		case 1:
			return c.filled(&d.ID)
		default:
			offset = true
			return c.number(&d.OffsetMS)
		}
	})
	if err == nil && !offset {
		err = c.errorf("device has no offset_ms")
	}
	return err
}

func (c *cursor) findings(e *Envelope) error {
	return c.list(func() error {
		var f Finding
		err := c.fields(findingFields, func(index int) error {
			if index == 0 {
				return c.filled(&f.Code)
			}
			return c.findingData(&f)
		})
		e.Findings = append(e.Findings, f)
		return err
	})
}

// findingData reads an object of strings with any names, in canonical order.
func (c *cursor) findingData(f *Finding) error {
	check := cursor{s: c.s, i: c.i}
	if err := check.skipValue(3); err != nil {
		return err
	}
	if err := c.want('{'); err != nil {
		return err
	}
	f.Data = map[string]string{}
	for {
		name, err := c.text()
		if err != nil {
			return err
		}
		if err := c.want(':'); err != nil {
			return err
		}
		value, err := c.text()
		if err != nil {
			return err
		}
		f.Data[name] = value
		if c.take('}') {
			return nil
		}
		if err := c.want(','); err != nil {
			return err
		}
	}
}
