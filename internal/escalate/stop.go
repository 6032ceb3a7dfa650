package escalate

import (
	"fmt"
	"math/big"

	"tidemark/internal/drain"
)

// suddenStop holds when a drain that ran nearly stopped, which may mean that it is
// blocked: over the latest intervals that make up at least 4 h the rate is at most
// 10 % of the median of the rates before them (of the intervals emptied in the 24 h
// up to the beginning of those 4 h), and that median is at least 2 mL/h.
//
// The latest intervals are the fewest, counted back from the last measured
// emptying, that are long enough together; an emptying among them that was not
// measured leaves the rule silent. It ends with the first measured emptying at
// which the condition does not hold; that is so too after a day of next to nothing,
// when this has become the median.
func suddenStop(v *view) *Finding {
	last := v.lastKnown()
	if last < 0 {
		return nil
	}
	s, ok := v.stopAt(last)
	if !ok {
		return nil
	}
	all := v.intervals()
	first := v.runStart(last, func(i int) bool { _, ok := v.stopAt(i); return ok })
	text := fmt.Sprintf("In the %s up to %s the drain gave %s (%s): %s mL/h, against a median of %s mL/h over the %s before: %s.%s It may be blocked. The ward's rule calls at %s %% of the median or less over at least %s, if the median is at least %s mL/h.",
		spell(s.low.length()), v.at(s.low.end), ml(s.low.net), v.volumes(s.lowOf), rounded(s.low.rate()), rounded(s.median), count(len(s.before), "emptying", "emptyings"), rates(s.before),
		netOfIrrigant(s.lowOf, s.before), exactly(v.StopPercent), spell(v.StopSpan), exactly(v.StopRate))
	return v.finding(drain.Moderate, all[first].end, text, charted(s.before, s.lowOf)...).
		figure("rate", rounded(s.low.rate()), "mL/h", rounded(s.ceiling)).
		figure("over", hours(s.low.length()), "h", hours(v.StopSpan)).
		figure("median rate before", rounded(s.median), "mL/h", exactly(v.StopRate))
}

// stop is a low rate and what came before it.
type stop struct {
	low             interval // the latest intervals as one
	lowOf, before   []interval
	median, ceiling drain.Volume // mL/h
}

func (v *view) stopAt(last int) (stop, bool) {
	all := v.intervals()
	i := last
	var s stop
	s.low = interval{end: all[last].end, known: true}
	for ; i >= 0 && all[i].known; i-- {
		s.low.start = all[i].start
		s.low.net = s.low.net.Add(all[i].net)
		if s.low.length() >= v.StopSpan {
			break
		}
	}
	if i < 0 || !all[i].known {
		return stop{}, false
	}
	s.lowOf = all[i : last+1]
	oldest := s.low.start.Add(-v.StopBefore)
	from := i
	for from > 0 && all[from-1].end.After(oldest) {
		from--
	}
	for _, iv := range all[from:i] {
		if iv.known {
			s.before = append(s.before, iv)
		}
	}
	if len(s.before) == 0 {
		return stop{}, false
	}
	s.median = medianRate(s.before)
	s.ceiling = times(s.median, v.StopPercent.Mul(big.NewRat(1, 100)))
	return s, s.median.Cmp(v.StopRate) >= 0 && s.low.rate().Cmp(s.ceiling) <= 0
}
