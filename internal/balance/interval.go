package balance

import (
	"cmp"
	"math/big"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// Interval is the time over which one emptied volume collected: from the
// previous emptying, or from placement, to this emptying. An emptying whose
// volume was not measured is a reset without a reading: it ends an interval of
// unknown volume, and the next interval starts there.
type Interval struct {
	Start, End time.Time
	drain.Emptied
	// FirstUnknown marks the first emptying of a drain whose placement start is
	// not known (or is later): nobody knows since when its volume collected. Start
	// is then End, and the interval covers no time.
	FirstUnknown bool
}

// Intervals gives the intervals of one drain, in time order, with the readings
// within so long of each other as one emptying (see drain.Emptyings). The entries
// may come in any order and be of any kind. A zero placed means not known; what
// was charted before it is no part of an emptying after it.
func Intervals(entries []drain.Entry, placed time.Time, within time.Duration) []Interval {
	before, since := []drain.Entry(nil), entries
	if slices.ContainsFunc(entries, func(e drain.Entry) bool { return e.At.Before(placed) }) {
		before, since = split(entries, placed)
	}
	all := append(drain.Emptyings(before, within), drain.Emptyings(since, within)...)
	intervals := make([]Interval, len(all))
	for i, e := range all {
		iv := &intervals[i]
		iv.Emptied = e
		iv.Start, iv.End = e.At(), e.At()
		fromPlacement := !placed.IsZero() && !placed.After(e.First())
		switch {
		case fromPlacement && (i == 0 || placed.After(all[i-1].At())):
			iv.Start = placed
		case i > 0:
			iv.Start = all[i-1].At()
		default:
			iv.FirstUnknown = true
		}
	}
	return intervals
}

func split(entries []drain.Entry, at time.Time) (before, since []drain.Entry) {
	for _, e := range entries {
		if e.At.Before(at) {
			before = append(before, e)
		} else {
			since = append(since, e)
		}
	}
	return before, since
}

// byTime is the order of drain.Entry.Before.
func byTime(a, b *drain.Entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) }

// Hours is the exact length of the interval.
func (iv Interval) Hours() *big.Rat { return hours(iv.End.Sub(iv.Start)) }

// PerHour is the exact rate in mL/h. There is none where the volume is not
// known or the interval has no length.
func (iv Interval) PerHour() (*big.Rat, bool) {
	if !iv.Known || !iv.Start.Before(iv.End) {
		return nil, false
	}
	return new(big.Rat).Quo(iv.Net().Rat(), iv.Hours()), true
}

// Rate is PerHour for statistics.
func (iv Interval) Rate() (mlPerHour float64, ok bool) {
	r, ok := iv.PerHour()
	if !ok {
		return 0, false
	}
	mlPerHour, _ = r.Float64()
	return mlPerHour, true
}

// Middle is the instant in the middle of the interval, where a course places
// its rate.
func (iv Interval) Middle() time.Time { return iv.Start.Add(iv.End.Sub(iv.Start) / 2) }

func hours(d time.Duration) *big.Rat { return big.NewRat(int64(d), int64(time.Hour)) }
