package balance

import (
	"fmt"
	"math/big"
	"sort"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// Attribution says to which window a volume belongs.
type Attribution string

// The attributions; see the package comment.
const (
	Charted Attribution = "charted"
	Spread  Attribution = "spread"
)

// Reason says why a stretch of a window is not covered.
type Reason string

// Reasons.
const (
	NoEmptying   Reason = "no-emptying"        // nothing emptied since the stretch began
	NotMeasured  Reason = "not-measured"       // emptied, the volume not measured
	StartUnknown Reason = "start-unknown"      // before the first emptying, placement start not known
	NotOver      Reason = "window-is-not-over" // in the future
)

// Stretch is a part of a window of which the output is not known.
type Stretch struct {
	Start, End time.Time
	Reason     Reason
	Reading    string // id of the emptying that was not measured, else ""
	Words      string
}

// Total is what one drain gave in one window.
type Total struct {
	Window                   window.Window
	Net, Measured, Instilled drain.Volume // Net = Measured − Instilled
	Readings                 []string     // ids of the measured emptyings in it, in time order
	N                        int          // their number
	// U is the expanded uncertainty of Net (k = 2), if HasU: at least one reading
	// has an uncertainty. LowerBound: some reading has none, so that the true U is
	// larger. A total of no readings has neither.
	U                float64
	HasU, LowerBound bool
	// Coverage is Covered/InPlace: the share, from 0 to 1, of the time in place
	// that lies in intervals of known volume, whatever the attribution. The time
	// before placement and after removal is not missing; where the drain was not in
	// place at all there is nothing to miss and Coverage is 1, with InPlace 0. So
	// "complete" for a rule per 24 h asks for InPlace == Window.Duration() too.
	Coverage *big.Rat
	Missing  []Stretch // the rest, in time order
	Elapsed  time.Duration
	InPlace  time.Duration // time in the window with the drain in place, as far as is known
	Covered  time.Duration
	// Patient is whose total it is, where an answer has those of several; else "".
	Patient string
	// Absent says why there is no volume, which is not zero: "" where there is one.
	Absent Absent
	// Preliminary: Coverage is below 1, or a reading is itself preliminary.
	Preliminary bool
}

// Absent is why a window has no volume.
type Absent string

// Reasons for which a window has no volume.
const (
	NothingCharted Absent = "not-performed"  // charted: nothing was emptied and read in it
	NotInPlace     Absent = "not-applicable" // the drain was not in place in it
	NothingKnown   Absent = "unknown"        // spread: no interval of it is known
)

// absent gives why a total has no volume.
func (t Total) absent(a Attribution) Absent {
	switch {
	case t.N > 0:
		return ""
	case t.InPlace == 0:
		return NotInPlace
	case a != Spread:
		return NothingCharted
	case t.Covered == 0:
		return NothingKnown
	}
	return ""
}

// Complete reports whether nothing of the window is missing.
func (t Total) Complete() bool { return t.Covered == t.InPlace }

// Totals gives the total of one drain in each window. Entries may come in any
// order and be of any kind; windows may overlap. A zero
// placed or removed means not known, or still in place.
//
// Likely double entries count, and so does a volume charted before placement or
// after removal: doubt about an entry is for the reader to settle, not for a sum
// to hide. A drain without a known placement start is taken to have been in
// place all along, hence the time before its first emptying is missing.
func Totals(entries []drain.Entry, placed, removed time.Time, ws []window.Window, a Attribution, s Settings, now time.Time) []Total {
	c := course{intervals: Intervals(entries, placed, s.OneEmptying), placed: placed, removed: removed, now: now}
	totals := make([]Total, len(ws))
	for i, w := range ws {
		totals[i] = c.total(w, a, s)
	}
	return totals
}

// course is the life of one drain.
type course struct {
	intervals            []Interval
	placed, removed, now time.Time
}

// within gives the intervals that touch the window, or have a reading in it.
func (c course) within(w window.Window) []Interval {
	from := sort.Search(len(c.intervals), func(i int) bool { return !c.intervals[i].End.Before(w.Start) })
	to := sort.Search(len(c.intervals), func(i int) bool {
		return !earlier(c.intervals[i].Start, c.intervals[i].First()).Before(w.End)
	})
	return c.intervals[from:max(from, to)]
}

func (c course) total(w window.Window, a Attribution, s Settings) Total {
	t := Total{Window: w, Elapsed: min(max(c.now.Sub(w.Start), 0), w.Duration())}
	u := uncertainty{settings: s}
	touching := c.within(w)
	for _, iv := range touching {
		for _, r := range iv.Readings {
			share := iv.share(r, w, a)
			if !r.Measured.Known || share.Sign() == 0 {
				continue
			}
			t.Measured = t.Measured.Add(r.Measured.Volume.Mul(share))
			t.Instilled = t.Instilled.Add(r.Instilled.Mul(share))
			t.Readings = append(t.Readings, r.ID)
			t.Preliminary = t.Preliminary || r.Preliminary()
			f, _ := share.Float64()
			u.add(r, f)
		}
	}
	t.Net = t.Measured.Sub(t.Instilled)
	t.N = len(t.Readings)
	t.HasU, t.LowerBound = u.known, u.absent
	if t.HasU {
		t.U = u.expanded()
	}
	c.cover(&t, touching)
	t.Preliminary = t.Preliminary || !t.Complete()
	t.Absent = t.absent(a)
	return t
}

var whole, none = big.NewRat(1, 1), new(big.Rat) // read only

// share is the fraction of a reading of the interval that belongs to the window.
// Charted goes by the time of the reading, as a chart does; spread by the interval,
// which is that of the emptying.
func (iv Interval) share(r drain.Entry, w window.Window, a Attribution) *big.Rat {
	length := iv.End.Sub(iv.Start)
	if a != Spread || length <= 0 {
		if a != Spread && w.Contains(r.At) || a == Spread && w.Contains(iv.End) {
			return whole
		}
		return none
	}
	part, ok := clip(iv.Start, iv.End, w.Start, w.End)
	if !ok {
		return none
	}
	return big.NewRat(int64(part.End.Sub(part.Start)), int64(length))
}

// clip gives the part of [start, end) that lies in [from, to), if any.
func clip(start, end, from, to time.Time) (Stretch, bool) {
	s := Stretch{Start: later(start, from), End: earlier(end, to)}
	return s, s.Start.Before(s.End)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// cover works out which part of the window is known.
func (c course) cover(t *Total, touching []Interval) {
	t.Coverage = big.NewRat(1, 1)
	// [from, to) is the part in place. The zero time of an unknown placement is
	// earlier than any window.
	from, to := later(t.Window.Start, c.placed), t.Window.End
	if !c.removed.IsZero() {
		to = earlier(to, c.removed)
	}
	if !from.Before(to) {
		return
	}
	t.InPlace = to.Sub(from)
	now := c.now.In(t.Window.Start.Location())
	miss := func(start, end time.Time, r Reason, reading, words string) {
		if s, ok := clip(start, end, from, to); ok {
			s.Reason, s.Reading, s.Words = r, reading, words
			t.Missing = append(t.Missing, s)
		}
	}
	// since is the last thing known of the drain, from which on nothing is.
	since, sinceWords := c.placed, "no emptying charted since the placement at "+window.Clock(c.placed, now)
	if n := len(c.intervals); n > 0 {
		first, last := c.intervals[0], c.intervals[n-1].End
		if c.placed.IsZero() {
			miss(from, first.Start, StartUnknown, "",
				"the start of the placement is unknown, and so is the output before the first emptying at "+window.Clock(first.End, now))
		}
		if !last.Before(since) {
			since, sinceWords = last, "no emptying charted since "+window.Clock(last, now)
		}
	} else if c.placed.IsZero() {
		sinceWords = "no emptying charted, and the start of the placement is unknown"
	}
	for _, iv := range touching {
		if iv.Known {
			if s, ok := clip(iv.Start, iv.End, from, to); ok {
				t.Covered += s.End.Sub(s.Start)
			}
			continue
		}
		words := "the volume emptied at " + window.Clock(iv.End, now) + " was not measured"
		lacks := iv.unmeasured()
		if lacks.Measured.Absent != "" {
			words += " (" + lacks.Measured.Absent + ")"
		}
		miss(iv.Start, iv.End, NotMeasured, lacks.ID, words)
	}
	miss(since, c.now, NoEmptying, "", sinceWords)
	miss(later(since, c.now), to, NotOver, "", fmt.Sprintf("the window is not over until %s", window.Clock(t.Window.End, now)))
	t.Coverage.SetFrac64(int64(t.Covered), int64(t.InPlace))
}

// unmeasured is the first reading of an emptying that was not.
func (iv Interval) unmeasured() drain.Entry {
	for _, r := range iv.Readings {
		if !r.Measured.Known {
			return r
		}
	}
	return drain.Entry{}
}

// PublishedSums rounds consecutive figures to decimal places for publication so
// that they still add up, digit for digit, to their published sum: the running
// totals are rounded (half to even), and each figure is published as the
// difference of two of them. A published figure is thus at most one unit of the
// last place off its exact value; what is 0 stays 0 and what is not negative
// stays so. Rounded each on its own, figures would be at most half a unit off,
// but a column of thirds (3.3, 3.3, 3.3) would not add up to its total (10).
func PublishedSums(figures []drain.Volume, places int) []string {
	published := make([]string, len(figures))
	var exact, before drain.Volume
	for i, v := range figures {
		exact = exact.Add(v)
		after, _ := drain.ParseML(exact.Text(places)) // reads back all that Text writes
		published[i] = after.Sub(before).Text(places)
		before = after
	}
	return published
}
