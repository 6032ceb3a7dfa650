// Package escalate owns the conditions under which a drain needs somebody's
// attention: one small function per rule, in one ordered list, each evaluating what
// is charted of one drain at one instant. It is pure. It keeps no finding from
// one evaluation to the next (raising, updating and closing them is the business
// of package ward), knows no clock, and computes nothing that package balance
// computes.
//
// # What a rule sees
//
// The entries of the drain that count (neither entered in error nor cancelled),
// charted for the current placement and no later than the instant of evaluation.
// Their order of arrival makes no difference. Preliminary entries count, and mark
// a finding that rests on them. A drain that came out in the ordinary way has no
// findings; one that was pulled or fell out has the finding "dislodged" only.
//
// A drain whose placement, or the start of it, is not charted is taken to be in
// place since its first entry, which can only be too late: its real age is
// greater, so that long-dwell and fresh-blood may come late, and the volume of
// its first emptying, of which nobody knows since when it collected, has no rate.
//
// # Spans
//
// A span of the last 24 h at t is (t − 24 h, t]: an emptying exactly 24 h ago is
// out of it, so that emptyings at the same hours every day are counted once. Where
// volumes in spans are compared with each other or with a limit (output-rise,
// brisk-output), each is spread evenly over its interval.
//
// Findings are of two kinds. Those about a state (lost suction, a suspect fluid)
// hold until a later entry shows another state, however long ago the last entry
// is; the finding "stale" then says how much that is worth. Those about an event
// (a brisk output, a doubtful reading, a drain that came out) end by themselves
// after a time that the Rules set. The comment on each rule says which it is and
// when it ends.
//
// # Text
//
// A finding has a headline that can be read out on the telephone, and a text with
// the figures and the threshold that it is about, in whole minutes and millilitres;
// Figures has them exactly. Both say what was charted, never what a patient has.
// They do not depend on the instant of evaluation but for the date, which is said
// where it is not today's: Undated takes that out.
package escalate

import (
	"cmp"
	"slices"
	"time"

	"tidemark/internal/drain"
)

// Caution is to be shown, once, wherever findings or a level are shown.
const Caution = "This service informs, it does not diagnose: local protocol and the licensed clinician decide; when in doubt, go to the bedside."

// Subject is a drain and what is charted of it.
type Subject struct {
	Drain      drain.Drain
	Placements []drain.Placement // of this drain, in any order
	// Entries of this drain, of all kinds and in any order. Rules look back a few
	// days for figures, but to the start of the placement for states: the last
	// known suction may be old.
	Entries []drain.Entry
	Zone    *time.Location // for the times in the text; nil is UTC
	// Cut is from when on Entries holds those of the days that figures are about, where
	// there are more than anybody reads at once; zero: it holds all that it should.
	Cut time.Time
	// Siblings are the patient's other drains; they are not needed where MaySwap says
	// so.
	Siblings []Sibling
}

// Finding is a condition that holds.
type Finding struct {
	Rule     string
	Severity drain.Severity
	// Since is when the condition began, by what is charted now: for a state the
	// first entry of the unbroken run that shows it, for a rule about time the
	// instant at which the limit was passed.
	Since time.Time
	// Headline says it in one line that can be read out on the telephone.
	Headline string
	// Text is one or two sentences with the figures and the threshold.
	Text        string
	Evidence    []string // ids of the Observations that it rests on, by time
	Figures     []Figure // what the text says, for machines
	Preliminary bool     // it rests on a preliminary entry, among others
	// LookAgain is by when somebody has to look at the fluid again; zero: no look is
	// asked for.
	LookAgain time.Time
}

// Figure is a number, or a charted word, that a finding rests on.
type Figure struct {
	Name      string
	Value     string // decimal text, computed rates and shares rounded to 2 places; or a word, or an instant
	Unit      string // UCUM; "" for words
	Threshold string // decimal text in the same unit; "" where there is none
}

// rule is one row of the list.
type rule struct {
	name string
	// check gives the finding, or nil. It leaves Rule to the caller.
	check func(*view) *Finding
	// turns gives moments, those at or before v.now too, at which the condition
	// can begin, end or get worse with nothing charted in between. Nil where only
	// entries change it.
	turns func(*view) []time.Time
	// removed rules evaluate drains that are no longer in place too.
	removed bool
}

// rules in the order in which they are listed and ranked within a severity.
var rules = [...]rule{
	{name: "output-rise", check: outputRise},
	{name: "brisk-output", check: briskOutput, turns: briskTurns},
	{name: "darker", check: darker},
	{name: "fresh-blood", check: freshBlood},
	{name: "suspect-fluid", check: suspectFluid},
	{name: "suction-lost", check: suctionLost},
	{name: "suction-off", check: suctionOff},
	{name: "suction-unknown", check: suctionUnknown},
	{name: "blocked", check: blocked},
	{name: "reservoir-full", check: reservoirFull},
	{name: "reservoir-half", check: reservoirHalf},
	{name: "overdue", check: overdue, turns: overdueTurns},
	{name: "sudden-stop", check: suddenStop},
	{name: "site-signs", check: siteSigns},
	{name: "dislodged", check: dislodged, turns: dislodgedTurns, removed: true},
	{name: "long-dwell", check: longDwell, turns: longDwellTurns},
	{name: "reading-doubt", check: readingDoubt, turns: readingDoubtTurns},
	{name: Stale, check: stale, turns: staleTurns},
}

// Stale is the rule that says that nothing has been charted for too long.
const Stale = "stale"

// RuleNames lists the rules in their order.
func RuleNames() []string {
	names := make([]string, len(rules))
	for i, r := range rules {
		names[i] = r.name
	}
	return names
}

// Evaluate gives the conditions that hold at now, the most severe first and in
// the order of RuleNames within a severity.
func Evaluate(r Rules, s Subject, now time.Time) []Finding { return look(r, s, now).findings() }

// NextChange gives the earliest instant after now at which Evaluate may answer
// differently although nothing is charted: a limit is passed, a finding about an
// event ends, an entry or a placement dated ahead begins to count. Until then
// Evaluate answers as at now. It is false where nothing will change by itself.
//
// A limit that must be exceeded is first exceeded a nanosecond after it, so the
// instant may be that much past a full minute. A caller that keeps time more
// coarsely rounds up.
func NextChange(r Rules, s Subject, now time.Time) (next time.Time, ok bool) {
	_, next, ok = EvaluateWithNext(r, s, now)
	return next, ok
}

// EvaluateWithNext is Evaluate and NextChange at once, for less work.
func EvaluateWithNext(r Rules, s Subject, now time.Time) (findings []Finding, next time.Time, ok bool) {
	v := look(r, s, now)
	findings = v.findings()
	next, ok = v.nextChange()
	return findings, next, ok
}

func (v *view) findings() []Finding {
	var findings []Finding
	for _, rule := range rules {
		if !v.applies(rule) {
			continue
		}
		if f := rule.check(v); f != nil {
			f.Rule = rule.name
			if f.Preliminary {
				f.Text += " It rests on a preliminary entry."
			}
			findings = append(findings, *f)
		}
	}
	slices.SortStableFunc(findings, func(a, b Finding) int {
		return cmp.Compare(b.Severity.Weight(), a.Severity.Weight())
	})
	return findings
}

func (v *view) nextChange() (time.Time, bool) {
	var next time.Time
	consider := func(t time.Time) {
		if t.After(v.now) && (next.IsZero() || t.Before(next)) {
			next = t
		}
	}
	for _, p := range v.subject.Placements {
		if p.Counts() {
			consider(p.Start)
			consider(p.End)
		}
	}
	for i := range v.subject.Entries {
		if e := &v.subject.Entries[i]; e.At.After(v.now) && e.Counts() {
			consider(e.At)
		}
	}
	for _, rule := range rules {
		if rule.turns == nil || !v.applies(rule) {
			continue
		}
		for _, t := range rule.turns(v) {
			consider(t)
		}
	}
	return next, !next.IsZero()
}
