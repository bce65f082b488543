package plant

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"sync"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
)

// Cursor is a place in the answer of Find, to be kept as it stands: "" is the beginning, and as the
// next cursor "" says that nothing follows.
type Cursor string

func cursorOf(c record.Cursor) Cursor {
	if c.IsZero() {
		return ""
	}
	b := binary.BigEndian.AppendUint64(make([]byte, 0, 16), uint64(c.At.UnixMilli()))
	b = binary.BigEndian.AppendUint64(b, uint64(c.Seq))
	return Cursor(base64.RawURLEncoding.EncodeToString(b))
}

func (c Cursor) place() (record.Cursor, error) {
	if c == "" {
		return record.Cursor{}, nil
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(string(c))
	if err != nil || len(b) != 16 {
		return record.Cursor{}, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "after", Code: "bad-cursor",
			Message: "the cursor is not one that an answer gave: begin again without one"}
	}
	return record.CursorOf(int64(binary.BigEndian.Uint64(b)), int64(binary.BigEndian.Uint64(b[8:]))), nil
}

// Query asks for the records about a key, of a kind, or both, in the order of (at, seq).
type Query struct {
	About, Kind string    // one of them may be empty
	From, To    time.Time // From <= at < To; zero: without bound
	After       Cursor
	Limit       int  // events in a page, 1 to record.MaxPage; 0: that many
	Descending  bool // latest first
}

// Find gives a page of events and the cursor of the next page, "" after the last. It reads the log at
// its head, which may be ahead of an earlier View. An event of an unknown kind or version has a
// json.RawMessage as its body. A malformed query is haccp.ErrInvalid.
func (s *Site) Find(ctx context.Context, q Query) ([]*haccp.Event, Cursor, error) {
	after, err := q.After.place()
	if err != nil {
		return nil, "", err
	}
	rq := record.Query{About: q.About, Kind: q.Kind, From: q.From, To: q.To, After: after, Limit: q.Limit, Descending: q.Descending}
	if _, err := rq.PageSize(); err != nil {
		return nil, "", &haccp.Refusal{Kind: haccp.ErrInvalid, Code: "bad-query", Message: err.Error()}
	}
	stored, next, err := s.opt.Log.Find(ctx, rq)
	if err != nil {
		return nil, "", fmt.Errorf("find records: %w", err)
	}
	events := make([]*haccp.Event, 0, len(stored))
	for _, r := range stored {
		_, e, err := readEvent(r)
		if err != nil {
			return nil, "", err
		}
		events = append(events, e)
	}
	return events, cursorOf(next), nil
}

// Record gives a record's canonical bytes and its event; haccp.ErrNotFound where the log has no such seq.
func (s *Site) Record(ctx context.Context, seq int64) (string, *haccp.Event, error) {
	var found record.Stored
	err := s.opt.Log.Scan(ctx, seq, seq, func(seq int64, rec string) error {
		found = record.Stored{Seq: seq, Bytes: rec}
		return nil
	})
	if err != nil {
		return "", nil, fmt.Errorf("read record %d: %w", seq, err)
	}
	if found.Seq == 0 || found.Seq != seq {
		return "", nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "seq", Code: "no-record",
			Message: fmt.Sprintf("the log has no record %d", seq)}
	}
	return readEvent(found)
}

// ByID gives the record with an id; haccp.ErrNotFound where the log has none, a malformed id too.
func (s *Site) ByID(ctx context.Context, id string) (string, *haccp.Event, error) {
	none := &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "id", Code: "no-record", Message: "the log has no record with this id"}
	u, err := record.ParseUUID(id)
	if err != nil {
		return "", nil, none
	}
	found, err := s.opt.Log.ByID(ctx, []record.UUID{u})
	if err != nil {
		return "", nil, fmt.Errorf("read record %s: %w", id, err)
	}
	r, ok := found[u]
	if !ok {
		return "", nil, none
	}
	return readEvent(r)
}

// Command gives the records of a command in order of seq; none where the log does not hold it.
func (s *Site) Command(ctx context.Context, id string) ([]*haccp.Event, error) {
	u, err := record.ParseUUID(id)
	if err != nil {
		return nil, nil //nolint:nilerr // what is no id names no command
	}
	found, err := s.opt.Log.Commands(ctx, []record.UUID{u})
	if err != nil {
		return nil, fmt.Errorf("read command %s: %w", id, err)
	}
	return readEvents(found[u])
}

// decoders are for reading: each knows names and units that it has met.
var decoders = sync.Pool{New: func() any { return codec.NewDecoder() }}

// readEvent decodes a stored record for reading: unknown kinds are let through.
func readEvent(r record.Stored) (string, *haccp.Event, error) {
	env, err := record.DecodeString(r.Bytes)
	if err != nil {
		return "", nil, fmt.Errorf("record %d: %w", r.Seq, err)
	}
	d := decoders.Get().(*codec.Decoder)
	defer decoders.Put(d)
	e, err := d.AnyEvent(&env)
	if err != nil {
		return "", nil, err
	}
	return r.Bytes, e, nil
}

func readEvents(stored []record.Stored) ([]*haccp.Event, error) {
	events := make([]*haccp.Event, 0, len(stored))
	for _, r := range stored {
		_, e, err := readEvent(r)
		if err != nil {
			return nil, err
		}
		events = append(events, e)
	}
	return events, nil
}
