package escalate

import (
	"fmt"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
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
	var headline string
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
		if headline == "" {
			headline = fmt.Sprintf("%s of %sfluid in %s%s", worst.volume.About(), v.lastLook(), window.Span(limit.Within), v.lighterBefore())
		}
		texts = append(texts, fmt.Sprintf("%s drained from %s to %s. Threshold: %s in any %s.", upper(worst.volume.About()), v.at(worst.from), v.at(worst.to), ml(limit.Volume), window.Span(limit.Within)))
		evidence = append(evidence, charted(v.touching(worst.from, worst.to))...)
		figures = append(figures, Figure{"most in any " + window.Span(limit.Within), rounded(worst.volume), "mL", exactly(limit.Volume)})
	}
	if len(texts) == 0 {
		return nil
	}
	text := strings.Join(texts, " ") + " Each volume is assumed to have run evenly since the previous emptying." + netOfIrrigant(evidence)
	f := v.finding(drain.High, since, headline, text, evidence...)
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
	from, to time.Time
	volume   drain.Volume
	seen     time.Time // emptying that lets it be seen
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
// such spans are looked at: each emptying begins one and ends one.
func (v *view) briskSpans(limit BriskLimit) []briskSpan {
	recent := v.since(v.now.Add(-v.BriskLast)) // and this instant is out
	if limit.Within <= 0 || len(recent) == 0 {
		return nil
	}
	// A span that ends within the first of them may begin so long before it.
	all := v.since(recent[0].start.Add(-limit.Within))
	var most drain.Volume
	for i := range all {
		if all[i].known && all[i].net.Sign() > 0 {
			most = most.Add(all[i].net)
		}
	}
	if most.Cmp(limit.Volume) < 0 {
		return nil // most often, and seen at once
	}
	var spans []briskSpan
	next := 0 // the first interval whose span from its start does not end before
	for k := len(all) - len(recent); k < len(all); k++ {
		iv := &all[k]
		end := iv.end
		volume, _ := v.ran(end.Add(-limit.Within), end)
		// Spans that start with an interval and end within this one.
		for next <= k && !all[next].start.Add(limit.Within).After(iv.start) {
			next++
		}
		for i := next; i <= k && all[i].start.Add(limit.Within).Before(iv.end); i++ {
			to := all[i].start.Add(limit.Within)
			if other, _ := v.ran(all[i].start, to); other.Cmp(volume) > 0 {
				end, volume = to, other
			}
		}
		if iv.known && volume.Cmp(limit.Volume) >= 0 {
			spans = append(spans, briskSpan{end.Add(-limit.Within), end, volume, iv.end})
		}
	}
	return spans
}
