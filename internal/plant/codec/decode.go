package codec

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
	"linewarden/internal/record"
)

// maxNames bounds the words a decoder shares between events.
const maxNames = 8192

// Decoder turns records into events that may be kept: no string of an event holds on to the bytes of
// its record, and words that come again and again are kept once. It is for one goroutine. A nil Decoder
// makes events for a short time; their strings share memory with the record.
type Decoder struct {
	names map[string]string
	units map[string]quantity.Unit
}

// NewDecoder makes a decoder for events that are kept.
func NewDecoder() *Decoder {
	return &Decoder{names: map[string]string{}, units: map[string]quantity.Unit{}}
}

// word gives a string that is kept once for all events.
func (d *Decoder) word(s string) string {
	if d == nil || s == "" {
		return s
	}
	if known, ok := d.names[s]; ok {
		return known
	}
	s = strings.Clone(s)
	if len(s) > 80 || d.names == nil {
		return s
	}
	if len(d.names) >= maxNames {
		clear(d.names)
	}
	d.names[s] = s
	return s
}

// own gives a string of its own, for what never comes again.
func (d *Decoder) own(s string) string {
	if d == nil {
		return s
	}
	return strings.Clone(s)
}

// Event decodes a record strictly; a kind or version that is not known is *UnknownError.
func (d *Decoder) Event(env *record.Envelope) (*haccp.Event, error) {
	e := d.head(env)
	body, err := d.body(env)
	if err != nil {
		return nil, err
	}
	e.Body = body
	return e, nil
}

// AnyEvent decodes a record for reading: an unknown kind or version keeps its body as json.RawMessage.
func (d *Decoder) AnyEvent(env *record.Envelope) (*haccp.Event, error) {
	e, err := d.Event(env)
	if errors.Is(err, ErrUnknown) {
		e = d.head(env)
		e.Body = json.RawMessage(env.Body)
		return e, nil
	}
	return e, err
}

// head fills in what stands in the envelope.
func (d *Decoder) head(env *record.Envelope) *haccp.Event {
	e := &haccp.Event{
		Kind: d.word(env.Kind), V: env.V, Seq: env.Seq, ID: env.ID.String(), At: env.At, AtKnown: d.word(env.AtKnown),
		Until: env.Until, RecordedAt: env.RecordedAt, ServerClock: env.ServerClock, LateReason: d.own(env.LateReason),
	}
	if !env.Command.IsZero() {
		e.Command = env.Command.String()
	}
	if !env.Amends.IsZero() {
		e.Amends = env.Amends.String()
	}
	if len(env.About) > 0 {
		e.About = make([]string, len(env.About))
		for i, key := range env.About {
			e.About[i] = d.word(key)
		}
	}
	if v := env.Device; v != nil {
		e.Device = &haccp.Device{ID: d.word(v.ID), Clock: v.Clock, OffsetMS: v.OffsetMS}
	}
	if p := env.By; p != nil {
		e.By = haccp.Actor{ID: d.word(p.ID), Name: d.word(p.Name), Role: d.word(p.Role), Known: d.word(p.Known)}
	}
	for _, f := range env.Findings {
		e.Findings = append(e.Findings, haccp.Finding{Code: d.word(f.Code), Data: d.data(f.Data)})
	}
	return e
}

func (d *Decoder) data(m map[string]string) map[string]string {
	if d == nil || m == nil {
		return m
	}
	out := make(map[string]string, len(m))
	for k, v := range m {
		out[d.word(k)] = d.own(v)
	}
	return out
}

func (d *Decoder) body(env *record.Envelope) (any, error) {
	if env.Kind == haccp.KindReading && env.V == 1 {
		if r, ok := d.reading(env.Body); ok {
			return r, nil
		}
	}
	body, err := decodeBody(shape{env.Kind, env.V}, env.Body)
	if errors.Is(err, ErrUnknown) {
		return nil, &UnknownError{Seq: env.Seq, Kind: strings.Clone(env.Kind), V: env.V}
	}
	if err != nil {
		return nil, fmt.Errorf("record %d of kind %s: body: %w", env.Seq, env.Kind, err)
	}
	return body, nil
}

// decodeBody reads a body of a kind and version strictly.
func decodeBody(s shape, raw []byte) (any, error) {
	t, known := bodies[s]
	if !known {
		return nil, &UnknownError{Kind: s.kind, V: s.v}
	}
	if s.kind == haccp.KindAmended {
		return decodeAmended(s, raw)
	}
	body := reflect.New(t).Interface()
	return body, strict(raw, body)
}

// strict decodes one JSON value and refuses members that the type does not have.
func strict(raw []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: text after the end of the body", record.ErrInvalid)
	}
	return nil
}

// decodeAmended reads an amendment, whose new body has the type of the kind it amends.
func decodeAmended(s shape, raw []byte) (*haccp.Amended, error) {
	a := &struct {
		New        json.RawMessage  `json:"new"`
		Reason     string           `json:"reason"`
		Signature  *haccp.Signature `json:"signature,omitempty"`
		Target     string           `json:"target"`
		TargetKind string           `json:"target_kind"`
	}{}
	if err := strict(raw, a); err != nil {
		return nil, err
	}
	body, err := decodeBody(amendable(s.v, a.TargetKind), a.New)
	if err != nil {
		return nil, err
	}
	return &haccp.Amended{New: body, Reason: a.Reason, Signature: a.Signature, Target: a.Target, TargetKind: a.TargetKind}, nil
}
