package escalate_test

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

// drawEntry makes an entry on a grid of 5 minutes, so that instants coincide and
// thresholds are met exactly.
func drawEntry(t *rapid.T, id string) drain.Entry {
	pick := func(name string, of ...string) string { return rapid.SampledFrom(of).Draw(t, name) }
	e := drain.Entry{
		ID: id, Drain: "d",
		At:     epoch.Add(time.Duration(rapid.IntRange(0, 80*12).Draw(t, "at")) * 5 * time.Minute),
		Status: pick("status", "final", "final", "final", "final", "amended", "preliminary", "entered-in-error", "cancelled"),
		Kind:   drain.Kind(pick("kind", "emptying", "emptying", "emptying", "emptying", "check", "site-assessment")),
	}
	volume := func(name string) drain.Volume {
		return drain.MLInt(rapid.SampledFrom([]int64{0, 1, 5, 10, 20, 40, 80, 100, 160}).Draw(t, name))
	}
	if e.Kind == drain.Emptying {
		if e.Measured.Known = rapid.IntRange(0, 9).Draw(t, "measured") > 0; e.Measured.Known {
			e.Measured.Volume = volume("volume")
		}
		if rapid.IntRange(0, 5).Draw(t, "irrigated") == 0 {
			e.Instilled = volume("instilled")
		}
		e.Vessel = drain.Vessel(pick("vessel", "", "medicine-cup", "specimen-cup", "syringe"))
	}
	if e.Kind == drain.Site {
		e.Assessed = rapid.Bool().Draw(t, "assessed")
		if e.Assessed {
			e.Signs = rapid.SliceOfNDistinct(rapid.SampledFrom([]drain.Sign{drain.Redness, drain.Warmth, drain.Leakage, drain.SutureLoose, drain.Pus}), 0, 3, rapid.ID).Draw(t, "signs")
		}
		return e
	}
	e.Appearance = drain.Appearance(pick("appearance", "", "serous", "serosanguineous", "sanguineous", "purulent", "bilious", "other"))
	e.Suction = drain.Suction(pick("suction", "", "charged", "charged", "lost", "off"))
	if rapid.IntRange(0, 2).Draw(t, "filled") == 0 {
		e.Fill = drain.Percent{Known: true, Value: volume("fill")}
	}
	e.Dislodged = rapid.IntRange(0, 40).Draw(t, "out") == 0
	e.Patency = drain.Patency(pick("patency", "", "", "patent", "sluggish", "occluded"))
	e.Odour = pick("odour", "", "", "none", "foul")
	e.DoneBy = pick("by", "", "a", "a", "b")
	if rapid.IntRange(0, 9).Draw(t, "milked") == 0 {
		e.Care = []drain.Care{drain.TubingMilked}
	}
	return e
}

func drawSubject(t *rapid.T) escalate.Subject {
	s := escalate.Subject{Drain: drain.Drain{ID: "d", Active: rapid.IntRange(0, 9).Draw(t, "active") > 0, Compartment: rapid.SampledFrom([]drain.Compartment{drain.Wound, drain.Biliary}).Draw(t, "compartment")}}
	if rapid.Bool().Draw(t, "capacity known") {
		s.Drain.Capacity = drain.MLInt(rapid.Int64Range(50, 400).Draw(t, "capacity"))
	}
	for i := range rapid.IntRange(0, 2).Draw(t, "placements") {
		p := drain.Placement{
			ID:     fmt.Sprint("p", i),
			Status: rapid.SampledFrom([]drain.PlacementStatus{drain.PlacementActive, drain.PlacementActive, drain.PlacementCompleted, drain.PlacementStopped, drain.PlacementIntended}).Draw(t, "status"),
			Start:  epoch.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "start")) * time.Hour),
		}
		if rapid.Bool().Draw(t, "ends") {
			p.End = p.Start.Add(time.Duration(rapid.IntRange(0, 60).Draw(t, "stay")) * time.Hour)
		}
		s.Placements = append(s.Placements, p)
	}
	for i := range rapid.IntRange(0, 30).Draw(t, "entries") {
		s.Entries = append(s.Entries, drawEntry(t, fmt.Sprint(100+i)))
	}
	return s
}

func drawNow(t *rapid.T) time.Time {
	return epoch.Add(time.Duration(rapid.IntRange(0, 110*12).Draw(t, "now")) * 5 * time.Minute)
}

func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		want := escalate.Evaluate(escalate.Defaults(), s, now)
		shuffled := s
		shuffled.Entries = rapid.Permutation(s.Entries).Draw(t, "order of entries")
		shuffled.Placements = rapid.Permutation(s.Placements).Draw(t, "order of placements")
		if diff := cmp.Diff(want, escalate.Evaluate(escalate.Defaults(), shuffled, now)); diff != "" {
			t.Fatal(diff)
		}
		next, ok := escalate.NextChange(escalate.Defaults(), s, now)
		if again, okAgain := escalate.NextChange(escalate.Defaults(), shuffled, now); ok != okAgain || !next.Equal(again) {
			t.Fatalf("next change %v, then %v", next, again)
		}
	})
}

func TestWithdrawnEntriesChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		want := escalate.Evaluate(escalate.Defaults(), s, now)
		extra := drawEntry(t, "extra")
		extra.Status = rapid.SampledFrom([]string{"entered-in-error", "cancelled"}).Draw(t, "withdrawn as")
		s.Entries = append(slices.Clone(s.Entries), extra)
		if diff := cmp.Diff(want, escalate.Evaluate(escalate.Defaults(), s, now)); diff != "" {
			t.Fatal(diff)
		}
		// Nor does what is charted ahead of time.
		s.Entries[len(s.Entries)-1].Status = "final"
		s.Entries[len(s.Entries)-1].At = now.Add(time.Nanosecond)
		if diff := cmp.Diff(want, escalate.Evaluate(escalate.Defaults(), s, now)); diff != "" {
			t.Fatal(diff)
		}
	})
}

func TestInputIsLeftAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		entries, placements := slices.Clone(s.Entries), slices.Clone(s.Placements)
		escalate.Evaluate(escalate.Defaults(), s, now)
		escalate.NextChange(escalate.Defaults(), s, now)
		if diff := cmp.Diff(entries, s.Entries) + cmp.Diff(placements, s.Placements); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Until the next change the answer is the same in every word, dates aside.
func TestNothingChangesBeforeNextChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		rules := escalate.Defaults()
		want := undated(escalate.Evaluate(rules, s, now))
		next, ok := escalate.NextChange(rules, s, now)
		if ok && !next.After(now) {
			t.Fatalf("the next change, %v, is not after %v", next, now)
		}
		all, allNext, allOK := escalate.EvaluateWithNext(rules, s, now)
		if diff := cmp.Diff(want, undated(all)); diff != "" || allOK != ok || !allNext.Equal(next) {
			t.Fatalf("EvaluateWithNext differs: %v, %v for %v: %s", allOK, allNext, next, diff)
		}
		end := next.Add(-time.Nanosecond)
		if !ok {
			end = now.Add(60 * 24 * time.Hour)
		}
		samples := []time.Time{end, now.Add(end.Sub(now) / 2)}
		for range 5 {
			samples = append(samples, now.Add(time.Duration(rapid.Int64Range(0, int64(end.Sub(now))).Draw(t, "sample"))))
		}
		for _, at := range samples {
			if diff := cmp.Diff(want, undated(escalate.Evaluate(rules, s, at))); diff != "" {
				t.Fatalf("at %v, before the next change %v (%v): %s", at, next, ok, diff)
			}
		}
	})
}

func undated(findings []escalate.Finding) []escalate.Finding {
	for i := range findings {
		f := &findings[i]
		f.Headline, f.Text = escalate.Undated(f.Headline), escalate.Undated(f.Text)
	}
	return findings
}

func TestStaleIsNeverNone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		rules := escalate.Defaults()
		stay := s.Stay(now)
		if !stay.InPlace || !stay.Known() {
			return
		}
		last := stay.Start
		for _, e := range s.During(stay, now) {
			last = e.At
		}
		silent := now.Sub(last) >= 3*rules.IntervalLimit
		findings := escalate.Evaluate(rules, s, now)
		level := level(findings)
		if stale := slices.ContainsFunc(findings, func(f escalate.Finding) bool { return f.Rule == escalate.Stale }); stale != silent {
			t.Fatalf("silent %v, stale %v", silent, stale)
		}
		if silent && level != concern.UnknownStale && level != string(drain.High) {
			t.Fatalf("nothing charted since %v, and the level is %s", last, level)
		}
	})
}

func TestFindingsAreInOrderAndWhole(t *testing.T) {
	names := escalate.RuleNames()
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		at := map[string]time.Time{}
		for _, e := range s.Entries {
			if e.Counts() {
				at[e.ID] = e.At
			}
		}
		findings := escalate.Evaluate(escalate.Defaults(), s, now)
		for i, f := range findings {
			if f.Since.After(now) || f.Since.IsZero() {
				t.Errorf("%s since %v, evaluated at %v", f.Rule, f.Since, now)
			}
			for j, id := range f.Evidence {
				if at[id].IsZero() || at[id].After(now) || j > 0 && at[id].Before(at[f.Evidence[j-1]]) {
					t.Errorf("%s rests on %v", f.Rule, f.Evidence)
				}
			}
			if i == 0 {
				continue
			}
			b := findings[i-1]
			if b.Severity.Weight() < f.Severity.Weight() || b.Severity == f.Severity && slices.Index(names, b.Rule) >= slices.Index(names, f.Rule) {
				t.Errorf("%s %s stands before %s %s", b.Rule, b.Severity, f.Rule, f.Severity)
			}
		}
	})
}

func TestRulesCanBeOffButNotStale(t *testing.T) {
	s := escalate.Subject{Drain: drain.Drain{Active: true}, Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
	now := epoch.Add(13 * time.Hour)
	rules := escalate.Defaults()
	names := func() (names []string) {
		for _, f := range escalate.Evaluate(rules, s, now) {
			names = append(names, f.Rule)
		}
		return names
	}
	if diff := cmp.Diff([]string{"overdue", "stale"}, names()); diff != "" {
		t.Fatal(diff)
	}
	rules.Off = map[string]bool{"overdue": true, "stale": true}
	if diff := cmp.Diff([]string{"stale"}, names()); diff != "" {
		t.Fatal(diff)
	}
	if next, ok := escalate.NextChange(rules, s, epoch); !ok || !next.Equal(epoch.Add(12*time.Hour)) {
		t.Fatalf("the next change is %v", next)
	}
}
