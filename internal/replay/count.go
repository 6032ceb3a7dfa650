package replay

import (
	"cmp"
	"slices"
	"time"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
)

// Result is what a run found. Shares are from 0 to 1, rates per 100 drain-days.
type Result struct {
	From     time.Time  `json:"from"`
	To       time.Time  `json:"to"`
	Drains   int        `json:"drains"`
	Days     float64    `json:"drainDays"`
	Entries  int        `json:"entries"`
	Policies []Tried    `json:"policies"`
	Wards    []Ward     `json:"wards"`
	Counts   []Count    `json:"counts"`
	Changed  []Changed  `json:"changed,omitempty"`
	Events   []Found    `json:"events,omitempty"`
	False    []Needless `json:"needless,omitempty"`
}

// Tried is a policy that was run.
type Tried struct {
	Name     string `json:"name"`
	Version  string `json:"version"`
	Approved string `json:"approved,omitempty"`
}

// Ward is how much there was to watch.
type Ward struct {
	Ward   string  `json:"ward"`
	Drains int     `json:"drains"`
	Days   float64 `json:"drainDays"`
}

// All stands for all wards.
const All = "all"

// Count is how often a policy spoke, of a concern or of one rule in it.
type Count struct {
	Policy   string         `json:"policy"`
	Ward     string         `json:"ward"`
	Concern  string         `json:"concern"`
	Rule     string         `json:"rule,omitempty"` // "" for the concern as a whole
	Severity drain.Severity `json:"severity"`
	// Concerns that were of this severity at worst, and announcements that said so;
	// closings are announced too, and counted apart.
	Concerns      int     `json:"concerns"`
	Announcements int     `json:"announcements"`
	Closings      int     `json:"closings"`
	ConcernsRate  float64 `json:"concernsPer100"`
	AnnouncedRate float64 `json:"announcementsPer100"`
	// Acknowledged are the concerns that somebody acknowledged, after so many
	// minutes in the median.
	Acknowledged int     `json:"acknowledged"`
	After        float64 `json:"acknowledgedAfter"`

	delays []float64
}

// Changed is what the second policy adds to the first, or takes away: concerns
// of one that overlap with none of the other, of the same drain and kind.
type Changed struct {
	Ward     string         `json:"ward"`
	Concern  string         `json:"concern"`
	Severity drain.Severity `json:"severity"`
	Added    int            `json:"added"`
	Removed  int            `json:"removed"`
	// Raised and Lowered are concerns of both whose worst severity differs; they
	// stand at the severity of the second.
	Raised      int     `json:"raised"`
	Lowered     int     `json:"lowered"`
	AddedRate   float64 `json:"addedPer100"`
	RemovedRate float64 `json:"removedPer100"`
}

// days is how long the drain was in place within the run.
func (c *course) days() float64 {
	return c.inPlace(time.Time{}, c.now).Hours() / 24
}

// inPlace is how long the drain was in place within a span.
func (c *course) inPlace(from, to time.Time) time.Duration {
	var sum time.Duration
	var last time.Time // placements may overlap
	for _, p := range c.placements {
		if !p.Counts() {
			continue
		}
		start, end := p.Start, p.End
		for _, least := range []time.Time{c.first, from, last} {
			if start.Before(least) {
				start = least
			}
		}
		if end.IsZero() || end.After(c.now) {
			end = c.now
		}
		if end.After(to) {
			end = to
		}
		if d := end.Sub(start); d > 0 {
			sum += d
			last = end
		}
	}
	return sum
}

func (c *course) ward() string {
	switch {
	case c.drain.Ward != "":
		return c.drain.Ward
	case len(c.chain) > 0:
		return c.chain[0]
	}
	return "unknown"
}

type countKey struct {
	policy, ward, kind, rule string
	severity                 drain.Severity
}

type tally struct {
	o      *Options
	days   map[string]float64
	drains map[string]int
	counts map[countKey]*Count
}

func (t *tally) count(policy, kind, rule string, s drain.Severity, ward string, add func(*Count)) {
	for _, w := range []string{ward, All} {
		k := countKey{policy, w, kind, rule, s}
		c := t.counts[k]
		if c == nil {
			c = &Count{Policy: policy, Ward: w, Concern: kind, Rule: rule, Severity: s}
			t.counts[k] = c
		}
		add(c)
	}
}

func summarize(all []*course, o *Options) *Result {
	r := &Result{To: o.End}
	t := &tally{o: o, days: map[string]float64{}, drains: map[string]int{}, counts: map[countKey]*Count{}}
	changed := map[countKey]*Changed{}
	for _, c := range o.Candidates {
		r.Policies = append(r.Policies, Tried{c.Name, c.Policy.Version(), c.Policy.Approved()})
	}
	for _, c := range all {
		days := c.days()
		if days == 0 && c.charted == 0 {
			continue
		}
		if r.From.IsZero() || c.first.Before(r.From) {
			r.From = c.first
		}
		r.Entries += c.charted
		for _, w := range []string{c.ward(), All} {
			t.days[w] += days
			t.drains[w]++
		}
		for i, l := range c.lives {
			t.life(o.Candidates[i].Name, c.ward(), l)
		}
		if len(c.lives) == 2 {
			compared(c, changed)
		}
	}
	r.Drains, r.Days = t.drains[All], t.days[All]
	for w, d := range t.days {
		r.Wards = append(r.Wards, Ward{w, t.drains[w], d})
	}
	slices.SortFunc(r.Wards, func(a, b Ward) int { return byWard(a.Ward, b.Ward) })
	for _, c := range t.counts {
		c.ConcernsRate = per100(c.Concerns, t.days[c.Ward])
		c.AnnouncedRate = per100(c.Announcements, t.days[c.Ward])
		c.After = median(c.delays)
		r.Counts = append(r.Counts, *c)
	}
	slices.SortFunc(r.Counts, func(a, b Count) int {
		return cmp.Or(byWard(a.Ward, b.Ward), byPolicy(o, a.Policy, b.Policy), byKind(a.Concern, b.Concern), cmp.Compare(a.Rule, b.Rule), b.Severity.Weight()-a.Severity.Weight())
	})
	for _, c := range changed {
		c.AddedRate, c.RemovedRate = per100(c.Added, t.days[c.Ward]), per100(c.Removed, t.days[c.Ward])
		r.Changed = append(r.Changed, *c)
	}
	slices.SortFunc(r.Changed, func(a, b Changed) int {
		return cmp.Or(byWard(a.Ward, b.Ward), byKind(a.Concern, b.Concern), b.Severity.Weight()-a.Severity.Weight())
	})
	if len(o.Truth) > 0 {
		r.score(all, o)
	}
	return r
}

func (t *tally) life(policy, ward string, l *life) {
	for _, s := range l.spells {
		spell := func(c *Count) {
			c.Concerns++
			if !s.acknowledged.IsZero() {
				c.Acknowledged++
				c.delays = append(c.delays, s.acknowledged.Sub(s.told).Minutes())
			}
		}
		t.count(policy, s.kind, "", s.worst, ward, spell)
		for rule, worst := range s.rules {
			t.count(policy, s.kind, rule, worst, ward, spell)
		}
	}
	for _, a := range l.told {
		add := func(c *Count) {
			if a.reason == concern.Closed {
				c.Closings++
			} else {
				c.Announcements++
			}
		}
		t.count(policy, a.kind, "", a.severity, ward, add)
		for i, rule := range a.rules {
			t.count(policy, a.kind, rule, a.ruleSeverity[i], ward, add)
		}
	}
}

// compared notes what the second policy has other than the first.
func compared(c *course, changed map[countKey]*Changed) {
	add := func(s *spell, f func(*Changed)) {
		for _, w := range []string{c.ward(), All} {
			k := countKey{ward: w, kind: s.kind, severity: s.worst}
			if changed[k] == nil {
				changed[k] = &Changed{Ward: w, Concern: s.kind, Severity: s.worst}
			}
			f(changed[k])
		}
	}
	first, second := c.lives[0].spells, c.lives[1].spells
	for _, s := range second {
		worst, both := s.overlapping(first)
		switch {
		case !both:
			add(s, func(c *Changed) { c.Added++ })
		case s.worst.Weight() > worst.Weight():
			add(s, func(c *Changed) { c.Raised++ })
		case s.worst.Weight() < worst.Weight():
			add(s, func(c *Changed) { c.Lowered++ })
		}
	}
	for _, s := range first {
		if _, both := s.overlapping(second); !both {
			add(s, func(c *Changed) { c.Removed++ })
		}
	}
}

// overlapping reports whether one of the spells is about the same at the same
// time, and the worst severity of those that are.
func (s *spell) overlapping(others []*spell) (worst drain.Severity, is bool) {
	for _, o := range others {
		if o.kind == s.kind && (s.to.IsZero() || !o.from.After(s.to)) && (o.to.IsZero() || !s.from.After(o.to)) {
			is = true
			if o.worst.Weight() > worst.Weight() {
				worst = o.worst
			}
		}
	}
	return worst, is
}

func per100(n int, days float64) float64 {
	if days <= 0 {
		return 0
	}
	return 100 * float64(n) / days
}

func median(of []float64) float64 {
	if len(of) == 0 {
		return 0
	}
	of = slices.Clone(of)
	slices.Sort(of)
	return (of[(len(of)-1)/2] + of[len(of)/2]) / 2
}

func byWard(a, b string) int {
	if a == b {
		return 0
	}
	if a == All {
		return -1
	}
	if b == All {
		return 1
	}
	return cmp.Compare(a, b)
}

func byKind(a, b string) int {
	return slices.Index(concern.Kinds(), a) - slices.Index(concern.Kinds(), b)
}

func byPolicy(o *Options, a, b string) int {
	at := func(name string) int {
		return slices.IndexFunc(o.Candidates, func(c Candidate) bool { return c.Name == name })
	}
	return at(a) - at(b)
}
