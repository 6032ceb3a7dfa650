package concern_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// drawEntry makes an entry on a grid of 5 minutes, so that instants coincide.
func drawEntry(t *rapid.T, id string, until int) drain.Entry {
	pick := func(name string, of ...string) string { return rapid.SampledFrom(of).Draw(t, name) }
	e := drain.Entry{
		ID: id, Drain: "d", Patient: "p",
		At:     t0.Add(time.Duration(rapid.IntRange(max(0, until-rapid.SampledFrom([]int{1, 12, 120}).Draw(t, "late")), until).Draw(t, "at")) * 5 * time.Minute),
		Status: pick("status", "final", "final", "final", "final", "amended", "preliminary", "entered-in-error"),
		Kind:   drain.Kind(pick("kind", "emptying", "emptying", "check", "site-assessment")),
	}
	if e.Kind == drain.Site {
		e.Assessed = true
		e.Signs = rapid.SliceOfNDistinct(rapid.SampledFrom([]drain.Sign{drain.Redness, drain.Warmth, drain.Leakage, drain.Pus}), 0, 3, rapid.ID).Draw(t, "signs")
		return e
	}
	if e.Kind == drain.Emptying {
		e.Measured = drain.Measure{Known: true, Volume: drain.MLInt(rapid.SampledFrom([]int64{0, 5, 10, 40, 120}).Draw(t, "volume"))}
	}
	e.Appearance = drain.Appearance(pick("appearance", "", "serous", "serosanguineous", "sanguineous", "purulent"))
	e.Suction = drain.Suction(pick("suction", "", "charged", "charged", "lost"))
	return e
}

// TestLife charts at random, late, corrected and acknowledged, with time passing in
// between, and checks after every step what must always hold.
func TestLife(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := escalate.Subject{Drain: drain.Drain{ID: "d", Active: true}, Placements: []drain.Placement{{ID: "u", Drain: "d", Patient: "p", Status: drain.PlacementActive, Start: t0.Add(-time.Hour)}}}
		var stored []drain.Concern
		tick := 0
		for i := range rapid.IntRange(1, 25).Draw(t, "steps") {
			tick += rapid.SampledFrom([]int{0, 1, 7, 30, 200}).Draw(t, "wait")
			c := concern.Case{Settings: concern.Defaults(), Rules: escalate.Defaults(), Policy: "v", Patient: "p", Now: t0.Add(time.Duration(tick) * 5 * time.Minute)}
			switch rapid.IntRange(0, 4).Draw(t, "what") {
			case 0: // time passes
			case 1:
				if n := len(stored); n > 0 {
					j := rapid.IntRange(0, n-1).Draw(t, "which")
					stored[j] = concern.Acknowledge(stored[j], "n", c.Now)
				}
			case 2:
				if n := len(s.Entries); n > 0 {
					j := rapid.IntRange(0, n-1).Draw(t, "which")
					s.Entries[j] = drawEntry(t, s.Entries[j].ID, tick)
					c.Charted, c.Withdrawn = []string{s.Entries[j].ID}, []string{s.Entries[j].ID}
				}
			default:
				for n := range rapid.IntRange(1, 2).Draw(t, "entries") {
					e := drawEntry(t, fmt.Sprintf("e%02d-%d", i, n), tick)
					s.Entries = append(s.Entries, e)
					c.Charted = append(c.Charted, e.ID)
				}
			}
			c.Subject, c.Stored = s, stored
			step := concern.Advance(c)
			check(t, c, step)
			stored = step.Concerns
		}
	})
}

func check(t *rapid.T, c concern.Case, step concern.Step) {
	found := escalate.Evaluate(c.Rules, c.Subject, c.Now)
	for _, kind := range concern.Kinds() {
		var rules []string
		worst := 0
		for _, f := range found {
			if concern.KindOf(f.Rule) == kind {
				rules = append(rules, f.Rule)
				worst = max(worst, f.Severity.Weight())
			}
		}
		open := 0
		for _, k := range step.Concerns {
			if k.Kind != kind || !k.Open() {
				continue
			}
			open++
			if k.Severity.Weight() != worst {
				t.Fatalf("%s is %s, the worst of its rules now %d", kind, k.Severity, worst)
			}
			var have []string
			for _, e := range k.Evidence {
				have = append(have, e.Rule)
			}
			if !slices.Equal(have, rules) {
				t.Fatalf("%s rests on %v, and there hold %v", kind, have, rules)
			}
		}
		if want := min(1, len(rules)); open != want {
			t.Fatalf("%d open concerns %s, and there hold %v", open, kind, rules)
		}
	}
	ids := map[string]bool{}
	for _, k := range step.Concerns {
		if ids[k.ID] {
			t.Fatalf("two concerns of one id: %+v", step.Concerns)
		}
		ids[k.ID] = true
		if !k.Open() && k.Until.Before(k.Since) {
			t.Fatalf("ends before it begins: %+v", k)
		}
	}
	told := map[string]bool{}
	for _, a := range step.Announcements {
		if told[a.Concern.ID] {
			t.Fatal("announced twice in one step")
		}
		told[a.Concern.ID] = true
		if !slices.ContainsFunc(step.Changed, func(k drain.Concern) bool { return k.ID == a.Concern.ID }) {
			t.Fatalf("announced but not kept: %+v", a)
		}
	}
	if !step.Wake.IsZero() && !step.Wake.After(c.Now) {
		t.Fatalf("wakes at %s, which has been", step.Wake)
	}
	// Once more, at the same instant: nothing. Until the wake: nothing.
	c.Stored, c.Withdrawn = step.Concerns, nil
	if again := concern.Advance(c); len(again.Changed) > 0 || len(again.Announcements) > 0 {
		t.Fatalf("the same again changes\n%s", cmp.Diff(step.Concerns, again.Concerns))
	}
	c.Charted = nil
	if soon := step.Wake.Add(-time.Nanosecond); soon.After(c.Now) {
		c.Now = soon
	}
	if again := concern.Advance(c); len(again.Changed) > 0 || len(again.Announcements) > 0 {
		t.Fatalf("before it wakes at %s, at %s, it changes\n%s", step.Wake, c.Now, cmp.Diff(step.Concerns, again.Concerns))
	}
}

// TestOrderOfArrival: what is open in the end, with its severity and evidence,
// does not depend on the order in which the readings came, nor on the order in
// which a case lists them.
func TestOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var entries []drain.Entry
		for i := range rapid.IntRange(1, 8).Draw(t, "entries") {
			entries = append(entries, drawEntry(t, fmt.Sprint("e", i), 300))
		}
		now := t0.Add(301 * 5 * time.Minute)
		end := func(order []drain.Entry) (open []drain.Concern) {
			var stored []drain.Concern
			s := escalate.Subject{Drain: drain.Drain{ID: "d", Active: true}, Placements: []drain.Placement{{ID: "u", Drain: "d", Patient: "p", Status: drain.PlacementActive, Start: t0.Add(-time.Hour)}}}
			for _, e := range order {
				s.Entries = append(slices.Clone(s.Entries), e)
				stored = concern.Advance(concern.Case{Settings: concern.Defaults(), Rules: escalate.Defaults(), Subject: s, Patient: "p", Now: now, Stored: stored, Charted: []string{e.ID}}).Concerns
			}
			for _, c := range stored {
				if c.Open() {
					c.ID, c.Announced, c.Since = "", drain.Announced{}, time.Time{}
					open = append(open, c)
				}
			}
			slices.SortFunc(open, func(a, b drain.Concern) int {
				return slices.Index(concern.Kinds(), a.Kind) - slices.Index(concern.Kinds(), b.Kind)
			})
			return open
		}
		if diff := cmp.Diff(end(entries), end(rapid.Permutation(entries).Draw(t, "order"))); diff != "" {
			t.Fatal(diff)
		}
	})
}
