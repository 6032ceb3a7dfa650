package escalate

import (
	"fmt"
	"time"

	"tidemark/internal/drain"
)

// after is the first instant past a limit.
func after(t time.Time) time.Time { return t.Add(time.Nanosecond) }

// lastOut gives the instant since which the fluid collects: the last emptying,
// measured or not, else the beginning of the stay, which may be unknown.
func (v *view) lastOut() (at time.Time, words string) {
	switch e, ok := v.lastEmptying(); {
	case ok:
		return e.At, "The last emptying was at " + v.at(e.At)
	case v.stay.Start.IsZero():
		return time.Time{}, ""
	}
	return v.stay.Start, "No emptying is charted since " + v.placement()
}

// overdue holds when nobody has emptied for longer than the limit and the grace;
// it is low, and moderate past twice the limit. An emptying that was not measured
// is one too. It ends with the next emptying.
func overdue(v *view) *Finding {
	last, words := v.lastOut()
	limit, worse := v.IntervalLimit+v.Grace, v.worseAfter()
	if last.IsZero() || v.now.Sub(last) <= limit {
		return nil
	}
	severity := drain.Low
	text := fmt.Sprintf("%s. The ward's limit is %s with %s of grace: overdue since %s.",
		words, spell(v.IntervalLimit), spell(v.Grace), v.at(last.Add(limit)))
	if v.now.Sub(last) > worse {
		severity = drain.Moderate
		text += fmt.Sprintf(" Past %d times the limit since %s.", v.OverdueWorse, v.at(last.Add(worse)))
	}
	return v.finding(severity, last.Add(limit), text, v.lastEmptyings()...).
		figure("collecting since", last.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.IntervalLimit), "h", hours(limit))
}

// worseAfter is the time without emptying past which overdue is moderate; never
// before it is overdue at all.
func (v *view) worseAfter() time.Duration {
	return max(time.Duration(v.OverdueWorse)*v.IntervalLimit, v.IntervalLimit+v.Grace)
}

func (v *view) lastEmptyings() []drain.Entry {
	if e, ok := v.lastEmptying(); ok {
		return []drain.Entry{e}
	}
	return nil
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
		return v.finding(drain.Moderate, v.now, "The drain is charted as in place, but neither since when nor any entry: how it is is not known.")
	}
	if v.now.Sub(from) < span {
		return nil
	}
	text := fmt.Sprintf("%s: for %s and more nothing has been charted for this drain, since %s. The ward's rule calls at %d times the limit of %s. How the drain is now is not known.",
		words, spell(span), v.at(from), v.StaleIntervals, spell(v.IntervalLimit))
	var evidence []drain.Entry
	if n := len(v.entries); n > 0 {
		evidence = v.entries[n-1:]
	}
	return v.finding(drain.Moderate, from.Add(span), text, evidence...).
		figure("last entry", from.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.IntervalLimit), "h", hours(span))
}

func (v *view) staleAfter() time.Duration { return time.Duration(v.StaleIntervals) * v.IntervalLimit }

func (v *view) lastCharted() (time.Time, string) {
	if n := len(v.entries); n > 0 {
		return v.entries[n-1].At, "The last entry was at " + v.at(v.entries[n-1].At)
	}
	if v.stay.Start.IsZero() {
		return time.Time{}, ""
	}
	return v.stay.Start, "No entry is charted since the placement at " + v.at(v.stay.Start)
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
	from := "since the placement at " + v.at(start)
	if !v.stay.Charted {
		from = "at least since " + v.placement()
	}
	text := fmt.Sprintf("The drain has been in place %s. The ward's limit is %s, passed at %s.",
		from, spell(v.DwellLimit), v.at(start.Add(v.DwellLimit)))
	return v.finding(drain.Low, start.Add(v.DwellLimit), text).
		figure("in place since", start.UTC().Format(time.RFC3339), "", "").
		figure("limit", hours(v.DwellLimit), "h", hours(v.DwellLimit))
}

func longDwellTurns(v *view) []time.Time {
	if v.stay.Start.IsZero() {
		return nil
	}
	return []time.Time{after(v.stay.Start.Add(v.DwellLimit))}
}
