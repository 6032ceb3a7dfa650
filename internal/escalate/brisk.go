package escalate

import (
	"fmt"
	"sort"
	"strings"
	"time"

	"tidemark/internal/drain"
)

// briskOutput holds when so much ran within so short a time: by default at least
// 100 mL in any 2 h or 200 mL in any 8 h.
//
// A volume counts as running evenly over its interval, so that 100 mL found in
// the morning after a night of 8 h are 25 mL in any 2 h, not 100. "Any 2 h" is
// meant exactly: all spans are looked at, and a span that began before the
// placement holds what ran since. Volumes that were not measured count as
// nothing; a limit that is reached without them is reached.
//
// The finding is about an event: it shows with the emptying that lets the limit
// be seen as reached and ends 24 h after the last such emptying.
func briskOutput(v *view) *Finding {
	var texts []string
	var evidence []drain.Entry
	var figures []Figure
	var since time.Time
	for i, spans := range v.brisk() {
		if len(spans) == 0 {
			continue
		}
		limit := v.Rules.Brisk[i]
		worst := spans[0]
		for _, s := range spans {
			if s.volume.Cmp(worst.volume) >= 0 {
				worst = s
			}
			if since.IsZero() || s.seen.Before(since) {
				since = s.seen
			}
		}
		texts = append(texts, fmt.Sprintf("From %s to %s (%s) %s mL ran out: %s.%s The ward's rule calls at %s in any %s, the volume of an emptying counted as running evenly since the one before.",
			v.at(worst.from), v.at(worst.to), spell(limit.Within), rounded(worst.volume), v.shares(worst.spread), netOfIrrigant(worst.of), ml(limit.Volume), spell(limit.Within)))
		evidence = append(evidence, charted(worst.of)...)
		figures = append(figures, Figure{"most in any " + spell(limit.Within), rounded(worst.volume), "mL", exactly(limit.Volume)})
	}
	if len(texts) == 0 {
		return nil
	}
	f := v.finding(drain.High, since, strings.Join(texts, " "), evidence...)
	f.Figures = figures
	return f
}

func briskTurns(v *view) []time.Time {
	var turns []time.Time
	for _, spans := range v.brisk() {
		for _, s := range spans {
			turns = append(turns, s.seen.Add(v.BriskLast))
		}
	}
	return turns
}

// briskSpan is a span in which a limit was reached.
type briskSpan struct {
	spread
	seen time.Time // emptying that lets it be seen
}

func (v *view) findBrisk() [][]briskSpan {
	spans := make([][]briskSpan, len(v.Rules.Brisk))
	for i, limit := range v.Rules.Brisk {
		spans[i] = v.briskSpans(limit)
	}
	return spans
}

// briskSpans gives, for each emptying of the last 24 h, the span with the most
// volume that it completes, if that reaches the limit.
//
// The volume that has run by an instant is a line with corners at the emptyings.
// What ran within a span is largest where one of its ends is at a corner, so only
// such spans are looked at.
func (v *view) briskSpans(limit BriskLimit) []briskSpan {
	if limit.Within <= 0 {
		return nil
	}
	all := v.intervals()
	oldest := v.now.Add(-v.BriskLast) // and this instant is out
	first := sort.Search(len(all), func(i int) bool { return all[i].end.After(oldest) })
	if first == len(all) {
		return nil
	}
	// A span that ends within the first of them may begin so long before it.
	begin := all[first].start.Add(-limit.Within)
	from := sort.Search(len(all), func(i int) bool { return all[i].end.After(begin) })
	run := newCumulative(all[from:])
	if run.most().Cmp(limit.Volume) < 0 {
		return nil // most often, and seen at once
	}
	var spans []briskSpan
	for k := first; k < len(all); k++ {
		iv := all[k]
		if !iv.known {
			continue
		}
		end := iv.end
		most := run.between(end.Add(-limit.Within), end)
		// Spans that start with an interval and end within this one.
		starts := from + sort.Search(k+1-from, func(i int) bool { return all[from+i].start.Add(limit.Within).After(iv.start) })
		for i := starts; i <= k && all[i].start.Add(limit.Within).Before(iv.end); i++ {
			other := all[i].start.Add(limit.Within)
			if volume := run.between(all[i].start, other); volume.Cmp(most) > 0 {
				end, most = other, volume
			}
		}
		if most.Cmp(limit.Volume) < 0 {
			continue
		}
		spans = append(spans, briskSpan{spreadOver(all[from:k+1], end.Add(-limit.Within), end), iv.end})
	}
	return spans
}

// cumulative is the volume that has run by an instant.
type cumulative struct {
	of     []interval
	before []drain.Volume // what had run before each
}

func newCumulative(of []interval) cumulative {
	c := cumulative{of: of, before: make([]drain.Volume, len(of)+1)}
	for i, iv := range of {
		c.before[i+1] = c.before[i]
		if iv.known {
			c.before[i+1] = c.before[i].Add(iv.net)
		}
	}
	return c
}

// most that can have run in any span: all that is not negative.
func (c cumulative) most() drain.Volume {
	var most drain.Volume
	for _, iv := range c.of {
		if iv.known && iv.net.Sign() > 0 {
			most = most.Add(iv.net)
		}
	}
	return most
}

func (c cumulative) by(t time.Time) drain.Volume {
	i := sort.Search(len(c.of), func(i int) bool { return c.of[i].end.After(t) })
	if i == len(c.of) || !c.of[i].known || !c.of[i].start.Before(t) {
		return c.before[i]
	}
	return c.before[i].Add(c.of[i].share(c.of[i].start, t))
}

func (c cumulative) between(from, to time.Time) drain.Volume { return c.by(to).Sub(c.by(from)) }
