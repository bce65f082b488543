package plant

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/plant/tidings"
	"linewarden/internal/plant/turns"
	"linewarden/internal/record"
)

// Begin opens a site whose log is read in the background: reads of records work at once, commands are
// refused with ErrReplaying until Ready says nil. The context bounds the opening, not the replay; Close
// ends that. The error is that of a log without founding, ErrKey for a signer that is not the log's
// current one, or the store's.
func Begin(ctx context.Context, o Options) (*Site, error) {
	if err := o.fill(); err != nil {
		return nil, err
	}
	m, err := newMetrics(o.Registerer)
	if err != nil {
		return nil, err
	}
	tree, head, err := record.OpenTree(ctx, o.Log)
	if err != nil {
		return nil, fmt.Errorf("open site: %w", err)
	}
	s := &Site{opt: o, metrics: m, inbox: make(chan *job, inboxSize), looks: make(chan *look, 64), ready: make(chan struct{}), written: make(chan struct{})}
	if err := s.identify(ctx); err != nil {
		return nil, fmt.Errorf("open site: %w", err)
	}
	life, cancel := context.WithCancel(context.WithoutCancel(ctx))
	s.cancel = cancel
	s.saver = newSaver(s)
	s.readable.Store(&head)
	s.view.Store(&view{state: haccp.New(o.Zones)})
	s.status.progress(0, head.Size)
	w := &writer{
		site: s, ctx: life, tree: tree, head: head, decode: codec.NewDecoder(), body: make([]byte, 0, 64<<10),
		turns:  turns.Turns{Shared: o.Shared},
		told:   tidings.Of(o.Log),
		append: &appender{log: o.Log, logger: o.Logger, trouble: m.trouble},
	}
	go w.start()
	return s, nil
}

// identify reads the founding record and compares the key.
func (s *Site) identify(ctx context.Context) error {
	_, rec, err := s.first(ctx)
	if err != nil {
		return err
	}
	f, err := record.ReadFounding(&rec)
	if err != nil {
		return err
	}
	s.site, s.logID = f.Site, f.LogID
	if s.opt.Signer == nil {
		return nil
	}
	key, err := s.currentKey(ctx, f.Key)
	if err != nil {
		return err
	}
	if have := s.opt.Signer.VerifierKey(); have != key {
		return fmt.Errorf("%w: the log of site %s wants %s, the key file holds %s", ErrKey, f.Site, key, have)
	}
	return nil
}

func (s *Site) first(ctx context.Context) (string, record.Envelope, error) {
	bytes := ""
	err := s.opt.Log.Scan(ctx, 1, 1, func(_ int64, rec string) error {
		bytes = rec
		return nil
	})
	if err == nil && bytes == "" {
		err = fmt.Errorf("%w: the log is empty, found the site first", record.ErrNotFound)
	}
	if err != nil {
		return "", record.Envelope{}, err
	}
	env, err := record.DecodeString(bytes)
	return bytes, env, err
}

// currentKey is the key of the last change, or the founding one.
func (s *Site) currentKey(ctx context.Context, key string) (string, error) {
	q := record.Query{Kind: record.KindKeyChanged}
	for {
		page, next, err := s.opt.Log.Find(ctx, q)
		if err != nil {
			return "", fmt.Errorf("find the current key: %w", err)
		}
		last := int64(0)
		for _, r := range page {
			env, err := record.DecodeString(r.Bytes)
			if err != nil {
				return "", fmt.Errorf("record %d: %w", r.Seq, err)
			}
			change, err := record.ReadKeyChange(&env)
			if err != nil {
				return "", err
			}
			if r.Seq > last {
				key, last = change.Key, r.Seq
			}
		}
		if next.IsZero() {
			return key, nil
		}
		q.After = next
	}
}

// start replays the log and then writes until the site is closed.
func (w *writer) start() {
	began := time.Now()
	err := w.replay()
	if err == nil {
		w.publish()
	}
	if err != nil && !errors.Is(err, context.Canceled) {
		w.site.opt.Logger.Error("the record log was not folded", "site", w.site.site, "error", err)
	}
	w.site.status.end(err)
	w.site.measureCheckpoint(w.ctx)
	close(w.site.ready)
	w.site.opt.Logger.Info("record log folded", "site", w.site.site, "records", w.head.Size, "took", time.Since(began), "ok", err == nil)
	w.run()
}

// replay folds the newest snapshot that fits and the records after it up to the head.
func (w *writer) replay() error {
	s := w.site
	s.metrics.replayTotal.Set(float64(w.head.Size))
	s.metrics.size.Set(float64(w.head.Size))
	w.state = haccp.New(s.opt.Zones)
	tree := new(record.Tree)
	if snap := s.loadSnapshot(w.ctx, w.head.Size); snap != nil {
		t, err := record.NewTree(snap.Size, record.HashReader(w.ctx, s.opt.Log))
		if err != nil {
			return err
		}
		w.state, tree = snap, t
		s.saver.saved(snap.Size)
	}
	f := &folder{w: w, tree: tree, state: w.state, done: w.state.Size}
	err := f.fold(w.head.Size)
	w.state = f.state
	if err != nil {
		return err
	}
	if f.tree.Root() != w.head.Root {
		return fmt.Errorf("%w: the records up to %d do not give the root of commit %d: run verify", record.ErrTampered, w.head.Size, w.head.Commit)
	}
	return nil
}

// folder folds stored records into a state. Records are decoded by other goroutines, in order.
type folder struct {
	w     *writer
	state *haccp.State
	tree  *record.Tree
	group []*haccp.Event
	done  int64
}

// chunk is some records on their way through a decoder.
type chunk struct {
	records []string
	from    int64
	leaves  []tlog.Hash
	events  []*haccp.Event
	err     error // of the record after the last event
	ready   chan struct{}
}

const (
	chunkRecords = 256
	chunksAhead  = 8
)

// fold reads the records up to a seq.
func (f *folder) fold(to int64) error {
	ctx, cancel := context.WithCancel(f.w.ctx)
	defer cancel()
	ordered := make(chan *chunk, chunksAhead)
	work := make(chan *chunk, chunksAhead)
	for range max(1, runtime.GOMAXPROCS(0)-1) {
		go func() {
			d := codec.NewDecoder()
			for c := range work {
				c.decode(d)
				close(c.ready)
			}
		}()
	}
	scanned := make(chan error, 1)
	go func() {
		scanned <- readChunks(ctx, f.w.site.opt.Log, f.done+1, to, ordered, work)
		close(work)
		close(ordered)
	}()
	for c := range ordered {
		<-c.ready
		if err := f.take(c, to); err != nil {
			cancel()
			for range ordered {
			}
			return err
		}
	}
	if err := <-scanned; err != nil {
		return fmt.Errorf("read the record log: %w", err)
	}
	if f.done+int64(len(f.group)) != to {
		return fmt.Errorf("%w: the log ends after record %d of %d", record.ErrTampered, f.done+int64(len(f.group)), to)
	}
	err := f.flush()
	f.progress(to)
	return err
}

// readChunks hands the records to the decoders, and the chunks in their order to the fold.
func readChunks(ctx context.Context, log record.Log, from, to int64, ordered, work chan<- *chunk) error {
	c := &chunk{from: from, ready: make(chan struct{})}
	send := func() error {
		for _, out := range [...]chan<- *chunk{ordered, work} {
			select {
			case out <- c:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	}
	err := log.Scan(ctx, from, to, func(seq int64, rec string) error {
		if len(c.records) == chunkRecords {
			if err := send(); err != nil {
				return err
			}
			c = &chunk{from: seq, ready: make(chan struct{})}
		}
		c.records = append(c.records, rec)
		return nil
	})
	if err != nil || len(c.records) == 0 {
		return err
	}
	return send()
}

func (c *chunk) decode(d *codec.Decoder) {
	c.events = make([]*haccp.Event, 0, len(c.records))
	c.leaves = make([]tlog.Hash, 0, len(c.records))
	for i, rec := range c.records {
		var e *haccp.Event
		env, err := record.DecodeString(rec)
		if err != nil {
			err = fmt.Errorf("%w: %w", record.ErrTampered, err)
		} else {
			e, err = d.Event(&env)
		}
		if err == nil && e.Seq != c.from+int64(i) {
			err = fmt.Errorf("%w: record %d stands in place %d", record.ErrTampered, e.Seq, c.from+int64(i))
		}
		if err != nil {
			c.err = fmt.Errorf("record %d: %w", c.from+int64(i), err)
			return
		}
		c.events, c.leaves = append(c.events, e), append(c.leaves, record.LeafHash(rec))
	}
}

// take folds a decoded chunk.
func (f *folder) take(c *chunk, to int64) error {
	for i, e := range c.events {
		f.tree.Append(c.leaves[i], nil)
		if len(f.group) > 0 && (e.Command == "" || e.Command != f.group[0].Command) {
			if err := f.flush(); err != nil {
				return err
			}
		}
		f.group = append(f.group, e)
	}
	if c.err != nil {
		return errors.Join(f.flush(), c.err)
	}
	f.progress(to)
	return f.w.ctx.Err()
}

// flush folds the group of one command.
func (f *folder) flush() error {
	if len(f.group) == 0 {
		return nil
	}
	if err := f.w.foldGroup(f.state, f.group); err != nil {
		return err
	}
	f.done = f.group[len(f.group)-1].Seq
	f.group = nil
	return nil
}

// foldGroup folds the records of one command with facts from the records before them.
func (w *writer) foldGroup(state *haccp.State, group []*haccp.Event) error {
	r := w.site.opt.rules
	lib := facts.New(w.site.opt.Log, w.decode, group[0].Seq-1)
	f, err := lib.Gather(w.ctx, func(f haccp.Facts) (haccp.Need, error) { return r.NeedsApply(state, group, f) })
	if err == nil {
		err = r.Apply(state, group, f)
	}
	if err != nil {
		return fmt.Errorf("fold the command of record %d: %w", group[0].Seq, err)
	}
	return nil
}

func (f *folder) progress(total int64) {
	s := f.w.site
	s.status.progress(f.done, total)
	s.metrics.replayed.Set(float64(f.done))
	if s.opt.Progress != nil {
		s.opt.Progress(f.done, total)
	}
}

// catchUp reads the commits that others added and makes them the committed state. Where that fails for
// good the site stops writing.
func (w *writer) catchUp() error {
	for {
		found, err := w.readNext()
		if err != nil || !found {
			return err
		}
	}
}

// readNext reads the next commit, where there is one, and makes it the committed state.
func (w *writer) readNext() (found bool, err error) {
	began, given := time.Now(), w.told.Given(w.head.Commit+1)
	c, err := w.site.opt.Log.ReadCommit(w.ctx, w.head.Commit+1)
	if errors.Is(err, record.ErrNotFound) {
		w.site.Followed(began)
		return false, nil
	}
	if err != nil {
		w.site.metrics.trouble("read")
		return false, busy("the record log could not be read", err)
	}
	adopted, err := w.adopt(&c)
	if unread, is := errors.AsType[*facts.Error](err); is {
		w.site.metrics.trouble("read")
		return false, busy("the record log could not be read", unread)
	}
	if err != nil && given { // so it was told; what counts is the log
		w.site.opt.Logger.Warn("another instance told of a commit that does not fit, the log is read", "commit", c.Number, "error", err)
		return w.readNext()
	}
	if err != nil {
		w.stop(err)
		return false, w.site.status.ready()
	}
	w.turns.Read(c.More)
	w.publish()
	if w.site.opt.Committed != nil {
		w.site.opt.Committed(adopted)
	}
	return true, nil
}

// adopt folds a commit that another writer made, and gives its events.
func (w *writer) adopt(c *record.Commit) ([]*haccp.Event, error) {
	state, tree := w.state.Fork(), w.tree.Clone()
	lookups := make([]record.Lookup, 0, len(c.Records))
	var group, all []*haccp.Event
	for _, rec := range c.Records {
		env, err := record.DecodeString(rec)
		if err != nil {
			return nil, err
		}
		e, err := w.decode.Event(&env)
		if err != nil {
			return nil, err
		}
		tree.Append(record.LeafHash(rec), nil)
		w.recent.add(env.Command)
		lookups = append(lookups, record.LookupOf(&env))
		if len(group) > 0 && e.Command != group[0].Command {
			if err := w.foldGroup(state, group); err != nil {
				return nil, err
			}
			group = nil
		}
		group, all = append(group, e), append(all, e)
	}
	if err := w.foldGroup(state, group); err != nil {
		return nil, err
	}
	if tree.Root() != c.Root {
		return nil, fmt.Errorf("%w: the records of commit %d do not give its root", record.ErrTampered, c.Number)
	}
	w.state, w.tree = state, tree
	w.head = record.Head{Commit: c.Number, Size: c.Size, Root: c.Root}
	w.told.Read(lookups)
	return all, nil
}
