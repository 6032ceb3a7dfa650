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
	Entry      drain.Entry
	Net        drain.Volume // measured − instilled, may be negative; 0 unless Known
	Known      bool         // the volume was measured
	// FirstUnknown marks the first emptying of a drain whose placement start is
	// not known (or is later): nobody knows since when its volume collected. Start
	// is then End, and the interval covers no time.
	FirstUnknown bool
}

// Intervals gives the intervals of one drain, in time order. The entries may
// come in any order and be of any kind: those other than emptyings, and those
// that do not count, are passed over. A zero placed means not known.
//
// Of two emptyings charted for the same instant the second gets an interval
// without length, so that its volume counts and its rate does not exist.
func Intervals(entries []drain.Entry, placed time.Time) []Interval {
	// An entry is large: pointers are sorted, and each entry is copied once.
	emptyings := make([]*drain.Entry, 0, len(entries))
	for i := range entries {
		if e := &entries[i]; e.Kind == drain.Emptying && e.Counts() {
			emptyings = append(emptyings, e)
		}
	}
	slices.SortFunc(emptyings, byTime)
	intervals := make([]Interval, len(emptyings))
	for i, e := range emptyings {
		iv := &intervals[i]
		iv.Start, iv.End, iv.Entry = e.At, e.At, *e
		iv.Net, iv.Known = e.Net()
		fromPlacement := !placed.IsZero() && !placed.After(e.At)
		switch {
		case fromPlacement && (i == 0 || placed.After(emptyings[i-1].At)):
			iv.Start = placed
		case i > 0:
			iv.Start = emptyings[i-1].At
		default:
			iv.FirstUnknown = true
		}
	}
	return intervals
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
	return new(big.Rat).Quo(iv.Net.Rat(), iv.Hours()), true
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
