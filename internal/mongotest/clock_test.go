package mongotest

import (
	"fmt"
	"testing"
	"time"
)

// TestClockPutRight: after a clock was ahead, the times of versions go on at half
// its pace, whichever of two processes writes, and again after a restart.
func TestClockPutRight(t *testing.T) {
	o := options(Start(t).URL("clock"))
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	o.Clock = func() time.Time { return now }
	a := open(t, o)
	b := open(t, o)
	last := commit(t, a, patient(t, "ahead", "x")).At
	now = now.Add(-time.Hour)
	for i, step := range []struct {
		by   *opened
		pass time.Duration
		want time.Duration // by which the time goes on
	}{{a, 0, 0}, {b, 10 * time.Minute, 5 * time.Minute}, {a, 0, 0}, {a, 10 * time.Minute, 5 * time.Minute}, {open(t, o), 10 * time.Minute, 5 * time.Minute}} {
		now = now.Add(step.pass)
		at := commit(t, step.by, patient(t, fmt.Sprint("p", i), "x")).At
		if got := at.Sub(last); got != step.want {
			t.Errorf("step %d: the time went on by %v, want %v", i, got, step.want)
		}
		last = at
	}
	now = now.Add(2 * time.Hour)
	if at := commit(t, b, patient(t, "right", "x")).At; !at.Equal(now) {
		t.Errorf("At %v, the clock says %v", at, now)
	}
}
