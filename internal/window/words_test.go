package window

import (
	"testing"
	"time"
)

func TestClock(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 12, 1, 0, 30, 0, 0, zone)
	for want, at := range map[string]time.Time{
		"00:05":                now.Add(-25 * time.Minute).UTC(),
		"23:55 on 30 Nov":      now.Add(-35 * time.Minute),
		"00:30 on 1 Dec 2025":  now.AddDate(-1, 0, 0),
		"00:30 on 31 Jan 2027": now.AddDate(0, 2, 0).AddDate(0, 0, -1).UTC(),
	} {
		if got := Clock(at, now); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"0 min": 29 * time.Second, "59 min": 59*time.Minute + 20*time.Second, "1 h": 59*time.Minute + 40*time.Second, "4 h 15 min": 255 * time.Minute,
		"48 h": 48 * time.Hour, "71 h 59 min": 72*time.Hour - time.Minute, "3 days": 72 * time.Hour, "3 days 5 h": 77*time.Hour + 20*time.Minute, "14 days": 14 * 24 * time.Hour,
	} {
		if got := Span(d); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}
