package engine

import "time"

// Instants are times in Go and numbers in a store, in one of two units: the time of a
// version in milliseconds, which is what meta.lastUpdated and Pace have, all others in
// microseconds. Only here does one become the other.

// Milli is a time in milliseconds; a fraction of one is dropped.
func Milli(t time.Time) int64 { return t.UnixMilli() }

// OfMilli reads what Milli wrote.
func OfMilli(m int64) time.Time { return time.UnixMilli(m).UTC() }

// Millis is the first millisecond that does not lie before t.
func Millis(t time.Time) int64 {
	m := t.UnixMilli()
	if t.Nanosecond()%1e6 != 0 {
		m++
	}
	return m
}

// Micro is a time in microseconds; a fraction of one is dropped.
func Micro(t time.Time) int64 { return t.UnixMicro() }

// OfMicro reads what Micro wrote.
func OfMicro(m int64) time.Time { return time.UnixMicro(m).UTC() }

// Micros is a time in microseconds, nil for the zero time.
func Micros(t time.Time) *int64 {
	if t.IsZero() {
		return nil
	}
	return new(Micro(t))
}

// Moment reads what Micros wrote.
func Moment(m *int64) time.Time {
	if m == nil {
		return time.Time{}
	}
	return OfMicro(*m)
}

// Bound is a time as a bound of a range in microseconds: a fraction of one
// counts as the next, and the zero time is none.
func Bound(t time.Time, none int64) int64 {
	if t.IsZero() {
		return none
	}
	m := Micro(t)
	if t.After(OfMicro(m)) {
		m++
	}
	return m
}
