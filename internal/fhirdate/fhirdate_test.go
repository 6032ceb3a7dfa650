package fhirdate

import (
	"testing"
	"time"
)

func TestParse(t *testing.T) {
	berlin := time.FixedZone("", 3600)
	for _, c := range []struct {
		in, lo, hi string
		p          Precision
	}{
		{"2026", "2026-01-01T00:00:00+01:00", "2027-01-01T00:00:00+01:00", Year},
		{"2026-12", "2026-12-01T00:00:00+01:00", "2027-01-01T00:00:00+01:00", Month},
		{"2024-02-29", "2024-02-29T00:00:00+01:00", "2024-03-01T00:00:00+01:00", Day},
		{"2026-02-01T10:00Z", "2026-02-01T10:00:00Z", "2026-02-01T10:01:00Z", Minute},
		{"2026-02-01T10:00:00", "2026-02-01T10:00:00+01:00", "2026-02-01T10:00:01+01:00", Second},
		{"2026-02-01T10:00:00-14:00", "2026-02-01T10:00:00-14:00", "2026-02-01T10:00:01-14:00", Second},
		{"2026-02-01T10:00:00.12Z", "2026-02-01T10:00:00.12Z", "2026-02-01T10:00:00.13Z", Fraction},
		{"2016-12-31T23:59:60Z", "2017-01-01T00:00:00Z", "2017-01-01T00:00:01Z", Second},
	} {
		iv, err := Parse(c.in, berlin)
		if err != nil {
			t.Errorf("%s: %v", c.in, err)
			continue
		}
		lo, _ := time.Parse(time.RFC3339Nano, c.lo)
		hi, _ := time.Parse(time.RFC3339Nano, c.hi)
		if !iv.Lo.Equal(lo) || !iv.Hi.Equal(hi) || iv.Precision != c.p {
			t.Errorf("%s: got [%v, %v) %d, want [%v, %v) %d", c.in, iv.Lo, iv.Hi, iv.Precision, lo, hi, c.p)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, s := range []string{"", "yesterday", "2026-13", "2026-00", "2026-02-30", "2025-02-29", "0000", "26-01-01", "2026-1-1",
		"2026-02-01T24:00:00Z", "2026-02-01T10:60:00Z", "2026-02-01T10:00:61Z", "2026-02-01 10:00:00Z", "2026-02-01T10Z",
		"2026-02-01T10:00:00+15:00", "2026-02-01T10:00:00+14:01", "2026-02-01T10:00:00.Z", "2026-02-01Z", "2026-02-01T10:00:00+1:00"} {
		if iv, err := Parse(s, time.UTC); err == nil {
			t.Errorf("%q was read as %v", s, iv)
		}
	}
	for _, s := range []string{"2026-02-01", "2026-02-01T10:00:00", "2026-02-01T10:00Z"} {
		if _, err := Instant(s); err == nil {
			t.Errorf("%q passed for an instant", s)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"2026", "2026-02-01T10:00:00.123456789+05:45", "2016-12-31T23:59:60Z"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		iv, err := Parse(s, time.UTC)
		if err == nil && !iv.Lo.Before(iv.Hi) {
			t.Fatalf("%q is the empty interval [%v, %v)", s, iv.Lo, iv.Hi)
		}
	})
}
