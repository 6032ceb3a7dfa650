// Package window owns the calendar of a ward: its time zone, the time at which
// its day starts, its shifts, and how a span of time is cut into hours, shifts
// and days. It is the only place where instants meet the calendar; a day or a
// shift is never a number of hours, for over a clock change it lasts one more or
// one less. What is counted in a window is not its business, nor what the time is
// now.
//
// # How the clock's oddities are settled
//
// A boundary that the clock shows twice is its first showing. A boundary inside
// the gap of a clock that goes forward is the first instant after the gap. A date
// that the zone leaves out altogether has no boundaries: the ward's day before
// runs on to the next date there is. Windows are half-open, [Start, End), so that
// an instant on a boundary belongs to the window that it starts.
//
// Zones come from the caller (time.LoadLocation). A program that must run where
// no zone database is installed imports time/tzdata in its main package; this
// package does not.
package window

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// MaxWindows is the most windows that Windows gives for one request: more than a
// year of hours.
const MaxWindows = 10_000

// Shift is a named part of the day; it lasts until the next shift starts.
type Shift struct {
	Name  string
	Start ClockTime
}

// Calendar is a ward's clock: zone, day start, shifts. The shifts follow one
// another around the clock, so they cover all of it; they need not start where
// the day does (a unit may total from midnight and change over at 07:00).
//
// The methods other than Validate need a calendar that Validate accepts.
type Calendar struct {
	Zone     *time.Location
	DayStart ClockTime
	Shifts   []Shift
}

// Standard is the calendar of a ward that has not set its own: day from 07:00,
// shifts from 07:00 and from 19:00. Common practice, no published source: day
// starts and shift lengths differ between hospitals.
func Standard(zone *time.Location) Calendar {
	return Calendar{
		Zone:     zone,
		DayStart: ClockTime{Hour: 7},
		Shifts:   []Shift{{"day", ClockTime{Hour: 7}}, {"night", ClockTime{Hour: 19}}},
	}
}

// Validate says what is wrong with the calendar, everything at once.
func (c Calendar) Validate() error {
	var errs []error
	if c.Zone == nil {
		errs = append(errs, errors.New("no time zone: give one of the zone database, such as Europe/Berlin"))
	}
	if !c.DayStart.valid() {
		errs = append(errs, fmt.Errorf("day start %v is not a time from 00:00 to 23:59", c.DayStart))
	}
	if len(c.Shifts) == 0 {
		errs = append(errs, errors.New("no shifts: give at least one, with its name and start"))
	}
	for i, s := range c.Shifts {
		if s.Name == "" {
			errs = append(errs, fmt.Errorf("the shift from %v has no name", s.Start))
		}
		if !s.Start.valid() {
			errs = append(errs, fmt.Errorf("shift %q starts at %v, which is not a time from 00:00 to 23:59", s.Name, s.Start))
		}
		for _, earlier := range c.Shifts[:i] {
			if earlier.Name == s.Name {
				errs = append(errs, fmt.Errorf("two shifts are named %q", s.Name))
			}
			if earlier.Start == s.Start {
				errs = append(errs, fmt.Errorf("shifts %q and %q both start at %v", earlier.Name, s.Name, s.Start))
			}
		}
	}
	return errors.Join(errs...)
}

// Period is a kind of window.
type Period int

// The periods for which totals are made.
const (
	Hour        Period = iota // an hour of the ward's clock
	ShiftPeriod               // a shift
	Day                       // a day of the ward, from day start to day start
	Total                     // the whole span asked for
)

var periodNames = [...]string{Hour: "hour", ShiftPeriod: "shift", Day: "day", Total: "total"}

// ParsePeriod reads a period's name.
func ParsePeriod(s string) (Period, error) {
	if i := slices.Index(periodNames[:], s); i >= 0 {
		return Period(i), nil
	}
	return 0, fmt.Errorf("period %q is unknown: use hour, shift, day or total", s)
}

// String gives the name that ParsePeriod reads.
func (p Period) String() string {
	if p < 0 || int(p) >= len(periodNames) {
		return fmt.Sprintf("Period(%d)", int(p))
	}
	return periodNames[p]
}

// Window is a stretch of time, [Start, End), in the ward's zone.
type Window struct {
	Start, End time.Time
	// Label names the calendar window: "2026-11-25T07:00+01:00" an hour,
	// "2026-11-25 day shift" a shift by the date on which it starts,
	// "2026-11-25" the day that starts on that date. A clipped window keeps the
	// label of the whole one.
	Label string
	// Whole is false where the calendar's window was cut to the span asked for.
	Whole bool
}

// Contains reports whether t lies in [Start, End).
func (w Window) Contains(t time.Time) bool { return !t.Before(w.Start) && t.Before(w.End) }

// Duration is the real time that the window lasts.
func (w Window) Duration() time.Duration { return w.End.Sub(w.Start) }

// Windows cuts [start, end) along the calendar: the windows follow one another
// without gap or overlap, and the first and the last are clipped to the span. It
// refuses a span that is empty or needs more than MaxWindows.
func (c Calendar) Windows(p Period, start, end time.Time) ([]Window, error) {
	// Round(0) drops the monotonic reading, which is no part of a calendar.
	start, end = start.In(c.Zone).Round(0), end.In(c.Zone).Round(0)
	if !start.Before(end) {
		return nil, fmt.Errorf("the end %s is not after the start %s", end.Format(time.RFC3339), start.Format(time.RFC3339))
	}
	var of func(time.Time) Window
	switch p {
	case Hour:
		of = c.HourOf
	case ShiftPeriod:
		of = c.ShiftOf
	case Day:
		of = c.DayOf
	case Total:
		label := start.Format(hourLabel) + "/" + end.Format(hourLabel)
		return []Window{{Start: start, End: end, Label: label, Whole: true}}, nil
	default:
		return nil, fmt.Errorf("%v is not a period", p)
	}
	var windows []Window
	for at := start; at.Before(end); {
		if len(windows) == MaxWindows {
			return nil, fmt.Errorf("the span from %s to %s holds more than %d windows of period %v: ask for a shorter span or a longer period",
				start.Format(time.RFC3339), end.Format(time.RFC3339), MaxWindows, p)
		}
		w := of(at).clip(start, end)
		windows = append(windows, w)
		at = w.End
	}
	return windows, nil
}

func (w Window) clip(start, end time.Time) Window {
	if w.Start.Before(start) {
		w.Start, w.Whole = start, false
	}
	if w.End.After(end) {
		w.End, w.Whole = end, false
	}
	return w
}

// DayOf is the ward's day to which t belongs.
func (c Calendar) DayOf(t time.Time) Window {
	d, _, w := c.between(t, c.dayMarks())
	w.Label = d.String()
	return w
}

// ShiftOf is the shift to which t belongs.
func (c Calendar) ShiftOf(t time.Time) Window {
	d, s, w := c.between(t, c.Shifts)
	w.Label = d.String() + " " + s.Name + " shift"
	return w
}

// DayStarting is the ward's day that begins on the date. On a date that the zone
// leaves out no day begins: the window is then empty, its Start and End both the
// start of the next day.
func (c Calendar) DayStarting(year int, month time.Month, day int) Window {
	d := dateOf(time.Date(year, month, day, 0, 0, 0, 0, time.UTC))
	label := d.String()
	start := c.startFrom(&d)
	next := d.addDays(1)
	if d.String() != label {
		return Window{Start: start, End: start, Label: label, Whole: true}
	}
	return Window{Start: start, End: c.startFrom(&next), Label: label, Whole: true}
}

// startFrom moves d on to the first date that exists and gives the start of the
// ward's day on it.
func (c Calendar) startFrom(d *date) time.Time {
	for !exists(c.Zone, *d) {
		*d = d.addDays(1)
	}
	return reach(c.Zone, *d, c.DayStart)
}

func (c Calendar) dayMarks() []Shift { return []Shift{{Start: c.DayStart}} }

// between finds the last of the marks, repeated on every date, at or before t,
// the date on which it stands, and the window from there to the next mark.
//
// Where marks coincide, because a gap of the clock swallowed the time between
// them, the last one holds and those before it are empty and never found.
func (c Calendar) between(t time.Time, marks []Shift) (date, Shift, Window) {
	marks = slices.SortedFunc(slices.Values(marks), func(a, b Shift) int { return b.Start.minutes() - a.Start.minutes() })
	t = t.In(c.Zone).Round(0)
	// The clock may have stood up to a day further on before it was put back, so
	// the mark at or before t can carry a date later than t's own; a mark two
	// dates on is always still to come, and one of two neighbouring dates exists.
	d := dateOf(t).addDays(3)
	var end time.Time
	for {
		if exists(c.Zone, d) {
			for _, m := range marks {
				start := reach(c.Zone, d, m.Start)
				if !start.After(t) {
					return d, m, Window{Start: start, End: end, Whole: true}
				}
				end = start
			}
		}
		d = d.addDays(-1)
	}
}

const hourLabel = "2006-01-02T15:04Z07:00"

// HourOf is the hour of the ward's clock to which t belongs: from one full hour
// to the next, 60 minutes. An hour that the clock repeats makes two windows, told
// apart by the offset in the label. A clock change by part of an hour (Lord Howe
// Island: 30 minutes) or off the full hour cuts the hour there, which is the only
// case of a shorter one.
func (c Calendar) HourOf(t time.Time) Window {
	t = t.In(c.Zone).Round(0)
	_, offset := t.Zone()
	wall := time.Duration(offset) * time.Second
	start := t.Add(wall).UTC().Truncate(time.Hour).Add(-wall).In(c.Zone)
	end := start.Add(time.Hour)
	// Clip to the stretch over which the clock kept this offset. A bound at which
	// only the zone's name changes is none for the clock.
	for at := t; ; {
		from, _ := bounds(at)
		if from.IsZero() || !from.After(start) {
			break
		}
		at = from.Add(-time.Nanosecond)
		if _, before := at.Zone(); before != offset {
			start = from
		}
	}
	for at := t; ; {
		_, to := bounds(at)
		if to.IsZero() || !to.Before(end) {
			break
		}
		at = to
		if _, after := at.Zone(); after != offset {
			end = to
		}
	}
	return Window{Start: start, End: end, Label: start.Format(hourLabel), Whole: true}
}
