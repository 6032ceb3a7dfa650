// Package concern owns what people are told: it makes of the findings of package
// escalate one concern a drain and respect, and says when a concern opens, gets
// worse, falls, closes, comes back, and when that is announced. It is pure, and
// there is no second evaluator: the service, its sweep and a replay of a hospital's
// own entries all call Advance.
//
// # The life of a concern
//
// It is open while any of its rules holds, and has the severity of the worst of
// them now. A return soon after the end is the same concern again. What held for a
// time that had passed when it was charted is a concern that opens and closes in
// one step.
//
// # Announcements
//
// It is announced when it opens, when its severity rises, when a rule of high
// severity joins and when it closes; a high one that nobody acknowledges is
// announced again after a time, and then every time so much later. After an
// acknowledgement it is quiet until it gets worse than it was then.
//
// One event makes one call: that a bleed filled the reservoir to the brim is said
// with the bleed. A function concern of nothing else opens without a word, as long
// as the emptying is evidence of an open fluid concern that is no less severe.
package concern

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"
	"unicode/utf8"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/window"
)

// Settings say when people are told. All are OURS: no published source.
type Settings struct {
	Reopen            time.Duration // a return so soon after its end opens the same concern again
	AcknowledgeWithin time.Duration // a high one that nobody acknowledged so soon is announced again; 0: never
	// Again is how much more fluid since an acknowledgement makes a fluid concern
	// worse; 0: the smallest volume of the rule brisk-output.
	Again drain.Volume
	// Late is after how long an entry counts as charted late: what held in between
	// and is over is then looked for.
	Late time.Duration
}

// Defaults are the settings that the service ships with.
func Defaults() Settings {
	return Settings{Reopen: 2 * time.Hour, AcknowledgeWithin: 30 * time.Minute, Late: 15 * time.Minute}
}

// Reasons for an announcement.
const (
	Opened   = "opened"
	Worse    = "worse"
	Joined   = "joined"   // a rule of high severity joined
	Repeated = "repeated" // high, and nobody acknowledged it in time
	Closed   = "closed"
	Late     = "charted-late" // was so, charted late: opened and closed in one step
)

// Announcement is what people are told, with the concern as it then is.
type Announcement struct {
	Concern drain.Concern
	Reason  string
}

// Case is a drain at an instant, and what is known of its concerns so far.
type Case struct {
	Settings Settings
	Rules    escalate.Rules
	Policy   string // version of the policy that these are of
	Subject  escalate.Subject
	Patient  string // in whom the drain is; a concern of another's closes
	Gone     bool   // the drain itself was withdrawn: everything closes
	// Stored are the drain's concerns: the open ones, and those that ended within
	// Since of this case. More does no harm.
	Stored []drain.Concern
	Taken  []string // ids of concerns that Stored leaves out, or that were erased
	// Charted are the ids of the readings that this step adds or changes, Withdrawn
	// of those that it corrects or takes back, or that are known to be gone.
	Charted, Withdrawn []string
	// Known is from when on the case holds all entries of the stay; before it only
	// those on which an open concern rests. Zero: all.
	Known time.Time
	Now   time.Time
}

// Step is what became of the concerns.
type Step struct {
	Concerns      []drain.Concern // those of the case, with what is new and changed
	Changed       []drain.Concern // of these, what has to be kept; new ones have version 0
	Announcements []Announcement
	Wake          time.Time // when time alone may change something; zero: never
}

// Since is from when on concerns that have ended matter for the case.
func (c Case) Since() time.Time {
	since := c.Now
	if from, late := c.late(); late {
		since = from
	}
	return since.Add(-c.Settings.Reopen)
}

// late gives the earliest of the charted readings, and whether it was charted late.
func (c Case) late() (from time.Time, late bool) {
	if len(c.Charted) == 0 {
		return c.Now, false
	}
	from = c.Now
	for _, e := range c.Subject.Entries {
		if e.Counts() && e.At.Before(from) && slices.Contains(c.Charted, e.ID) {
			from = e.At
		}
	}
	return from, c.Now.Sub(from) > c.Settings.Late
}

// Advance brings the concerns of a drain up to date.
func Advance(c Case) Step {
	a := &advance{Case: c}
	a.Now = c.Now.UTC().Truncate(time.Millisecond) // what a resource can show
	a.stay = c.Subject.Stay(c.Now)
	var found []escalate.Finding
	if !c.Gone {
		var next time.Time
		var ok bool
		if found, next, ok = escalate.EvaluateWithNext(c.Rules, c.Subject, c.Now); ok {
			a.wake(next)
		}
	}
	a.past = a.episodes(found)
	for _, kind := range Kinds() {
		a.kind(kind, a.evidence(kind, found))
	}
	for _, old := range c.Stored {
		if !a.done[old.ID] {
			a.step.Concerns = append(a.step.Concerns, old)
		}
	}
	slices.SortFunc(a.step.Concerns, byStart)
	return a.step
}

// byStart is the order in which concerns began; of those that began together, the one
// that is open comes last.
func byStart(a, b drain.Concern) int {
	open := func(c drain.Concern) int {
		if c.Open() {
			return 1
		}
		return 0
	}
	return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(open(a), open(b)), cmp.Compare(a.ID, b.ID))
}

type advance struct {
	Case
	stay escalate.Stay
	past map[string][]episode
	done map[string]bool // concerns that the step has dealt with
	step Step
}

func (a *advance) wake(at time.Time) {
	if a.step.Wake.IsZero() || at.Before(a.step.Wake) {
		a.step.Wake = at
	}
}

// held is what holds of one kind, the worst first.
type held struct {
	evidence  []drain.Evidence
	headlines []string // of each
}

func (h held) severity() drain.Severity { return h.evidence[0].Severity }

func (h held) since() time.Time {
	since := h.evidence[0].Since
	for _, e := range h.evidence {
		if e.Since.Before(since) {
			since = e.Since
		}
	}
	return since
}

// evidence gives the findings of a kind, in their order: the worst first.
func (a *advance) evidence(kind string, found []escalate.Finding) (h held) {
	for _, f := range found {
		if KindOf(f.Rule) != kind {
			continue
		}
		h.headlines = append(h.headlines, cut(cmp.Or(f.Headline, f.Text)))
		h.evidence = append(h.evidence, drain.Evidence{
			Rule: f.Rule, Severity: f.Severity, Since: f.Since.UTC().Truncate(time.Millisecond), Text: f.Text,
			Readings: slices.Compact(slices.Sorted(slices.Values(some(f.Evidence)))),
		})
	}
	return h
}

// MostReadings is how many readings a rule's evidence names: of a state that has
// lasted for weeks, the first, since which it is so, and the latest.
const MostReadings = 32

func some(readings []string) []string {
	if n := len(readings); n > MostReadings {
		return append([]string{readings[0]}, readings[n-MostReadings+1:]...)
	}
	return readings
}

// longest is how long a headline may be, in characters.
const longest = 120

func cut(s string) string {
	if utf8.RuneCountInString(s) <= longest {
		return s
	}
	return string([]rune(s)[:longest-1]) + "…"
}

// kind brings the concern of one kind up to date.
func (a *advance) kind(kind string, h held) {
	// Where there are several, of two processes or of a time when each rule had an
	// issue of its own, they become one.
	var going []drain.Concern
	for _, old := range a.Stored {
		switch {
		case !old.Open() || cmp.Or(KindOf(old.Kind), old.Kind) != kind:
		case len(h.evidence) > 0 && old.Patient == a.Patient:
			going = append(going, old)
		default:
			a.keep(old, a.end(old))
		}
	}
	slices.SortFunc(going, byStart)
	switch old, back := a.returning(kind, h); {
	case len(going) > 0:
		first := going[0]
		for _, other := range going[1:] {
			if first.Acknowledged.Holds() && other.Acknowledged.Holds() {
				first.Acknowledged.High = slices.Compact(slices.Sorted(slices.Values(slices.Concat(first.Acknowledged.High, other.Acknowledged.High))))
			}
			merged := other
			if merged.Until = a.Now; merged.Until.Before(merged.Since) {
				merged.Until = merged.Since
			}
			a.keep(other, merged)
		}
		a.keep(going[0], a.goOn(first, kind, h))
	case back:
		a.keep(old, a.goOn(old, kind, h))
	case len(h.evidence) > 0:
		a.keep(drain.Concern{}, a.open(kind, h))
	}
	untouched := slices.DeleteFunc(slices.Clone(a.Stored), func(c drain.Concern) bool { return a.done[c.ID] })
	for _, e := range a.past[kind] {
		if e.until.IsZero() || e.known(a.step.Concerns) || e.known(untouched) {
			continue
		}
		c := a.open(kind, e.worst)
		c.Since, c.Until = e.since, e.until
		c.Headline = cut(fmt.Sprintf("charted late, was so %s to %s: %s", a.clock(e.since), a.clock(e.until), e.worst.headlines[0]))
		c.Announced.Reason = Late
		c.ID = a.id(fmt.Sprintf("%s|late|%d", kind, e.since.UnixMilli()))
		a.keep(drain.Concern{}, c)
	}
}

// keep notes what became of a concern, and announces it where it says so.
func (a *advance) keep(old, c drain.Concern) {
	if a.done == nil {
		a.done = map[string]bool{}
	}
	a.done[c.ID] = true
	a.step.Concerns = append(a.step.Concerns, c)
	if !same(old, c) {
		a.step.Changed = append(a.step.Changed, c)
	}
	if !c.Announced.At.Equal(old.Announced.At) {
		a.step.Announcements = append(a.step.Announcements, Announcement{c, c.Announced.Reason})
	}
	if at := a.repeatAt(c); !at.IsZero() {
		a.wake(at)
	}
}

func same(a, b drain.Concern) bool {
	return a.ID == b.ID && a.Kind == b.Kind && a.Severity == b.Severity && a.Since.Equal(b.Since) && a.Until.Equal(b.Until) && a.Withdrawn == b.Withdrawn && a.Headline == b.Headline &&
		a.Announced.At.Equal(b.Announced.At) && a.Acknowledged.Void == b.Acknowledged.Void && a.Policy == b.Policy &&
		slices.EqualFunc(a.Evidence, b.Evidence, func(a, b drain.Evidence) bool {
			return a.Rule == b.Rule && a.Severity == b.Severity && a.Since.Equal(b.Since) && a.Text == b.Text && slices.Equal(a.Readings, b.Readings)
		})
}

// repeatAt is when a concern is to be announced again although nothing changes.
func (a *advance) repeatAt(c drain.Concern) time.Time {
	if !c.Open() || c.Severity != drain.High || c.Acknowledged.Holds() || a.Settings.AcknowledgeWithin <= 0 {
		return time.Time{}
	}
	return c.Announced.At.Add(a.Settings.AcknowledgeWithin)
}

func (a *advance) open(kind string, h held) drain.Concern {
	c := drain.Concern{
		ID: a.id(kind), Drain: a.Subject.Drain.ID, Patient: a.Patient, Kind: kind, Severity: h.severity(), Since: a.start(kind, h),
		Headline: h.headlines[0], Evidence: h.evidence, Announced: drain.Announced{At: a.Now, Reason: Opened}, Policy: a.Policy,
	}
	if a.told(c) {
		c.Announced = drain.Announced{}
	}
	return c
}

// told reports whether people hear of it by a fluid concern: it says nothing but
// that the emptying filled the reservoir which shows that one too.
func (a *advance) told(c drain.Concern) bool {
	full := func(e drain.Evidence) bool { return e.Rule == "reservoir-full" || e.Rule == "reservoir-half" }
	return c.Kind == Function && slices.ContainsFunc(a.step.Concerns, func(fluid drain.Concern) bool {
		return fluid.Kind == Fluid && fluid.Open() && fluid.Severity.Weight() >= c.Severity.Weight() &&
			!slices.ContainsFunc(c.Evidence, func(e drain.Evidence) bool {
				return !full(e) || !slices.ContainsFunc(e.Readings, fluid.Rests)
			})
	})
}

// id is the first free one of the drain and kind, whatever the time: two processes
// that have seen the same concerns collide instead of both opening one.
func (a *advance) id(kind string) string {
	for n := 0; ; n++ {
		sum := sha256.Sum256(fmt.Appendf(nil, "%s|%s|%d", a.Subject.Drain.ID, kind, n))
		id := hex.EncodeToString(sum[:16])
		if !a.done[id] && !slices.Contains(a.Taken, id) && !slices.ContainsFunc(a.Stored, func(c drain.Concern) bool { return c.ID == id }) {
			return id
		}
	}
}

// returning gives the concern of the kind that ended so shortly before that it is
// the same one again.
func (a *advance) returning(kind string, h held) (last drain.Concern, found bool) {
	if len(h.evidence) == 0 {
		return last, false
	}
	since := h.since()
	for _, c := range a.Stored {
		if c.Kind == kind && c.Patient == a.Patient && !c.Open() && !c.Withdrawn && !c.Until.Add(a.Settings.Reopen).Before(since) && (!found || c.Until.After(last.Until)) {
			last, found = c, true
		}
	}
	return last, found
}

// start is since when the kind has held without a break, as far as this step knows.
func (a *advance) start(kind string, h held) time.Time {
	since := h.since()
	for _, e := range a.past[kind] {
		if e.until.IsZero() && e.since.Before(since) {
			since = e.since
		}
	}
	return since
}

// goOn brings a concern up to what holds now.
func (a *advance) goOn(old drain.Concern, kind string, h held) drain.Concern {
	c := old
	c.Kind, c.Severity, c.Headline, c.Policy = kind, h.severity(), h.headlines[0], a.Policy
	c.Until, c.Withdrawn = time.Time{}, false
	c.Evidence = slices.Clone(h.evidence)
	for i := range c.Evidence {
		// Of what is so since nobody knows when, a rule has no start but the instant of
		// evaluation, time after time. And what began before all that the case holds
		// began when it was seen to.
		e := &c.Evidence[i]
		for _, was := range old.Evidence {
			if was.Rule == e.Rule && was.Since.Before(e.Since) && (len(e.Readings) == 0 && e.Since.Equal(a.Now) || was.Since.Before(a.Known)) {
				e.Since = was.Since
			}
		}
	}
	keepWords(&c, old)
	// What rests on a reading that was put right begins where the chart has it now.
	since := a.start(c.Kind, held{evidence: c.Evidence})
	if c.Since = since; old.Since.Before(since) && !a.withdrawn(old) {
		c.Since = old.Since
	}
	if reason, why := a.news(old, c, h); reason != "" {
		c.Announced = a.announce(old, reason)
		if old.Acknowledged.Holds() && why != "" {
			c.Acknowledged.Void = fmt.Sprintf("acknowledged %s, %s", a.clock(old.Acknowledged.At), why)
		}
	}
	return c
}

// keepWords leaves the words as they were where only their dates would change, so
// that midnight makes no new version.
func keepWords(c *drain.Concern, old drain.Concern) {
	for i := range c.Evidence {
		e := &c.Evidence[i]
		for j, was := range old.Evidence {
			if was.Rule != e.Rule || !was.Since.Equal(e.Since) || !slices.Equal(was.Readings, e.Readings) || escalate.Undated(was.Text) != escalate.Undated(e.Text) {
				continue
			}
			e.Text = was.Text
			if i == 0 && j == 0 && escalate.Undated(c.Headline) == escalate.Undated(old.Headline) {
				c.Headline = old.Headline
			}
		}
	}
}

// news says why a concern that goes on has to be announced, "" for not, and what
// makes an acknowledgement void.
func (a *advance) news(old, c drain.Concern, h held) (reason, why string) {
	ack := old.Acknowledged
	switch {
	case !old.Open():
		return Opened, "came back " + a.clock(a.Now)
	case c.Kind == Function && old.Announced.At.IsZero() && !ack.Holds() && !a.told(c):
		return Opened, ""
	}
	known := ack.High
	if !ack.Holds() {
		known = highs(old)
	}
	joined := slices.IndexFunc(c.Evidence, func(e drain.Evidence) bool { return e.Severity == drain.High && !slices.Contains(known, e.Rule) })
	if ack.Holds() {
		switch {
		case c.Severity.Weight() > ack.Severity.Weight():
			return Worse, "worse since: " + h.headlines[0]
		case joined >= 0:
			return Joined, "worse since: " + h.headlines[joined]
		}
		if more := a.since(ack.At); c.Kind == Fluid && more.Cmp(a.again()) >= 0 && a.again().Sign() > 0 {
			return Worse, "worse since: " + more.About()
		}
		return "", ""
	}
	switch at := a.repeatAt(c); {
	case c.Severity.Weight() > old.Severity.Weight():
		return Worse, ""
	case joined >= 0:
		return Joined, ""
	case !at.IsZero() && !a.Now.Before(at):
		return Repeated, ""
	}
	return "", ""
}

// highs are the rules of high severity behind a concern.
func highs(c drain.Concern) []string {
	var rules []string
	for _, e := range c.Evidence {
		if e.Severity == drain.High {
			rules = append(rules, e.Rule)
		}
	}
	slices.Sort(rules)
	return rules
}

// Acknowledge notes that somebody saw to a concern as it is.
func Acknowledge(c drain.Concern, by string, at time.Time) drain.Concern {
	c.Acknowledged = drain.Acknowledged{At: at.UTC().Truncate(time.Millisecond), By: by, Severity: c.Severity, High: highs(c)}
	return c
}

func (a *advance) again() drain.Volume {
	if a.Settings.Again.Sign() > 0 {
		return a.Settings.Again
	}
	var least drain.Volume
	for i, b := range a.Rules.Brisk {
		if i == 0 || b.Volume.Cmp(least) < 0 {
			least = b.Volume
		}
	}
	return least
}

// since is how much fluid came after an instant.
func (a *advance) since(at time.Time) (sum drain.Volume) {
	for _, e := range a.Subject.Entries {
		if e.Kind != drain.Emptying || !e.Counts() || !e.At.After(at) || e.At.After(a.Now) {
			continue
		}
		if v, ok := e.Net(); ok {
			sum = sum.Add(v)
		}
	}
	return sum
}

// end closes a concern of which nothing holds any more.
func (a *advance) end(old drain.Concern) drain.Concern {
	c := old
	c.Until = a.Now
	if c.Withdrawn = a.Gone || a.withdrawn(old); !c.Withdrawn && old.Patient == a.Patient {
		if at, ok := a.ended(old.Kind); ok {
			c.Until = at
		}
	}
	if c.Until.Before(c.Since) {
		c.Until = c.Since // the clock of another machine was ahead
	}
	if !old.Announced.At.IsZero() { // of what nobody was told, nobody is told that it is over
		c.Announced = a.announce(old, Closed)
	}
	return c
}

// announce gives the time of an announcement: now, and behind the one before,
// since by it announcements are told apart.
func (a *advance) announce(old drain.Concern, reason string) drain.Announced {
	at := a.Now
	if soonest := old.Announced.At.Add(time.Millisecond); at.Before(soonest) {
		at = soonest
	}
	return drain.Announced{At: at, Reason: reason}
}

// withdrawn reports whether a reading that the concern rests on was withdrawn.
func (a *advance) withdrawn(c drain.Concern) bool {
	return slices.ContainsFunc(a.Withdrawn, c.Rests)
}

// clock words an instant on the ward's clock, with the date where it is another day.
func (a *advance) clock(t time.Time) string {
	zone := a.Subject.Zone
	if zone == nil {
		zone = time.UTC
	}
	return window.Clock(t, a.Now.In(zone))
}
