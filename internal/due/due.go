// Package due owns when a drain has to be emptied or looked at next. It computes
// a time and the words that justify it; whether a drain that is late deserves a
// finding is package escalate's business, and telling people so is others'.
//
// The due time is the earliest of three: the interval limit after the last
// emptying, the time at which the reservoir is predicted to be half full, and the
// time at which a check found it so.
//
// Half full is a ceiling, not a target: bench studies of compressible reservoirs
// show most of the suction gone by 20–30 % of the volume (Halfacree et al. 2009,
// Am J Vet Res 70(2):283–289; about 65 % of peak suction at about 30 %: Wounds
// 2013, 25(1):15–19), so that a ward may set a lower fraction.
package due

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// Settings are what a ward's policy says about emptying.
type Settings struct {
	Limit           time.Duration // longest time between two emptyings
	HalfFraction    *big.Rat      // of the capacity at which to empty; nil is one half
	DefaultCapacity drain.Volume  // of a reservoir whose Device does not say
	OneEmptying     time.Duration // readings within so long of the first are one emptying
}

// DefaultSettings are a limit of 4 h and half of a reservoir of 100 mL: common
// practice, no published source.
func DefaultSettings() Settings {
	return Settings{
		Limit:           4 * time.Hour,
		HalfFraction:    big.NewRat(1, 2),
		DefaultCapacity: drain.MLInt(100),
		OneEmptying:     balance.OneEmptying,
	}
}

// Reason is the rule that sets the due time.
type Reason string

// Reasons.
const (
	IntervalLimit     Reason = "interval-limit"
	PredictedHalfFull Reason = "predicted-half-full"
	HalfFullNow       Reason = "half-full-now"
	Planned           Reason = "planned"
	LookAgain         Reason = "look-again"
)

// Due is the next emptying of a drain.
type Due struct {
	At      time.Time
	Reason  Reason
	Words   string  // explains At with its figures
	Rate    float64 // mL/h, the recent rate weighted to the upper side, if HasRate
	HasRate bool
	Overdue bool // now is later than At
	// Level is what the reservoir holds at now, an estimate if HasLevel: from the
	// last emptying, or the last look at the fill since, and the rate. It is to be
	// emptied at Mark of its Capacity.
	Level, Mark, Capacity drain.Volume
	HasLevel              bool
	// Readings are the ids of what At rests on, in time order: the last emptying,
	// those whose rates were used, and a check that found it half full.
	Readings []string
}

// recentRates is how many rates the median is taken of.
const recentRates = 3

// Next gives the next emptying of a drain. Entries are of that drain, of any
// kind and in any order. A zero placed means not known. The times in Words are
// in the time zone of now.
//
// The reservoir is taken to have been emptied last at the latest emptying, its
// volume measured or not, or at placement. Where neither is known the drain is
// due now, for nobody can say since when it has been filling.
//
// The rate is the larger of that of the last interval and the median of the last
// three (ours, no published source): a drain that speeds up is believed at once,
// one that slows down only when it keeps to it. Rates are net of irrigant.
// Intervals without a rate, since unmeasured or without a known start, are passed
// over. A rate that is not positive predicts nothing.
func Next(d drain.Drain, entries []drain.Entry, placed time.Time, s Settings, now time.Time) Due {
	intervals := balance.Intervals(entries, placed, s.OneEmptying)
	emptied, since := placed, "the placement"
	var readings []drain.Entry
	if n := len(intervals); n > 0 && !intervals[n-1].End.Before(placed) {
		emptied, since = intervals[n-1].End, "the last emptying"
		readings = append(readings, intervals[n-1].Readings...)
	}
	if emptied.IsZero() {
		return Due{At: now, Reason: IntervalLimit, Words: "No emptying is charted and the start of the placement is unknown."}
	}
	clock := func(t time.Time) string { return window.Clock(t, now) }

	due := Due{
		At:     emptied.Add(s.Limit),
		Reason: IntervalLimit,
		Words:  fmt.Sprintf("%s after %s at %s, the longest time between two emptyings.", window.Span(s.Limit), since, clock(emptied)),
	}
	capacity := d.Capacity
	if capacity.Sign() <= 0 {
		capacity = s.DefaultCapacity
	}
	level := capacity.Mul(s.fraction())
	due.Mark, due.Capacity = level, capacity
	var perHour *big.Rat
	if r, ok := recent(intervals); ok {
		due.HasRate, perHour = true, r.rate
		due.Rate, _ = r.rate.Float64()
		readings = append(readings, r.readings...)
		if after, ok := timeToFill(level, r.rate, s.Limit); ok {
			due.At, due.Reason = emptied.Add(after), PredictedHalfFull
			due.Words = fmt.Sprintf("%s of %s expected %s after %s at %s, at %s mL/h (%s).",
				level, capacity, window.Span(after), since, clock(emptied), drain.ML(r.rate).Text(2), r.words)
		}
	}
	if check, ok := foundFull(entries, emptied, s.fraction()); ok {
		readings = append(readings, check)
		words := fmt.Sprintf("A check at %s found the reservoir %s %% full (limit %s %%).",
			clock(check.At), check.Fill.Value.Text(1), percent(s.fraction()).Text(1))
		if check.At.After(due.At) {
			due.Words += " " + words // was due before that
		} else {
			due.At, due.Reason, due.Words = check.At, HalfFullNow, words
		}
	}
	due.Level, due.HasLevel = fill(entries, emptied, capacity, perHour, now)
	due.Overdue = now.After(due.At)
	due.Readings = ids(readings)
	return due
}

// fill estimates what a reservoir holds at now, and at most its capacity. It is
// not known where neither a rate nor a look at the fill since the last emptying is.
func fill(entries []drain.Entry, emptied time.Time, capacity drain.Volume, rate *big.Rat, now time.Time) (drain.Volume, bool) {
	var level drain.Volume
	from, looked := emptied, false
	for _, e := range checks(entries, emptied) {
		if !e.At.After(now) {
			level, from, looked = capacity.Times(e.Fill.Value).Scale(1, 100), e.At, true
		}
	}
	if rate == nil {
		return level, looked
	}
	if rate.Sign() > 0 && now.After(from) {
		level = level.Add(drain.ML(new(big.Rat).Mul(rate, big.NewRat(int64(now.Sub(from)), int64(time.Hour)))))
	}
	if level.Cmp(capacity) > 0 {
		level = capacity
	}
	return level, true
}

// Before makes the emptying due when a walk or journey of the patient starts
// (common practice, no published source: empty before walking), unless it is due
// earlier. A walk that is completed, cancelled or past brings nothing forward.
// One without an end is past an hour after its start (ours). The words are in the
// time zone of now.
func (d Due) Before(w drain.Walk, now time.Time) Due {
	end := w.End
	if end.IsZero() {
		end = w.Start.Add(time.Hour)
	}
	if !w.Open || w.Start.IsZero() || now.After(end) || !w.Start.Before(d.At) {
		return d
	}
	d.At, d.Reason = w.Start, Planned
	d.Words = "A walk is planned at " + window.Clock(w.Start, now) + "; empty before it."
	d.Overdue = now.After(d.At)
	return d
}

// Look makes it due by when somebody has to look at the fluid again, unless it
// is due earlier: one look that was darker may be misjudged. A zero time is none.
// The words are in the time zone of now.
func (d Due) Look(by, now time.Time) Due {
	if by.IsZero() || !by.Before(d.At) {
		return d
	}
	d.At, d.Reason = by, LookAgain
	d.Words = "The fluid was darker at the last look; look again by " + window.Clock(by, now) + "."
	d.Overdue = now.After(by)
	return d
}

func (s Settings) fraction() *big.Rat {
	if s.HalfFraction == nil {
		return big.NewRat(1, 2)
	}
	return s.HalfFraction
}

// rate is the recent rate of a drain and what it rests on.
type rate struct {
	rate     *big.Rat
	words    string
	readings []drain.Entry
}

// recent gives the larger of the last rate and the median of the last three.
func recent(intervals []balance.Interval) (rate, bool) {
	var rates []*big.Rat // the latest first
	var r rate
	for _, iv := range slices.Backward(intervals) {
		if perHour, ok := iv.PerHour(); ok {
			rates = append(rates, perHour)
			r.readings = append(r.readings, iv.Readings...)
			if len(rates) == recentRates {
				break
			}
		}
	}
	if len(rates) == 0 {
		return rate{}, false
	}
	last := rates[0]
	middle := median(rates)
	r.rate, r.words = last, "the last interval's rate"
	if middle.Cmp(last) > 0 {
		r.rate, r.words = middle, fmt.Sprintf("the median of the last %d rates, above the last one", len(rates))
	}
	return r, true
}

// median sorts the rates.
func median(rates []*big.Rat) *big.Rat {
	slices.SortFunc(rates, (*big.Rat).Cmp)
	n := len(rates)
	sum := new(big.Rat).Add(rates[(n-1)/2], rates[n/2])
	return sum.Quo(sum, big.NewRat(2, 1))
}

// timeToFill is the time that the level takes at the rate, rounded down to the
// nanosecond, where that is shorter than the limit. A level that is not positive
// would be reached before it began, and is passed over.
func timeToFill(level drain.Volume, rate *big.Rat, limit time.Duration) (time.Duration, bool) {
	if rate.Sign() <= 0 || level.Sign() <= 0 {
		return 0, false
	}
	t := new(big.Rat).Quo(level.Rat(), rate)
	t.Mul(t, big.NewRat(int64(time.Hour), 1))
	if t.Cmp(big.NewRat(int64(limit), 1)) >= 0 {
		return 0, false
	}
	return time.Duration(new(big.Int).Quo(t.Num(), t.Denom()).Int64()), true
}

// foundFull gives the check that found the reservoir filled to the fraction: if
// the last check of the fill since the emptying did, the first of those in a row
// up to it that did.
func foundFull(entries []drain.Entry, emptied time.Time, fraction *big.Rat) (drain.Entry, bool) {
	var first drain.Entry
	found := false
	for _, e := range slices.Backward(checks(entries, emptied)) {
		if e.Fill.Value.Cmp(percent(fraction)) < 0 {
			break
		}
		first, found = e, true
	}
	return first, found
}

// checks are those of the fill since the emptying, in time order; of several at one
// instant the fullest is the last.
func checks(entries []drain.Entry, emptied time.Time) []drain.Entry {
	var found []drain.Entry
	for _, e := range entries {
		if e.Kind == drain.Check && e.Counts() && e.Fill.Known && e.At.After(emptied) {
			found = append(found, e)
		}
	}
	slices.SortFunc(found, func(a, b drain.Entry) int {
		return cmp.Or(a.At.Compare(b.At), a.Fill.Value.Cmp(b.Fill.Value), cmp.Compare(a.ID, b.ID))
	})
	return found
}

func percent(fraction *big.Rat) drain.Volume {
	return drain.ML(new(big.Rat).Mul(fraction, big.NewRat(100, 1)))
}

func byTime(a, b drain.Entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) }

// ids gives the ids in time order, each once.
func ids(entries []drain.Entry) []string {
	slices.SortFunc(entries, byTime)
	var ids []string
	for _, e := range entries {
		if n := len(ids); n == 0 || ids[n-1] != e.ID {
			ids = append(ids, e.ID)
		}
	}
	return ids
}
