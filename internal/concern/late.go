package concern

import (
	"slices"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// episode is a time in the past during which a kind held.
type episode struct {
	since, until time.Time // until is zero where it holds still
	worst        held      // as it was when it was worst
}

// known reports whether a concern covers the episode already.
func (e episode) known(concerns []drain.Concern) bool {
	return slices.ContainsFunc(concerns, func(c drain.Concern) bool {
		return c.Kind == KindOf(e.worst.evidence[0].Rule) && !c.Since.After(e.until) && (c.Open() || !c.Until.Before(e.since))
	})
}

// Looking for episodes ends so many instants behind the last charted reading at
// which nothing holds that rests on one, and after so many in all.
const (
	quiet = 8
	most  = 256
)

// episodes gives what held between the earliest reading that was charted late and
// now, and rests on such a reading: the rules are evaluated as they would have been
// at each entry since. A drain that was overdue then needs nobody now, so that it
// is about the kinds that say what a drain did. found is what holds now.
func (a *advance) episodes(found []escalate.Finding) map[string][]episode {
	from, late := a.late()
	if !late || a.Gone {
		return nil
	}
	var at []time.Time
	var last time.Time
	for _, e := range a.Subject.During(a.stay, a.Case.Now) {
		if e.At.Before(from) {
			continue
		}
		if n := len(at); n == 0 || !at[n-1].Equal(e.At) {
			at = append(at, e.At)
		}
		if slices.Contains(a.Charted, e.ID) {
			last = e.At
		}
	}
	past := map[string][]episode{}
	open := map[string]episode{}
	still := 0
	for i, t := range at {
		if i == most || still > quiet {
			break
		}
		then := escalate.Evaluate(a.Rules, a.Subject, t)
		for _, kind := range []string{Fluid, Function, Site} {
			h := a.evidence(kind, then)
			e, on := open[kind]
			switch {
			case len(h.evidence) == 0 && on:
				e.until = t.UTC().Truncate(time.Millisecond)
				past[kind] = append(past[kind], e)
				delete(open, kind)
			case len(h.evidence) > 0 && (on || a.rests(h)):
				if !on || h.severity().Weight() > e.worst.severity().Weight() {
					e.worst = h
				}
				if since := h.since(); !on || since.Before(e.since) {
					e.since = since
				}
				open[kind] = e
			}
		}
		if still++; len(open) > 0 || !t.After(last) {
			still = 0
		}
	}
	for kind, e := range open {
		past[kind] = append(past[kind], e)
	}
	// What held at the last instant may have ended by itself since.
	for kind, es := range past {
		if e := &es[len(es)-1]; e.until.IsZero() && len(a.evidence(kind, found).evidence) == 0 {
			e.until = a.Now
			if next, ok := escalate.NextChange(a.Rules, a.Subject, at[len(at)-1]); ok && next.Before(a.Now) {
				e.until = next.UTC().Truncate(time.Millisecond)
			}
		}
	}
	return past
}

// rests reports whether something that held rests on a reading of this step.
func (a *advance) rests(h held) bool {
	return slices.ContainsFunc(h.evidence, func(e drain.Evidence) bool {
		return slices.ContainsFunc(e.Readings, func(id string) bool { return slices.Contains(a.Charted, id) })
	})
}

// ended gives the instant in the past at which nothing of the kind held any more,
// where the step charts it late.
func (a *advance) ended(kind string) (time.Time, bool) {
	from, late := a.late()
	if !late {
		return time.Time{}, false
	}
	if es := a.past[kind]; len(es) > 0 {
		return es[len(es)-1].until, true
	}
	// Nothing of this step holds it on: it ended with one of its readings.
	for _, e := range a.Subject.During(a.stay, a.Case.Now) {
		if !e.At.Before(from) && slices.Contains(a.Charted, e.ID) && len(a.evidence(kind, escalate.Evaluate(a.Rules, a.Subject, e.At)).evidence) == 0 {
			return e.At.UTC().Truncate(time.Millisecond), true
		}
	}
	return time.Time{}, false
}
