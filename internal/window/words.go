package window

import (
	"fmt"
	"time"
)

// Clock is an instant as staff read it, on the clock of now's zone: "14:05", with
// the date where that is not today's, and with the year where that is not this one.
func Clock(t, now time.Time) string {
	t = t.In(now.Location())
	switch {
	case t.Year() != now.Year():
		return t.Format("15:04 on 2 Jan 2006")
	case t.YearDay() != now.YearDay():
		return t.Format("15:04 on 2 Jan")
	}
	return t.Format("15:04")
}

// Span is a length of time in whole minutes: "4 h 15 min", "14 days", "3 days 5 h".
func Span(d time.Duration) string {
	const day = 24 * time.Hour
	d = d.Round(time.Minute)
	if d >= 3*day {
		if hours := d % day / time.Hour; hours > 0 {
			return fmt.Sprintf("%d days %d h", d/day, hours)
		}
		return fmt.Sprintf("%d days", d/day)
	}
	hours, minutes := d/time.Hour, d%time.Hour/time.Minute
	switch {
	case hours == 0:
		return fmt.Sprintf("%d min", minutes)
	case minutes == 0:
		return fmt.Sprintf("%d h", hours)
	}
	return fmt.Sprintf("%d h %d min", hours, minutes)
}
