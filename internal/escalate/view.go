package escalate

import (
	"slices"
	"sort"
	"sync"
	"time"

	"tidemark/internal/drain"
)

// Stay is one stay of the drain in the patient.
type Stay struct {
	// Start is that of the placement, else of the first entry, else zero.
	Start   time.Time
	Charted bool      // Start is that of the placement
	End     time.Time // zero: not known, or still in place
	// Status of the placement; "" where none is charted.
	Status drain.PlacementStatus
	// InPlace: the drain is in place, as far as is charted.
	InPlace bool
}

// PlacedAt is Start where it is charted, else zero: what package balance takes.
func (s Stay) PlacedAt() time.Time {
	if s.Charted {
		return s.Start
	}
	return time.Time{}
}

// Known reports whether anything at all is charted of the drain's being placed.
func (s Stay) Known() bool { return s.Status != "" || !s.Start.IsZero() }

// Stay gives the stay that is current at now, or the last one before. Of
// placements that contradict each other one that still lasts wins, since taking
// a drain for removed would silence its rules; then the one that began last.
//
// A placement is over once its end has come. One that is completed or stopped
// without an end is over too; nobody knows since when.
func (s Subject) Stay(now time.Time) Stay {
	var best drain.Placement
	found := false
	for _, p := range s.Placements {
		if !p.Counts() || p.Start.After(now) {
			continue
		}
		if !found || better(p, best, now) {
			best, found = p, true
		}
	}
	stay := Stay{InPlace: true}
	if found {
		stay = Stay{Start: best.Start, Charted: !best.Start.IsZero(), End: best.End, Status: best.Status, InPlace: !over(best, now)}
	}
	if stay.Start.IsZero() {
		for _, e := range s.Entries {
			if e.Counts() && !e.At.After(now) && (stay.Start.IsZero() || e.At.Before(stay.Start)) {
				stay.Start = e.At
			}
		}
	}
	return stay
}

func better(p, q drain.Placement, now time.Time) bool {
	if over(p, now) != over(q, now) {
		return !over(p, now)
	}
	if !p.Start.Equal(q.Start) {
		return p.Start.After(q.Start)
	}
	return p.ID < q.ID
}

func over(p drain.Placement, now time.Time) bool {
	if p.End.IsZero() {
		return p.Status == drain.PlacementCompleted || p.Status == drain.PlacementStopped
	}
	return !p.End.After(now)
}

// view is what the rules evaluate: a drain at an instant.
type view struct {
	Rules
	subject Subject
	stay    Stay
	now     time.Time
	entries []drain.Entry // that count, of this stay, up to now, in order

	course
	work int // entries, emptyings and looks that were looked at

	// What several rules need, worked out once.
	rise   func() (rise, bool)
	brisk  func() [][]briskSpan // by limit
	stop   func() (stop, bool)
	site   func() (site, bool)
	doubts func() []doubt
}

func look(r Rules, s Subject, now time.Time) *view {
	stay := s.Stay(now)
	v := &view{Rules: r, subject: s, now: now, stay: stay, entries: s.During(stay, now)}
	v.course.from, v.course.step = len(v.entries), 32
	v.rise = once(v.findRise)
	v.brisk = sync.OnceValue(v.findBrisk)
	v.stop = once(v.findStop)
	v.site = once(v.findSite)
	v.doubts = sync.OnceValue(v.findDoubts)
	return v
}

func once[T any](find func() (T, bool)) func() (T, bool) { return sync.OnceValues(find) }

// During gives the entries that count and were charted for the stay, up to now, in
// order of time. They may share memory with s.
func (s Subject) During(stay Stay, now time.Time) []drain.Entry {
	during := func(e drain.Entry) bool {
		return e.Counts() && !e.At.After(now) && !e.At.Before(stay.Start) && (stay.End.IsZero() || !e.At.After(stay.End))
	}
	if slices.IsSortedFunc(s.Entries, drain.Entry.Compare) { // as stores give them
		from := sort.Search(len(s.Entries), func(i int) bool { return !s.Entries[i].At.Before(stay.Start) })
		to := sort.Search(len(s.Entries), func(i int) bool {
			return s.Entries[i].At.After(now) || !stay.End.IsZero() && s.Entries[i].At.After(stay.End)
		})
		some := s.Entries[from:max(from, to):max(from, to)]
		if !slices.ContainsFunc(some, func(e drain.Entry) bool { return !e.Counts() }) {
			return some
		}
		return filter(some, during)
	}
	entries := filter(s.Entries, during)
	slices.SortFunc(entries, drain.Entry.Compare)
	return entries
}

// inPlace reports whether there is a drain in a patient to be evaluated.
func (v *view) inPlace() bool { return v.stay.Known() && v.stay.InPlace }

func (v *view) applies(r rule) bool {
	return (r.removed || v.inPlace()) && (r.name == Stale || !v.Off[r.name])
}

func (v *view) capacity() drain.Volume {
	if v.subject.Drain.Capacity.Sign() > 0 {
		return v.subject.Drain.Capacity
	}
	return v.DefaultCapacity
}

// run gives the entries that show a state and lasted to the end: from the first
// that shows it after the last instant that ends it. An instant at which one entry
// shows the state and another ends it does not end it.
func (v *view) run(shows, ends func(drain.Entry) bool) []drain.Entry {
	var run []drain.Entry
	for to := len(v.entries); to > 0; {
		from := to - 1
		for from > 0 && v.entries[from-1].At.Equal(v.entries[from].At) {
			from--
		}
		group := v.entries[from:to]
		v.work += len(group)
		showing := filter(group, shows)
		if len(showing) == 0 && slices.ContainsFunc(group, ends) {
			break
		}
		run = append(run, showing...)
		to = from
	}
	slices.SortFunc(run, drain.Entry.Compare)
	return run
}

func filter(entries []drain.Entry, keep func(drain.Entry) bool) []drain.Entry {
	var kept []drain.Entry
	for _, e := range entries {
		if keep(e) {
			kept = append(kept, e)
		}
	}
	return kept
}

// finding starts a finding that rests on entries.
func (v *view) finding(s drain.Severity, since time.Time, headline, text string, evidence ...drain.Entry) *Finding {
	f := &Finding{Severity: s, Since: since, Headline: headline, Text: text}
	evidence = slices.Clone(evidence)
	slices.SortFunc(evidence, drain.Entry.Compare)
	for _, e := range evidence {
		f.Preliminary = f.Preliminary || e.Preliminary()
		if n := len(f.Evidence); n == 0 || f.Evidence[n-1] != e.ID {
			f.Evidence = append(f.Evidence, e.ID)
		}
	}
	return f
}

func (f *Finding) figure(name, value, unit, threshold string) *Finding {
	f.Figures = append(f.Figures, Figure{name, value, unit, threshold})
	return f
}
