package escalate

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// outputRise holds when the drain gives more than it did, in one of two forms.
//
// First form: the 24 h up to the last measured emptying against the 24 h before
// them. The spans end with that emptying, not with the instant of judgement, for
// what has run since then is in the reservoir and not known. Volumes are net of
// irrigant and spread evenly over their intervals (package balance, attribution
// Spread), so that each span has its exact share of an interval that straddles its
// edge. Counted where they were emptied they would make a rise of rounds that are
// not to the minute: seven emptyings of a steady drain in one day and five in the
// day before. Both spans must be complete: in place and covered without gap by
// intervals of known volume, else nothing is compared. A rise from nothing, or
// from less, has no percentage; its volume decides.
//
// Second form: the rate over the last known interval against the median of the
// rates of the six known intervals before it. With fewer than six it is silent.
//
// It ends with the first measured emptying at which neither form holds.
func outputRise(v *view) *Finding {
	last := v.lastKnown()
	if last < 0 {
		return nil
	}
	day, byDay := v.riseOfDay(last)
	rate, byRate := v.riseOfRate(last)
	if !byDay && !byRate {
		return nil
	}
	all := v.intervals()
	first := v.runStart(last, func(i int) bool {
		_, byDay := v.riseOfDay(i)
		if byDay {
			return true
		}
		_, byRate := v.riseOfRate(i)
		return byRate
	})
	var text string
	var evidence []drain.Entry
	if byDay {
		text = fmt.Sprintf("Output in the %s up to %s was %s mL (%s) against %s mL in the %s before (%s): up %s mL%s. Each volume is spread evenly over its interval, the time since the emptying or placement before it.%s The ward's rule calls at a rise of at least %s %% and %s.",
			spell(v.RiseSpan), v.at(day.recent.to), rounded(day.recent.volume), v.shares(day.recent), rounded(day.earlier.volume), spell(v.RiseSpan), v.shares(day.earlier),
			rounded(day.rise()), day.percentWords(), netOfIrrigant(day.earlier.of, day.recent.of), exactly(v.RisePercent), ml(v.RiseVolume))
		evidence = append(evidence, charted(day.earlier.of, day.recent.of)...)
	}
	if byRate {
		if text != "" {
			text += " "
		}
		text += fmt.Sprintf("The last emptying, at %s, was %s in %s: %s mL/h, against a median of %s mL/h over the %d emptyings before it: %s.%s The ward's rule calls at more than %s times the median and at least %s.",
			v.at(all[last].end), ml(all[last].net), spell(all[last].length()), rounded(all[last].rate()), rounded(rate.median), v.RateReadings, rates(rate.of),
			netOfIrrigant(all[last:last+1], rate.of), exactly(v.RateFactor), ml(v.RateVolume))
		evidence = append(evidence, charted(rate.of, all[last:last+1])...)
	}
	f := v.finding(drain.High, all[first].end, text, evidence...)
	if byDay {
		f.figure("output in the last "+spell(v.RiseSpan), rounded(day.recent.volume), "mL", "").
			figure("output in the "+spell(v.RiseSpan)+" before", rounded(day.earlier.volume), "mL", "").
			figure("rise", rounded(day.rise()), "mL", exactly(v.RiseVolume))
		if p, ok := day.percent(); ok {
			f.figure("rise in percent", rounded(p), "%", exactly(v.RisePercent))
		}
	}
	if byRate {
		f.figure("rate of the last interval", rounded(all[last].rate()), "mL/h", rounded(times(rate.median, v.RateFactor))).
			figure("volume of the last emptying", exactly(all[last].net), "mL", exactly(v.RateVolume)).
			figure("median rate before", rounded(rate.median), "mL/h", "")
	}
	return f
}

// dayRise is the comparison of two spans.
type dayRise struct{ earlier, recent spread }

func (d dayRise) rise() drain.Volume { return d.recent.volume.Sub(d.earlier.volume) }

func (d dayRise) percent() (drain.Volume, bool) {
	if d.earlier.volume.Sign() <= 0 {
		return drain.Volume{}, false
	}
	return d.rise().Mul(new(big.Rat).Quo(big.NewRat(100, 1), d.earlier.volume.Rat())), true
}

func (d dayRise) percentWords() string {
	if p, ok := d.percent(); ok {
		return " (" + rounded(p) + " %)"
	}
	return ""
}

// riseOfDay compares the spans that end with a known interval; false where they
// are not complete or the rise is too small.
func (v *view) riseOfDay(last int) (dayRise, bool) {
	all := v.intervals()
	end := all[last].end
	middle, start := end.Add(-v.RiseSpan), end.Add(-2*v.RiseSpan)
	// One interval follows on the other, so that there is no gap but at the start.
	first := last + 1
	for first > 0 && all[first-1].end.After(start) {
		first--
		if !all[first].known {
			return dayRise{}, false
		}
	}
	if first > last || all[first].start.After(start) {
		return dayRise{}, false
	}
	touching := all[first : last+1]
	d := dayRise{earlier: spreadOver(touching, start, middle), recent: spreadOver(touching, middle, end)}
	// rise/earlier ≥ percent/100, without dividing by an earlier total of 0.
	enough := d.rise().Mul(big.NewRat(100, 1)).Cmp(times(d.earlier.volume, v.RisePercent)) >= 0
	return d, enough && d.rise().Cmp(v.RiseVolume) >= 0
}

// rateRise is the comparison of a rate with those before.
type rateRise struct {
	median drain.Volume
	of     []interval
}

func (v *view) riseOfRate(last int) (rateRise, bool) {
	all := v.intervals()
	if all[last].net.Cmp(v.RateVolume) < 0 || v.RateReadings <= 0 {
		return rateRise{}, false
	}
	var r rateRise
	for i := last - 1; i >= 0 && len(r.of) < v.RateReadings; i-- {
		if all[i].known {
			r.of = append(r.of, all[i])
		}
	}
	if len(r.of) < v.RateReadings {
		return rateRise{}, false
	}
	slices.Reverse(r.of)
	r.median = medianRate(r.of)
	return r, all[last].rate().Cmp(times(r.median, v.RateFactor)) > 0
}

// medianRate of at least one known interval: the middle rate, or the mean of the
// two middle ones, exact.
func medianRate(of []interval) drain.Volume {
	rates := make([]drain.Volume, len(of))
	for i, iv := range of {
		rates[i] = iv.rate()
	}
	slices.SortFunc(rates, drain.Volume.Cmp)
	n := len(rates)
	return rates[(n-1)/2].Add(rates[n/2]).Mul(big.NewRat(1, 2))
}

// times multiplies by a number that is held as a Volume.
func times(v, number drain.Volume) drain.Volume { return v.Mul(number.Rat()) }

// longestList of readings in a text; a drain is emptied some 6 to 12 times a day.
const longestList = 24

// volumes words emptyings: "40 mL at 2026-03-01 08:00 +01:00, 35 mL at 12:00";
// date and offset are given where they change.
func (v *view) volumes(of []interval) string {
	if len(of) == 0 {
		return "nothing emptied"
	}
	var words []string
	var before time.Time
	for i, iv := range of {
		if i == longestList {
			words = append(words, fmt.Sprintf("%d more", len(of)-i))
			break
		}
		words = append(words, ml(iv.net)+" at "+v.atAfter(iv.end, before))
		before = iv.end
	}
	return strings.Join(words, ", ")
}

// rates words the rates of emptyings in their order: "10 (40 mL in 4 h)".
func rates(of []interval) string {
	var words []string
	for i, iv := range of {
		if i == longestList {
			words = append(words, fmt.Sprintf("%d more", len(of)-i))
			break
		}
		words = append(words, fmt.Sprintf("%s (%s in %s)", rounded(iv.rate()), ml(iv.net), spell(iv.length())))
	}
	return strings.Join(words, ", ")
}

// charted gives the entries of intervals.
func charted(of ...[]interval) []drain.Entry {
	var entries []drain.Entry
	for _, some := range of {
		for _, iv := range some {
			entries = append(entries, iv.entries...)
		}
	}
	return entries
}

// netOfIrrigant says so where the volumes are not those that were measured.
func netOfIrrigant(of ...[]interval) string {
	for _, e := range charted(of...) {
		if e.Instilled.Sign() != 0 {
			return " Volumes are net of irrigant: measured less instilled."
		}
	}
	return ""
}
