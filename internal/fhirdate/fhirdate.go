// Package fhirdate owns FHIR's date, dateTime and instant texts: strict
// reading, and the interval that a text of a given precision stands for. It
// knows no calendar of a ward; package window does.
package fhirdate

import (
	"errors"
	"regexp"
	"time"
)

// Precision says how much of a moment a text names.
type Precision byte

// Precisions, from coarse to fine.
const (
	Year Precision = iota
	Month
	Day
	Minute // search values only: FHIR data always carry seconds
	Second
	Fraction
)

// Interval is the half-open stretch [Lo, Hi) that a text stands for. A full
// instant stands for its last written digit: 10:00:00Z is one second long.
type Interval struct {
	Lo, Hi    time.Time
	Precision Precision
	Zoned     bool // the text carried an offset
}

// The pattern of R4's dateTime, with the seconds made optional for search
// values; 4.0.1 datatypes page, section on dateTime.
var pattern = regexp.MustCompile(`^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?$`)

var (
	errForm = errors.New("is not a FHIR dateTime: write YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone such as Z or +01:00")
	errDate = errors.New("is a day that does not exist")
	errTime = errors.New("has a time of day that does not exist")
	errZone = errors.New("has a zone offset beyond -14:00 to +14:00")
)

// Parse reads a date, dateTime or instant text, or a search value. A text
// without a zone is read in loc. The error says what is wrong, to be printed
// after the quoted text.
func Parse(s string, loc *time.Location) (Interval, error) {
	m := pattern.FindStringSubmatch(s)
	if m == nil {
		return Interval{}, errForm
	}
	year, month, day := num(m[1]), 1, 1
	if year == 0 {
		return Interval{}, errDate
	}
	if m[2] == "" {
		return span(time.Date(year, 1, 1, 0, 0, 0, 0, loc), time.Date(year+1, 1, 1, 0, 0, 0, 0, loc), Year), nil
	}
	if month = num(m[2]); month < 1 || month > 12 {
		return Interval{}, errDate
	}
	if m[3] == "" {
		return span(time.Date(year, time.Month(month), 1, 0, 0, 0, 0, loc), time.Date(year, time.Month(month)+1, 1, 0, 0, 0, 0, loc), Month), nil
	}
	day = num(m[3])
	if t := time.Date(year, time.Month(month), day, 12, 0, 0, 0, time.UTC); day < 1 || t.Day() != day {
		return Interval{}, errDate
	}
	if m[4] == "" {
		return span(time.Date(year, time.Month(month), day, 0, 0, 0, 0, loc), time.Date(year, time.Month(month), day+1, 0, 0, 0, 0, loc), Day), nil
	}
	hour, minute := num(m[4]), num(m[5])
	second, nano, step, prec := 0, 0, time.Minute, Minute
	if m[6] != "" {
		second, step, prec = num(m[6]), time.Second, Second
	}
	if m[7] != "" {
		// R4 sets no limit to the digits; what is below a nanosecond is not kept.
		digits := min(len(m[7])-1, 9)
		nano, prec = num(m[7][1:1+digits]), Fraction
		for i := digits; i < 9; i++ {
			nano *= 10
		}
		for i := 0; i < digits; i++ {
			step /= 10
		}
	}
	// Second 60 matches R4's pattern (a leap second); it is read as the next second.
	if hour > 23 || minute > 59 || second > 60 {
		return Interval{}, errTime
	}
	zoned := m[8] != ""
	if zoned {
		var ok bool
		if loc, ok = offset(m[8]); !ok {
			return Interval{}, errZone
		}
	}
	lo := time.Date(year, time.Month(month), day, hour, minute, second, nano, loc)
	iv := span(lo, lo.Add(step), prec)
	iv.Zoned = zoned
	return iv, nil
}

// Instant reads a text that must name a moment with seconds and a zone.
func Instant(s string) (time.Time, error) {
	iv, err := Parse(s, time.UTC)
	if err != nil {
		return time.Time{}, err
	}
	if iv.Precision < Second || !iv.Zoned {
		return time.Time{}, errors.New("has no time with seconds and a zone: write it as 2026-11-25T14:05:00+01:00")
	}
	return iv.Lo, nil
}

// Format writes an instant with milliseconds in UTC, as meta.lastUpdated has it.
func Format(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// FormatIn writes a moment to the second with the zone's offset.
func FormatIn(t time.Time, loc *time.Location) string {
	return t.In(loc).Format("2006-01-02T15:04:05-07:00")
}

func span(lo, hi time.Time, p Precision) Interval { return Interval{Lo: lo, Hi: hi, Precision: p} }

func num(s string) int {
	n := 0
	for i := 0; i < len(s); i++ {
		n = n*10 + int(s[i]-'0')
	}
	return n
}

func offset(s string) (*time.Location, bool) {
	if s == "Z" {
		return time.UTC, true
	}
	h, m := num(s[1:3]), num(s[4:6])
	if h > 14 || m > 59 || h == 14 && m > 0 {
		return nil, false
	}
	sec := h*3600 + m*60
	if s[0] == '-' {
		sec = -sec
	}
	return time.FixedZone("", sec), true
}
