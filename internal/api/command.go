package api

import (
	"bytes"
	"maps"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/api/intake"
	"linewarden/internal/api/reply"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// stamp is what every command carries.
type stamp struct {
	ID         string    `json:"id" max:"36" doc:"UUID in lower case, made by the client. The same id with the same content from the same person gives the first answer again; with anything else it is refused."`
	At         time.Time `json:"at,omitzero" doc:"When it happened, RFC 3339 with zone. Left out: now, by the server's clock."`
	AtKnown    string    `json:"at_known,omitempty" enum:"device,typed" doc:"How at is known: stamped by a device when the form was opened, or typed by a person. Left out beside at: typed."`
	Device     *deviceIn `json:"device,omitempty"`
	LateReason string    `json:"late_reason,omitempty" doc:"Why it is reported late."`
	Role       string    `json:"role,omitempty" enum:"technician,line_lead,laboratory,manager,auditor,administrator" doc:"The role to act in, for a person who holds several."`
}

// deviceIn is the device a report was made on.
type deviceIn struct {
	ID       string    `json:"id,omitempty" max:"80" doc:"Left out on an enrolled device."`
	Clock    time.Time `json:"clock,omitzero" doc:"The device's own clock, uncorrected, when the form was opened."`
	OffsetMS int64     `json:"offset_ms,omitempty" doc:"Device clock minus server clock at their last contact, in milliseconds."`
}

// command makes the command of a request, by whoever sent it. Decisions are made now; reports tell of at.
func (q *call) command(kind string, st *stamp, ask any) (*haccp.Command, error) {
	c := &haccp.Command{ID: st.ID, Kind: kind, At: st.At, AtKnown: st.AtKnown, LateReason: st.LateReason, Ask: ask}
	switch {
	case st.At.IsZero() && st.AtKnown != "":
		return nil, intake.Missing("at", "at, which at_known speaks of,")
	case st.At.IsZero():
		c.At, c.AtKnown = q.now, haccp.AtServer
	case st.AtKnown == "":
		c.AtKnown = haccp.AtTyped
	}
	dev, err := q.device(st.Device)
	if err != nil {
		return nil, err
	}
	c.Device = dev
	c.By = gate.Actor(q.api.Site.View(), q.who, kind, c.At, st.Role)
	return c, q.deliver(c)
}

// device gives the device of a report: the one the session is bound to, and no other.
func (q *call) device(in *deviceIn) (*haccp.Device, error) {
	own := q.who.Device.ID
	switch {
	case in == nil && own == "":
		return nil, nil
	case in == nil:
		return &haccp.Device{ID: own}, nil
	case in.ID == "" && own == "":
		return nil, intake.Missing("device.id", "the id of the device")
	case in.ID != "" && own != "" && in.ID != own:
		return nil, q.refused("device.id", "wrong-device", "this session belongs to another device")
	case in.ID != "":
		own = in.ID
	}
	return &haccp.Device{ID: own, Clock: in.Clock, OffsetMS: in.OffsetMS}, nil
}

// do has the site decide the command. What is hashed to know it again is the body as sent, without the
// password, and the address it was sent to.
func (q *call) do(c *haccp.Command) (plant.Result, error) {
	b, _ := q.api.buffers.Get().(*bytes.Buffer)
	defer q.api.buffers.Put(b)
	b.Reset()
	q.hashed(b)
	r, err := q.api.Site.Do(q.UserContext(), plant.Request{Command: c, Sent: b.Bytes()})
	if err == nil {
		q.Status(fiber.StatusCreated)
		if r.Repeated {
			q.Status(fiber.StatusOK)
		}
	}
	return r, err
}

// passwordMember is left out of what is hashed: the log must hold nothing a password could be guessed from.
const passwordMember = "password"

func (q *call) hashed(b *bytes.Buffer) {
	b.WriteByte('{')
	for _, m := range q.sent {
		if m.Name != passwordMember {
			b.WriteByte('"')
			b.WriteString(m.Name)
			b.WriteString(`":`)
			b.WriteString(m.Raw)
			b.WriteByte(',')
		}
	}
	b.WriteString(`"request":"`)
	b.WriteString(q.Method())
	b.WriteByte(' ')
	b.WriteString(strings.ReplaceAll(strings.ReplaceAll(q.Path(), `\`, `%5C`), `"`, `%22`))
	b.WriteString(`"}`)
}

// Answer is what a report or a decision brought about, and what to do next.
type Answer = reply.Answer

// Done names the first record of an answer.
type Done = reply.Done

// report has a command decided and tells what to do next.
func (q *call) report(c *haccp.Command) (Answer, error) {
	r, err := q.do(c)
	if err != nil {
		return Answer{}, err
	}
	return q.told(r), nil
}

func (q *call) told(r plant.Result) Answer {
	return reply.Of(q.api.Site.View(), r.Events, headOf(r.Head), q.now, gate.Language(q.Ctx))
}

func headOf(h record.Head) haccp.Head { return haccp.Head{Root: h.Root.String(), Size: h.Size} }

// A body is what a report of some kind says.
type body interface {
	// report gives the body of the record, as far as the reporter knows it.
	report() any
}

// reportKind knows how to read the body of a report of one kind.
type reportKind struct {
	new   func() body
	shape *intake.Shape
}

func kindOf[T any, P interface {
	*T
	body
}]() reportKind {
	return reportKind{func() body { return P(new(T)) }, intake.For[T]()}
}

// reportKinds lists the reports that can be amended or put in the place of a void one.
func reportKinds() map[string]reportKind {
	out := map[string]reportKind{
		haccp.KindReading: kindOf[readingBody](), haccp.KindFilled: kindOf[fillingBody](), haccp.KindAdded: kindOf[additionBody](),
		haccp.KindPartReplaced: kindOf[replacementBody](), haccp.KindDrained: kindOf[careBody](), haccp.KindCleaned: kindOf[careBody](),
		haccp.KindInService: kindOf[serviceBody](), haccp.KindOutOfService: kindOf[serviceBody](), haccp.KindCleanBreak: kindOf[breakBody](),
		haccp.KindLineStarted: kindOf[startedBody](), haccp.KindLineStopped: kindOf[stoppedBody](), haccp.KindFixDone: kindOf[fixBody](),
		haccp.KindNote:        kindOf[noteBody](),
		haccp.KindLotReceived: kindOf[receivedBody](), haccp.KindLotEntered: kindOf[movedBody](), haccp.KindLotLeft: kindOf[movedBody](),
		haccp.KindLotFed: kindOf[fedBody](), haccp.KindLotRemoved: kindOf[removedBody](), haccp.KindPlaceEmptied: kindOf[emptiedBody](),
	}
	maps.Copy(out, sampleKinds())
	return out
}
