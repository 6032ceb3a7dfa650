package escalate

import (
	"slices"
	"sync"
	"time"

	"tidemark/internal/balance"
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

// view is what the rules judge: a drain at an instant.
type view struct {
	Rules
	subject Subject
	stay    Stay
	now     time.Time
	entries []drain.Entry // that count, of this stay, up to now, in order

	// What several rules need, worked out once.
	instants  func() [][]drain.Entry
	intervals func() []interval
	ranked    func() []ranked
	doubts    func() []doubt
	brisk     func() [][]briskSpan // by limit
}

func look(r Rules, s Subject, now time.Time) *view {
	stay := s.Stay(now)
	v := &view{Rules: r, subject: s, now: now, stay: stay, entries: s.During(stay, now)}
	v.instants = sync.OnceValue(v.findInstants)
	v.intervals = sync.OnceValue(v.findIntervals)
	v.ranked = sync.OnceValue(v.findRanked)
	v.doubts = sync.OnceValue(v.findDoubts)
	v.brisk = sync.OnceValue(v.findBrisk)
	return v
}

// During gives the entries that count and were charted for the stay, up to now, in
// order of time.
func (s Subject) During(stay Stay, now time.Time) []drain.Entry {
	entries := filter(s.Entries, func(e drain.Entry) bool {
		return e.Counts() && !e.At.After(now) && !e.At.Before(stay.Start) && (stay.End.IsZero() || !e.At.After(stay.End))
	})
	slices.SortFunc(entries, byTime)
	return entries
}

func byTime(a, b drain.Entry) int {
	switch {
	case a.Before(b):
		return -1
	case b.Before(a):
		return 1
	}
	return 0
}

// inPlace reports whether there is a drain in a patient to be judged.
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

// lastEmptying gives the last emptying, measured or not.
func (v *view) lastEmptying() (drain.Entry, bool) {
	for _, e := range slices.Backward(v.entries) {
		if e.Kind == drain.Emptying {
			return e, true
		}
	}
	return drain.Entry{}, false
}

// findInstants gives the entries in groups of one instant: what was charted together,
// perhaps of one emptying in two cups.
func (v *view) findInstants() [][]drain.Entry {
	var groups [][]drain.Entry
	for from, i := 0, 1; i <= len(v.entries); i++ {
		if i == len(v.entries) || !v.entries[i].At.Equal(v.entries[from].At) {
			groups = append(groups, v.entries[from:i])
			from = i
		}
	}
	return groups
}

// run gives the entries that show a state and lasted to the end: from the first
// that shows it after the last instant that ends it. An instant at which one entry
// shows the state and another ends it does not end it.
func (v *view) run(shows, ends func(drain.Entry) bool) []drain.Entry {
	var run []drain.Entry
	for _, group := range slices.Backward(v.instants()) {
		showing := filter(group, shows)
		if len(showing) == 0 && slices.ContainsFunc(group, ends) {
			break
		}
		run = append(run, showing...)
	}
	slices.SortFunc(run, byTime)
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

// interval is a time over which a volume collected, with the emptyings that
// measured it.
type interval struct {
	start, end time.Time
	net        drain.Volume
	known      bool // volume and length are known
	entries    []drain.Entry
}

func (i interval) length() time.Duration { return i.end.Sub(i.start) }

// rate in mL/h, of a known interval.
func (i interval) rate() drain.Volume { return perHour(i.net, i.length()) }

// findIntervals gives balance's intervals, those of one instant made one: a
// reservoir poured out in two cups is one emptying.
func (v *view) findIntervals() []interval {
	var all []interval
	for _, b := range balance.Intervals(v.entries, v.stay.PlacedAt()) {
		if last := len(all) - 1; last >= 0 && all[last].end.Equal(b.End) {
			i := &all[last]
			i.net = i.net.Add(b.Net)
			i.known = i.known && b.Known
			i.entries = append(i.entries, b.Entry)
			continue
		}
		all = append(all, interval{
			start: b.Start, end: b.End, net: b.Net,
			known:   b.Known && b.Start.Before(b.End),
			entries: []drain.Entry{b.Entry},
		})
	}
	return all
}

// lastKnown gives the index of the last interval of known volume, or −1. An
// emptying that was not measured says nothing about the output, neither that a
// condition began nor that it ended.
func (v *view) lastKnown() int {
	all := v.intervals()
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].known {
			return i
		}
	}
	return -1
}

// runStart gives the first of the unbroken run of known intervals, ending with
// last, of which holds is true.
func (v *view) runStart(last int, holds func(int) bool) int {
	all, first := v.intervals(), last
	for i := last - 1; i >= 0; i-- {
		if !all[i].known {
			continue
		}
		if !holds(i) {
			break
		}
		first = i
	}
	return first
}

// finding starts a finding that rests on entries.
func (v *view) finding(s drain.Severity, since time.Time, text string, evidence ...drain.Entry) *Finding {
	f := &Finding{Severity: s, Since: since, Text: text}
	evidence = slices.Clone(evidence)
	slices.SortFunc(evidence, byTime)
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
