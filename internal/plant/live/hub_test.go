package live_test

import (
	"context"
	"encoding/json"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant/live"
)

type fixed struct{ state *haccp.State }

func (f *fixed) View() *haccp.State { return f.state }

// grown is a site whose log has n records.
func grown(t *testing.T, n int64) *haccp.State {
	t.Helper()
	s := haccp.New(time.LoadLocation)
	for seq := int64(1); seq <= n; seq++ {
		if err := s.Apply([]*haccp.Event{note(seq)}, haccp.Facts{}); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func note(seq int64) *haccp.Event {
	at := time.Date(2026, 3, 2, 6, 0, int(seq%60), 0, time.UTC)
	return &haccp.Event{Kind: haccp.KindNote, Seq: seq, At: at, RecordedAt: at, Body: &haccp.Note{}}
}

func next(t *testing.T, s *live.Stream) live.Message {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	m, open := s.Next(ctx)
	if !open || m.ID == 0 {
		t.Fatalf("nothing came: %+v, open %v", m, open)
	}
	return m
}

// A stream begins with everything, tells changes once each and in order, and goes on where it broke off; an id that the hub
// does not know begins anew.
func TestStreamGoesOnWhereItBrokeOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		site := &fixed{grown(t, 3)}
		h := live.NewHub(site, time.Now)
		ctx, cancel := context.WithCancel(t.Context())
		go h.Run(ctx)
		a, err := h.Open("ana", 0)
		if err != nil {
			t.Fatal(err)
		}
		if m := next(t, a); m.Name != "snapshot" || m.ID != 3 {
			t.Fatalf("first %+v", m)
		}
		h.Noticed([]*haccp.Event{note(3)}) // told already, with the snapshot
		for seq := int64(4); seq <= 6; seq++ {
			h.Noticed([]*haccp.Event{note(seq)})
			time.Sleep(time.Second)
			m := next(t, a)
			var state live.State
			if err := json.Unmarshal(m.Data, &state); err != nil || m.Name != "change" || m.ID != seq || state.Seq != seq {
				t.Fatalf("%+v: %s", m, m.Data)
			}
		}
		a.Close()
		b, err := h.Open("ana", 4)
		if err != nil {
			t.Fatal(err)
		}
		for want := int64(5); want <= 6; want++ {
			if m := next(t, b); m.Name != "change" || m.ID != want {
				t.Fatalf("taken up: %+v, want %d", m, want)
			}
		}
		for _, unknown := range []int64{1, 99} {
			c, err := h.Open("bea", unknown)
			if err != nil {
				t.Fatal(err)
			}
			if m := next(t, c); m.Name != "snapshot" {
				t.Fatalf("after %d: %+v", unknown, m)
			}
		}
		cancel()
		synctest.Wait()
		if _, open := b.Next(t.Context()); open || h.Count() != 0 {
			t.Fatalf("the service stopped and %d streams are open", h.Count())
		}
	})
}

// A person has a few streams and no more; one who does not read is dropped, and what is kept for him is bounded.
func TestStreamsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := live.NewHub(&fixed{grown(t, 1)}, time.Now)
		ctx, cancel := context.WithCancel(t.Context())
		go h.Run(ctx)
		var all []*live.Stream
		for range live.MaxEach {
			s, err := h.Open("ana", 0)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, s)
		}
		if _, err := h.Open("ana", 0); !errors.Is(err, live.ErrTooMany) {
			t.Fatalf("one more: %v", err)
		}
		reader, err := h.Open("bea", 0)
		if err != nil {
			t.Fatal(err)
		}
		next(t, reader)
		for seq := int64(2); seq < 500; seq++ {
			h.Noticed([]*haccp.Event{note(seq)})
			time.Sleep(100 * time.Millisecond)
			if m := next(t, reader); m.ID != seq {
				t.Fatalf("the reader got %d, want %d", m.ID, seq)
			}
		}
		if h.Count() != 1 {
			t.Fatalf("%d streams are open, though only one reads", h.Count())
		}
		for _, s := range all {
			s.Close() // a second time, after it was dropped
		}
		if _, err := h.Open("ana", 0); err != nil {
			t.Fatal(err)
		}
		cancel()
		synctest.Wait()
	})
}

// Where more is recorded at once than is named one by one, everything is told.
func TestFloodIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := live.NewHub(&fixed{grown(t, 1)}, time.Now)
		ctx, cancel := context.WithCancel(t.Context())
		go h.Run(ctx)
		s, err := h.Open("ana", 0)
		if err != nil {
			t.Fatal(err)
		}
		next(t, s)
		var events []*haccp.Event
		for seq := int64(2); seq < 6000; seq++ {
			events = append(events, note(seq))
		}
		h.Noticed(events[:3000])
		h.Noticed(events[3000:])
		time.Sleep(time.Second)
		h.Noticed([]*haccp.Event{note(6000)})
		time.Sleep(time.Second)
		if m := next(t, s); m.ID != 6000 {
			t.Fatalf("after a flood %+v", m)
		}
		cancel()
		synctest.Wait()
	})
}
