package escalate

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// outputRise holds when the drain gives more than it did, by more than its own
// scatter explains, in one of three forms.
//
// By day: the 24 h up to the last measured emptying against the 24 h before them.
// The spans end with that emptying, not with the instant of evaluation, for what has
// run since then is in the reservoir and not known. Volumes are net of irrigant and
// spread evenly over their intervals, so that each span has its exact share of an
// interval that straddles its edge. Both spans must be covered without gap by
// intervals of known volume, else nothing is compared. A rise from nothing, or from
// less, has no percentage; its volume decides.
//
// By rate: the last known interval against the median rate of the six before it.
// Where the fluid has become darker too, less above that is enough: two signs that
// agree are worth more than one.
//
// Of a young drain, with fewer than six before: its last intervals, as many as lie
// within 8 h, against the median rate of those before them, of which there are at
// least two. Fluid that has become lighter in that time is no bleeding, and passed
// over. It has no scatter yet.
//
// Each has a floor in mL, one relative to what was before, and a test: the rise is
// at least so many times the standard deviation that the rates of the intervals
// before the last one lead one to expect. That is the median of their moving
// ranges |rᵢ − rᵢ₋₁| divided by 0.954, as of a normal distribution, which a steady
// fall and a single bolus hardly change. Where there are fewer than six intervals
// the scatter is not known and the floors alone decide.
//
// Tubing that was milked or stripped explains a bolus: such an interval is no rise
// by rate, and by day counts with no more than the median rate.
//
// It ends with the first measured emptying at which neither form holds.
func outputRise(v *view) *Finding {
	r, ok := v.rise()
	if !ok {
		return nil
	}
	last := v.back(r.last)
	var headline, text string
	var entries []drain.Entry
	if r.byDay {
		d := r.day
		entries = charted(v.touching(d.from, d.to))
		headline = fmt.Sprintf("Output up: %s in the last day, %s the day before", d.recent.About(), d.earlier.About())
		text = fmt.Sprintf("Output was %s in the %s up to %s and %s in the %s before: %s more%s.", d.recent.About(), window.Span(v.RiseSpan), v.at(d.to),
			d.earlier.About(), window.Span(v.RiseSpan), d.up().About(), d.percentWords())
		if d.left.Sign() > 0 {
			text += fmt.Sprintf(" The %s after the tubing was milked are left out.", d.left.About())
		}
		text += fmt.Sprintf(" Threshold: %s %% and %s more%s.", exactly(v.RisePercent), ml(v.RiseVolume), v.scatterWords(d.scatter))
	}
	if rate := r.rate; r.byRate {
		span := last.end.Sub(rate.start)
		usual := gives(rate.median, span)
		for _, iv := range slices.Backward(rate.before) {
			entries = append(entries, iv.entries...)
		}
		for k := rate.of - 1; k >= 0; k-- {
			entries = append(entries, v.back(rate.last+k).entries...)
		}
		// The latest emptying is what to look at first.
		headline = fmt.Sprintf("Output up: %s at the last emptying, usually %s", rate.net.About(), usual.About())
		if rate.of > 1 {
			headline = fmt.Sprintf("Output up: %s at the last emptyings, usually %s", rate.net.About(), usual.About())
		}
		words := fmt.Sprintf("%s came in the %s up to %s; at the median rate of the %d emptyings before it would have been %s. Threshold: %s times that and %s more%s.",
			upper(rate.net.About()), window.Span(span), v.at(last.end), len(rate.before), usual.About(), exactly(v.RateFactor), ml(rate.floor), v.scatterWords(rate.scatter))
		if rate.floor.Cmp(v.RateVolume) < 0 {
			words += " The fluid was darker too."
		}
		if text != "" {
			text += " "
		}
		text += words
	}
	text += netOfIrrigant(entries)
	f := v.finding(drain.High, r.since, headline, text, entries...)
	if r.byDay {
		f.figure("output in the last "+window.Span(v.RiseSpan), rounded(r.day.recent), "mL", "").
			figure("output in the "+window.Span(v.RiseSpan)+" before", rounded(r.day.earlier), "mL", "").
			figure("rise", rounded(r.day.up()), "mL", exactly(v.RiseVolume))
		if p, ok := r.day.percent(); ok {
			f.figure("rise in percent", rounded(p), "%", exactly(v.RisePercent))
		}
		f.scatterFigure("rise in standard deviations", r.day.up().Float(), r.day.scatter, v.RiseScatter)
	}
	if r.byRate {
		f.figure("rate of the last interval", rounded(perHour(r.rate.net, last.end.Sub(r.rate.start))), "mL/h", rounded(r.rate.median.Times(v.RateFactor))).
			figure("volume above the usual", rounded(r.rate.up), "mL", exactly(r.rate.floor)).
			figure("median rate before", rounded(r.rate.median), "mL/h", "")
		f.scatterFigure("volume above the usual in standard deviations", r.rate.up.Float(), r.rate.scatter, v.RiseScatter)
	}
	return f
}

func (v *view) scatterWords(scatter float64) string {
	if scatter <= 0 {
		return ""
	}
	return fmt.Sprintf(", and %s times this drain's own scatter of %s", exactly(v.RiseScatter), float(scatter).About())
}

func (f *Finding) scatterFigure(name string, up, scatter float64, threshold drain.Volume) {
	if scatter > 0 {
		f.figure(name, rounded(float(up/scatter)), "1", exactly(threshold))
	}
}

func float(f float64) drain.Volume {
	r, _ := new(big.Rat).SetString(fmt.Sprintf("%.3f", f))
	return drain.ML(r)
}

// rise is what shows that the output rises.
type rise struct {
	last          int // number of the last known interval, from the end
	since         time.Time
	byDay, byRate bool
	day           dayRise
	rate          rateRise
}

func (v *view) findRise() (rise, bool) {
	last, ok := v.lastKnown()
	if !ok {
		return rise{}, false
	}
	r := rise{last: last}
	r.day, r.byDay = v.riseOfDay(last)
	r.rate, r.byRate = v.riseOfRate(last)
	if !r.byDay && !r.byRate {
		return rise{}, false
	}
	r.since = v.back(last).end
	for k := last + 1; ; k++ { // as long as it has held without a break
		iv := v.back(k)
		if iv == nil {
			return r, true
		}
		if !iv.known {
			continue
		}
		if _, holds := v.riseOfDay(k); !holds {
			if _, holds = v.riseOfRate(k); !holds {
				return r, true
			}
		}
		r.since = iv.end
	}
}

// dayRise is the comparison of two spans.
type dayRise struct {
	from, to        time.Time // of both together
	earlier, recent drain.Volume
	left            drain.Volume // of the recent span, left out since the tubing was milked
	scatter         float64      // standard deviation to be expected of the difference, mL; 0: not known
}

func (d dayRise) up() drain.Volume { return d.recent.Sub(d.left).Sub(d.earlier) }

func (d dayRise) percent() (drain.Volume, bool) {
	if d.earlier.Sign() <= 0 {
		return drain.Volume{}, false
	}
	return d.up().Mul(new(big.Rat).Quo(big.NewRat(100, 1), d.earlier.Rat())), true
}

func (d dayRise) percentWords() string {
	if p, ok := d.percent(); ok {
		return " (" + p.Text(0) + " %)"
	}
	return ""
}

// riseOfDay compares the spans that end with a known interval; false where they
// are not complete or the rise is too small.
func (v *view) riseOfDay(k int) (dayRise, bool) {
	iv := v.back(k)
	d := dayRise{from: iv.end.Add(-2 * v.RiseSpan), to: iv.end}
	middle := iv.end.Add(-v.RiseSpan)
	var known, more time.Duration
	d.earlier, known = v.ran(d.from, middle)
	d.recent, more = v.ran(middle, d.to)
	if known != v.RiseSpan || more != v.RiseSpan || !v.enough(d) {
		return d, false
	}
	if d.left = v.milkedAway(k, middle); d.left.Sign() > 0 && !v.enough(d) {
		return d, false
	}
	if s, ok := v.scatter(k); ok {
		// n emptyings of span/n each, with the standard deviation s·span/n: together
		// s·span/√n, and the difference of two such spans.
		n := v.emptyingsIn(d.from, d.to) / 2
		d.scatter = s * v.RiseSpan.Hours() * math.Sqrt(2/max(n, 1))
	}
	return d, d.up().Float() >= v.RiseScatter.Float()*d.scatter
}

// enough compares a rise with its floors: rise/earlier ≥ percent/100, without
// dividing by an earlier total of 0.
func (v *view) enough(d dayRise) bool {
	up := d.up()
	return up.Cmp(v.RiseVolume) >= 0 && up.Cmp(share(d.earlier, v.RisePercent)) >= 0
}

func (v *view) emptyingsIn(from, to time.Time) float64 {
	v.reach(from)
	n := func(t time.Time) int { return searchEnd(v.built, t) }
	return float64(n(to) - n(from))
}

// milkedAway is what ran above the median rate in intervals of the span in which
// the tubing was milked.
func (v *view) milkedAway(k int, from time.Time) drain.Volume {
	var away drain.Volume
	for ; ; k++ {
		iv := v.back(k)
		if iv == nil || !iv.end.After(from) {
			return away
		}
		if !iv.milked || !iv.known || iv.start.Before(from) {
			continue
		}
		before := v.knownBefore(k, v.RateReadings)
		if len(before) == 0 {
			continue
		}
		if up := iv.net.Sub(gives(medianRate(before), iv.length())); up.Sign() > 0 {
			away = away.Add(up)
		}
	}
}

// rateRise is the comparison of the rate of the last intervals with those before.
type rateRise struct {
	last       int // number of the last interval, from the end
	of         int // how many there are of them: 1, and more only of a young drain
	start      time.Time
	net        drain.Volume // what came in them
	before     []*interval  // the latest first
	median, up drain.Volume // mL/h; mL above what it gives in that time
	floor      drain.Volume // of up
	scatter    float64      // standard deviation to be expected of that volume; 0: not known
}

func (v *view) riseOfRate(k int) (rateRise, bool) {
	iv := v.back(k)
	if iv.milked || v.RateReadings <= 0 {
		return rateRise{}, false
	}
	r := rateRise{last: k, of: 1, start: iv.start, net: iv.net, before: v.knownBefore(k, v.RateReadings), floor: v.RateVolume}
	if len(r.before) < v.RateReadings {
		return v.riseOfYoung(k)
	}
	r.median = medianRate(r.before)
	r.up = iv.net.Sub(gives(r.median, iv.length()))
	if s, ok := v.scatter(k); ok {
		r.scatter = s * iv.length().Hours()
	}
	if r.up.Cmp(v.RateVolume) < 0 && r.up.Cmp(v.DarkerVolume) >= 0 && v.darkerIn(iv) {
		r.floor = v.DarkerVolume
	}
	return r, v.exceeds(r, iv.end)
}

// exceeds compares a rise with its floors and the scatter.
func (v *view) exceeds(r rateRise, end time.Time) bool {
	return perHour(r.net, end.Sub(r.start)).Cmp(r.median.Times(v.RateFactor)) > 0 && r.up.Cmp(r.floor) >= 0 && r.up.Float() >= v.RiseScatter.Float()*r.scatter
}

// riseOfYoung is that of a drain with too few intervals for a median of so many and
// for a scatter: one emptying alone says little then, so that those of some hours
// are taken together.
func (v *view) riseOfYoung(k int) (rateRise, bool) {
	end := v.back(k).end
	r := rateRise{last: k, floor: v.RateVolume}
	for ; ; k++ {
		iv := v.back(k)
		if iv == nil || !iv.known || iv.milked || end.Sub(iv.start) > v.YoungWithin {
			return r, false
		}
		r.of, r.start, r.net = r.of+1, iv.start, r.net.Add(iv.net)
		if r.before = v.knownBefore(k, v.RateReadings); len(r.before) < v.YoungReadings {
			return r, false
		}
		r.median = medianRate(r.before)
		if r.up = r.net.Sub(gives(r.median, end.Sub(r.start))); v.exceeds(r, end) && !v.lighter(r.start, end) {
			return r, true
		}
	}
}

// lighter reports whether the fluid looked lighter at the end of a span than at its
// start.
func (v *view) lighter(start, end time.Time) bool {
	was, is := v.lookUpTo(start), v.lookUpTo(end)
	return was != nil && is.rank < was.rank
}

// lookUpTo gives the last look up to an instant.
func (v *view) lookUpTo(t time.Time) *ranked {
	for k := 0; ; k++ {
		if l := v.look(k); l == nil || !l.at.After(t) {
			return l
		}
	}
}

// darkerIn reports whether the fluid of an interval's emptying was darker than
// before, other than by a look that one lighter look before may be to blame for.
func (v *view) darkerIn(iv *interval) bool {
	for k := 0; ; k++ {
		l := v.look(k)
		if l == nil || l.at.Before(iv.entries[0].At) {
			return false
		}
		if !l.at.After(iv.end) {
			d, ok := v.darkeningAt(k)
			return ok && d.now.rank > d.usual
		}
	}
}

// fewestOfScatter is the fewest intervals whose scatter is worth something.
const fewestOfScatter = 6

// scatter is the standard deviation of the rates, in mL/h, of the intervals before
// the k-th: the median of their moving ranges over 0.954, which is what that of
// normally distributed values is.
func (v *view) scatter(k int) (float64, bool) {
	before := v.knownBefore(k, v.ScatterReadings)
	if len(before) < fewestOfScatter {
		return 0, false
	}
	ranges := make([]float64, len(before)-1)
	for i := range ranges {
		d := before[i].rate().Sub(before[i+1].rate()).Float()
		ranges[i] = max(d, -d)
	}
	slices.Sort(ranges)
	n := len(ranges)
	return (ranges[(n-1)/2] + ranges[n/2]) / 2 / 0.954, true
}

// medianRate of at least one known interval: the middle rate, or the mean of the
// two middle ones, exact.
func medianRate(of []*interval) drain.Volume {
	rates := make([]drain.Volume, len(of))
	for i, iv := range of {
		rates[i] = iv.rate()
	}
	slices.SortFunc(rates, drain.Volume.Cmp)
	n := len(rates)
	return rates[(n-1)/2].Add(rates[n/2]).Scale(1, 2)
}
