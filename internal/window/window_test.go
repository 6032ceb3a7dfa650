package window

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the tests need zones wherever they run

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func clock(t testing.TB, s string) ClockTime {
	t.Helper()
	c, err := ParseClock(s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func instant(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// ward is the standard calendar with another day start.
func ward(t testing.TB, zoneName, dayStart string) Calendar {
	t.Helper()
	c := Standard(zone(t, zoneName))
	c.DayStart = clock(t, dayStart)
	return c
}

// show writes a window as a line: label, start, end, length, and "cut" if clipped.
func show(w Window) string {
	s := fmt.Sprintf("%s: %s to %s, %v", w.Label, w.Start.Format(time.RFC3339), w.End.Format(time.RFC3339), w.Duration())
	if !w.Whole {
		s += ", cut"
	}
	return s
}

func TestWindows(t *testing.T) {
	tests := []struct {
		name       string
		zone       string
		dayStart   string
		period     Period
		start, end string
		want       []string
	}{
		{
			name: "ordinary days, cut at both ends", zone: "Europe/Berlin", dayStart: "07:00", period: Day,
			start: "2026-11-24T10:00:00+01:00", end: "2026-11-26T09:30:00+01:00",
			want: []string{
				"2026-11-24: 2026-11-24T10:00:00+01:00 to 2026-11-25T07:00:00+01:00, 21h0m0s, cut",
				"2026-11-25: 2026-11-25T07:00:00+01:00 to 2026-11-26T07:00:00+01:00, 24h0m0s",
				"2026-11-26: 2026-11-26T07:00:00+01:00 to 2026-11-26T09:30:00+01:00, 2h30m0s, cut",
			},
		},
		{
			name: "a span inside one day is cut at both ends", zone: "Europe/Berlin", dayStart: "07:00", period: Day,
			start: "2026-11-25T08:00:00+01:00", end: "2026-11-25T09:00:00+01:00",
			want: []string{"2026-11-25: 2026-11-25T08:00:00+01:00 to 2026-11-25T09:00:00+01:00, 1h0m0s, cut"},
		},
		{
			name: "before the day start belongs to the day before", zone: "Europe/Berlin", dayStart: "07:00", period: Day,
			start: "2026-11-25T06:59:59+01:00", end: "2026-11-25T07:00:00+01:00",
			want: []string{"2026-11-24: 2026-11-25T06:59:59+01:00 to 2026-11-25T07:00:00+01:00, 1s, cut"},
		},
		{
			name: "shifts over the change to summer time: the night lasts 11 h", zone: "Europe/Berlin", dayStart: "07:00", period: ShiftPeriod,
			start: "2026-03-28T07:00:00+01:00", end: "2026-03-29T19:00:00+02:00",
			want: []string{
				"2026-03-28 day shift: 2026-03-28T07:00:00+01:00 to 2026-03-28T19:00:00+01:00, 12h0m0s",
				"2026-03-28 night shift: 2026-03-28T19:00:00+01:00 to 2026-03-29T07:00:00+02:00, 11h0m0s",
				"2026-03-29 day shift: 2026-03-29T07:00:00+02:00 to 2026-03-29T19:00:00+02:00, 12h0m0s",
			},
		},
		{
			name: "shifts over the change back: the night lasts 13 h", zone: "America/New_York", dayStart: "07:00", period: ShiftPeriod,
			start: "2026-10-31T19:00:00-04:00", end: "2026-11-01T19:00:00-05:00",
			want: []string{
				"2026-10-31 night shift: 2026-10-31T19:00:00-04:00 to 2026-11-01T07:00:00-05:00, 13h0m0s",
				"2026-11-01 day shift: 2026-11-01T07:00:00-05:00 to 2026-11-01T19:00:00-05:00, 12h0m0s",
			},
		},
		{
			name: "days of 23 and 25 h", zone: "Europe/Berlin", dayStart: "00:00", period: Day,
			start: "2026-03-29T00:00:00+01:00", end: "2026-03-30T00:00:00+02:00",
			want: []string{"2026-03-29: 2026-03-29T00:00:00+01:00 to 2026-03-30T00:00:00+02:00, 23h0m0s"},
		},
		{
			name: "the day of the change back", zone: "Europe/Berlin", dayStart: "00:00", period: Day,
			start: "2026-10-25T00:00:00+02:00", end: "2026-10-26T00:00:00+01:00",
			want: []string{"2026-10-25: 2026-10-25T00:00:00+02:00 to 2026-10-26T00:00:00+01:00, 25h0m0s"},
		},
		{
			name: "day start inside the gap: the first instant after it", zone: "Europe/Berlin", dayStart: "02:30", period: Day,
			start: "2026-03-28T02:30:00+01:00", end: "2026-03-30T02:30:00+02:00",
			want: []string{
				"2026-03-28: 2026-03-28T02:30:00+01:00 to 2026-03-29T03:00:00+02:00, 23h30m0s",
				"2026-03-29: 2026-03-29T03:00:00+02:00 to 2026-03-30T02:30:00+02:00, 23h30m0s",
			},
		},
		{
			name: "day start shown twice: the first showing", zone: "Europe/Berlin", dayStart: "02:30", period: Day,
			start: "2026-10-24T02:30:00+02:00", end: "2026-10-26T02:30:00+01:00",
			want: []string{
				"2026-10-24: 2026-10-24T02:30:00+02:00 to 2026-10-25T02:30:00+02:00, 24h0m0s",
				"2026-10-25: 2026-10-25T02:30:00+02:00 to 2026-10-26T02:30:00+01:00, 25h0m0s",
			},
		},
		{
			name: "hours over the change to summer time", zone: "Europe/Berlin", dayStart: "07:00", period: Hour,
			start: "2026-03-29T01:00:00+01:00", end: "2026-03-29T04:00:00+02:00",
			want: []string{
				"2026-03-29T01:00+01:00: 2026-03-29T01:00:00+01:00 to 2026-03-29T03:00:00+02:00, 1h0m0s",
				"2026-03-29T03:00+02:00: 2026-03-29T03:00:00+02:00 to 2026-03-29T04:00:00+02:00, 1h0m0s",
			},
		},
		{
			name: "the repeated hour makes two windows", zone: "Europe/Berlin", dayStart: "07:00", period: Hour,
			start: "2026-10-25T01:30:00+02:00", end: "2026-10-25T03:00:00+01:00",
			want: []string{
				"2026-10-25T01:00+02:00: 2026-10-25T01:30:00+02:00 to 2026-10-25T02:00:00+02:00, 30m0s, cut",
				"2026-10-25T02:00+02:00: 2026-10-25T02:00:00+02:00 to 2026-10-25T02:00:00+01:00, 1h0m0s",
				"2026-10-25T02:00+01:00: 2026-10-25T02:00:00+01:00 to 2026-10-25T03:00:00+01:00, 1h0m0s",
			},
		},
		{
			name: "hours of the ward's clock where the offset is 45 min past", zone: "Asia/Kathmandu", dayStart: "07:00", period: Hour,
			start: "2026-11-25T01:15:00Z", end: "2026-11-25T03:15:00Z",
			want: []string{
				"2026-11-25T07:00+05:45: 2026-11-25T07:00:00+05:45 to 2026-11-25T08:00:00+05:45, 1h0m0s",
				"2026-11-25T08:00+05:45: 2026-11-25T08:00:00+05:45 to 2026-11-25T09:00:00+05:45, 1h0m0s",
			},
		},
		{
			name: "day where the offset is 30 min past", zone: "Asia/Kolkata", dayStart: "06:00", period: Day,
			start: "2026-11-25T00:30:00Z", end: "2026-11-26T00:30:00Z",
			want: []string{"2026-11-25: 2026-11-25T06:00:00+05:30 to 2026-11-26T06:00:00+05:30, 24h0m0s"},
		},
		{
			name: "Lord Howe forward 30 min", zone: "Australia/Lord_Howe", dayStart: "07:00", period: Hour,
			start: "2026-10-04T01:00:00+10:30", end: "2026-10-04T04:00:00+11:00",
			want: []string{
				"2026-10-04T01:00+10:30: 2026-10-04T01:00:00+10:30 to 2026-10-04T02:30:00+11:00, 1h0m0s",
				"2026-10-04T02:30+11:00: 2026-10-04T02:30:00+11:00 to 2026-10-04T03:00:00+11:00, 30m0s",
				"2026-10-04T03:00+11:00: 2026-10-04T03:00:00+11:00 to 2026-10-04T04:00:00+11:00, 1h0m0s",
			},
		},
		{
			name: "Lord Howe back 30 min", zone: "Australia/Lord_Howe", dayStart: "07:00", period: Hour,
			start: "2026-04-05T01:00:00+11:00", end: "2026-04-05T03:00:00+10:30",
			want: []string{
				"2026-04-05T01:00+11:00: 2026-04-05T01:00:00+11:00 to 2026-04-05T01:30:00+10:30, 1h0m0s",
				"2026-04-05T01:30+10:30: 2026-04-05T01:30:00+10:30 to 2026-04-05T02:00:00+10:30, 30m0s",
				"2026-04-05T02:00+10:30: 2026-04-05T02:00:00+10:30 to 2026-04-05T03:00:00+10:30, 1h0m0s",
			},
		},
		{
			name: "Lord Howe's night shift", zone: "Australia/Lord_Howe", dayStart: "07:00", period: ShiftPeriod,
			start: "2026-10-03T19:00:00+10:30", end: "2026-10-04T07:00:00+11:00",
			want: []string{"2026-10-03 night shift: 2026-10-03T19:00:00+10:30 to 2026-10-04T07:00:00+11:00, 11h30m0s"},
		},
		{
			name: "a date left out: the night before it runs on", zone: "Pacific/Apia", dayStart: "07:00", period: ShiftPeriod,
			start: "2011-12-29T07:00:00-10:00", end: "2011-12-31T19:00:00+14:00",
			want: []string{
				"2011-12-29 day shift: 2011-12-29T07:00:00-10:00 to 2011-12-29T19:00:00-10:00, 12h0m0s",
				"2011-12-29 night shift: 2011-12-29T19:00:00-10:00 to 2011-12-31T07:00:00+14:00, 12h0m0s",
				"2011-12-31 day shift: 2011-12-31T07:00:00+14:00 to 2011-12-31T19:00:00+14:00, 12h0m0s",
			},
		},
		{
			name: "a date left out, days from midnight", zone: "Pacific/Apia", dayStart: "00:00", period: Day,
			start: "2011-12-29T00:00:00-10:00", end: "2012-01-01T00:00:00+14:00",
			want: []string{
				"2011-12-29: 2011-12-29T00:00:00-10:00 to 2011-12-31T00:00:00+14:00, 24h0m0s",
				"2011-12-31: 2011-12-31T00:00:00+14:00 to 2012-01-01T00:00:00+14:00, 24h0m0s",
			},
		},
		{
			name: "midnight itself falls into the gap", zone: "Asia/Beirut", dayStart: "00:00", period: Day,
			start: "2022-03-26T00:00:00+02:00", end: "2022-03-28T00:00:00+03:00",
			want: []string{
				"2022-03-26: 2022-03-26T00:00:00+02:00 to 2022-03-27T01:00:00+03:00, 24h0m0s",
				"2022-03-27: 2022-03-27T01:00:00+03:00 to 2022-03-28T00:00:00+03:00, 23h0m0s",
			},
		},
		{
			name: "a gap over midnight: the day starts on the next date and keeps its name", zone: "America/Toronto", dayStart: "23:45", period: Day,
			start: "1919-03-30T12:00:00-05:00", end: "1919-03-31T12:00:00-04:00",
			want: []string{
				"1919-03-29: 1919-03-30T12:00:00-05:00 to 1919-03-31T00:30:00-04:00, 11h30m0s, cut",
				"1919-03-30: 1919-03-31T00:30:00-04:00 to 1919-03-31T12:00:00-04:00, 11h30m0s, cut",
			},
		},
		{
			name: "the date itself comes back for an hour", zone: "America/St_Johns", dayStart: "00:00", period: Day,
			start: "2010-11-06T00:00:00-02:30", end: "2010-11-08T00:00:00-03:30",
			want: []string{
				"2010-11-06: 2010-11-06T00:00:00-02:30 to 2010-11-07T00:00:00-02:30, 24h0m0s",
				"2010-11-07: 2010-11-07T00:00:00-02:30 to 2010-11-08T00:00:00-03:30, 25h0m0s",
			},
		},
		{
			name: "the last day of a leap year far ahead", zone: "Europe/Berlin", dayStart: "07:00", period: Day,
			start: "2040-12-31T07:00:00+01:00", end: "2041-01-02T07:00:00+01:00",
			want: []string{
				"2040-12-31: 2040-12-31T07:00:00+01:00 to 2041-01-01T07:00:00+01:00, 24h0m0s",
				"2041-01-01: 2041-01-01T07:00:00+01:00 to 2041-01-02T07:00:00+01:00, 24h0m0s",
			},
		},
		{
			name: "its last hours", zone: "Europe/Berlin", dayStart: "07:00", period: Hour,
			start: "2040-12-31T23:00:00+01:00", end: "2041-01-01T01:00:00+01:00",
			want: []string{
				"2040-12-31T23:00+01:00: 2040-12-31T23:00:00+01:00 to 2041-01-01T00:00:00+01:00, 1h0m0s",
				"2041-01-01T00:00+01:00: 2041-01-01T00:00:00+01:00 to 2041-01-01T01:00:00+01:00, 1h0m0s",
			},
		},
		{
			name: "total is the span, whatever its limits", zone: "Europe/Berlin", dayStart: "07:00", period: Total,
			start: "2026-11-24T09:10:00Z", end: "2026-11-26T08:20:00Z",
			want: []string{"2026-11-24T10:10+01:00/2026-11-26T09:20+01:00: 2026-11-24T10:10:00+01:00 to 2026-11-26T09:20:00+01:00, 47h10m0s"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := ward(t, tt.zone, tt.dayStart)
			windows, err := c.Windows(tt.period, instant(t, tt.start), instant(t, tt.end))
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, w := range windows {
				got = append(got, show(w))
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("windows (-want +got):\n%s", diff)
			}
		})
	}
}

// Three shifts, none of which starts with the day.
func TestShiftsApartFromDay(t *testing.T) {
	c := Calendar{Zone: time.UTC, Shifts: []Shift{
		{"late", ClockTime{14, 0}}, {"night", ClockTime{22, 0}}, {"early", ClockTime{6, 0}},
	}}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]string{
		"2026-11-25T00:00:00Z": "2026-11-24 night shift",
		"2026-11-25T05:59:59Z": "2026-11-24 night shift",
		"2026-11-25T06:00:00Z": "2026-11-25 early shift",
		"2026-11-25T14:00:00Z": "2026-11-25 late shift",
		"2026-11-25T22:00:00Z": "2026-11-25 night shift",
	} {
		w := c.ShiftOf(instant(t, at))
		if w.Label != want || w.Duration() != 8*time.Hour {
			t.Errorf("ShiftOf(%s) = %s, want %s of 8 h", at, show(w), want)
		}
	}
}

// A shift that lies inside the gap does not take place that day.
func TestShiftSwallowedByGap(t *testing.T) {
	c := Standard(zone(t, "Europe/Berlin"))
	c.Shifts = []Shift{{"a", ClockTime{2, 10}}, {"b", ClockTime{2, 20}}}
	windows, err := c.Windows(ShiftPeriod, instant(t, "2026-03-28T02:20:00+01:00"), instant(t, "2026-03-30T02:10:00+02:00"))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, w := range windows {
		got = append(got, w.Label)
	}
	if diff := cmp.Diff([]string{"2026-03-28 b shift", "2026-03-29 b shift"}, got); diff != "" {
		t.Error(diff)
	}
}

func TestDayStarting(t *testing.T) {
	apia := ward(t, "Pacific/Apia", "07:00")
	berlin := ward(t, "Europe/Berlin", "07:00")
	for _, tt := range []struct {
		got  Window
		want string
	}{
		{berlin.DayStarting(2026, time.November, 25), "2026-11-25: 2026-11-25T07:00:00+01:00 to 2026-11-26T07:00:00+01:00, 24h0m0s"},
		{berlin.DayStarting(2026, time.October, 24), "2026-10-24: 2026-10-24T07:00:00+02:00 to 2026-10-25T07:00:00+01:00, 25h0m0s"},
		{berlin.DayStarting(2026, time.February, 29), "2026-03-01: 2026-03-01T07:00:00+01:00 to 2026-03-02T07:00:00+01:00, 24h0m0s"},
		{apia.DayStarting(2011, time.December, 29), "2011-12-29: 2011-12-29T07:00:00-10:00 to 2011-12-31T07:00:00+14:00, 24h0m0s"},
		{apia.DayStarting(2011, time.December, 30), "2011-12-30: 2011-12-31T07:00:00+14:00 to 2011-12-31T07:00:00+14:00, 0s"},
		{apia.DayStarting(2011, time.December, 31), "2011-12-31: 2011-12-31T07:00:00+14:00 to 2012-01-01T07:00:00+14:00, 24h0m0s"},
	} {
		if got := show(tt.got); got != tt.want {
			t.Errorf("got %s, want %s", got, tt.want)
		}
	}
}

func TestWindowsRefuses(t *testing.T) {
	c := Standard(time.UTC)
	start := instant(t, "2026-01-01T00:00:00Z")
	hours := func(n int) time.Time { return start.Add(time.Duration(n) * time.Hour) }

	if w, err := c.Windows(Hour, start, hours(MaxWindows)); err != nil || len(w) != MaxWindows {
		t.Errorf("%d windows: got %d, error %v", MaxWindows, len(w), err)
	}
	for _, tt := range []struct {
		name   string
		period Period
		end    time.Time
		want   string
	}{
		{"too many", Hour, hours(MaxWindows).Add(time.Nanosecond), "more than 10000 windows of period hour"},
		{"empty", Day, start, "is not after the start"},
		{"backwards", Day, hours(-1), "is not after the start"},
		{"unknown period", Period(9), hours(1), "Period(9)"},
	} {
		if w, err := c.Windows(tt.period, start, tt.end); err == nil || w != nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %d windows, error %v, want %q", tt.name, len(w), err, tt.want)
		}
	}
}

// The monotonic reading of a system clock must not reach the windows.
func TestWindowsDropMonotonicReading(t *testing.T) {
	c := Standard(time.UTC)
	now := time.Now()
	windows, err := c.Windows(Total, now, now.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if got := windows[0].Start; got != got.Round(0) || !got.Equal(now) {
		t.Errorf("start %v of now %v", got, now)
	}
}

func TestValidate(t *testing.T) {
	good := Standard(time.UTC)
	if err := good.Validate(); err != nil {
		t.Errorf("standard calendar: %v", err)
	}
	for _, tt := range []struct {
		name   string
		spoil  func(*Calendar)
		reason string
	}{
		{"no zone", func(c *Calendar) { c.Zone = nil }, "no time zone"},
		{"day start", func(c *Calendar) { c.DayStart.Hour = 24 }, "day start 24:00"},
		{"no shifts", func(c *Calendar) { c.Shifts = nil }, "no shifts"},
		{"shift without name", func(c *Calendar) { c.Shifts[0].Name = "" }, "07:00 has no name"},
		{"shift start", func(c *Calendar) { c.Shifts[1].Start.Minute = -1 }, `shift "night"`},
		{"same name", func(c *Calendar) { c.Shifts[1].Name = "day" }, `two shifts are named "day"`},
		{"same start", func(c *Calendar) { c.Shifts[1].Start = c.Shifts[0].Start }, "both start at 07:00"},
	} {
		c := Standard(time.UTC)
		tt.spoil(&c)
		if err := c.Validate(); err == nil || !strings.Contains(err.Error(), tt.reason) {
			t.Errorf("%s: error %v, want %q", tt.name, err, tt.reason)
		}
	}
}

func TestPeriodNames(t *testing.T) {
	for _, p := range []Period{Hour, ShiftPeriod, Day, Total} {
		if got, err := ParsePeriod(p.String()); err != nil || got != p {
			t.Errorf("ParsePeriod(%q) = %v, %v", p, got, err)
		}
	}
	for _, s := range []string{"", "week", "Day", "Period(9)"} {
		if _, err := ParsePeriod(s); err == nil || !strings.Contains(err.Error(), "hour, shift, day or total") {
			t.Errorf("ParsePeriod(%q): error %v", s, err)
		}
	}
}

func TestParseClock(t *testing.T) {
	for s, want := range map[string]ClockTime{"00:00": {}, "07:05": {7, 5}, "23:59": {23, 59}} {
		if got, err := ParseClock(s); err != nil || got != want {
			t.Errorf("ParseClock(%q) = %v, %v", s, got, err)
		}
	}
	for _, s := range []string{"", "7:00", "24:00", "07:60", "07.00", "07:00:00", " 7:00", "+7:00", "-1:00", "0a:00", "07:0 ", "٠٧:٠٠"} {
		if got, err := ParseClock(s); err == nil {
			t.Errorf("ParseClock(%q) = %v, want an error", s, got)
		}
	}
	var c ClockTime
	if err := json.Unmarshal([]byte(`"19:30"`), &c); err != nil || c != (ClockTime{19, 30}) {
		t.Errorf("from JSON: %v, %v", c, err)
	}
	if err := json.Unmarshal([]byte(`"7"`), &c); err == nil || c != (ClockTime{19, 30}) {
		t.Errorf("from bad JSON: %v, %v", c, err)
	}
}

func FuzzParseClock(f *testing.F) {
	for _, s := range []string{"07:00", "24:00", "7:00", "23:59", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := ParseClock(s)
		if err != nil {
			return
		}
		if !c.valid() || c.String() != s {
			t.Errorf("ParseClock(%q) = %#v, written %q", s, c, c)
		}
	})
}

// Zones with every oddity that the zone database knows: half and quarter hours,
// clock changes at and around midnight, by 30 min, by 20 min, and by a day.
var oddZones = []string{
	"UTC", "Europe/Berlin", "Europe/London", "Europe/Dublin", "America/New_York", "America/Toronto", "America/St_Johns",
	"America/Sao_Paulo", "America/Havana", "America/Juneau", "Africa/Casablanca", "Africa/Accra", "Africa/Monrovia",
	"Asia/Beirut", "Asia/Gaza", "Asia/Kathmandu", "Asia/Kolkata", "Asia/Tehran", "Asia/Pyongyang", "Asia/Manila",
	"Australia/Adelaide", "Australia/Eucla", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Chatham",
	"Pacific/Kiritimati", "Pacific/Kwajalein", "Antarctica/Troll", "Antarctica/Casey",
}

func drawCalendar(t *rapid.T) Calendar {
	z, err := time.LoadLocation(rapid.SampledFrom(oddZones).Draw(t, "zone"))
	if err != nil {
		t.Fatal(err)
	}
	clocks := rapid.Custom(func(t *rapid.T) ClockTime {
		return ClockTime{rapid.IntRange(0, 23).Draw(t, "hour"), rapid.IntRange(0, 59).Draw(t, "minute")}
	})
	c := Calendar{Zone: z, DayStart: clocks.Draw(t, "day start")}
	for i, start := range rapid.SliceOfNDistinct(clocks, 1, 4, rapid.ID[ClockTime]).Draw(t, "shifts") {
		c.Shifts = append(c.Shifts, Shift{fmt.Sprint("s", i), start})
	}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	return c
}

// drawInstant draws an instant from 1800 to 2100, mostly near a change of the
// zone's clock.
func drawInstant(t *rapid.T, z *time.Location) time.Time {
	lo, hi := time.Date(1800, 1, 1, 0, 0, 0, 0, time.UTC).Unix(), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	at := time.Unix(rapid.Int64Range(lo, hi).Draw(t, "second"), rapid.Int64Range(0, 999_999_999).Draw(t, "nano")).In(z)
	if rapid.IntRange(0, 3).Draw(t, "near a change") > 0 {
		if _, change := bounds(at); !change.IsZero() {
			at = change.Add(time.Duration(rapid.IntRange(-50*60, 50*60).Draw(t, "minutes from it")) * time.Minute)
		}
	}
	return at
}

func of(c Calendar, p Period, t time.Time) Window {
	switch p {
	case Hour:
		return c.HourOf(t)
	case ShiftPeriod:
		return c.ShiftOf(t)
	}
	return c.DayOf(t)
}

func TestWindowsPartition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		p := rapid.SampledFrom([]Period{Hour, ShiftPeriod, Day, Total}).Draw(t, "period")
		start := drawInstant(t, c.Zone)
		end := start.Add(time.Duration(rapid.Int64Range(1, int64(200*time.Hour)).Draw(t, "length")))
		windows, err := c.Windows(p, start, end)
		if err != nil {
			t.Fatal(err)
		}
		at := start
		labels := map[string]bool{}
		for i, w := range windows {
			if !w.Start.Equal(at) || !w.End.After(w.Start) {
				t.Fatalf("window %d %s does not continue from %v", i, show(w), at)
			}
			if labels[w.Label] {
				t.Fatalf("label %q twice", w.Label)
			}
			labels[w.Label] = true
			if !w.Whole && i > 0 && i < len(windows)-1 {
				t.Fatalf("inner window %s is clipped", show(w))
			}
			if p == Hour && w.Duration() > time.Hour {
				t.Fatalf("hour %s", show(w))
			}
			at = w.End
		}
		if !at.Equal(end) {
			t.Fatalf("windows end at %v, not %v", at, end)
		}
		// Every instant lies in exactly one, and asking for its window alone gives
		// the same, clipped.
		probe := start.Add(time.Duration(rapid.Int64Range(0, int64(end.Sub(start))-1).Draw(t, "probe")))
		found := 0
		for _, w := range windows {
			if !w.Contains(probe) {
				continue
			}
			found++
			if p == Total {
				continue
			}
			if whole := of(c, p, probe); show(whole.clip(start, end)) != show(w) {
				t.Fatalf("%v alone lies in %s, in the span in %s", probe, show(whole), show(w))
			}
		}
		if found != 1 {
			t.Fatalf("%v lies in %d windows", probe, found)
		}
	})
}

// Every instant of a window gives that same window, and its neighbours touch it.
func TestWindowOfItsEdges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		p := rapid.SampledFrom([]Period{Hour, ShiftPeriod, Day}).Draw(t, "period")
		at := drawInstant(t, c.Zone)
		w := of(c, p, at)
		if !w.Contains(at) || !w.Whole {
			t.Fatalf("%v is not in its window %s", at, show(w))
		}
		for _, edge := range []time.Time{w.Start, w.End.Add(-time.Nanosecond)} {
			if got := of(c, p, edge); show(got) != show(w) {
				t.Fatalf("%v gives %s, %v gives %s", at, show(w), edge, show(got))
			}
		}
		if before := of(c, p, w.Start.Add(-time.Nanosecond)); !before.End.Equal(w.Start) {
			t.Fatalf("%s, before it %s", show(w), show(before))
		}
		if after := of(c, p, w.End); !after.Start.Equal(w.End) {
			t.Fatalf("%s, after it %s", show(w), show(after))
		}
		if p == Day {
			var y, m, d int
			if _, err := fmt.Sscanf(w.Label, "%d-%d-%d", &y, &m, &d); err != nil {
				t.Fatal(err)
			}
			if got := c.DayStarting(y, time.Month(m), d); show(got) != show(w) {
				t.Fatalf("DayStarting gives %s, DayOf %s", show(got), show(w))
			}
		}
	})
}

// Where the clock is not changed near a boundary, it is what time.Date gives.
func TestReachOnOrdinaryDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		at := drawInstant(t, c.Zone)
		d := dateOf(at)
		want := time.Date(d.year, d.month, d.day, c.DayStart.Hour, c.DayStart.Minute, 0, 0, c.Zone)
		if from, to := bounds(want); (!from.IsZero() && want.Sub(from) < 25*time.Hour) || (!to.IsZero() && to.Sub(want) < 25*time.Hour) {
			t.Skip("clock change near")
		}
		if got := reach(c.Zone, d, c.DayStart); !got.Equal(want) {
			t.Fatalf("%v %v: %v, want %v", d, c.DayStart, got, want)
		}
	})
}

func ExampleCalendar_Windows() {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		fmt.Println(err)
		return
	}
	ward := Standard(berlin)
	start := time.Date(2026, time.October, 24, 7, 0, 0, 0, berlin)
	windows, err := ward.Windows(ShiftPeriod, start, ward.DayOf(start).End)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, w := range windows {
		fmt.Println(w.Label, w.Duration())
	}
	// Output:
	// 2026-10-24 day shift 12h0m0s
	// 2026-10-24 night shift 13h0m0s
}

func BenchmarkWindows(b *testing.B) {
	c := Standard(zone(b, "Europe/Berlin"))
	start := instant(b, "2026-01-01T00:00:00Z")
	for _, p := range []Period{Hour, ShiftPeriod, Day} {
		b.Run(p.String(), func(b *testing.B) {
			for b.Loop() {
				if _, err := c.Windows(p, start, start.AddDate(1, 0, 0)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
