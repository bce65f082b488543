package plant

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// fakeRules are small rules for tests of the writer: a command of kind "note" records its text (once per
// line), "limit" does so only while fewer than a number of records stand, "ask" records what it was told
// about a key, "nothing" records nothing. The count of readings stands for what a state remembers.
type fakeRules struct {
	mu      sync.Mutex
	decides int
	gate    chan struct{} // Decide waits for it where set
}

// fakeAsk is what a fake command asks for.
type fakeAsk struct {
	Text  string
	Limit int64
	Need  haccp.Need
	About []string
}

func (r *fakeRules) Needs(_ *haccp.State, c *haccp.Command, f haccp.Facts) (haccp.Need, error) {
	if f.Ranges != nil {
		return haccp.Need{}, nil
	}
	return c.Ask.(*fakeAsk).Need, nil
}

func (r *fakeRules) NeedsApply(*haccp.State, []*haccp.Event, haccp.Facts) (haccp.Need, error) {
	return haccp.Need{}, nil
}

func (r *fakeRules) DecideOn(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	return decideOn(r, s, c, f, now)
}

// decideOn makes the state after a decision the state it was made on.
func decideOn(r rules, s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	out, err := r.Decide(s, c, f, now)
	if err == nil {
		*s, out.Next = *out.Next, s
	}
	return out, err
}

func (r *fakeRules) Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	r.mu.Lock()
	r.decides++
	gate := r.gate
	r.mu.Unlock()
	if gate != nil {
		<-gate
	}
	ask := c.Ask.(*fakeAsk)
	next := s.Fork()
	var texts []string
	switch c.Kind {
	case "note":
		texts = strings.Split(ask.Text, "\n")
	case "limit":
		if s.Counts.Readings >= ask.Limit {
			return nil, &haccp.Refusal{Kind: haccp.ErrConflict, Code: "full", Message: fmt.Sprintf("%d already", s.Counts.Readings)}
		}
		texts = []string{ask.Text}
	case "ask":
		texts = []string{told(f)}
	case "nothing":
	default:
		return nil, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "kind", Message: "no such kind"}
	}
	var events []*haccp.Event
	for i, text := range texts {
		at := now
		if now.Before(s.LastRecorded) {
			at = s.LastRecorded
		}
		events = append(events, &haccp.Event{Kind: haccp.KindNote, V: 1, Seq: s.Size + int64(i) + 1, ID: haccp.RecordID(c.ID, i),
			Command: c.ID, At: c.At, AtKnown: haccp.AtServer, RecordedAt: at, By: c.By, About: ask.About, Body: &haccp.Note{Text: text}})
	}
	return &haccp.Outcome{Events: events, Next: next}, r.Apply(next, events, f)
}

// told writes facts down in a form that tests compare.
func told(f haccp.Facts) string {
	var b strings.Builder
	for r, events := range f.Ranges {
		fmt.Fprintf(&b, "%s:", r.About)
		for _, e := range events {
			fmt.Fprintf(&b, " %d", e.Seq)
		}
	}
	for id, e := range f.ByID {
		fmt.Fprintf(&b, " %s=%v", id, e != nil)
	}
	for seq, leaf := range f.Leaves {
		fmt.Fprintf(&b, " leaf %d %s", seq, leaf)
	}
	for size, root := range f.Roots {
		fmt.Fprintf(&b, " root %d %s", size, root)
	}
	return b.String()
}

func (r *fakeRules) Apply(s *haccp.State, group []*haccp.Event, _ haccp.Facts) error {
	for _, e := range group {
		if e.Seq != s.Size+1 {
			return fmt.Errorf("record %d follows %d", e.Seq, s.Size)
		}
		s.Size, s.LastRecorded = e.Seq, e.RecordedAt
		switch b := e.Body.(type) {
		case *haccp.Founded:
			s.Site = *b
		case *haccp.Note:
			s.Counts.Readings++
		}
	}
	return nil
}

func (r *fakeRules) decided() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.decides
}

func (r *fakeRules) hold(gate chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.gate = gate
}

func utc(string) (*time.Location, error) { return time.UTC, nil }

// bench is a founded site over memory with a store that fails on command.
type bench struct {
	*Site
	rules *fakeRules
	store *memstore.Log
	log   *recordtest.Faulty
	opt   Options
}

func keys(t testing.TB, site string) *record.Signer {
	t.Helper()
	k, err := recordtest.NewKeys(site, t.Name(), 0)
	if err != nil {
		t.Fatal(err)
	}
	return k.Signer
}

func found(t testing.TB, change ...func(*Options)) *bench {
	t.Helper()
	store := memstore.New().Site("plant")
	b := &bench{rules: &fakeRules{}, store: store, log: &recordtest.Faulty{Log: store}}
	b.opt = Options{Log: b.log, Snapshots: store, Checkpoints: store, Signer: keys(t, "plant"), Zones: utc, rules: b.rules}
	for _, c := range change {
		c(&b.opt)
	}
	if err := Found(t.Context(), b.opt, Founding{Site: "plant", Name: "Invented plant", Demo: true}); err != nil {
		t.Fatal(err)
	}
	b.open(t)
	return b
}

// open opens the site again on the same store.
func (b *bench) open(t testing.TB) {
	t.Helper()
	s, err := Open(t.Context(), b.opt)
	if err != nil {
		t.Fatal(err)
	}
	b.Site = s
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_ = s.Close(ctx)
	})
}

func commandID(n int) string {
	return record.RecordID(record.SiteNamespace("commands"), n).String()
}

// note is a request to record a text.
func note(n int, text string) Request { return fakeRequest(n, "note", &fakeAsk{Text: text}) }

func fakeRequest(n int, kind string, ask *fakeAsk) Request {
	c := &haccp.Command{ID: commandID(n), Kind: kind, At: time.Date(2026, 3, 2, 8, 0, n, 0, time.UTC), AtKnown: haccp.AtServer,
		By: haccp.Actor{ID: "p-1", Name: "Ana Test", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}, Ask: ask}
	sent, err := json.Marshal(map[string]any{"id": c.ID, "kind": kind, "text": ask.Text})
	if err != nil {
		panic(err)
	}
	return Request{Command: c, Sent: sent}
}

func mustDo(t testing.TB, s *Site, r Request) Result {
	t.Helper()
	res, err := s.Do(t.Context(), r)
	if err != nil {
		t.Fatalf("command %s: %v", r.Command.ID, err)
	}
	return res
}

func texts(events []*haccp.Event) []string {
	var out []string
	for _, e := range events {
		out = append(out, e.Body.(*haccp.Note).Text)
	}
	return out
}
