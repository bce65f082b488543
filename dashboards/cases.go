package dashboards

import (
	"time"

	"linewarden/haccp"
)

// The words of the label kind of cases, as haccp.Deviation gives them.
var words = []string{"deviation", "nonconformity"}

// The words of the label age.
var ages = []struct {
	word string
	from time.Duration
}{{"under_1d", 0}, {"1d_to_7d", 24 * time.Hour}, {"over_7d", 7 * 24 * time.Hour}}

// cases gives what is open, by age.
func (c *Collector) cases(out *sink, s *haccp.State, now time.Time) {
	open := map[string]map[string]int{}
	for _, word := range words {
		open[word] = map[string]int{}
	}
	oldest := map[string]time.Time{}
	for _, d := range s.Cases() {
		word := d.Word()
		age := ages[0].word
		for _, a := range ages {
			if now.Sub(d.Found) >= a.from {
				age = a.word
			}
		}
		open[word][age]++
		if o := oldest[word]; o.IsZero() || d.Found.Before(o) {
			oldest[word] = d.Found
		}
	}
	for word, byAge := range open {
		for _, a := range ages {
			out.put("deviations_open", float64(byAge[a.word]), a.word, word)
		}
		if !oldest[word].IsZero() {
			out.put("deviation_oldest_timestamp_seconds", stamp(oldest[word]), word)
		}
	}
	out.put("deviations_overdue", float64(len(s.Overdue(now))))
}
