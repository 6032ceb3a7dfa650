package escalate

import (
	"fmt"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// suddenStop holds when far less came out than the drain's own rate of the 24 h
// before promised, which may mean that it is blocked: over one or more of the latest
// emptyings, within 24 h, the output falls short of that by at least 90 % and 8 mL.
// So a quick drain is seen at its first empty bulb, a slow one when enough should
// have come. It is high with leakage or swelling at the site, which a blocked drain
// causes.
//
// The rate is what ran in those 24 h over the time of them of which the output is
// known, at least 8 h. An emptying that was not measured ends the looking back. It
// ends with the first measured emptying at which it does not hold; that is so too
// after a day of next to nothing, when this has become the drain's own rate.
func suddenStop(v *view) *Finding {
	s, ok := v.stop()
	if !ok {
		return nil
	}
	text := fmt.Sprintf("%s came in the %s up to %s, where %s were to be expected at the rate of the %s before: the drain may be blocked. Threshold: %s %% and %s short.",
		upper(s.low.About()), window.Span(s.to.Sub(s.from)), v.at(s.to), s.promised.About(), window.Span(v.StopBefore), exactly(v.StopPercent), ml(v.StopVolume))
	severity, evidence := drain.Moderate, charted(s.of)
	headline := fmt.Sprintf("Output stopped: %s instead of %s", s.low.About(), s.promised.About())
	if signs := v.signs(drain.Leakage, drain.Swelling); len(signs.words) > 0 {
		severity = drain.High
		headline += ", with " + list(signs.words) + " at the site"
		text += fmt.Sprintf(" The site shows %s.", list(signs.words))
		evidence = append(evidence, signs.by...)
	}
	text += netOfIrrigant(evidence)
	return v.finding(severity, s.since, headline, text, evidence...).
		figure("output", rounded(s.low), "mL", rounded(s.ceiling)).
		figure("promised", rounded(s.promised), "mL", "").
		figure("short by", rounded(s.promised.Sub(s.low)), "mL", exactly(v.StopVolume)).
		figure("over", hours(s.to.Sub(s.from)), "h", "")
}

// stop is a span in which hardly anything came, and what was to be expected.
type stop struct {
	from, to, since        time.Time
	low, promised, ceiling drain.Volume
	of                     []interval // of the span, and of the time before it
}

// findStop looks at the latest emptyings together, at more and more of them; the
// longest span that shows it says most, and best since when.
func (v *view) findStop() (stop, bool) {
	last, ok := v.lastKnown()
	if !ok {
		return stop{}, false
	}
	var found stop
	end, first := v.back(last).end, 0
	var low drain.Volume
	for k := last; ; k++ {
		iv := v.back(k)
		if iv == nil || !iv.known || end.Sub(iv.start) > v.StopWithin {
			break
		}
		low = low.Add(iv.net)
		if s, ok := v.stopFrom(iv.start, end, low); ok {
			s.low, found, first = low, s, k
		}
	}
	if found.to.IsZero() {
		return stop{}, false
	}
	// Since the first emptying of the span by which it could be told.
	low = drain.Volume{}
	for k := first; k >= last; k-- {
		iv := v.back(k)
		low = low.Add(iv.net)
		if _, ok := v.stopFrom(found.from, iv.end, low); ok {
			found.since = iv.end
			break
		}
	}
	found.of = v.touching(found.from.Add(-v.StopBefore), found.to)
	return found, true
}

// stopFrom compares what came in a span with what the rate before promised.
func (v *view) stopFrom(from, to time.Time, low drain.Volume) (stop, bool) {
	before, known := v.ran(from.Add(-v.StopBefore), from)
	if known < v.StopKnown || known <= 0 {
		return stop{}, false
	}
	s := stop{from: from, to: to, promised: gives(perHour(before, known), to.Sub(from))}
	short := s.promised.Sub(low)
	s.ceiling = s.promised.Sub(share(s.promised, v.StopPercent))
	return s, short.Cmp(v.StopVolume) >= 0 && low.Cmp(s.ceiling) <= 0
}
