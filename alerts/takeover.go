package alerts

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// takeOver gives the epoch under which this instance may sweep, after having recorded its takeover where that
// is new; mine is false where another instance runs the timetable. An instance that is alone goes on with the
// epoch that the log holds.
func (t *Timetable) takeOver(ctx context.Context, now time.Time) (epoch int64, mine bool, err error) {
	recorded := t.opt.Site.View().Timetable.Epoch
	if t.opt.Rota == nil {
		return recorded, true, nil
	}
	site, _ := t.opt.Site.Name()
	epoch, mine = t.opt.Rota.Epoch(site)
	switch {
	case !mine || epoch < recorded:
		return 0, false, nil
	case epoch == recorded:
		return epoch, true, nil
	}
	holder := t.opt.Rota.Holder()
	cmd := &haccp.Command{Kind: haccp.AskTimetable, At: now.UTC(), AtKnown: haccp.AtServer, By: Actor,
		Ask: &haccp.TakeTimetable{TimetableTaken: haccp.TimetableTaken{Epoch: epoch, Holder: holder}},
		ID:  record.DerivedID(record.SiteNamespace(site), "timetable", strconv.FormatInt(epoch, 10), holder).String()}
	if _, err := t.opt.Site.Do(ctx, plant.Request{Command: cmd}); err != nil {
		if staleEpoch(err) {
			return 0, false, nil
		}
		return 0, false, fmt.Errorf("record that this instance runs the timetable: %w", err)
	}
	return epoch, true, nil
}

// staleEpoch says that another instance has taken over meanwhile.
func staleEpoch(err error) bool {
	refusal, ok := errors.AsType[*haccp.Refusal](err)
	return ok && refusal.Code == haccp.CodeStaleEpoch
}

// able tells whether this instance can run the timetable: the site decides, and the clock is not behind.
func (t *Timetable) able() bool {
	if t.opt.Site.Ready() != nil {
		return false
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	return !t.back && t.cancel != nil
}

// wakeUp runs the timetable soon.
func (t *Timetable) wakeUp() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.cancel != nil {
		t.runs.Go(t.tick)
	}
}

// Turn gives the epoch under which this instance runs the timetable; mine is false where another one does.
func (t *Timetable) Turn() (epoch int64, mine bool) {
	recorded := t.opt.Site.View().Timetable.Epoch
	if t.opt.Rota == nil {
		return recorded, true
	}
	site, _ := t.opt.Site.Name()
	epoch, mine = t.opt.Rota.Epoch(site)
	return epoch, mine && epoch == recorded
}
