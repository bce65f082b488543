package plant

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"sync"
	"time"

	"linewarden/haccp"
	"linewarden/internal/record/evidence"
)

// snapshotName is the one name under which a site keeps its state; saving replaces the one before.
const snapshotName = "state"

// sealSnapshot puts a line with fold version and checksum before the bytes of a state.
func sealSnapshot(state []byte) []byte {
	sum := sha256.Sum256(state)
	head := strconv.Itoa(haccp.FoldVersion) + " " + hex.EncodeToString(sum[:]) + "\n"
	return append([]byte(head), state...)
}

// openSnapshot gives the state's bytes; ok is false for another fold version or damaged bytes.
func openSnapshot(data []byte) (state []byte, ok bool) {
	_, state, ok = bytes.Cut(data, []byte("\n"))
	return state, ok && bytes.Equal(sealSnapshot(state)[:len(data)-len(state)], data[:len(data)-len(state)])
}

// loadSnapshot gives the kept state if it belongs to this log and fold version, else nil: a snapshot is
// a cache, and any doubt means to replay.
func (s *Site) loadSnapshot(ctx context.Context, size int64) *haccp.State {
	if s.opt.Snapshots == nil {
		return nil
	}
	state, why := s.tryLoad(ctx, size)
	if why != "" {
		s.opt.Logger.Warn("snapshot is not used, the log is replayed", "site", s.site, "because", why)
		s.metrics.snapshots.WithLabelValues("discarded").Inc()
	}
	return state
}

func (s *Site) tryLoad(ctx context.Context, size int64) (state *haccp.State, why string) {
	seq, root, data, err := s.opt.Snapshots.LoadSnapshot(ctx, snapshotName)
	switch {
	case err != nil:
		return nil, err.Error()
	case seq == 0:
		return nil, ""
	case seq > size:
		return nil, fmt.Sprintf("it is of record %d, the log has %d", seq, size)
	}
	if have, err := evidence.RootAt(ctx, s.opt.Log, seq); err != nil || have != root {
		return nil, "it is of another log"
	}
	b, ok := openSnapshot(data)
	if !ok {
		return nil, "it is of another version of the program, or damaged"
	}
	state, err = haccp.Restore(b, s.opt.Zones)
	if err != nil {
		return nil, err.Error()
	}
	if state.Size != seq {
		return nil, fmt.Sprintf("it says record %d and holds record %d", seq, state.Size)
	}
	s.metrics.snapshots.WithLabelValues("loaded").Inc()
	return state, ""
}

// Where records come in a rush, the next snapshot waits until some time after the last one, or until many
// times the usual number have come.
const (
	snapshotPause = 30 * time.Second
	rushed        = 5
)

// saver saves snapshots in a goroutine of its own, from published views; the writer never waits for it.
type saver struct {
	site *Site
	work chan *view
	done chan struct{}
	once sync.Once

	mu    sync.Mutex
	last  int64     // seq of the last snapshot, saved or under way
	began time.Time // when that was begun, or the saver
}

func newSaver(s *Site) *saver {
	v := &saver{site: s, work: make(chan *view, 1), done: make(chan struct{}), began: time.Now()}
	go v.run()
	return v
}

func (v *saver) run() {
	defer close(v.done)
	for w := range v.work {
		if err := v.save(context.Background(), w); err != nil {
			v.site.opt.Logger.Error("snapshot was not saved", "site", v.site.site, "error", err)
		}
	}
}

// saved notes that a snapshot of this seq is kept.
func (v *saver) saved(seq int64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.last = max(v.last, seq)
}

// offer has a view saved if enough records came since the last one and no snapshot is under way.
func (v *saver) offer(w *view) {
	if v.site.opt.Snapshots == nil {
		return
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	fresh := w.head.Size - v.last
	if fresh < v.site.opt.SnapshotEvery || fresh < rushed*v.site.opt.SnapshotEvery && time.Since(v.began) < snapshotPause {
		return
	}
	select {
	case v.work <- w:
		v.last, v.began = w.head.Size, time.Now()
	default:
	}
}

func (v *saver) save(ctx context.Context, w *view) error {
	b, err := w.state.Snapshot()
	if err == nil {
		err = v.site.opt.Snapshots.SaveSnapshot(ctx, snapshotName, w.head.Size, w.head.Root, sealSnapshot(b))
	}
	if err != nil {
		v.site.metrics.snapshots.WithLabelValues("failed").Inc()
		return fmt.Errorf("save snapshot of record %d: %w", w.head.Size, err)
	}
	v.saved(w.head.Size)
	v.site.metrics.snapshots.WithLabelValues("saved").Inc()
	return nil
}

// close ends the goroutine and saves the last view. The writer must have ended.
func (v *saver) close(ctx context.Context) error {
	v.once.Do(func() { close(v.work) })
	<-v.done
	w := v.site.view.Load()
	v.mu.Lock()
	last := v.last
	v.mu.Unlock()
	if v.site.opt.Snapshots == nil || w.head.Size == 0 || w.head.Size <= last {
		return nil
	}
	return v.save(ctx, w)
}
