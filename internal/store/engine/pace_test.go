package engine

import (
	"testing"
	"time"
)

// TestPace: two processes whose clocks differ write in turn after a clock was an
// hour ahead. Times never fall, go on at half the pace, not faster because there are
// two, and meet the clock after two hours.
func TestPace(t *testing.T) {
	began := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	for name, behind := range map[string]time.Duration{"one clock": 0, "two clocks": 20 * time.Second} {
		p := Pace{At: began.Add(time.Hour).UnixMilli()}
		last := p.At
		for at := time.Duration(0); at <= 3*time.Hour; at += 100 * time.Millisecond {
			clock := began.Add(at)
			if at/(100*time.Millisecond)%2 == 1 {
				clock = clock.Add(-behind)
			}
			p = p.Next(clock)
			if p.At < last {
				t.Fatalf("%s: after %v the time fell by %d ms", name, at, last-p.At)
			}
			last = p.At
			ahead := time.UnixMilli(p.At).Sub(began.Add(at))
			if want := max(0, time.Hour-at/2); (ahead - want).Abs() > time.Second {
				t.Fatalf("%s: after %v times are %v ahead, want %v", name, at, ahead, want)
			}
		}
	}
	// Put back once more, times go on at half the pace from there.
	p := Pace{At: began.Add(time.Hour).UnixMilli()}.Next(began).Next(began.Add(-30 * time.Minute))
	if got, want := p.Next(began.Add(-20*time.Minute)).At, began.Add(time.Hour+5*time.Minute).UnixMilli(); got != want {
		t.Errorf("put back again: %v, want %v", time.UnixMilli(got).UTC(), time.UnixMilli(want).UTC())
	}
}
