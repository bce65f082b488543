package haccp_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
)

// stored gives events as a store gives them back: bodies written and read again, so that nothing lives on
// that is not in the bytes.
func stored(t testing.TB, group []*haccp.Event) []*haccp.Event {
	t.Helper()
	var out []*haccp.Event
	for _, e := range group {
		own := *e
		b, err := json.Marshal(e.Body)
		if err != nil {
			t.Fatal(err)
		}
		body := reflect.New(reflect.TypeOf(e.Body).Elem()).Interface()
		if a, ok := body.(*haccp.Amended); ok {
			a.New = reflect.New(reflect.TypeOf(e.Body.(*haccp.Amended).New).Elem()).Interface()
		}
		if err := json.Unmarshal(b, body); err != nil {
			t.Fatal(err)
		}
		own.Body = body
		out = append(out, &own)
	}
	return out
}

// groups cuts the events of a world into commands, as they are in the log.
func groups(w *world) [][]*haccp.Event {
	var out [][]*haccp.Event
	for _, e := range w.events {
		if n := len(out); n > 0 && out[n-1][0].Command == e.Command && e.Command != "" {
			out[n-1] = append(out[n-1], e)
			continue
		}
		out = append(out, []*haccp.Event{e})
	}
	return out
}

func snap(t testing.TB, s *haccp.State) string {
	t.Helper()
	b, err := s.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A log of many kinds of facts, told in any order, folds to the state that deciding gave: straight through,
// from a snapshot taken at any position, and on a fork; and no fork disturbs another.
func TestFoldsAgree(t *testing.T) {
	founded := newWorld(t, withInstrument, testedDaily)
	rapid.Check(t, func(rt *rapid.T) {
		s := &script{t: rt, days: rapid.SampledFrom([]int{2, 14, 40}).Draw(rt, "days")}
		s.draw()
		w := founded.again(drawing{t, rt})
		s.tell(w, s.shuffled(), false, 3, func() {
			if len(w.events)%5 == 0 {
				w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
			}
			closeEnded(w)
		})
		want := snap(w.t, w.state)
		list := groups(w)
		at := rapid.IntRange(0, len(list)).Draw(rt, "at")
		straight := haccp.New(time.LoadLocation)
		var restored, fork *haccp.State
		held := ""
		for i, g := range list {
			if i == at {
				held = snap(w.t, straight)
				var err error
				if restored, err = haccp.Restore([]byte(held), time.LoadLocation); err != nil {
					rt.Fatal(err)
				}
				fork = straight.Fork()
			}
			g = stored(w.t, g)
			w.applyTo(straight, g)
			if restored == nil {
				continue
			}
			w.applyTo(restored, g)
			if i%8 == 0 || i == len(list)-1 {
				w.same(restored, straight, fmt.Sprintf("group %d, restored at %d", i, at))
			}
		}
		w.same(straight, w.state, "straight fold")
		if fork != nil {
			if got := snap(w.t, fork); got != held {
				rt.Fatal("what was done to a state changed its fork")
			}
			for _, g := range list[at:] {
				w.applyTo(fork, g)
			}
			w.same(fork, straight, "fork")
		}
		if got := snap(w.t, w.state); got != want {
			rt.Fatal("the decided state changed")
		}
	})
}

// Two forks of one state take different facts; each ends as if the other had never been.
func TestForksDoNotDisturbOneAnother(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := &script{t: rt, days: rapid.SampledFrom([]int{1, 14}).Draw(rt, "days")}
		s.draw()
		order := s.inTime()
		cut := rapid.IntRange(0, len(order)).Draw(rt, "cut")
		early, rest := order[:cut], order[cut:]
		build := func() *world {
			w := newWorld(drawing{t, rt})
			w.replay = nil
			s.tell(w, early, false, 1, func() {})
			return w
		}
		w := build()
		base := snap(w.t, w.state)
		var alone [2]string
		tellHalf := func(w *world, half int) {
			for i, n := range rest {
				if x := &s.facts[n]; i%2 == half && x.row == nil && (x.after < 0 || slices.Contains(early, x.after)) {
					x.give(w)
				}
			}
		}
		for half := range 2 {
			own := build()
			own.now = own.now.Add(time.Hour)
			tellHalf(own, half)
			alone[half] = snap(w.t, own.state)
		}
		root, events := w.state, w.events
		for half := range 2 {
			fork := &world{t: w.t, state: root, byKey: map[string][]*haccp.Event{}, byID: map[string]*haccp.Event{}, now: w.now.Add(time.Hour)}
			fork.keep(events)
			tellHalf(fork, half)
			if got := snap(w.t, fork.state); got != alone[half] {
				rt.Fatalf("fork %d differs from a state of its own", half)
			}
		}
		if snap(w.t, root) != base {
			rt.Fatal("deciding on forks changed the state they came from")
		}
	})
}

// A chain holds what a sorted list holds, whatever it is cut into, and older chains stay as they were.
func TestChain(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var c, old haccp.Chain
		var want, was []int
		for i, v := range rapid.SliceOfN(rapid.IntRange(0, 300), 0, 120).Draw(rt, "values") {
			if i == 60 {
				old, was = c, slices.Clone(want)
			}
			c, want = c.Insert(v), append(want, v)
			slices.Sort(want)
		}
		check := func(c haccp.Chain, want []int) {
			forward, backward := c.List()
			slices.Reverse(backward)
			if !slices.Equal(forward, want) || !slices.Equal(backward, want) {
				rt.Fatalf("%v and %v instead of %v", forward, backward, want)
			}
		}
		check(c, want)
		check(old, was)
		if len(want) > 0 && want[len(want)-1]-want[0] >= 100+24 {
			edge, n := want[len(want)-1]-100, 0
			for n+1 < len(want) && want[n+1] <= edge {
				n++
			}
			want = want[n:]
		}
		check(c.TrimHours(100), want)
	})
}

// A published state is read by many while the writer decides on it.
func TestReadersBesideTheWriter(t *testing.T) {
	w := running(t)
	w.replay = nil
	for range 20 {
		w.at(30 * time.Minute)
		w.must(haccp.KindReading, tina, bathTest("bath-1", "118", "6.80"))
		published, now := w.state, w.now
		var wg sync.WaitGroup
		for range 4 {
			wg.Go(func() {
				published.DueList(now)
				published.PointStates(now)
				published.Overdue(now)
				published.FillingAt("bath-1", now)
				if _, err := published.Snapshot(); err != nil {
					t.Error(err)
				}
			})
		}
		c := w.command(haccp.KindReading, teo, bathTest("bath-2", "90", "6.80"))
		f := w.facts(c)
		for range 2 {
			wg.Go(func() {
				if _, err := published.Decide(c, f, now); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
	}
}
