package browsertest

import (
	"context"
	"io"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/demo"
)

// house is the demo plant in this process, with a clock that a test moves on and a network that it cuts.
type house struct {
	t     *testing.T
	app   *app.App
	ahead atomic.Int64 // ns that the plant's clock is ahead of this machine's
	dir   string       // its data folder
	wire  *wire
}

func (h *house) now() time.Time { return time.Now().Add(time.Duration(h.ahead.Load())) }

// midShift is a moment in the middle of a shift of the days before, 10:30 of the plant on a Wednesday. What is due, and what
// the label of a bath leads to, depends on the hour: it must not be that of the test.
func midShift() time.Time {
	at := time.Now().UTC().Truncate(24 * time.Hour).Add(16*time.Hour + 30*time.Minute)
	for at.After(time.Now()) || at.Weekday() != time.Wednesday {
		at = at.AddDate(0, 0, -1)
	}
	return at
}

// newHouse serves a plant with a few days of history; names: over TLS, for these host names.
func newHouse(t *testing.T, names ...string) *house {
	t.Helper()
	return newHouseAt(t, midShift(), names...)
}

// newHouseAt serves it with its clock at a moment.
func newHouseAt(t *testing.T, at time.Time, names ...string) *house {
	t.Helper()
	h := &house{t: t}
	h.ahead.Store(int64(time.Until(at)))
	ctx := t.Context()
	dir := filepath.Join(t.TempDir(), "data")
	h.dir = dir
	f, err := app.OpenFolder(ctx, dir, nil)
	h.must(err)
	o, err := f.NewOptions(ctx, demo.Site)
	h.must(err)
	_, err = demo.Write(ctx, demo.Options{Plant: o, Now: h.now(), Days: demo.MinDays})
	h.must(err)
	cfg := config.Default()
	cfg.Listen, cfg.Site, cfg.Data = "127.0.0.1:0", demo.Site, dir
	cfg.TLS.Plant = names
	set := access.Defaults()
	set.Params, set.WeakHashes, set.Demo = access.Params{Memory: 8, Time: 1, Threads: 1}, true, true
	h.app, err = app.New(ctx, cfg, app.Parts{Home: f, Clock: h.now, Access: &set})
	h.must(err)
	h.must(h.app.Wait(ctx))
	h.must(h.app.Start())
	t.Cleanup(func() {
		if err := h.app.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	h.wire = newWire(t, h.app.Addr())
	return h
}

func (h *house) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// later moves the plant's clock on.
func (h *house) later(d time.Duration) { h.ahead.Add(int64(d)) }

// staff gives people a password each, by their ids.
func (h *house) staff(ids ...string) *plant {
	h.t.Helper()
	passwords, err := h.app.Door().DemoPasswords(h.t.Context(), ids, h.now())
	h.must(err)
	return &plant{url: "http://" + h.wire.addr, passwords: passwords}
}

// pins gives people a password and a PIN each.
func (h *house) pins(pins map[string]string) {
	h.t.Helper()
	var ids []string
	for id := range pins {
		ids = append(ids, id)
	}
	passwords, err := h.app.Door().DemoPasswords(h.t.Context(), ids, h.now())
	h.must(err)
	for id, pin := range pins {
		h.must(h.app.Door().SetPIN(h.t.Context(), id, passwords[id], pin, access.Source{Address: "127.0.0.1"}, h.now()))
	}
}

// readings are those of a bath since a moment, as recorded, oldest first.
func (h *house) readings(since time.Time) []*haccp.Event {
	h.t.Helper()
	return h.find("check:bath-test@bath-1", since)
}

// wire is a network between browser and plant that can be cut.
type wire struct {
	addr string
	mu   sync.Mutex
	cut  bool
	open map[net.Conn]bool
}

func newWire(t *testing.T, to string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &wire{addr: l.Addr().String(), open: map[net.Conn]bool{}}
	t.Cleanup(func() {
		_ = l.Close()
		w.set(true)
	})
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go w.carry(c, to)
		}
	}()
	return w
}

func (w *wire) carry(c net.Conn, to string) {
	defer c.Close()
	w.mu.Lock()
	cut := w.cut
	if !cut {
		w.open[c] = true
	}
	w.mu.Unlock()
	if cut {
		return
	}
	s, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer s.Close()
	go func() {
		_, _ = io.Copy(s, c)
		_ = s.Close()
	}()
	_, _ = io.Copy(c, s)
	w.mu.Lock()
	delete(w.open, c)
	w.mu.Unlock()
}

// set cuts the network, or mends it.
func (w *wire) set(cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = cut
	if cut {
		for c := range w.open {
			_ = c.Close()
		}
	}
}

func (w *wire) port() string { return w.addr[strings.LastIndexByte(w.addr, ':')+1:] }
