package concern_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

var t0 = time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC)

// bedside charts one drain and lets the concerns follow, as the service does.
type bedside struct {
	*testing.T
	now      time.Time
	subject  escalate.Subject
	concerns []drain.Concern
	told     []string // reason, kind, severity of every announcement
	patient  string
}

func newBedside(t *testing.T) *bedside {
	return &bedside{T: t, now: t0, patient: "p", subject: escalate.Subject{
		Drain:      drain.Drain{ID: "d", Active: true, Capacity: drain.MLInt(400)},
		Placements: []drain.Placement{{ID: "u", Drain: "d", Patient: "p", Status: drain.PlacementActive, Start: t0.Add(-4 * time.Hour)}},
		// Something recent, so that nothing about time holds.
		Entries: []drain.Entry{emptied("before", 0, 10)},
	}}
}

func hours(h float64) time.Time { return t0.Add(time.Duration(h * float64(time.Hour))) }

func emptied(id string, at float64, ml int64) drain.Entry {
	return drain.Entry{ID: id, Kind: drain.Emptying, Drain: "d", Patient: "p", At: hours(at), Status: "final", Suction: drain.Charged, Measured: drain.Measure{Known: true, Volume: drain.MLInt(ml)}}
}

func looked(id string, at float64, s drain.Suction) drain.Entry {
	return drain.Entry{ID: id, Kind: drain.Check, Drain: "d", Patient: "p", At: hours(at), Status: "final", Suction: s}
}

func bloody(e drain.Entry) drain.Entry { e.Appearance = drain.Sanguineous; return e }
func clear(e drain.Entry) drain.Entry  { e.Appearance = drain.Serous; return e }

func site(id string, at float64, signs ...drain.Sign) drain.Entry {
	return drain.Entry{ID: id, Kind: drain.Site, Drain: "d", Patient: "p", At: hours(at), Status: "final", Assessed: true, Signs: signs}
}

// chart adds the entries at an hour, or puts them in place of those of their ids.
func (b *bedside) chart(at float64, entries ...drain.Entry) concern.Step {
	b.Helper()
	b.now = hours(at)
	var charted, withdrawn []string
	for _, e := range entries {
		if i := slices.IndexFunc(b.subject.Entries, func(o drain.Entry) bool { return o.ID == e.ID }); i >= 0 {
			b.subject.Entries[i] = e
			withdrawn = append(withdrawn, e.ID)
		} else {
			b.subject.Entries = append(b.subject.Entries, e)
		}
		charted = append(charted, e.ID)
	}
	return b.step(charted, withdrawn)
}

// wait lets time pass.
func (b *bedside) wait(until float64) concern.Step {
	b.Helper()
	b.now = hours(until)
	return b.step(nil, nil)
}

func (b *bedside) state(charted, withdrawn []string) concern.Case {
	return concern.Case{Settings: concern.Defaults(), Rules: escalate.Defaults(), Policy: "v1", Subject: b.subject, Patient: b.patient,
		Stored: b.concerns, Charted: charted, Withdrawn: withdrawn, Now: b.now}
}

func (b *bedside) step(charted, withdrawn []string) concern.Step {
	b.Helper()
	s := concern.Advance(b.state(charted, withdrawn))
	for _, a := range s.Announcements {
		b.told = append(b.told, fmt.Sprint(a.Reason, " ", a.Concern.Kind, " ", a.Concern.Severity))
	}
	b.concerns = s.Concerns
	if again := concern.Advance(b.state(charted, withdrawn)); len(again.Changed)+len(again.Announcements) > 0 {
		b.Errorf("the same step again changes %+v", again.Changed)
	} else if diff := cmp.Diff(s.Concerns, again.Concerns); diff != "" {
		b.Error("the same step again", diff)
	}
	return s
}

func (b *bedside) acknowledge(at float64, kind string) {
	b.Helper()
	for i, c := range b.concerns {
		if c.Kind == kind && c.Open() {
			b.concerns[i] = concern.Acknowledge(c, "Practitioner/n1", hours(at))
			return
		}
	}
	b.Fatalf("no open concern %s", kind)
}

// heard checks what was announced since the last call.
func (b *bedside) heard(want ...string) {
	b.Helper()
	if diff := cmp.Diff(want, b.told); diff != "" && len(want)+len(b.told) > 0 {
		b.Errorf("announced (- want):\n%s", diff)
	}
	b.told = nil
}

// are checks the concerns of a kind: severity, rules, from and to in hours.
func (b *bedside) are(kind string, want ...string) {
	b.Helper()
	var got []string
	for _, c := range b.concerns {
		if c.Kind != kind {
			continue
		}
		words := []string{string(c.Severity)}
		for _, e := range c.Evidence {
			words = append(words, e.Rule)
		}
		words = append(words, fmt.Sprintf("%g-", c.Since.Sub(t0).Hours()))
		if !c.Open() {
			words[len(words)-1] += fmt.Sprintf("%g", c.Until.Sub(t0).Hours())
		}
		if c.Withdrawn {
			words = append(words, "withdrawn")
		}
		got = append(got, strings.Join(words, " "))
	}
	if diff := cmp.Diff(want, got); diff != "" && len(want)+len(got) > 0 {
		b.Errorf("concerns %s (- want):\n%s", kind, diff)
	}
}

func (b *bedside) one(kind string) drain.Concern {
	b.Helper()
	i := slices.IndexFunc(b.concerns, func(c drain.Concern) bool { return c.Kind == kind })
	if i < 0 {
		b.Fatalf("no concern %s", kind)
	}
	return b.concerns[i]
}

func TestEveryRuleHasAKind(t *testing.T) {
	for _, r := range escalate.RuleNames() {
		if !slices.Contains(concern.Kinds(), concern.KindOf(r)) {
			t.Errorf("the rule %s belongs to no concern", r)
		}
	}
}

func TestOpensAndCloses(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.are("function", "high suction-lost 1-")
	b.heard("opened function high")
	if c := b.one("function"); c.Patient != "p" || c.Drain != "d" || c.Policy != "v1" || c.Headline == "" || len([]rune(c.Headline)) > 120 || !c.Rests("c1") {
		t.Errorf("%+v", c)
	}
	b.chart(1.25, looked("c2", 1.25, drain.Lost))
	b.are("function", "high suction-lost 1-")
	b.heard()
	b.chart(1.5, looked("c3", 1.5, drain.Charged))
	b.are("function", "high suction-lost 1-1.5")
	b.heard("closed function high")
}

func TestComesBack(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.acknowledge(1.1, "function")
	b.chart(1.2, looked("c2", 1.2, drain.Charged))
	b.chart(3.2, looked("c3", 3.2, drain.Lost)) // two hours to the minute
	b.are("function", "high suction-lost 1-")
	b.heard("opened function high", "closed function high", "opened function high")
	if got := b.one("function").Acknowledged.Void; got != "acknowledged 08:06, came back 10:12" {
		t.Error(got)
	}
	b.chart(3.3, looked("c4", 3.3, drain.Charged))
	b.chart(5.4, looked("c5", 5.4, drain.Lost), emptied("e", 3.9, 10))
	b.are("function", "high suction-lost 1-3.3", "high suction-lost 5.4-")
}

func TestRisesAndFalls(t *testing.T) {
	b := newBedside(t)
	b.chart(1, site("s1", 1, drain.Redness))
	b.chart(1.2, site("s2", 1.2, drain.Redness, drain.Warmth))
	b.are("site", "high site-signs 1-")
	b.heard("opened site moderate", "worse site high")
	b.chart(1.4, site("s3", 1.4, drain.Redness))
	b.are("site", "moderate site-signs 1-")
	b.heard()
	b.chart(1.6, site("s4", 1.6))
	b.heard("closed site moderate")
}

func TestQuietAfterAcknowledgement(t *testing.T) {
	b := newBedside(t)
	b.chart(1, site("s1", 1, drain.Redness, drain.Warmth))
	b.heard("opened site high")
	b.wait(1.4)
	b.heard()
	if s := b.wait(1.5); !s.Wake.Equal(hours(2)) {
		t.Errorf("looks again at %s", s.Wake)
	}
	b.heard("repeated site high")
	b.wait(2.3) // late, for whatever reason: once
	b.heard("repeated site high")
	b.acknowledge(2.4, "site")
	b.wait(3.5)
	b.chart(3.6, site("s2", 3.6, drain.Redness))
	b.chart(3.7, site("s3", 3.7, drain.Redness, drain.Warmth, drain.Swelling))
	b.heard() // as bad as when it was acknowledged
	if !b.one("site").Acknowledged.Holds() {
		t.Error("the acknowledgement does not hold")
	}
	b.wait(3.9)
	b.heard()
}

// A moderate concern that was acknowledged and becomes high.
func TestWorseThanAcknowledged(t *testing.T) {
	b := newBedside(t)
	b.chart(1, site("s1", 1, drain.Redness))
	b.acknowledge(1.1, "site")
	b.chart(1.2, site("s2", 1.2, drain.Redness, drain.Warmth))
	b.heard("opened site moderate", "worse site high")
	if ack := b.one("site").Acknowledged; ack.Holds() || !strings.HasPrefix(ack.Void, "acknowledged 08:06, worse since: ") {
		t.Errorf("%+v", ack)
	}
	b.wait(1.7)
	b.heard("repeated site high")
	b.acknowledge(1.8, "site")
	b.wait(3)
	b.heard()
	if ack := b.one("site").Acknowledged; !ack.Holds() {
		t.Errorf("%+v", ack)
	}
}

// A bleed: one concern, one announcement, one acknowledgement; then as much again
// as the policy's brisk volume, in whatever time.
func TestBleed(t *testing.T) {
	b := newBedside(t)
	b.chart(1, bloody(emptied("e1", 1, 110)))
	b.heard("opened fluid high")
	b.acknowledge(1.2, "fluid")
	b.chart(2, bloody(emptied("e2", 2, 50)))
	b.chart(3, bloody(emptied("e3", 3, 49)))
	b.heard()
	b.chart(3.5, bloody(emptied("e4", 3.5, 21)))
	b.heard("worse fluid high")
	if got := b.one("fluid").Acknowledged.Void; got != "acknowledged 08:12, worse since: 120 mL" {
		t.Error(got)
	}
	for _, c := range b.concerns {
		if c.Kind == concern.Fluid && c.ID != b.one("fluid").ID {
			t.Errorf("another concern: %+v", c)
		}
	}
}

// A bleed that fills the reservoir is one call. When the bleeding is over and the
// reservoir is found full again, that is another.
func TestFullByABleedIsOneCall(t *testing.T) {
	b := newBedside(t)
	b.subject.Drain.Capacity = drain.MLInt(100)
	b.subject.Entries = append(b.subject.Entries, clear(emptied("e0", 0.5, 1)))
	s := b.chart(1, bloody(emptied("e1", 1, 110)))
	b.heard("opened fluid high")
	if i := slices.IndexFunc(s.Concerns, func(c drain.Concern) bool { return c.Kind == concern.Function && c.Open() && c.Holds("reservoir-full") }); i < 0 {
		t.Errorf("the reservoir is not said to be full: %+v", s.Concerns)
	}
	b.acknowledge(1.1, concern.Fluid)
	b.chart(5, clear(emptied("e2", 5, 5))) // brisk-output lasts, the reservoir is no longer full
	b.heard()
	b.are(concern.Function, "moderate reservoir-full 1-5")
	b.wait(29.5)
	b.told = nil
	b.chart(30, clear(emptied("e3", 30, 100)))
	b.heard("closed fluid high", "opened function moderate", "closed charting moderate")
}

// A reservoir that is full for another reason is announced.
func TestFullAloneIsAnnounced(t *testing.T) {
	b := newBedside(t)
	b.subject.Drain.Capacity = drain.MLInt(100)
	b.chart(10, emptied("e1", 10, 100))
	b.heard("opened function moderate")
}

// At midnight the words would get a date; that is no news and no new version.
func TestMidnight(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.acknowledge(1.1, concern.Function)
	for _, h := range []float64{16.5, 17.1} { // midnight is at +17 h
		if s := b.wait(h); slices.ContainsFunc(s.Changed, func(c drain.Concern) bool { return c.Kind == concern.Function }) && h > 17 {
			t.Errorf("at %v: %+v", h, s.Changed)
		}
	}
	s := b.chart(17.2, looked("c2", 17.2, drain.Lost)) // something new says when
	if i := slices.IndexFunc(s.Changed, func(c drain.Concern) bool { return c.Kind == concern.Function }); i < 0 || !strings.Contains(s.Changed[i].Evidence[0].Text, "08:00 on 2 Nov") {
		t.Errorf("%+v", s.Changed)
	}
}

func TestHighRuleJoins(t *testing.T) {
	b := newBedside(t)
	b.chart(1, clear(emptied("e1", 1, 110)))
	b.heard("opened fluid high")
	b.chart(1.5, drain.Entry{ID: "e2", Kind: drain.Check, Drain: "d", Patient: "p", At: hours(1.5), Status: "final", Appearance: drain.Feculent})
	b.heard("joined fluid high")
	b.acknowledge(1.6, "fluid")
	b.chart(1.7, bloody(looked("e3", 1.7, drain.Charged)))
	b.heard("joined fluid high")
	if ack := b.one("fluid").Acknowledged; ack.Holds() {
		t.Errorf("%+v", ack)
	}
}

func TestWithdrawn(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.told = nil
	wrong := looked("c1", 1, drain.Lost)
	wrong.Status = "entered-in-error"
	b.chart(1.1, wrong)
	b.are("function", "high suction-lost 1-1.1 withdrawn")
	b.heard("closed function high")
	// What was withdrawn does not come back.
	b.chart(1.2, looked("c2", 1.2, drain.Lost))
	b.are("function", "high suction-lost 1-1.1 withdrawn", "high suction-lost 1.2-")
}

func TestTheStartIsWhereTheChartHasItNow(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.chart(2, looked("c2", 2, drain.Lost))
	b.chart(2.1, looked("c0", 0.5, drain.Lost))
	b.are("function", "high suction-lost 0.5-")
	b.chart(2.2, looked("c0", 0.5, drain.Charged))
	b.are("function", "high suction-lost 1-")
}

// Blood at 03:00, clear at 07:00, both charted at noon, in one step or in
// whichever order.
func TestWasSoChartedLate(t *testing.T) {
	dark, light := bloody(emptied("dark", 20, 10)), clear(emptied("light", 24, 10))
	calm := func(b *bedside) {
		for _, h := range []float64{4, 8, 12, 16, 28} {
			b.chart(h, clear(emptied(fmt.Sprint("calm", h), h, 10)))
		}
		b.told = nil
	}
	t.Run("in one step", func(t *testing.T) {
		b := newBedside(t)
		calm(b)
		b.chart(29, dark, light)
		b.are("fluid", "high "+rules(b, "fluid")+" 20-24")
		b.heard("charted-late fluid high")
		if got := b.one("fluid").Headline; !strings.HasPrefix(got, "charted late, was so 03:00 to 07:00: ") {
			t.Error(got)
		}
		b.chart(29.1, clear(emptied("another", 28.9, 1)))
		b.heard()
	})
	t.Run("the end first", func(t *testing.T) {
		b := newBedside(t)
		calm(b)
		b.chart(29, light)
		b.chart(29, dark)
		b.are("fluid", "high "+rules(b, "fluid")+" 20-24")
		b.heard("charted-late fluid high")
	})
	t.Run("before there is an end", func(t *testing.T) {
		b := newBedside(t)
		for _, h := range []float64{4, 8, 12, 16} {
			b.chart(h, clear(emptied(fmt.Sprint("calm", h), h, 10)))
		}
		b.told = nil
		b.chart(29, dark)
		b.chart(29, light)
		b.are("fluid", "high "+rules(b, "fluid")+" 20-24")
		b.told = slices.DeleteFunc(b.told, func(s string) bool { return strings.Contains(s, "charting") })
		b.heard("opened fluid high", "closed fluid high")
	})
	t.Run("lost suction", func(t *testing.T) {
		b := newBedside(t)
		calm(b)
		b.chart(29, looked("lost", 20, drain.Lost), looked("back", 22, drain.Charged))
		b.are("function", "high suction-lost 20-22")
		b.heard("charted-late function high")
	})
	t.Run("in time", func(t *testing.T) {
		b := newBedside(t)
		b.chart(0.2, looked("lost", 0.1, drain.Lost), looked("back", 0.15, drain.Charged))
		b.are("function")
		b.heard()
	})
	t.Run("corrected later", func(t *testing.T) {
		b := newBedside(t)
		calm(b)
		b.chart(29, looked("x", 20, drain.Charged), looked("back", 22, drain.Charged))
		b.heard()
		b.chart(30, looked("x", 20, drain.Lost))
		b.heard("charted-late function high")
	})
	t.Run("an old one is not told again", func(t *testing.T) {
		b := newBedside(t)
		b.chart(4, clear(emptied("calm4", 4, 10)))
		b.chart(5, looked("lost", 5, drain.Lost))
		b.chart(6, looked("back", 6, drain.Charged))
		b.told = nil
		b.chart(7, looked("lost too", 5.5, drain.Lost))
		b.are("function", "high suction-lost 5-6")
		b.heard()
	})
}

func rules(b *bedside, kind string) string {
	var names []string
	for _, e := range b.one(kind).Evidence {
		names = append(names, e.Rule)
	}
	return strings.Join(names, " ")
}

func TestAnotherPatientsConcernCloses(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	b.patient = "q"
	b.wait(1.1)
	b.are("function", "high suction-lost 1-1.1", "high suction-lost 1-")
	if b.concerns[0].Patient == b.concerns[1].Patient {
		t.Errorf("%+v", b.concerns)
	}
}

func TestGone(t *testing.T) {
	b := newBedside(t)
	b.chart(1, looked("c1", 1, drain.Lost))
	c := b.state(nil, nil)
	c.Gone, c.Now = true, hours(1.1)
	s := concern.Advance(c)
	if len(s.Changed) != 1 || s.Changed[0].Open() || !s.Changed[0].Withdrawn {
		t.Errorf("%+v", s.Changed)
	}
}

func TestLevel(t *testing.T) {
	of := func(kind string, s drain.Severity, rule string) drain.Concern {
		return drain.Concern{Kind: kind, Severity: s, Evidence: []drain.Evidence{{Rule: rule, Severity: s}}}
	}
	closed := of("fluid", drain.High, "darker")
	closed.Until = t0
	for want, cs := range map[string][]drain.Concern{
		"none":          {closed},
		"low":           {of("charting", drain.Low, "overdue")},
		"moderate":      {of("charting", drain.Low, "overdue"), of("site", drain.Moderate, "site-signs")},
		"unknown-stale": {of("charting", drain.Moderate, "stale"), of("site", drain.Moderate, "site-signs")},
		"high":          {of("charting", drain.Moderate, "stale"), of("fluid", drain.High, "darker")},
	} {
		if got := concern.Level(cs); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	if got := concern.Worst("moderate", "unknown-stale"); got != "unknown-stale" {
		t.Error(got)
	}
}

// Issues that are open from a time when each rule had one of its own become one,
// without a word; what nobody acknowledged is then announced.
func TestFindingsOfBefore(t *testing.T) {
	old := func(id, rule string, acknowledged time.Time) drain.Concern {
		c := drain.Concern{ID: id, Version: 1, Drain: "d", Patient: "p", Kind: rule, Severity: drain.High, Since: hours(1), Headline: "as it was worded then", Policy: "v0"}
		return c.OfFinding([]string{"e1"}, acknowledged, hours(1))
	}
	for name, c := range map[string]struct {
		other time.Time
		want  []string
	}{
		"both acknowledged": {hours(1.5), nil},
		"one acknowledged":  {time.Time{}, []string{"joined fluid high"}},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBedside(t)
			b.subject.Entries = append(b.subject.Entries, clear(looked("e0", 0.5, drain.Charged)), bloody(emptied("e1", 1, 110)))
			b.concerns = []drain.Concern{old("f1", "brisk-output", hours(1.2)), old("f2", "darker", c.other)}
			s := b.wait(2)
			b.heard(c.want...)
			if len(s.Changed) != 2 || s.Changed[1].Kind != concern.Fluid || s.Changed[0].Open() == s.Changed[1].Open() {
				t.Errorf("%+v", s.Changed)
			}
			b.wait(2.1)
			b.heard()
		})
	}
}
