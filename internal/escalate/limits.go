package escalate

import (
	"fmt"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// after is the first instant past a limit.
func after(t time.Time) time.Time { return t.Add(time.Nanosecond) }

// lastOut gives the instant since which the fluid collects: the last emptying,
// measured or not, else the beginning of the stay, which may be unknown.
func (v *view) lastOut() (at time.Time, words string) {
	switch last := v.back(0); {
	case last != nil:
		return last.end, "Last emptied at " + v.at(last.end)
	case v.stay.Start.IsZero():
		return time.Time{}, ""
	}
	return v.stay.Start, "Not emptied since " + v.placement()
}

// overdue holds when nobody has emptied for longer than the limit and the grace;
// it is low, and moderate past twice the limit. An emptying that was not measured
// is one too. It ends with the next emptying. The list of what is due shows the
// drain from the first minute; the grace is for rounds, which are not clockwork.
func overdue(v *view) *Finding {
	last, words := v.lastOut()
	limit, worse := v.IntervalLimit+v.Grace, v.worseAfter()
	if last.IsZero() || v.now.Sub(last) <= limit {
		return nil
	}
	severity := drain.Low
	due := last.Add(v.IntervalLimit)
	text := fmt.Sprintf("%s, due at %s. Threshold: %s, and %s of grace.", words, v.at(due), window.Span(v.IntervalLimit), window.Span(v.Grace))
	if v.now.Sub(last) > worse {
		severity = drain.Moderate
		text += fmt.Sprintf(" More than %d times the limit.", v.OverdueWorse)
	}
	var of []drain.Entry
	if iv := v.back(0); iv != nil {
		of = iv.entries
	}
	return v.finding(severity, last.Add(limit), "Emptying overdue since "+v.at(due), text, of...).
		figure("collecting since", last.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.IntervalLimit), "h", hours(limit))
}

// worseAfter is the time without emptying past which overdue is moderate; never
// before it is overdue at all.
func (v *view) worseAfter() time.Duration {
	return max(time.Duration(v.OverdueWorse)*v.IntervalLimit, v.IntervalLimit+v.Grace)
}

func overdueTurns(v *view) []time.Time {
	last, _ := v.lastOut()
	if last.IsZero() {
		return nil
	}
	return []time.Time{after(last.Add(v.IntervalLimit + v.Grace)), after(last.Add(v.worseAfter()))}
}

// stale holds when nothing whatever was charted for the drain for three times the
// limit: neither emptying nor check nor site assessment. A drain that is charted
// as in place, without since when and without any entry, is stale at once. It ends
// with the next entry.
func stale(v *view) *Finding {
	from, words := v.lastCharted()
	span := v.staleAfter()
	if from.IsZero() {
		return v.finding(drain.Moderate, v.now, "Nothing charted: state of the drain unknown", "The drain is charted as in place, but without a start, and it has no entries.")
	}
	if v.now.Sub(from) < span {
		return nil
	}
	text := fmt.Sprintf("%s. Threshold: %s without any entry. Go and look at the drain.", words, window.Span(span))
	var evidence []drain.Entry
	if n := len(v.entries); n > 0 {
		evidence = v.entries[n-1:]
	}
	return v.finding(drain.Moderate, from.Add(span), "Nothing charted since "+v.at(from)+": state of the drain unknown", text, evidence...).
		figure("last entry", from.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.IntervalLimit), "h", hours(span))
}

func (v *view) staleAfter() time.Duration {
	if v.StaleAfter > 0 {
		return v.StaleAfter
	}
	return time.Duration(v.StaleIntervals) * v.IntervalLimit
}

func (v *view) lastCharted() (time.Time, string) {
	if n := len(v.entries); n > 0 {
		return v.entries[n-1].At, "Nothing has been charted since " + v.at(v.entries[n-1].At)
	}
	if v.stay.Start.IsZero() {
		return time.Time{}, ""
	}
	return v.stay.Start, "Nothing has been charted since the placement at " + v.at(v.stay.Start)
}

func staleTurns(v *view) []time.Time {
	from, _ := v.lastCharted()
	if from.IsZero() {
		return nil
	}
	return []time.Time{from.Add(v.staleAfter())}
}

// longDwell holds when the drain has been in place for longer than the limit, in
// days of 24 h. It ends when the drain comes out.
func longDwell(v *view) *Finding {
	start := v.stay.Start
	if start.IsZero() || v.now.Sub(start) <= v.DwellLimit {
		return nil
	}
	from := "since " + v.at(start)
	if !v.stay.Charted {
		from = "at least since " + v.placement()
	}
	text := fmt.Sprintf("The drain has been in place %s. Threshold: %s. Ask whether it is still needed.", from, window.Span(v.DwellLimit))
	return v.finding(drain.Low, start.Add(v.DwellLimit), "In place for more than "+window.Span(v.DwellLimit), text).
		figure("in place since", start.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.DwellLimit), "h", hours(v.DwellLimit))
}

func longDwellTurns(v *view) []time.Time {
	if v.stay.Start.IsZero() {
		return nil
	}
	return []time.Time{after(v.stay.Start.Add(v.DwellLimit))}
}
