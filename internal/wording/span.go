package wording

import (
	"fmt"
	"strconv"
	"time"
)

// Span writes a length of time in the two units that matter: "31 h 17 min". Both languages write it alike. The sign is left out.
func Span(d time.Duration) string {
	d = d.Abs()
	if d < time.Minute {
		return strconv.FormatInt(int64(d.Round(time.Second)/time.Second), 10) + " s"
	}
	minutes := int64(d.Round(time.Minute) / time.Minute)
	days, hours := minutes/(24*60), minutes/60
	switch {
	case days >= 3:
		return fmt.Sprintf("%d d %d h", days, hours%24)
	case hours > 0:
		return fmt.Sprintf("%d h %02d min", hours, minutes%60)
	}
	return fmt.Sprintf("%d min", minutes)
}

// spans gives the data of a finding with lengths of time as people write them; records hold them as the program does.
func spans(data map[string]string) []string {
	pairs := pairsOf(data)
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i] != "by" && pairs[i] != "offset" {
			continue
		}
		if d, err := time.ParseDuration(pairs[i+1]); err == nil {
			pairs[i+1] = Span(d)
		}
	}
	return pairs
}

// Count words so many of a thing, such as Count("boxes", 1): one and many have words of their own.
func (l Language) Count(thing string, n int64) string {
	key := "count." + thing
	if n == 1 {
		key += "-one"
	}
	return l.Text(key, "n", strconv.FormatInt(n, 10))
}
