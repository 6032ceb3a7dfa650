package engine

import (
	"log/slog"
	"time"
)

// skew is by how much the clocks of processes that share a store may differ.
const skew = time.Minute

// Pace is the time of the newest version, and how it goes on. It is the clock's,
// but never before that of the version before. While a clock that was ahead once,
// and was put right, is behind it, times go on at half the clock's pace, so that they
// tell versions apart and the clock catches up. All in milliseconds.
type Pace struct {
	At   int64
	Slow int64 // of the clock when At was last moved, while the clock is behind At; else 0
}

// Next is the time of the next version. Processes that share a store share the
// Pace, so that together they go no faster than one: what the clock of one has
// counted, a clock that is somewhat behind does not count again.
func (p Pace) Next(clock time.Time) Pace {
	now := Milli(clock)
	switch {
	case now >= p.At:
		return Pace{At: now}
	case p.Slow == 0 || now < p.Slow-skew.Milliseconds(): // the clock was put right, or back again
		return Pace{p.At, now}
	case now <= p.Slow:
		return p
	}
	half := (now - p.Slow) / 2
	return Pace{p.At + half, p.Slow + 2*half}
}

// Watch says in the log that times are ahead of the clock, once an hour.
type Watch struct{ said time.Time }

// Look compares the time of a new version with the clock.
func (w *Watch) Look(p Pace, clock time.Time, log *slog.Logger) {
	if ahead := OfMilli(p.At).Sub(clock); ahead > time.Minute && clock.Sub(w.said).Abs() > time.Hour {
		w.said = clock
		log.Error("times of versions are ahead of the clock, which is or was wrong: check it; they run at half its pace until it has caught up", "ahead", ahead.Round(time.Second))
	}
}
