package replay

import (
	"cmp"
	"slices"
	"time"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/policy"
)

// course is a drain on its own clock, as it was known at each instant.
type course struct {
	id         string
	o          *Options
	drain      drain.Drain
	found      bool
	placements []drain.Placement
	entries    []drain.Entry // by time
	charted    int           // entries that counted when they were charted
	chain      []string
	lives      []*life // by candidate
	beside     func(*course) []*course
	// Entries that say what happened by themselves, and emptyings, as they were charted.
	telling, emptied []telling
	first, now       time.Time
	acknowledged     map[string]time.Time // the last of each DetectedIssue; its later versions repeat it
}

// telling is a charted entry that could say what happened.
type telling struct {
	charted, at time.Time
	looks       drain.Appearance
	suction     drain.Suction
	dislodged   bool
}

// life is what one policy makes of the drain.
type life struct {
	c        *course
	settings policy.Settings
	stored   []drain.Concern
	wake     time.Time
	due      map[string]time.Time // acknowledgements to come, by concern
	told     []told
	spells   []*spell
	by       map[string]*spell // by concern
	taken    []string          // ids of all concerns that were announced
}

// told is an announcement.
type told struct {
	at           time.Time
	kind         string
	reason       string
	severity     drain.Severity
	rules        []string
	ruleSeverity []drain.Severity // of each
}

// spell is a concern from when it was first announced until it closed, as people
// lived through it.
type spell struct {
	kind               string
	from, to           time.Time // to is zero while it is open
	worst              drain.Severity
	rules              map[string]drain.Severity // the worst of each
	told, acknowledged time.Time                 // the first announcement, and the acknowledgement
}

func newCourse(id string, o *Options) *course {
	c := &course{id: id, o: o, acknowledged: map[string]time.Time{}}
	for range o.Candidates {
		c.lives = append(c.lives, &life{c: c, due: map[string]time.Time{}, by: map[string]*spell{}})
	}
	return c
}

// change lets the clock run up to a change, and evaluates the drain with it.
func (c *course) change(l located) {
	if l.Facts.Concern != nil {
		c.acknowledge(*l.Facts.Concern)
		return
	}
	at := l.At
	if at.Before(c.now) {
		at = c.now // a store's clock never goes back; a file's may
	}
	if c.first.IsZero() {
		c.first = at // zero still where a file does not say since when
	}
	c.run(at)
	c.now = at
	var charted, withdrawn []string
	switch f := l.Facts; {
	case f.Entry != nil:
		c.note(*f.Entry, at)
		charted = []string{f.Entry.ID}
		i := slices.IndexFunc(c.entries, func(e drain.Entry) bool { return e.ID == f.Entry.ID })
		if i >= 0 {
			withdrawn = charted
			c.entries = slices.Delete(c.entries, i, i+1)
		}
		at, _ := slices.BinarySearchFunc(c.entries, *f.Entry, func(a, b drain.Entry) int {
			switch {
			case a.Before(b):
				return -1
			case b.Before(a):
				return 1
			}
			return 0
		})
		c.entries = slices.Insert(c.entries, at, *f.Entry)
	case f.Drain != nil:
		c.drain, c.found, c.chain = *f.Drain, true, l.chain
		for i, life := range c.lives {
			life.settings = c.o.Candidates[i].Policy.For(c.chain, c.drain)
		}
	case f.Placement != nil:
		c.placements = append(slices.DeleteFunc(c.placements, func(p drain.Placement) bool { return p.ID == f.Placement.ID }), *f.Placement)
		slices.SortFunc(c.placements, func(a, b drain.Placement) int {
			return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.ID, b.ID))
		})
	case l.Key.Type == "Device":
		c.found = false
	case l.Key.Type == "DeviceUseStatement":
		c.placements = slices.DeleteFunc(c.placements, func(p drain.Placement) bool { return p.ID == l.Key.ID })
	default:
		c.entries = slices.DeleteFunc(c.entries, func(e drain.Entry) bool { return e.ID == l.Key.ID })
		withdrawn = []string{l.Key.ID}
	}
	for _, life := range c.lives {
		if !c.now.IsZero() {
			life.step(c.now, charted, withdrawn)
		}
	}
}

// acknowledge lets what a nurse acknowledged be acknowledged under each policy too: the
// open concern of that kind.
func (c *course) acknowledge(real drain.Concern) {
	at := real.Acknowledged.At
	if !at.After(c.acknowledged[real.ID]) || c.first.IsZero() {
		return
	}
	c.acknowledged[real.ID] = at
	if at.Before(c.now) {
		at = c.now
	}
	c.run(at)
	c.now = at
	for _, l := range c.lives {
		for _, s := range l.stored {
			if s.Kind == cmp.Or(concern.KindOf(real.Kind), real.Kind) {
				l.acknowledge(s.ID, at)
			}
		}
	}
}

func (c *course) note(e drain.Entry, at time.Time) {
	if !e.Counts() {
		return
	}
	c.charted++
	t := telling{at, e.At, e.Appearance, e.Suction, e.Dislodged}
	if _, ranked := e.Appearance.Rank(); e.Appearance != "" && !ranked || e.Suction == drain.Lost || e.Dislodged {
		c.telling = append(c.telling, t)
	}
	if e.Kind == drain.Emptying {
		c.emptied = append(c.emptied, telling{charted: at, at: e.At})
	}
}

// run lets time alone do what it does, up to an instant.
func (c *course) run(to time.Time) {
	for _, l := range c.lives {
		l.run(to)
	}
}

func (c *course) finish(end time.Time) {
	c.run(end)
	if c.now.Before(end) {
		c.now = end
	}
	c.entries = nil
}

// again evaluates the drain once more, after an entry of another drain of the patient
// that may have been swapped with a later emptying of this one.
func (c *course) again(e drain.Entry, now time.Time) {
	near := func(o drain.Entry) bool { return !o.At.Before(e.At) && o.At.Sub(e.At) <= apart }
	if e.Kind != drain.Emptying || c.first.IsZero() || !slices.ContainsFunc(c.entries, near) {
		return
	}
	c.run(now)
	c.now = now
	for _, life := range c.lives {
		life.step(now, nil, nil)
	}
}

// apart is how far apart two emptyings are certainly not of one round.
const apart = time.Hour

func (c *course) subject(zone *time.Location) escalate.Subject {
	return escalate.Subject{Drain: c.drain, Placements: c.placements, Entries: c.entries, Zone: zone}
}

// kept is how long after it came out a drain's entries are kept.
const kept = 7 * 24 * time.Hour

func (c *course) forget(now time.Time) {
	var out time.Time
	for _, p := range c.placements {
		if p.End.IsZero() {
			return
		}
		if p.End.After(out) {
			out = p.End
		}
	}
	if len(c.entries) > 0 && len(c.placements) > 0 && now.Sub(out) > kept {
		c.run(now)
		c.entries = nil
		for _, l := range c.lives {
			l.stored = slices.DeleteFunc(l.stored, func(s drain.Concern) bool { return !s.Open() })
		}
	}
}

// patient is in whom the drain is.
func (c *course) patient(now time.Time) string {
	for _, p := range slices.Backward(c.placements) {
		if p.Counts() && !p.Start.After(now) {
			return p.Patient
		}
	}
	return c.drain.Patient
}

// run does what time alone does up to an instant: rules that depend on it, and
// nurses who acknowledge.
func (l *life) run(to time.Time) {
	for {
		at, id := l.wake, ""
		for concern, due := range l.due {
			if at.IsZero() || due.Before(at) || due.Equal(at) && (id == "" || concern < id) {
				at, id = due, concern
			}
		}
		if at.IsZero() || at.After(to) {
			return
		}
		if id != "" {
			l.acknowledge(id, at)
			continue
		}
		l.step(at, nil, nil)
	}
}

func (l *life) acknowledge(id string, at time.Time) {
	delete(l.due, id)
	for i, s := range l.stored {
		if s.ID != id || !s.Open() || s.Acknowledged.Holds() {
			continue
		}
		l.stored[i] = concern.Acknowledge(s, "simulated", at)
		if spell := l.by[id]; spell != nil && spell.acknowledged.IsZero() {
			spell.acknowledged = at
		}
	}
}

// remembered is how long closed concerns are at hand: late entries are seldom
// later than this.
const remembered = 48 * time.Hour

func (l *life) step(now time.Time, charted, withdrawn []string) {
	c := l.c
	subject := c.subject(l.settings.Calendar.Zone)
	if c.beside != nil && escalate.MaySwap(l.settings.Escalate, subject, now) {
		for _, o := range c.beside(c) {
			subject.Siblings = append(subject.Siblings, o.subject(nil).Beside(now))
		}
	}
	step := concern.Advance(concern.Case{
		Settings: l.settings.Concern, Rules: l.settings.Escalate, Policy: l.settings.Version,
		Subject: subject,
		Patient: c.patient(now), Gone: !c.found, Stored: l.stored, Taken: l.taken, Charted: charted, Withdrawn: withdrawn, Now: now,
	})
	if l.wake = step.Wake; !l.wake.IsZero() && !l.wake.After(now) {
		l.wake = now.Add(time.Second) // the service does not look more often
	}
	for _, a := range step.Announcements {
		l.announce(a, now)
	}
	for _, s := range step.Changed {
		spell := l.by[s.ID]
		if spell == nil {
			continue
		}
		for _, e := range s.Evidence {
			if e.Severity.Weight() > spell.rules[e.Rule].Weight() {
				spell.rules[e.Rule] = e.Severity
			}
		}
		if s.Severity.Weight() > spell.worst.Weight() {
			spell.worst = s.Severity
		}
		if spell.to = now; s.Open() {
			spell.to = time.Time{}
		}
	}
	l.stored = slices.DeleteFunc(step.Concerns, func(s drain.Concern) bool { return !s.Open() && s.Until.Before(now.Add(-remembered)) })
}

func (l *life) announce(a concern.Announcement, now time.Time) {
	s := a.Concern
	if l.by[s.ID] == nil {
		l.by[s.ID] = &spell{kind: s.Kind, from: now, told: now, rules: map[string]drain.Severity{}}
		l.spells, l.taken = append(l.spells, l.by[s.ID]), append(l.taken, s.ID)
	}
	t := told{at: now, kind: s.Kind, reason: a.Reason, severity: s.Severity}
	for _, e := range s.Evidence {
		t.rules, t.ruleSeverity = append(t.rules, e.Rule), append(t.ruleSeverity, e.Severity)
	}
	l.told = append(l.told, t)
	if l.c.o.Acknowledge > 0 && s.Open() {
		if _, waits := l.due[s.ID]; !waits {
			l.due[s.ID] = now.Add(l.c.o.Acknowledge)
		}
	}
}
