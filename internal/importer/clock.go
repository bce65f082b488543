package importer

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// ParseTime takes "COLUMN" or "COLUMN:LAYOUT" apart. The layout is in plain letters: YYYY or YY year, MM
// or M month (MMM: Jan), DD or D day, hh or h hour (with am/pm: of twelve), mm minute, ss second, SSS milliseconds,
// pm for am or pm, Z for an offset from UTC such as +02:00 or Z; or it is Go's reference time, such as
// 01/02/2006 15:04:05.
func ParseTime(s string) (column, layout string, err error) {
	column, layout, found := strings.Cut(s, ":")
	if strings.TrimSpace(column) == "" || found && strings.TrimSpace(layout) == "" {
		return "", "", invalid("time", "bad-column", "%q: write COLUMN or COLUMN:LAYOUT, such as Time:DD/MM/YYYY hh:mm:ss", s)
	}
	if _, err := goLayout(layout); err != nil {
		return "", "", err
	}
	return column, layout, nil
}

// letters stand for parts of a time; the longer ones come first.
var letters = []struct{ plain, ref string }{
	{"YYYY", "2006"}, {"MMM", "Jan"}, {"SSS", "000"}, {"YY", "06"}, {"MM", "01"}, {"DD", "02"}, {"hh", "15"}, {"mm", "04"}, {"ss", "05"},
	{"pm", "pm"}, {"PM", "PM"}, {"M", "1"}, {"D", "2"}, {"h", "15"}, {"Z", "Z07:00"},
}

// goLayout gives the layout in Go's reference time.
func goLayout(layout string) (string, error) {
	if layout == "" || strings.Contains(layout, "2006") {
		return layout, checkLayout(layout, layout)
	}
	var b strings.Builder
	twelve := strings.Contains(strings.ToLower(layout), "pm")
	before := "" // the part of the time that came last
	for rest := layout; rest != ""; {
		plain, ref := rest[:1], rest[:1]
		for _, l := range letters {
			if strings.HasPrefix(rest, l.plain) {
				plain, ref = l.plain, l.ref
				break
			}
		}
		switch {
		case twelve && plain == "hh":
			ref = "03"
		case twelve && plain == "h":
			ref = "3"
		case plain == "mm" && !strings.HasPrefix(before, "h"):
			return "", badLayout(layout) // months and minutes taken for one another
		}
		if plain != ref {
			before = plain
		}
		b.WriteString(ref)
		rest = rest[len(plain):]
	}
	return b.String(), checkLayout(layout, b.String())
}

// checkLayout refuses a layout that does not give back what it wrote.
func checkLayout(given, layout string) error {
	if layout == "" {
		return nil
	}
	for _, at := range []time.Time{time.Date(2007, 11, 23, 13, 45, 0, 0, time.UTC), time.Date(2019, 2, 8, 1, 5, 0, 0, time.UTC)} {
		if back, err := time.Parse(layout, at.Format(layout)); err != nil || !back.Equal(at) {
			return badLayout(given)
		}
	}
	return nil
}

func badLayout(given string) error {
	return invalid("time", "bad-layout", "the layout %q does not say date, hour and minute: write it such as "+
		"DD/MM/YYYY hh:mm:ss (YYYY year, MM month, DD day, hh hour, mm minute, ss second, pm am or pm, Z offset)", given)
}

// defaultLayouts are read where no layout is given: they are the same everywhere.
var defaultLayouts = []string{"2006-01-02 15:04:05", "2006-01-02T15:04:05", "2006-01-02 15:04", time.RFC3339}

// timeReader reads the times of one column.
type timeReader struct {
	layout string // of Go; "": defaultLayouts
	given  string // as the user wrote it
	zoned  bool   // the layout has an offset
	zone   *time.Location
	twice  string
	// from and to bound the instants around which the zone keeps one offset.
	from, to time.Time
	offset   time.Duration
	last     int // of defaultLayouts: what fitted the last time
}

func newTimeReader(layout string, zone *time.Location, twice string) (*timeReader, error) {
	ref, err := goLayout(layout)
	if err != nil {
		return nil, err
	}
	if twice != TwiceAsk && twice != TwiceFirst && twice != TwiceSecond {
		return nil, invalid("twice", "bad-twice", "%q: write first or second", twice)
	}
	zoned := strings.Contains(ref, "Z07") || strings.Contains(ref, "-07")
	return &timeReader{layout: ref, given: layout, zoned: zoned, zone: zone, twice: twice}, nil
}

// read gives the moment that a cell states, or what is wrong with it.
func (r *timeReader) read(cell string) (at time.Time, fault string) {
	wall, zoned, fault := r.parse(cell)
	if fault != "" {
		return time.Time{}, fault
	}
	if wall.Nanosecond()%int(time.Millisecond) != 0 {
		return time.Time{}, fmt.Sprintf("the time %q is finer than a millisecond, which a record does not hold", cell)
	}
	if zoned {
		return wall.UTC(), ""
	}
	return r.local(wall)
}

func (r *timeReader) parse(cell string) (wall time.Time, zoned bool, fault string) {
	if cell == "" {
		return time.Time{}, false, "no time"
	}
	if r.layout != "" {
		t, err := time.Parse(r.layout, cell)
		if err != nil {
			return time.Time{}, false, fmt.Sprintf("the time %s is not like %s%s", quote(cell), r.given, because(err))
		}
		return t, r.zoned, ""
	}
	n := len(defaultLayouts)
	for i := range n {
		l := (r.last + i) % n
		if t, err := time.Parse(defaultLayouts[l], cell); err == nil {
			r.last = l
			return t, defaultLayouts[l] == time.RFC3339, ""
		}
	}
	return time.Time{}, false, fmt.Sprintf("the time %s is not like 2006-01-02 15:04:05 or RFC 3339: if it is written another way, "+
		"say how (COLUMN:LAYOUT, such as Time:MM/DD/YYYY hh:mm:ss)", quote(cell))
}

// because says it where a part of a time is out of range.
func because(err error) string {
	if s := err.Error(); strings.HasSuffix(s, "out of range") {
		return s[strings.LastIndex(s, ":"):]
	}
	return ""
}

// local gives the moment at which the site's clocks show a date and time.
func (r *timeReader) local(wall time.Time) (time.Time, string) {
	if at := wall.Add(-r.offset); !r.from.IsZero() && at.After(r.from) && at.Before(r.to) {
		return at, ""
	}
	all := instants(wall, r.zone)
	show := func() string { return wall.Format("2006-01-02 15:04:05") }
	switch {
	case len(all) == 0:
		return time.Time{}, fmt.Sprintf("this local time does not exist: on that day the clocks of %s skip %s", r.zone, show())
	case len(all) == 1:
		r.remember(all[0])
		return all[0], ""
	case r.twice == TwiceFirst:
		return all[0], ""
	case r.twice == TwiceSecond:
		return all[len(all)-1], ""
	}
	return time.Time{}, fmt.Sprintf("this local time comes twice: the clocks of %s show %s two times; say which is meant (--twice first or --twice second)", r.zone, show())
}

// remember notes a stretch, well inside two changes of the clocks, in which a local time is one moment.
func (r *timeReader) remember(at time.Time) {
	const far = 26 * time.Hour // no zone has moved its clocks by more
	local := at.In(r.zone)
	start, end := local.ZoneBounds()
	if start.IsZero() {
		start = time.Unix(-1<<40, 0)
	}
	if end.IsZero() {
		end = time.Unix(1<<40, 0)
	}
	r.from, r.to = start.Add(far), end.Add(-far)
	_, seconds := local.Zone()
	r.offset = time.Duration(seconds) * time.Second
}

// instants lists, in order, every moment at which the clocks of a zone show the date and time of wall.
func instants(wall time.Time, zone *time.Location) []time.Time {
	y, m, d := wall.Date()
	hh, mm, ss := wall.Clock()
	near := time.Date(y, m, d, hh, mm, ss, wall.Nanosecond(), zone)
	start, end := near.ZoneBounds()
	ask := []time.Time{near}
	if !start.IsZero() {
		ask = append([]time.Time{start.Add(-1)}, ask...)
	}
	if !end.IsZero() {
		ask = append(ask, end)
	}
	var out []time.Time
	for _, t := range ask {
		_, seconds := t.Zone()
		at := wall.UTC().Add(-time.Duration(seconds) * time.Second)
		if _, shown := at.In(zone).Zone(); shown == seconds {
			out = append(out, at)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

// quote shows a cell in a message, shortened.
func quote(cell string) string {
	const most = 40
	if len(cell) > most {
		cell = strings.ToValidUTF8(cell[:most], "") + "…"
	}
	return fmt.Sprintf("%q", cell)
}
