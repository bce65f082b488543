package evidence

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// era is the time of one key: from the record that names it on.
type era struct {
	seq  int64
	key  string
	lost bool  // the key before it was lost
	kept int64 // records under the last checkpoint of the key before it
}

// chain follows the records of a log from the first one: their form, order,
// tree and keys.
type chain struct {
	tree     record.Tree
	nodes    []tlog.Hash // of the record last added
	founding record.Founding
	eras     []era
	recorded time.Time
	anchor   int64              // records that a signed root has confirmed
	since    *record.Checkpoint // earlier checkpoint to compare with
	note     string             // its signed note; empty where size and root alone were given
	key      string             // key given by the caller
}

// newChain reads the options. An unusable key or earlier checkpoint is an error
// of the caller, not a fault of the log.
func newChain(o VerifyOptions) (*chain, error) {
	c := &chain{key: o.Key}
	if o.Key != "" {
		if _, _, err := record.ParseVerifierKey(o.Key); err != nil {
			return nil, fmt.Errorf("the key given: %w", err)
		}
	}
	if o.Since != "" {
		cp, bare := bareCheckpoint(o.Since)
		if !bare {
			var err error
			if cp, err = record.ParseCheckpoint(o.Since); err != nil {
				return nil, fmt.Errorf("the earlier checkpoint: %w", err)
			}
			c.note = o.Since
		}
		c.since = &cp
	}
	return c, nil
}

// bareCheckpoint reads size and root, as they stand at the foot of each page and report. They carry no
// signature: whoever gives them knows where they come from, and the root fits one log only.
func bareCheckpoint(text string) (record.Checkpoint, bool) {
	f := strings.Fields(text)
	if len(f) != 2 {
		return record.Checkpoint{}, false
	}
	size, err := strconv.ParseInt(f[0], 10, 64)
	root, herr := tlog.ParseHash(f[1])
	return record.Checkpoint{Size: size, Root: root}, err == nil && herr == nil && size > 0
}

// add takes the next record.
func (c *chain) add(rec string, site string) (record.Envelope, *Fault) {
	seq := c.tree.Size() + 1
	e, err := record.DecodeString(rec)
	bad := func(format string, args ...any) (record.Envelope, *Fault) {
		return e, &Fault{Kind: FaultRecord, Seq: seq, Detail: fmt.Sprintf(format, args...)}
	}
	switch {
	case err != nil:
		return bad("it is not a record: %v", err)
	case e.Seq != seq:
		return bad("record %d stands in its place", e.Seq)
	case site != "" && e.Site != site:
		return bad("it is of site %q, not %q", e.Site, site)
	case e.RecordedAt.Before(c.recorded):
		return bad("recorded_at %s is before that of the record before it", record.FormatTime(e.RecordedAt))
	}
	c.recorded = e.RecordedAt
	if seq == 1 {
		if c.founding, err = record.ReadFounding(&e); err != nil {
			return bad("it does not found a log: %v", err)
		}
		c.eras = []era{{seq: 1, key: c.founding.Key}}
	} else if e.Kind == record.KindFounded {
		return bad("a log is founded once, by its first record")
	}
	if e.Kind == record.KindKeyChanged {
		if err := c.changeKey(&e); err != nil {
			return bad("%v", err)
		}
	}
	c.nodes = c.tree.Append(record.LeafHash(rec), c.nodes[:0])
	return e, c.compareSince()
}

func (c *chain) changeKey(e *record.Envelope) error {
	k, err := record.ReadKeyChange(e)
	if err != nil {
		return err
	}
	next := era{seq: e.Seq, key: k.Key, lost: k.Lost}
	if k.Checkpoint != "" {
		cp, _, err := record.VerifyCheckpoint(k.Checkpoint, c.currentKey())
		if err != nil {
			return fmt.Errorf("the old key's last checkpoint: %w", err)
		}
		next.kept = cp.Size
		switch {
		case cp.Size > c.tree.Size() || cp.LogID != c.founding.LogID || cp.Site != c.founding.Site:
			return errors.New("the old key's last checkpoint is not one of the records before it")
		case cp.Size == c.tree.Size() && cp.Root != c.tree.Root():
			return errors.New("the records before it are not those of the old key's last checkpoint")
		case !k.Lost && (cp.Size != c.tree.Size() || cp.NextKey != k.Key):
			return errors.New("the old key's last checkpoint does not hand over to the new key")
		}
		if cp.Size == c.tree.Size() {
			c.anchor = cp.Size
		}
	}
	if site, logID, err := record.ParseVerifierKey(k.Key); err != nil || site != c.founding.Site || logID != c.founding.LogID {
		return errors.New("the new key is of another log")
	}
	c.eras = append(c.eras, next)
	return nil
}

func (c *chain) currentKey() string {
	if len(c.eras) == 0 {
		return ""
	}
	return c.eras[len(c.eras)-1].key
}

func (c *chain) allKeys() []string {
	var keys []string
	if c.key != "" {
		keys = append(keys, c.key)
	}
	for _, e := range c.eras {
		keys = append(keys, e.key)
	}
	return keys
}

// compareSince compares the tree with the earlier checkpoint when it has its
// size.
func (c *chain) compareSince() *Fault {
	if c.since == nil || c.since.Size != c.tree.Size() {
		return nil
	}
	if f := c.sinceKnown(c.founding.Site, c.founding.LogID, c.allKeys()); f != nil {
		return f
	}
	if c.since.Root != c.tree.Root() {
		return &Fault{
			Kind: FaultReplaced, Seq: c.anchor + 1, To: c.tree.Size(),
			Detail: fmt.Sprintf("the first %d records are not those of the earlier checkpoint", c.since.Size),
		}
	}
	c.anchor = c.tree.Size()
	return nil
}

// sinceKnown checks that the earlier checkpoint is one of this log.
func (c *chain) sinceKnown(site, logID string, keys []string) *Fault {
	if c.note == "" {
		return nil
	}
	if c.since.Site != site || c.since.LogID != logID {
		return &Fault{Kind: FaultSince, Detail: fmt.Sprintf("it is of %q, not of %q", record.Origin(c.since.Site, c.since.LogID), record.Origin(site, logID))}
	}
	if _, _, err := record.VerifyCheckpoint(c.note, keys...); err != nil {
		return &Fault{Kind: FaultSince, Detail: fmt.Sprintf("it cannot be trusted: %v", err)}
	}
	return nil
}

// finish checks what can only be said at the end, and fills the result.
func (c *chain) finish(r *Result) *Fault {
	r.Site, r.LogID, r.Key = c.founding.Site, c.founding.LogID, c.currentKey()
	r.First, r.Last, r.Size, r.Root = 1, c.tree.Size(), c.tree.Size(), c.tree.Root()
	for _, e := range c.eras {
		if e.lost {
			r.LostAt = append(r.LostAt, e.seq)
		}
	}
	switch {
	case c.since == nil:
		r.NotProved = append(r.NotProved, ClaimSince)
	case c.since.Size > c.tree.Size():
		if f := c.sinceKnown(r.Site, r.LogID, c.allKeys()); f != nil {
			return f
		}
		return &Fault{Kind: FaultCut, Seq: c.tree.Size() + 1, Detail: fmt.Sprintf("there are %d records, the earlier checkpoint was over %d", c.tree.Size(), c.since.Size)}
	default:
		r.Proved = append(r.Proved, ClaimSince)
	}
	return c.origin(r)
}

// origin finds how far the given key speaks for the log.
func (c *chain) origin(r *Result) *Fault {
	if c.key == "" {
		r.NotProved = append(r.NotProved, ClaimOrigin)
		return nil
	}
	i := slices.IndexFunc(c.eras, func(e era) bool { return e.key == c.key })
	if i < 0 {
		return &Fault{Kind: FaultOtherKey, Detail: "the key given is none of this log's keys: the log was signed with another key"}
	}
	r.OriginTo = c.tree.Size()
	for _, e := range c.eras[i+1:] {
		if e.lost {
			r.OriginTo = e.kept
			r.NotProved = append(r.NotProved, ClaimOrigin)
			return nil
		}
	}
	r.Proved = append(r.Proved, ClaimOrigin)
	return nil
}

// checkpointFault turns an error of VerifyCheckpoint into a fault.
func checkpointFault(err error) *Fault {
	f := &Fault{Kind: FaultCheckpoint, Detail: err.Error()}
	if errors.Is(err, record.ErrOtherKey) {
		f.Kind = FaultOtherKey
	} else if errors.Is(err, record.ErrSignature) {
		f.Kind = FaultSignature
	}
	return f
}
