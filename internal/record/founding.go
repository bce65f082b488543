package record

import (
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/tlog"
)

// Kinds of the records that are about the log itself.
const (
	KindFounded    = "site.founded"
	KindKeyChanged = "key.changed"
)

// Founding is the body of record 1 of a site.
type Founding struct {
	Site   string
	Name   string // the site's name for people, not empty
	LogID  string // 32 hexadecimal digits, random
	Format int    // FormatVersion
	Key    string // verifier key of the first signer
	Demo   bool   // an invented plant
}

var foundingFields = []string{"demo", "format", "key", "log_id", "name", "site"}

// Body gives the canonical body.
func (f Founding) Body() []byte {
	dst := strconv.AppendBool([]byte(`{"demo":`), f.Demo)
	dst = strconv.AppendInt(append(dst, `,"format":`...), int64(f.Format), 10)
	dst = AppendString(append(dst, `,"key":`...), f.Key)
	dst = AppendString(append(dst, `,"log_id":`...), f.LogID)
	dst = AppendString(append(dst, `,"name":`...), f.Name)
	dst = AppendString(append(dst, `,"site":`...), f.Site)
	return append(dst, '}')
}

func (f Founding) check() error {
	site, logID, err := ParseVerifierKey(f.Key)
	switch {
	case err != nil:
		return fmt.Errorf("founding: %w", err)
	case !ValidSite(f.Site) || !ValidLogID(f.LogID) || site != f.Site || logID != f.LogID:
		return fmt.Errorf("%w: founding: site %q and log id %q must be valid and those of the key", ErrInvalid, clip(f.Site), clip(f.LogID))
	case f.Name == "" || !utf8.ValidString(f.Name):
		return fmt.Errorf("%w: founding: the name is missing or not valid UTF-8", ErrInvalid)
	case f.Format != FormatVersion:
		return fmt.Errorf("%w: founding: log format %d is not known here, only %d", ErrInvalid, f.Format, FormatVersion)
	}
	return nil
}

// FoundingRecord is the envelope of record 1. The command is a random id.
func FoundingRecord(f Founding, command UUID, by Person, now time.Time) (Envelope, error) {
	if err := f.check(); err != nil {
		return Envelope{}, err
	}
	now = now.UTC().Truncate(time.Millisecond)
	return Envelope{
		V: FormatVersion, Site: f.Site, Seq: 1, ID: RecordID(command, 0), Command: command,
		Kind: KindFounded, At: now, AtKnown: AtServer, RecordedAt: now, By: &by, Body: f.Body(),
	}, nil
}

// ReadFounding reads the body of record 1. Another kind, place or site, or an
// unknown format, is ErrInvalid.
func ReadFounding(e *Envelope) (Founding, error) {
	if e.Kind != KindFounded || e.Seq != 1 {
		return Founding{}, fmt.Errorf("%w: record %d of kind %q is not a founding record", ErrInvalid, e.Seq, clip(e.Kind))
	}
	var f Founding
	c := cursor{s: string(e.Body)}
	err := c.fields(foundingFields, func(index int) error {
		switch foundingFields[index] {
		case "demo":
			f.Demo = c.takeWord("true")
			if !f.Demo && !c.takeWord("false") {
				return c.errorf("demo must be true or false")
			}
			return nil
		case "format":
			n, err := c.integer()
			f.Format = int(n)
			return err
		case "key":
			return c.filled(&f.Key)
		case "log_id":
			return c.filled(&f.LogID)
		case "name":
			return c.filled(&f.Name)
		default:
			return c.filled(&f.Site)
		}
	})
	if err == nil {
		err = c.end()
	}
	if err == nil {
		err = f.check()
	}
	if err == nil && (f.Site != e.Site || e.V != f.Format) {
		err = fmt.Errorf("%w: founding: site or format differ from those of the envelope", ErrInvalid)
	}
	return f, err
}

// KeyChange is the body of a record that gives the log a new key. Checkpoint is
// the old key's last one, over all records before this one, and names the new
// key; see SignHandover. Where the old key is lost, Lost is true and Checkpoint
// is the last one that is still at hand, or empty.
type KeyChange struct {
	Key        string
	Checkpoint string
	Lost       bool
}

var keyChangeFields = []string{"checkpoint", "key", "lost"}

// Body gives the canonical body.
func (k KeyChange) Body() []byte {
	dst := []byte{'{'}
	if k.Checkpoint != "" {
		dst = AppendString(append(dst, `"checkpoint":`...), k.Checkpoint)
		dst = append(dst, ',')
	}
	dst = AppendString(append(dst, `"key":`...), k.Key)
	if k.Lost {
		dst = append(dst, `,"lost":true`...)
	}
	return append(dst, '}')
}

// ReadKeyChange reads the body of a key.changed record. It checks the form;
// whether the old key signed is checked by package evidence.
func ReadKeyChange(e *Envelope) (KeyChange, error) {
	if e.Kind != KindKeyChanged {
		return KeyChange{}, fmt.Errorf("%w: record %d of kind %q is not a change of key", ErrInvalid, e.Seq, clip(e.Kind))
	}
	var k KeyChange
	c := cursor{s: string(e.Body)}
	err := c.fields(keyChangeFields, func(index int) error {
		switch index {
		case 0:
			return c.filled(&k.Checkpoint)
		case 1:
			return c.filled(&k.Key)
		}
		if k.Lost = c.takeWord("true"); !k.Lost {
			return c.errorf("lost is true or left out")
		}
		return nil
	})
	if err == nil {
		err = c.end()
	}
	if err == nil {
		_, _, err = ParseVerifierKey(k.Key)
	}
	if err == nil && k.Checkpoint == "" && !k.Lost {
		err = fmt.Errorf("%w: a change of key without the old key's checkpoint must say that it is lost", ErrInvalid)
	}
	return k, err
}

// SignHandover signs, with the old key, the last checkpoint of that key: over
// the records so far, naming the new key. The key.changed record that holds it
// must be the very next record.
func SignHandover(old *Signer, site, logID string, size int64, root tlog.Hash, newKey string) (string, error) {
	keySite, keyLog, err := ParseVerifierKey(newKey)
	if err != nil {
		return "", err
	}
	if keySite != site || keyLog != logID {
		return "", fmt.Errorf("%w: the new key is of another log", ErrInvalid)
	}
	return old.Sign(Checkpoint{Site: site, LogID: logID, Size: size, Root: root, NextKey: newKey})
}
