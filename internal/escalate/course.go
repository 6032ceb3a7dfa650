package escalate

import (
	"slices"
	"sort"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
)

// course is the emptyings of the stay and the looks at the fluid. It is read from
// the end, and only as far back as a rule asks: what an evaluation costs hangs on
// what it looks at, not on how long the drain has been in place.
type course struct {
	built []interval // the latest last
	looks []ranked   // the latest last
	from  int        // entries from here on are in built and looks
	step  int        // how many entries are read next
}

// interval is a time over which a volume collected, with the emptying that
// measured it.
type interval struct {
	start, end time.Time
	net        drain.Volume
	known      bool // volume and length are known
	milked     bool // the tubing was milked in it
	entries    []drain.Entry
	// Of all later intervals that are known: what ran in them, and how long they
	// are together. What ran in a span is then the difference of two sums.
	later      drain.Volume
	laterKnown time.Duration
}

func (i *interval) length() time.Duration { return i.end.Sub(i.start) }

// rate in mL/h, of a known interval.
func (i *interval) rate() drain.Volume { return perHour(i.net, i.length()) }

// ranked is a look at the fluid: the darkest of the ranked appearances that were
// charted within the time of one emptying, in an emptying or a check.
type ranked struct {
	at   time.Time
	rank int
	of   drain.Entry
}

// extend reads further back; false where there is nothing more.
func (v *view) extend() bool {
	c := &v.course
	if c.from == 0 {
		return false
	}
	// Readings of one emptying must not be torn apart: before a pause that is longer
	// than one there is surely a new one.
	cut := max(0, c.from-c.step)
	for cut > 0 && v.entries[cut].At.Sub(v.entries[cut-1].At) <= v.OneEmptying {
		cut--
	}
	c.step *= 2
	// The first interval begins with the emptying before it.
	before := cut - 1
	for before >= 0 && v.entries[before].Kind != drain.Emptying {
		before--
	}
	v.work += c.from - max(before, 0)
	some := v.entries[max(before, 0):c.from]
	found := balance.Intervals(some, v.stay.PlacedAt(), v.OneEmptying)
	if before >= 0 {
		found = found[1:]
	}
	older := make([]interval, len(found), len(found)+len(c.built))
	for i := range found {
		older[i] = *intervalOf(&found[i])
	}
	for i := range some {
		if e := &some[i]; e.Did(drain.TubingMilked) {
			if at := sort.Search(len(older), func(i int) bool { return !older[i].end.Before(e.At) }); at < len(older) && e.At.After(older[at].start) {
				older[at].milked = true
			}
		}
	}
	var sum drain.Volume
	var known time.Duration
	if len(c.built) > 0 {
		sum, known = c.built[0].and()
	}
	for i := range slices.Backward(older) {
		older[i].later, older[i].laterKnown = sum, known
		sum, known = older[i].and()
	}
	c.built = append(older, c.built...)
	c.looks = append(v.looksAt(v.entries[cut:c.from]), c.looks...)
	c.from = cut
	return true
}

// and gives the sums of the intervals after this one, and of itself.
func (i *interval) and() (drain.Volume, time.Duration) {
	if !i.known {
		return i.later, i.laterKnown
	}
	return i.later.Add(i.net), i.laterKnown + i.length()
}

// looksAt gives the looks among entries that are in order.
func (v *view) looksAt(entries []drain.Entry) []ranked {
	var looks []ranked
	var first time.Time
	for i := range entries {
		e := &entries[i]
		rank, ok := e.Appearance.Rank()
		if !ok {
			continue
		}
		if last := len(looks) - 1; last >= 0 && e.At.Sub(first) <= v.OneEmptying {
			if rank > looks[last].rank {
				looks[last] = ranked{e.At, rank, *e}
			}
			continue
		}
		first = e.At
		looks = append(looks, ranked{e.At, rank, *e})
	}
	return looks
}

// back gives the k-th interval before the last one, which is the 0-th; nil where
// there are not so many.
func (v *view) back(k int) *interval {
	for k >= len(v.built) {
		if !v.extend() {
			return nil
		}
	}
	v.work++
	return &v.built[len(v.built)-1-k]
}

// look gives the k-th look before the last one, which is the 0-th.
func (v *view) look(k int) *ranked {
	for k >= len(v.looks) {
		if !v.extend() {
			return nil
		}
	}
	v.work++
	return &v.looks[len(v.looks)-1-k]
}

// searchEnd gives the first of the intervals that ends after t.
func searchEnd(all []interval, t time.Time) int {
	return sort.Search(len(all), func(i int) bool { return all[i].end.After(t) })
}

// reach reads as far back as t.
func (v *view) reach(t time.Time) {
	for len(v.built) == 0 || v.built[0].end.After(t) {
		if !v.extend() {
			return
		}
	}
}

// since gives the intervals that end after t, in order.
func (v *view) since(t time.Time) []interval {
	v.reach(t)
	i := searchEnd(v.built, t)
	v.work += len(v.built) - i
	return v.built[i:]
}

// ran is what ran in a span, each known volume spread evenly over its interval, and
// how much of the span these cover. Balance's totals with the attribution Spread
// are the same.
func (v *view) ran(from, to time.Time) (drain.Volume, time.Duration) {
	v.reach(from)
	v.work += 2
	a, known := v.ranAfter(from)
	b, less := v.ranAfter(to)
	return a.Sub(b), known - less
}

func (v *view) ranAfter(t time.Time) (drain.Volume, time.Duration) {
	i := searchEnd(v.built, t)
	if i == len(v.built) {
		return drain.Volume{}, 0
	}
	iv := &v.built[i]
	sum, known := iv.later, iv.laterKnown
	if !iv.known {
		return sum, known
	}
	if !t.After(iv.start) {
		return iv.and()
	}
	rest := iv.end.Sub(t)
	return sum.Add(iv.net.Scale(int64(rest), int64(iv.length()))), known + rest
}

// lastKnown gives the number, from the end, of the last interval of known volume.
// An emptying that was not measured says nothing about the output, neither that a
// condition began nor that it ended.
func (v *view) lastKnown() (int, bool) {
	for k := 0; ; k++ {
		switch iv := v.back(k); {
		case iv == nil:
			return 0, false
		case iv.known:
			return k, true
		}
	}
}

// knownBefore gives up to n known intervals before the k-th, the latest first.
func (v *view) knownBefore(k, n int) []*interval {
	var of []*interval
	for k++; len(of) < n; k++ {
		iv := v.back(k)
		if iv == nil {
			break
		}
		if iv.known {
			of = append(of, iv)
		}
	}
	return of
}

// charted gives the entries of intervals, in order.
func charted(of []interval) []drain.Entry {
	var entries []drain.Entry
	for i := range of {
		entries = append(entries, of[i].entries...)
	}
	return entries
}

// touching gives the known intervals that touch a span.
func (v *view) touching(from, to time.Time) []interval {
	var of []interval
	for _, iv := range v.since(from) {
		if iv.known && iv.start.Before(to) {
			of = append(of, iv)
		}
	}
	return of
}
