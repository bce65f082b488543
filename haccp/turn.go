package haccp

import (
	"cmp"
	"strconv"
	"time"
)

// Turn is whose turn it is to run the timetable of a site.
type Turn struct {
	Epoch  int64     `json:"epoch"`
	Holder string    `json:"holder"`
	Since  time.Time `json:"since"` // recorded_at of the takeover
}

// takeTimetable records a takeover. The epoch only grows; it need not grow by one, since an instance may die
// between winning the lease of an epoch and recording it.
func (d *deciding) takeTimetable(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*TakeTimetable)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := cmp.Or(wanted("holder", ask.Holder), short("holder", ask.Holder)); err != nil {
		return err
	}
	if ask.Epoch <= d.Timetable.Epoch {
		return d.stale(ask.Epoch)
	}
	body := ask.TimetableTaken
	return d.emit(&Event{Kind: KindTimetableTaken, ID: uuid5("timetable", d.Site.Site, strconv.FormatInt(ask.Epoch, 10)), At: d.now,
		AtKnown: AtServer, About: []string{"timetable"}, Body: &body})
}

// stale refuses a command of the timetable from an instance that no longer runs it: it may have been paused
// while another one took over.
func (d *deciding) stale(epoch int64) error {
	return refuse(ErrConflict, "epoch", CodeStaleEpoch, "epoch %d is not the present one: %s runs the timetable under epoch %d", epoch,
		d.Timetable.Holder, d.Timetable.Epoch)
}

// CodeStaleEpoch refuses a command of the timetable from an instance that no longer runs it.
const CodeStaleEpoch = "stale-epoch"
