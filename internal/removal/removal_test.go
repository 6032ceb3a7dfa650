package removal_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/removal"
	"tidemark/internal/window"
)

// placed is 07:00 on 1 March 2026 (UTC), where a ward's day starts.
var placed = time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)

func subject() escalate.Subject {
	return escalate.Subject{
		Drain:      drain.Drain{ID: "d", Active: true},
		Placements: []drain.Placement{{ID: "p", Status: drain.PlacementActive, Start: placed}},
		Zone:       time.UTC,
	}
}

// add charts an emptying of so many mL after so many hours.
func add(s *escalate.Subject, hours float64, ml string, a drain.Appearance, v drain.Vessel) *drain.Entry {
	volume, ok := drain.ParseML(ml)
	e := drain.Entry{
		ID: fmt.Sprint(len(s.Entries) + 1), Drain: "d", Kind: drain.Emptying, Status: "final",
		At:       placed.Add(time.Duration(hours * float64(time.Hour))),
		Measured: drain.Measure{Known: ok, Volume: volume}, Appearance: a, Vessel: v, Suction: drain.Charged,
	}
	s.Entries = append(s.Entries, e)
	return &s.Entries[len(s.Entries)-1]
}

// clean is an assessment of the site that found nothing.
var clean = drain.Entry{ID: "site", Drain: "d", Kind: drain.Site, Status: "final", At: placed, Assessed: true}

// check evaluates with the default criteria, so many hours after placement, a drain
// whose site was found clean at the beginning.
func check(s escalate.Subject, hours float64) removal.Review {
	site := clean
	site.At = time.Time{}
	for _, e := range s.Entries {
		if e.Counts() && (site.At.IsZero() || e.At.Before(site.At)) {
			site.At = e.At
		}
	}
	if !site.At.IsZero() {
		s.Entries = append(slices.Clone(s.Entries), site)
	}
	now := placed.Add(time.Duration(hours * float64(time.Hour)))
	open := escalate.Evaluate(escalate.Defaults(), s, now)
	return removal.Check(removal.Defaults(), s, open, window.Standard(time.UTC), balance.DefaultSettings(), now)
}

func states(r removal.Review) map[string]removal.State {
	m := map[string]removal.State{}
	for _, i := range r.Items {
		m[i.Name] = i.State
	}
	return m
}

func item(t *testing.T, r removal.Review, name string) removal.Item {
	t.Helper()
	i := slices.IndexFunc(r.Items, func(i removal.Item) bool { return i.Name == name })
	if i < 0 {
		t.Fatalf("no item %q", name)
	}
	return r.Items[i]
}

// quiet charts days of so many mL, a sixth of it every 4 h beginning 4 h after
// the day's start; the last emptying falls on the start of the next day and is
// charted there, so that every day but the first has six.
func quiet(s *escalate.Subject, days int, ml int64) {
	for h := 4; h <= 24*days; h += 4 {
		add(s, float64(h), drain.MLInt(ml).Mul(drain.MLInt(1).Rat().SetFrac64(1, 6)).Key(), drain.Serous, drain.Syringe)
	}
}

func TestAllMet(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	r := check(s, 96)
	want := map[string]removal.State{ // nothing of today, which begins just now
		"in place": removal.Met, "output 2026-03-03": removal.Met, "output 2026-03-04": removal.Met,
		"appearance": removal.Met, "drain works": removal.Met, "site without leakage or pus": removal.Met, "no irrigant retained": removal.Met,
		"no reading in doubt": removal.Met, "no high concern": removal.Met, "time since placement": removal.Met,
	}
	if diff := cmp.Diff(want, states(r)); diff != "" || !r.MeetsAll {
		t.Fatal(diff, r.MeetsAll)
	}
	if r.Text != "Meets the ward's criteria for review: all 10 are met." || r.Caution != removal.Caution {
		t.Error(r.Text, r.Caution)
	}
	// Six readings of 3 mL, d = 1 mL each: u = √6·0.288675 = 0.707107, U = 1.414.
	if i := item(t, r, "output 2026-03-03"); !strings.Contains(i.Text, "18 mL (± 1.4 mL, k = 2) from 07:00 on 3 Mar to 07:00 on 4 Mar, charted; the limit is 30 mL in 24 h") || i.Near {
		t.Error(i.Text)
	}
}

// The threshold: 30 mL in 24 h is met, any more is not. Six emptyings a day of
// the volume, in a steady course, so that charted and spread are the same.
func TestDailyLimit(t *testing.T) {
	for _, c := range []struct {
		each string
		want removal.State
		near bool
	}{
		{"4.999", removal.Met, true},    // 29.994
		{"5", removal.Met, true},        // 30
		{"5.001", removal.NotMet, true}, // 30.006
		{"4.7", removal.Met, false},     // 28.2, U = 1.41: the limit is out of its reach
		{"5.3", removal.NotMet, false},  // 31.8
	} {
		s := subject()
		for h := 4; h <= 96; h += 4 {
			add(&s, float64(h), c.each, drain.Serous, drain.Syringe)
		}
		i := item(t, check(s, 96), "output 2026-03-03")
		if i.State != c.want || i.Near != c.near {
			t.Errorf("%s mL: %s, near %v: %s", c.each, i.State, i.Near, i.Text)
		}
	}
}

// Reference values of the chance that the true total is below 30 mL (normal
// approximation): E9 to E12 of the project's statistical reference. Six readings
// in steps of 5 mL have u = 3.535534, in steps of 10 mL 7.071068.
func TestChance(t *testing.T) {
	for _, c := range []struct {
		name  string
		total int64
		step  int64
		want  float64
		state removal.State
	}{
		{"E9", 28, 5, 0.714196, removal.Met},
		{"E10", 28, 10, 0.611351, removal.Met},
		{"E11", 25, 5, 0.921350, removal.Met},
		{"E12", 31, 5, 0.388649, removal.NotMet},
	} {
		s := subject()
		quiet(&s, 4, c.total)
		settings := balance.DefaultSettings()
		settings.Vessels = balance.Vessels{drain.Syringe: {Capacity: drain.MLInt(60), Graduation: drain.MLInt(c.step)}}
		r := removal.Check(removal.Defaults(), s, nil, window.Standard(time.UTC), settings, placed.Add(96*time.Hour))
		i := item(t, r, "output 2026-03-04")
		if !i.HasChance || math.Abs(i.Chance-c.want) > 5e-7 || i.State != c.state || !i.Near || !strings.Contains(i.Text, "Near the threshold") {
			t.Errorf("%s: chance %.6f, want %.6f, %s, near %v: %s", c.name, i.Chance, c.want, i.State, i.Near, i.Text)
		}
	}
}

func TestMissingEmptyingIsNotKnown(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	s.Entries[14].Measured = drain.Measure{Absent: "not-performed"} // +60 h, 3 March
	r := check(s, 96)
	i := item(t, r, "output 2026-03-03")
	if i.State != removal.NotKnown || i.HasChance || r.MeetsAll || !strings.Contains(i.Text, "was not measured") {
		t.Error(i.State, i.Text)
	}
	if got := item(t, r, "output 2026-03-04").State; got != removal.Met {
		t.Error("the other day is", got)
	}
}

func TestMissingEmptyingButOverTheLimitAlready(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	s.Entries[14].Measured = drain.Measure{Absent: "not-performed"}
	s.Entries[13].Measured.Volume = drain.MLInt(31)
	if i := item(t, check(s, 96), "output 2026-03-03"); i.State != removal.NotMet {
		t.Error(i.State, i.Text)
	}
}

func TestDayNotOverByItsReadings(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	s.Entries = s.Entries[:23] // the last at +92 h: nobody knows what ran until the day's end at +96 h
	if i := item(t, check(s, 97), "output 2026-03-04"); i.State != removal.NotKnown {
		t.Error(i.State, i.Text)
	}
}

// Nobody emptied for 26 h: the chart shows a day without output, but 80 mL ran.
func TestSpreadDecidesWhereNobodyEmptied(t *testing.T) {
	s := subject()
	quiet(&s, 3, 18)
	add(&s, 98, "80", drain.Serous, drain.GraduatedCylinder) // over (+72 h, +98 h]: 80·24/26 = 73.85 mL on 4 March
	i := item(t, check(s, 98), "output 2026-03-04")
	if i.State != removal.NotMet || !strings.HasPrefix(i.Text, "74 mL ") || i.Figures[0].Value != "73.846154" || !strings.Contains(i.Text, "Charted within the day: 3 mL") {
		t.Error(i.State, i.Text)
	}
}

func TestPlacedWithinTheDays(t *testing.T) {
	s := subject()
	quiet(&s, 2, 18)
	r := check(s, 26) // placed yesterday, as the day began: one whole day
	if i := item(t, r, "output 2026-03-01"); i.State != removal.Met {
		t.Error(i.State, i.Text)
	}
	if i := item(t, r, "output 2026-02-28"); i.State != removal.NotKnown || !strings.Contains(i.Text, "not in place all day") || r.MeetsAll {
		t.Error(i.State, i.Text)
	}
}

func TestToday(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18) // 3 mL at +96 h are charted today
	add(&s, 98, "27", drain.Serous, drain.Syringe)
	if i := item(t, check(s, 98), "output today so far"); i.State != removal.Met {
		t.Error("30 mL:", i.Text)
	}
	add(&s, 99, "0.1", drain.Serous, drain.Syringe)
	if i := item(t, check(s, 99), "output today so far"); i.State != removal.NotMet {
		t.Error("30.1 mL:", i.Text)
	}
	s.Entries = s.Entries[:len(s.Entries)-2]
	add(&s, 98, "unmeasured", drain.Serous, drain.Syringe)
	if i := item(t, check(s, 98), "output today so far"); i.State != removal.NotKnown {
		t.Error("not measured:", i.Text)
	}
}

func TestAppearance(t *testing.T) {
	for _, c := range []struct {
		earlier, last drain.Appearance
		want          removal.State
	}{
		{drain.Serous, drain.Serous, removal.Met},
		{drain.Serosanguineous, drain.Serous, removal.Met},
		{drain.Serosanguineous, drain.Serosanguineous, removal.Met},
		{drain.Serous, drain.Serosanguineous, removal.NotMet}, // darkening
		{drain.Sanguineous, drain.Sanguineous, removal.NotMet},
		{drain.Serous, drain.Purulent, removal.NotMet},
		{drain.Serous, drain.Clear, removal.NotMet},
		{"", drain.Serous, removal.NotKnown}, // one look has no course
		{"", "", removal.NotKnown},
	} {
		s := subject()
		quiet(&s, 4, 18)
		for i := range s.Entries {
			s.Entries[i].Appearance = ""
		}
		s.Entries[20].Appearance, s.Entries[23].Appearance = c.earlier, c.last
		if i := item(t, check(s, 96), "appearance"); i.State != c.want {
			t.Errorf("%s, then %s: %s: %s", c.earlier, c.last, i.State, i.Text)
		}
	}
	// A look before the days under review, which begin at +48 h, is past.
	s := subject()
	quiet(&s, 4, 18)
	for i := range s.Entries {
		if s.Entries[i].At.After(placed.Add(47 * time.Hour)) {
			s.Entries[i].Appearance = drain.Serosanguineous
		}
	}
	if i := item(t, check(s, 96), "appearance"); i.State != removal.Met {
		t.Error(i.State, i.Text)
	}
}

func TestOpenFindings(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	now := placed.Add(96 * time.Hour)
	for _, c := range []struct {
		open []escalate.Finding
		want removal.State
	}{
		{nil, removal.Met},
		{[]escalate.Finding{{Rule: "reservoir-half", Severity: drain.Moderate}}, removal.Met},
		{[]escalate.Finding{{Rule: "suction-lost", Severity: drain.High}}, removal.NotMet},
		{[]escalate.Finding{{Rule: "stale", Severity: drain.Moderate}}, removal.NotKnown},
		{[]escalate.Finding{{Rule: "stale", Severity: drain.Moderate}, {Rule: "suction-lost", Severity: drain.High}}, removal.NotMet},
	} {
		r := removal.Check(removal.Defaults(), s, c.open, window.Standard(time.UTC), balance.DefaultSettings(), now)
		if i := item(t, r, "no high concern"); i.State != c.want {
			t.Errorf("%v: %s", c.open, i.Text)
		}
	}
}

func TestAge(t *testing.T) {
	s := subject()
	quiet(&s, 1, 18)
	for hours, want := range map[float64]removal.State{23.99: removal.NotMet, 24: removal.Met, 24.01: removal.Met} {
		if i := item(t, check(s, hours), "time since placement"); i.State != want {
			t.Errorf("%v h: %s: %s", hours, i.State, i.Text)
		}
	}
	// From the first entry on it is in place at least: enough is enough, less says nothing.
	s.Placements = nil // first entry at +4 h
	for hours, want := range map[float64]removal.State{27.99: removal.NotKnown, 28: removal.Met} {
		if i := item(t, check(s, hours), "time since placement"); i.State != want {
			t.Errorf("%v h, first entry at 4 h: %s: %s", hours, i.State, i.Text)
		}
	}
}

func TestNotInPlace(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	s.Placements[0].Status, s.Placements[0].End = drain.PlacementCompleted, placed.Add(96*time.Hour)
	if r := check(s, 97); item(t, r, "in place").State != removal.NotMet || r.MeetsAll {
		t.Error(r.Text)
	}
	if r := check(escalate.Subject{}, 97); item(t, r, "in place").State != removal.NotKnown || r.MeetsAll {
		t.Error(r.Text)
	}
}

// On 29 March 2026 the clock of Berlin goes forward: the ward's day that starts on
// the 28th lasts 23 h. 28.75 mL in it are 30 mL in 24 h.
func TestDayOf23Hours(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone database here: ", err)
	}
	for _, c := range []struct {
		ml   string
		want removal.State
	}{{"28.75", removal.Met}, {"28.76", removal.NotMet}} {
		start := time.Date(2026, 3, 28, 7, 0, 0, 0, berlin)
		volume, _ := drain.ParseML(c.ml)
		charted := func(id string, at time.Time, v drain.Volume) drain.Entry {
			return drain.Entry{ID: id, Kind: drain.Emptying, Status: "final", At: at, Measured: drain.Measure{Known: true, Volume: v}}
		}
		s := escalate.Subject{
			Placements: []drain.Placement{{Status: drain.PlacementActive, Start: start.Add(-48 * time.Hour)}},
			Entries: []drain.Entry{
				charted("1", start, drain.MLInt(0)),
				charted("2", start.Add(23*time.Hour-time.Minute), volume),
				charted("3", start.Add(23*time.Hour), drain.MLInt(0)),
			},
		}
		r := removal.Check(removal.Defaults(), s, nil, window.Standard(berlin), balance.DefaultSettings(), start.Add(24*time.Hour))
		i := item(t, r, "output 2026-03-28")
		if i.State != c.want || !strings.Contains(i.Text, "mL in 24 h; the limit") {
			t.Errorf("%s mL in 23 h: %s: %s", c.ml, i.State, i.Text)
		}
	}
}

func TestUnknownVessel(t *testing.T) {
	s := subject()
	quiet(&s, 4, 18)
	for i := range s.Entries {
		s.Entries[i].Vessel = ""
	}
	s.Entries[13].Vessel = drain.Syringe // on 3 March
	r := check(s, 96)
	if i := item(t, r, "output 2026-03-03"); !i.HasChance || !i.LowerBound || i.State != removal.Met {
		t.Error(i)
	}
	if i := item(t, r, "output 2026-03-04"); i.HasChance || i.State != removal.Met || !strings.Contains(i.Text, "uncertainty of the readings is unknown") {
		t.Error(i)
	}
}

func TestOrderAndWithdrawalDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := subject()
		for range rapid.IntRange(0, 30).Draw(t, "entries") {
			e := add(&s, float64(rapid.IntRange(1, 400).Draw(t, "quarters"))/4, fmt.Sprint(rapid.IntRange(0, 40).Draw(t, "mL")),
				rapid.SampledFrom([]drain.Appearance{"", drain.Serous, drain.Serosanguineous}).Draw(t, "look"), drain.Syringe)
			e.Measured.Known = rapid.IntRange(0, 9).Draw(t, "measured") > 0
		}
		hours := float64(rapid.IntRange(0, 400).Draw(t, "now")) / 4
		want := check(s, hours)
		s.Entries = rapid.Permutation(s.Entries).Draw(t, "order")
		withdrawn := add(&s, hours/2, "40", drain.Purulent, drain.Syringe)
		withdrawn.ID, withdrawn.Status = "withdrawn", "entered-in-error"
		if diff := cmp.Diff(want, check(s, hours)); diff != "" {
			t.Fatal(diff)
		}
		if want.MeetsAll && slices.ContainsFunc(want.Items, func(i removal.Item) bool { return i.State != removal.Met }) {
			t.Fatal("meets all with an item that is not met")
		}
	})
}

func ExampleCheck() {
	s := subject()
	quiet(&s, 4, 18)
	s.Entries[16].Measured = drain.Measure{Known: true, Volume: drain.MLInt(13)} // in place of 3
	s.Entries = append(s.Entries, clean)
	now := placed.Add(97 * time.Hour)
	r := removal.Check(removal.Defaults(), s, nil, window.Standard(time.UTC), balance.DefaultSettings(), now)
	fmt.Println(r.Text)
	for _, i := range r.Items {
		fmt.Printf("%s: %s. %s\n", i.Name, i.State, i.Text)
	}
	// Output:
	// Meets the ward's criteria for review: all 11 are met.
	// in place: met. The drain is in place, as far as is charted.
	// output 2026-03-03: met. 28 mL (± 1.4 mL, k = 2) from 07:00 on 3 Mar to 07:00 on 4 Mar, charted; the limit is 30 mL in 24 h. The chance that the true output is below the limit is more than 99 %.
	// output 2026-03-04: met. 18 mL (± 1.4 mL, k = 2) from 07:00 on 4 Mar to 07:00, charted; the limit is 30 mL in 24 h. The chance that the true output is below the limit is more than 99 %.
	// output today so far: met. 3 mL charted since 07:00; the limit is 30 mL in 24 h.
	// appearance: met. Last charted serous, at 07:00; since 07:00 on 3 Mar serous: unchanged. The criterion is serous or serosanguineous, and not darkening.
	// drain works: met. Suction charged at 07:00, and nothing is open that says it does not drain.
	// site without leakage or pus: met. No leakage and no pus at 07:00 on 1 Mar.
	// no irrigant retained: met. Net output was not below zero on any of the days.
	// no reading in doubt: met. No reading is in doubt.
	// no high concern: met. Nothing of high severity is open.
	// time since placement: met. Placed at 07:00 on 1 Mar, 4 days 1 h ago. The criterion is at least 24 h.
}

// A drain that does not drain, leaks, holds back irrigant or has a day without a
// reading gives little too.
func TestLittleForAnotherReason(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*escalate.Subject)
		item   string
		want   removal.State
	}{
		"occluded":    {func(s *escalate.Subject) { s.Entries[20].Patency = drain.Occluded }, "drain works", removal.NotMet},
		"suction off": {func(s *escalate.Subject) { s.Entries[23].Suction = drain.Off }, "drain works", removal.NotMet},
		"suction never said": {func(s *escalate.Subject) {
			for i := range s.Entries {
				s.Entries[i].Suction = ""
			}
		}, "drain works", removal.NotKnown},
		"leakage": {func(s *escalate.Subject) {
			s.Entries = append(s.Entries, drain.Entry{ID: "l", Kind: drain.Site, Status: "final", At: placed.Add(90 * time.Hour), Signs: []drain.Sign{drain.Leakage}})
		}, "site without leakage or pus", removal.NotMet},
		"irrigant retained": {func(s *escalate.Subject) { s.Entries[15].Instilled = drain.MLInt(90) }, "no irrigant retained", removal.NotMet},
		"in doubt": {func(s *escalate.Subject) {
			s.Entries[22].Vessel = drain.MedicineCup
			s.Entries[22].Measured.Volume = drain.MLInt(1)
		}, "no reading in doubt", removal.NotMet},
		"a day without a reading": {func(s *escalate.Subject) { s.Entries = slices.Delete(s.Entries, 11, 17) }, "output 2026-03-03", removal.NotKnown},
	} {
		s := subject()
		quiet(&s, 4, 18)
		c.change(&s)
		r := check(s, 96)
		if got := item(t, r, c.item); got.State != c.want || r.MeetsAll {
			t.Errorf("%s: %s is %s (%s), meets all %v", name, c.item, got.State, got.Text, r.MeetsAll)
		}
	}
}
