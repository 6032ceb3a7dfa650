package window

import (
	"fmt"
	"time"
)

// ClockTime is a time of day as a clock on the wall shows it, to the minute.
type ClockTime struct{ Hour, Minute int }

// ParseClock reads a 24-hour time of day, always five characters: "07:00".
// "24:00" is refused, since it names the 00:00 of the next date.
func ParseClock(s string) (ClockTime, error) {
	digit := func(i int) int {
		if s[i] < '0' || s[i] > '9' {
			return -1000
		}
		return int(s[i] - '0')
	}
	if len(s) == 5 && s[2] == ':' {
		c := ClockTime{Hour: 10*digit(0) + digit(1), Minute: 10*digit(3) + digit(4)}
		if c.valid() {
			return c, nil
		}
	}
	return ClockTime{}, fmt.Errorf("clock time %q: write hours and minutes from 00:00 to 23:59, such as 07:00", s)
}

func (c ClockTime) valid() bool {
	return c.Hour >= 0 && c.Hour < 24 && c.Minute >= 0 && c.Minute < 60
}

// String gives the form that ParseClock reads.
func (c ClockTime) String() string { return fmt.Sprintf("%02d:%02d", c.Hour, c.Minute) }

// MarshalText and UnmarshalText let a policy file carry a ClockTime as "07:00".
func (c ClockTime) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (c *ClockTime) UnmarshalText(text []byte) error {
	parsed, err := ParseClock(string(text))
	if err != nil {
		return err
	}
	*c = parsed
	return nil
}

func (c ClockTime) minutes() int { return 60*c.Hour + c.Minute }

// date is a civil date: what a calendar on the wall shows.
type date struct {
	year  int
	month time.Month
	day   int
}

func dateOf(t time.Time) date {
	y, m, d := t.Date()
	return date{y, m, d}
}

func (d date) addDays(n int) date { return dateOf(d.utc().AddDate(0, 0, n)) }

// utc is midnight of the date in UTC, where every date exists and has 24 hours:
// a scale on which civil times can be compared.
func (d date) utc() time.Time { return time.Date(d.year, d.month, d.day, 0, 0, 0, 0, time.UTC) }

func (d date) String() string { return d.utc().Format(time.DateOnly) }

// maxOffset exceeds every distance between a zone's clock and UTC (the largest
// in the zone database is under 16 h) together with the largest step back of a
// clock (24 h, where the date line moved).
const maxOffset = 50 * time.Hour

// reach gives the first instant at which the clock of the zone shows date and
// clock time, or has passed them.
//
//   - Shown once, as on nearly every day: that instant.
//   - Shown twice, since the clock went back: the first of the two.
//   - Never shown, since the clock went forward over it: the first instant after
//     the gap.
//
// A later civil time is never reached earlier, so that boundaries made of it
// stand in order whatever the zone did. time.Date does not promise which
// instant it gives in the last two cases.
func reach(zone *time.Location, d date, c ClockTime) time.Time {
	civil := d.utc().Add(time.Duration(c.minutes()) * time.Minute)
	at := civil.Add(-maxOffset).In(zone)
	for {
		from, to := bounds(at)
		_, offset := at.Zone()
		t := civil.Add(-time.Duration(offset) * time.Second).In(zone)
		if !from.IsZero() && t.Before(from) {
			t = from
		}
		if to.IsZero() || t.Before(to) {
			return t
		}
		at = to
	}
}

// bounds gives a stretch [from, to) around t over which the zone keeps one
// offset; a zero time is "no bound". It is ZoneBounds, mended for years after the
// last in the zone database's tables: on the last day of a leap year that gives
// the end of a year of 365 days, which has passed (golang/go issue 81583, unreleased
// fix as of Go 1.26). The day that is missing is added; no zone changes its clock
// on it.
func bounds(t time.Time) (from, to time.Time) {
	from, to = t.ZoneBounds()
	if !to.IsZero() && !to.After(t) {
		to = to.Add(24 * time.Hour)
	}
	return from, to
}

// exists reports whether the zone's clock ever shows the date. A place that
// moves across the date line may leave one out (Pacific/Apia, 2011-12-30).
func exists(zone *time.Location, d date) bool {
	return dateOf(reach(zone, d, ClockTime{})) == d
}
