package plant

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
)

// Founding names a new site.
type Founding struct {
	Site string // [a-z0-9-]{1,40}; never changes
	Name string // for people
	Demo bool   // an invented plant
}

// Found writes record 1 of a site into an empty log. The signer's key names the site and the log id and
// becomes the log's first key. A log that holds records already is haccp.ErrConflict.
func Found(ctx context.Context, o Options, f Founding) error {
	if err := o.fill(); err != nil {
		return err
	}
	if o.Signer == nil {
		return fmt.Errorf("found site %s: %w: a key to sign with is missing", f.Site, record.ErrInvalid)
	}
	head, err := o.Log.Head(ctx)
	if err != nil {
		return fmt.Errorf("found site %s: %w", f.Site, err)
	}
	if head.Size > 0 {
		return fmt.Errorf("found site %s: %w: the log holds %d records", f.Site, haccp.ErrConflict, head.Size)
	}
	e, err := foundingRecord(&o, f)
	if err != nil {
		return fmt.Errorf("found site %s: %w", f.Site, err)
	}
	if err := o.tryFounding(&e); err != nil {
		return fmt.Errorf("found site %s: %w", f.Site, err)
	}
	b := record.NewBuilder(f.Site, new(record.Tree), 1)
	if err := b.AppendCommand([]record.Envelope{e}); err != nil {
		return fmt.Errorf("found site %s: %w", f.Site, err)
	}
	commit, lookups := b.Build()
	a := appender{log: o.Log, logger: o.Logger}
	err = a.append(ctx, head, &commit, lookups)
	if errors.Is(err, record.ErrConflict) {
		err = fmt.Errorf("%w: %w", haccp.ErrConflict, err)
	}
	if err != nil {
		return fmt.Errorf("found site %s: %w", f.Site, err)
	}
	return nil
}

func foundingRecord(o *Options, f Founding) (record.Envelope, error) {
	key := o.Signer.VerifierKey()
	_, logID, err := record.ParseVerifierKey(key)
	if err != nil {
		return record.Envelope{}, err
	}
	var command record.UUID
	if _, err := rand.Read(command[:]); err != nil {
		return record.Envelope{}, fmt.Errorf("draw a command id: %w", err)
	}
	command[6] = command[6]&0x0f | 0x40 // version 4, RFC 9562 section 5.4
	command[8] = command[8]&0x3f | 0x80
	by := record.Person{ID: haccp.KnownConsole, Name: haccp.KnownConsole, Role: haccp.RoleConsole, Known: haccp.KnownConsole}
	return record.FoundingRecord(record.Founding{
		Site: f.Site, Name: f.Name, LogID: logID, Format: record.FormatVersion, Key: key, Demo: f.Demo,
	}, command, by, o.Clock())
}

// tryFounding folds the founding record, so that a log that could not be opened is never begun.
func (o *Options) tryFounding(e *record.Envelope) error {
	event, err := new(codec.Decoder).Event(e)
	if err != nil {
		return err
	}
	return o.rules.Apply(haccp.New(o.Zones), []*haccp.Event{event}, haccp.Facts{})
}
