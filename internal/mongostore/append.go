package mongostore

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"

	"go.mongodb.org/mongo-driver/v2/event"
	"go.mongodb.org/mongo-driver/v2/mongo"

	"linewarden/internal/record"
)

// Append implements record.Log by one insert. Whether ids are in the log already is found out before it: what
// the log holds up to the expected commit cannot change any more, and the insert succeeds on no other.
func (l *Log) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	if l.store.readOnly {
		return ErrReadOnly
	}
	if err := l.append(ctx, expected, c, lookups); err != nil {
		return fmt.Errorf("append commit %d of site %s: %w", c.Number, l.site, err)
	}
	return nil
}

func (l *Log) append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if len(lookups) != len(c.Records) {
		return fmt.Errorf("%w: %d records with %d look-up entries", record.ErrInvalid, len(c.Records), len(lookups))
	}
	head, err := l.expect(ctx, expected)
	if err != nil {
		return err
	}
	if err := c.Check(head); err != nil {
		return err
	}
	if c.Size > maxNumber {
		return fmt.Errorf("%w: record %d", record.ErrTooLarge, c.Size)
	}
	if err := checkInside(lookups); err != nil {
		return err
	}
	if err := l.index.refuseKnown(ctx, head.Size, lookups); err != nil {
		return err
	}
	if err := l.insert(ctx, &c, lookups); err != nil {
		return err
	}
	l.index.add(&c, lookups)
	l.saw(record.Head{Commit: c.Number, Size: c.Size, Root: c.Root})
	return nil
}

// expect gives the head of the expected commit, or record.ErrConflict where the log is not there.
func (l *Log) expect(ctx context.Context, expected int64) (record.Head, error) {
	if h := l.last.Load(); h != nil && h.Commit == expected {
		return *h, nil // where the log has gone on, the insert finds it out
	}
	h, err := l.Head(ctx)
	if err == nil && h.Commit != expected {
		err = fmt.Errorf("%w: the log is at commit %d, not %d", record.ErrConflict, h.Commit, expected)
	}
	return h, err
}

// checkInside finds ids that stand twice in one commit.
func checkInside(lookups []record.Lookup) error {
	ids, commands := map[record.UUID]bool{}, map[record.UUID]bool{}
	var last record.UUID
	for i := range lookups {
		k := &lookups[i]
		if ids[k.ID] {
			return fmt.Errorf("%w: record id %s", record.ErrDuplicateID, k.ID)
		}
		ids[k.ID] = true
		if commands[k.Command] && k.Command != last {
			return fmt.Errorf("%w: command id %s", record.ErrDuplicateID, k.Command)
		}
		commands[k.Command], last = !k.Command.IsZero(), k.Command
	}
	return nil
}

// insert writes the document of a commit and says what became of it.
func (l *Log) insert(ctx context.Context, c *record.Commit, lookups []record.Lookup) error {
	token := make([]byte, 12)
	rand.Read(token)
	d := commitDoc{ID: key(l.site, c.First), Site: l.site, Commit: c.Number, First: c.First, Size: c.Size,
		Root: c.Root[:], Nodes: make([]byte, 0, len(c.Nodes)*len(c.Root)), Records: c.Records, Token: token, More: c.More}
	for i := range c.Nodes {
		d.Nodes = append(d.Nodes, c.Nodes[i][:]...)
	}
	for i := range lookups {
		if k := lookups[i].Command; !k.IsZero() && (i == 0 || lookups[i-1].Command != k) {
			d.Names = append(d.Names, binaryID(k))
		}
		d.Names = append(d.Names, binaryID(lookups[i].ID))
	}
	doc, err := d.marshal()
	if err != nil {
		return fmt.Errorf("document of a commit: %w", err)
	}
	var sent atomic.Int32
	_, err = l.store.commits().InsertOne(context.WithValue(ctx, sentKey{}, &sent), doc)
	switch {
	case err == nil:
		if l.store.written != nil {
			l.store.written(doc)
		}
		return nil
	case sent.Load() == 0:
		return err // it never left this machine
	case mongo.IsDuplicateKeyError(err) && !doubtful(err):
		return l.taken(ctx, c.Number, token, err)
	case sent.Load() == 1 && refused(err):
		return err
	}
	return fmt.Errorf("%w: %w", record.ErrUncertain, err)
}

// taken looks whose document has the number: where the driver sent an insert twice, it may be our own.
func (l *Log) taken(ctx context.Context, number int64, token []byte, cause error) error {
	d, err := l.readCommit(ctx, number)
	switch {
	case err == nil && bytes.Equal(d.Token, token):
		return nil
	case err == nil:
		if h, err := d.head(); err == nil {
			l.saw(h)
			l.lost.Store(d)
		}
		return fmt.Errorf("%w: commit %d is there", record.ErrConflict, number)
	case isMissing(err): // it is there, but not for the majority yet
		return fmt.Errorf("%w: %w", record.ErrUncertain, cause)
	}
	return fmt.Errorf("%w: %w", record.ErrUncertain, errors.Join(cause, err))
}

// refused reports that the server answered and wrote nothing.
func refused(err error) bool {
	if doubtful(err) {
		return false
	}
	if ce, is := errors.AsType[mongo.CommandError](err); is {
		return ce.Code != 0
	}
	we, is := errors.AsType[mongo.WriteException](err)
	return is && len(we.WriteErrors) > 0
}

// doubtful reports that a write may have been made and lost again, or may be made yet: the connection broke,
// time ran out, the server stepped down, or the majority has not confirmed it.
func doubtful(err error) bool {
	if mongo.IsNetworkError(err) || mongo.IsTimeout(err) || errors.Is(err, context.Canceled) {
		return true
	}
	if le, is := errors.AsType[mongo.LabeledError](err); is && le.HasErrorLabel("RetryableWriteError") {
		return true
	}
	if we, is := errors.AsType[mongo.WriteException](err); is && we.WriteConcernError != nil {
		return true
	}
	se, is := errors.AsType[mongo.ServerError](err)
	if !is {
		return false
	}
	return slices.ContainsFunc(stepDown, se.HasErrorCode)
}

// stepDown are the codes by which a server says that it stops being the primary, or stops, as the drivers'
// specification of server discovery and monitoring lists them.
var stepDown = []int{91, 189, 10107, 11600, 11602, 13435, 13436}

type sentKey struct{}

// noteSent counts the commands that were sent for a call that wants to know.
func noteSent(ctx context.Context, e *event.CommandStartedEvent) {
	if n, ok := ctx.Value(sentKey{}).(*atomic.Int32); ok && e.CommandName == "insert" {
		n.Add(1)
	}
}
