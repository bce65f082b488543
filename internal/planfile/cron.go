package planfile

import (
	"errors"
	"fmt"
	"strings"

	"github.com/robfig/cron/v3"

	"linewarden/haccp/plan"
)

// cronExample ends every message about a cron text.
const cronExample = `write five fields: minute, hour, day, month, weekday, such as "0 */4 * * *"`

// parseCron reads a five-field cron text into plain sets. Seconds, time zones in the text, words such as
// "@every" and the "?" of other crons are refused: the schedule runs on the wall clock of the site.
func parseCron(text string) (*plan.Cron, error) {
	fields := strings.Fields(text)
	switch {
	case len(fields) == 0:
		return nil, errors.New("the cron text is empty")
	case strings.Contains(text, "TZ="):
		return nil, errors.New("a time zone in a cron text is not taken; the zone of the site holds")
	case strings.HasPrefix(fields[0], "@"):
		return nil, fmt.Errorf("%q is not taken in a cron text", fields[0])
	case len(fields) != 5:
		return nil, fmt.Errorf("the cron text has %d fields in place of 5", len(fields))
	case strings.Contains(text, "?"):
		return nil, errors.New(`"?" is no part of a cron text; "*" stands for every`)
	}
	parser := cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow)
	sched, err := parser.Parse(strings.Join(fields, " "))
	if err != nil {
		return nil, fmt.Errorf("the cron text is wrong: %w", err)
	}
	spec, ok := sched.(*cron.SpecSchedule)
	if !ok {
		return nil, fmt.Errorf("the cron text gives a %T", sched)
	}
	c := &plan.Cron{
		Text: text, Minutes: members(spec.Minute, 0, 59), Hours: members(spec.Hour, 0, 23),
		Days: members(spec.Dom, 1, 31), Months: members(spec.Month, 1, 12), Weekdays: members(spec.Dow, 0, 6),
		AnyDay: fields[2] == "*", AnyWeekday: fields[4] == "*",
	}
	if !c.EverDue() {
		return nil, errors.New("the cron text never falls due: none of its months has such a day")
	}
	return c, nil
}

// members lists the bits of a set from low to high. The library keeps "*" in the top bit; it is left out.
func members(set uint64, low, high int) []int {
	var out []int
	for i := low; i <= high; i++ {
		if set&(1<<i) != 0 {
			out = append(out, i)
		}
	}
	return out
}
