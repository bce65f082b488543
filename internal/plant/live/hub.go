package live

import (
	"context"
	"encoding/json"
	"errors"
	"sync"
	"time"

	"linewarden/haccp"
)

// Limits of the streams of a site.
const (
	MaxEach    = 8   // open at once for one person
	MaxAll     = 500 // open at once
	behind     = 64  // messages that wait for one reader; who lets more wait is dropped
	kept       = 256 // messages kept for those who take a stream up again
	keptBytes  = 4 << 20
	maxPending = 4096 // events that wait to be told; where there are more, everything is told
	settle     = 50 * time.Millisecond
)

// ErrTooMany says that a person, or everybody together, has as many streams open as there may be.
var ErrTooMany = errors.New("too many streams are open")

// Site is what is watched.
type Site interface {
	View() *haccp.State
}

// Message is one message of a stream, ready to be sent.
type Message struct {
	ID   int64  // number of the last record behind it
	Name string // "snapshot" or "change"
	Data []byte // JSON in one line
}

// Hub tells the streams of a site what changed. Its methods may be called by several goroutines at once.
type Hub struct {
	site  Site
	clock func() time.Time
	wake  chan struct{}

	mu      sync.Mutex
	pending []*haccp.Event
	all     bool // so much is pending that everything is told
	streams map[*Stream]bool
	each    map[string]int
	ring    []Message
	bytes   int
	floor   int64 // a stream that ended at or after this record can be taken up from ring
	people  uint64
}

// NewHub returns the hub of a site.
func NewHub(site Site, clock func() time.Time) *Hub {
	return &Hub{site: site, clock: clock, wake: make(chan struct{}, 1), streams: map[*Stream]bool{}, each: map[string]int{}}
}

// Noticed tells the hub what was recorded. It waits for nothing.
func (h *Hub) Noticed(events []*haccp.Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, e := range events {
		switch e.Body.(type) {
		case *haccp.PersonBody, *haccp.DeviceBody, *haccp.SiteRole:
			h.people++
		}
	}
	if len(h.streams) == 0 { // nobody watches: the next stream begins with everything
		h.pending, h.ring, h.bytes, h.all = nil, nil, 0, false
		return
	}
	if len(h.pending)+len(events) > maxPending {
		h.pending, h.all = nil, true
	}
	h.pending = append(h.pending, events...)
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// People changes whenever people or devices may have.
func (h *Hub) People() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.people
}

// Run tells the streams until ctx ends, and then ends them.
func (h *Hub) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			h.end()
			return
		case <-h.wake:
		}
		select { // what comes together is told together
		case <-ctx.Done():
		case <-time.After(settle):
		}
		h.tell()
	}
}

func (h *Hub) end() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for s := range h.streams {
		h.drop(s)
	}
}

func (h *Hub) tell() {
	h.mu.Lock()
	events, all := h.pending, h.all
	h.pending, h.all = nil, false
	h.mu.Unlock()
	if len(events) == 0 {
		return
	}
	now, view := h.clock(), h.site.View()
	state, named := State{}, false
	if !all {
		state, named = Changed(view, events, now)
	}
	m := Message{Name: "change"}
	if !named {
		state, m.Name = Whole(view, now), "snapshot"
	}
	data, err := json.Marshal(state)
	if err != nil {
		return // a state of plain values always has JSON
	}
	m.ID, m.Data = state.Seq, data
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ring = append(h.ring, m); len(h.ring) == 1 {
		h.floor = events[0].Seq - 1
	}
	for h.bytes += len(data); len(h.ring) > kept || h.bytes > keptBytes && len(h.ring) > 1; h.ring = h.ring[1:] {
		h.bytes -= len(h.ring[0].Data)
		h.floor = h.ring[0].ID
	}
	for s := range h.streams {
		select {
		case s.c <- m:
		default: // too slow: it begins anew
			h.drop(s)
		}
	}
}

// Stream is what one reader gets.
type Stream struct {
	hub    *Hub
	person string
	c      chan Message
	first  []Message
	known  int64 // the reader knows the log up to here
}

// Open begins a stream for a person who knows the site as of a record; 0: not at all. It gives what was missed where the
// hub still has it, and else everything.
func (h *Hub) Open(person string, after int64) (*Stream, error) {
	s := &Stream{hub: h, person: person, c: make(chan Message, behind)}
	h.mu.Lock()
	if h.each[person] >= MaxEach || len(h.streams) >= MaxAll {
		h.mu.Unlock()
		return nil, ErrTooMany
	}
	h.streams[s] = true
	h.each[person]++
	resumed := after > 0 && len(h.ring) > 0 && after >= h.floor && after <= h.ring[len(h.ring)-1].ID
	if resumed {
		for _, m := range h.ring {
			if m.ID > after {
				s.first = append(s.first, m)
			}
		}
		s.known = after
	}
	h.mu.Unlock()
	if resumed {
		return s, nil
	}
	whole := Whole(h.site.View(), h.clock())
	data, err := json.Marshal(whole)
	if err != nil {
		s.Close()
		return nil, err
	}
	s.first = []Message{{ID: whole.Seq, Name: "snapshot", Data: data}}
	return s, nil
}

// Next gives the messages that wait, at least one, or waits until ctx ends; false where the stream has ended.
func (s *Stream) Next(ctx context.Context) (Message, bool) {
	if len(s.first) > 0 {
		m := s.first[0]
		s.first = s.first[1:]
		s.known = max(s.known, m.ID)
		return m, true
	}
	for {
		select {
		case m, open := <-s.c:
			if !open {
				return Message{}, false
			}
			if m.ID <= s.known {
				continue // told with what the stream began with
			}
			s.known = m.ID
			return m, true
		case <-ctx.Done():
			return Message{}, true
		}
	}
}

// Close ends the stream.
func (s *Stream) Close() {
	s.hub.mu.Lock()
	defer s.hub.mu.Unlock()
	s.hub.drop(s)
}

// drop ends a stream; the hub is locked.
func (h *Hub) drop(s *Stream) {
	if !h.streams[s] {
		return
	}
	delete(h.streams, s)
	if h.each[s.person]--; h.each[s.person] == 0 {
		delete(h.each, s.person)
	}
	close(s.c)
}

// Count is how many streams are open.
func (h *Hub) Count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.streams)
}
