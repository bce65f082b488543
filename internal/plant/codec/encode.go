package codec

import (
	"linewarden/haccp"
	"linewarden/internal/record"
)

// Envelope turns an event that was decided, with its body as AppendBody wrote it, into a record; the
// builder sets site and seq.
func Envelope(e *haccp.Event, hash [32]byte, body []byte) (record.Envelope, error) {
	env := record.Envelope{
		V: e.V, Seq: e.Seq, CommandHash: hash, Kind: e.Kind, At: e.At, AtKnown: e.AtKnown, Until: e.Until,
		RecordedAt: e.RecordedAt, ServerClock: e.ServerClock, LateReason: e.LateReason, About: e.About, Body: body,
	}
	if _, known := bodies[shape{e.Kind, e.V}]; !known {
		return env, &UnknownError{Seq: e.Seq, Kind: e.Kind, V: e.V}
	}
	if d := e.Device; d != nil {
		env.Device = &record.Device{ID: d.ID, Clock: d.Clock, OffsetMS: d.OffsetMS}
	}
	if e.By != (haccp.Actor{}) {
		env.By = &record.Person{ID: e.By.ID, Name: e.By.Name, Role: e.By.Role, Known: e.By.Known}
	}
	for _, f := range e.Findings {
		env.Findings = append(env.Findings, record.Finding{Code: f.Code, Data: f.Data})
	}
	return env, envelopeIDs(&env, e)
}

func envelopeIDs(env *record.Envelope, e *haccp.Event) (err error) {
	if env.ID, err = record.ParseUUID(e.ID); err != nil {
		return err
	}
	if e.Command != "" {
		if env.Command, err = record.ParseUUID(e.Command); err != nil {
			return err
		}
	}
	if e.Amends != "" {
		env.Amends, err = record.ParseUUID(e.Amends)
	}
	return err
}
