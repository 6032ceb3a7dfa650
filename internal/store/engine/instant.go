package engine

import "time"

// Instants are kept as numbers in two units: the time of a version in milliseconds,
// which is what meta.lastUpdated and Pace have, all others in microseconds.

// Millis is the first millisecond that does not lie before t.
func Millis(t time.Time) int64 {
	m := t.UnixMilli()
	if t.Nanosecond()%1e6 != 0 {
		m++
	}
	return m
}

// Micros is a time as it is kept, nil for the zero time.
func Micros(t time.Time) *int64 {
	if t.IsZero() {
		return nil
	}
	return new(t.UnixMicro())
}

// Moment reads what Micros wrote.
func Moment(m *int64) time.Time {
	if m == nil {
		return time.Time{}
	}
	return time.UnixMicro(*m).UTC()
}

// Bound is a time as a bound of a range in microseconds: a fraction of one
// counts as the next, and the zero time is none.
func Bound(t time.Time, none int64) int64 {
	if t.IsZero() {
		return none
	}
	m := t.UnixMicro()
	if t.After(time.UnixMicro(m)) {
		m++
	}
	return m
}
