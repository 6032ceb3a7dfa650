package sim

import (
	"bytes"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"tidemark/internal/drain"
)

// What an untidy ward charts is as valid as what a tidy one does: nothing of it
// would be refused.
func TestUntidyIsValid(t *testing.T) {
	end := time.Date(2026, 4, 3, 12, 0, 0, 0, berlin(t))
	o := Options{Seed: 9, Patients: 12, Days: 15, End: end, Zone: berlin(t), Untidy: Usual(), Events: 60}
	c := play(t, o)
	for _, status := range []string{"corrected", "entered-in-error"} {
		if c.again[status] < 2 {
			t.Errorf("%d entries became %s", c.again[status], status)
		}
	}
	o.Events = 0
	play(t, o)
	if !bytes.Equal(script(o), script(o)) {
		t.Error("the same options gave different steps")
	}
}

// Each kind of untidiness shows by itself, and by about as much as it is set to.
func TestEachUntidiness(t *testing.T) {
	end := time.Date(2026, 4, 3, 12, 0, 0, 0, time.UTC)
	emptyings := func(u Untidy) []*observation {
		var list []*observation
		o := Options{Seed: 2, Patients: 30, Days: 20, End: end, Untidy: u, Events: 1}
		for s := range Steps(o) {
			if e, ok := s.body.(*observation); ok && e.device != "" && e.unit != noUnit {
				list = append(list, e)
			}
		}
		return list
	}
	tidy := emptyings(Untidy{})
	share := func(list []*observation, is func(*observation) bool) float64 {
		n := 0
		for _, o := range list {
			if is(o) {
				n++
			}
		}
		return 100 * float64(n) / float64(len(list))
	}
	gaps := func(list []*observation) []int64 {
		last, g := map[string]int64{}, []int64(nil)
		for _, o := range list {
			if at, ok := last[o.device]; ok {
				g = append(g, o.at-at)
			}
			last[o.device] = o.at
		}
		return g
	}
	near := func(list []*observation, least, most int64) float64 {
		n := 0
		g := gaps(list)
		for _, d := range g {
			d = max(d, -d)
			if d >= least && d <= most {
				n++
			}
		}
		return 100 * float64(n) / float64(len(g))
	}
	offMark := func(o *observation) bool { return o.vessel != "" && o.value%vessels[o.vessel].mark != 0 }
	late := func(o *observation) bool { return o.posted-o.at*60 >= 3600 }
	corrected := func(o *observation) bool { return o.status == "corrected" }
	withdrawn := func(o *observation) bool { return o.status == "entered-in-error" }
	darkens := func(list []*observation) float64 {
		last, n := map[string]int{}, 0
		for _, o := range list {
			rank, _ := o.looks.Rank()
			if before, ok := last[o.device]; ok && rank > before {
				n++
			}
			last[o.device] = rank
		}
		return 100 * float64(n) / float64(len(list))
	}
	between := func(what string, got, least, most float64) {
		t.Helper()
		if got < least || got > most {
			t.Errorf("%s: %.2f, want %.2f to %.2f", what, got, least, most)
		}
	}
	between("tidy: off the marks", share(tidy, offMark), 0, 0)
	between("tidy: late", share(tidy, late), 0, 0)
	between("tidy: corrected", share(tidy, corrected), 0, 0)
	between("tidy: darkening", darkens(tidy), 0, 0.1)
	between("tidy: gaps of minutes", near(tidy, 0, 15), 0, 1)
	between("tidy: gaps over 4 h 15 min", near(tidy, 256, 1<<40), 0, 0)

	between("misjudged", darkens(emptyings(Untidy{Misjudged: 5})), 1.5, 5.5)
	between("rounds", near(emptyings(Untidy{Rounds: 20}), 256, 400), 10, 40)
	between("skipped", near(emptyings(Untidy{Skipped: 5}), 400, 1<<40), 2, 6)
	between("cups", near(emptyings(Untidy{Cups: 20}), 1, 3), 3, 20)
	between("doubles", near(emptyings(Untidy{Doubles: 5}), 2, 12), 3, 8)
	between("withdrawn", share(emptyings(Untidy{Doubles: 5}), withdrawn), 1.5, 3.5)
	between("corrected", share(emptyings(Untidy{Corrected: 5}), corrected), 4, 6)
	between("late", share(emptyings(Untidy{Late: 5}), late), 4, 6)
	between("vessels", share(emptyings(Untidy{Vessels: 20}), offMark), 2, 20)
	between("exact", share(emptyings(Untidy{Exact: true}), offMark), 80, 100)

	// Scatter and boluses show in the volumes: of a drain's emptyings after about
	// four hours, how much one differs from the one before.
	wobble := func(list []*observation) float64 {
		last, sum, n := map[string]*observation{}, 0.0, 0
		for _, o := range list {
			if l := last[o.device]; l != nil && l.value > 0 && o.value > 0 {
				d := float64(o.value-l.value) / float64(o.value+l.value)
				sum += max(d, -d)
				n++
			}
			last[o.device] = o
		}
		return sum / float64(n)
	}
	if a, b := wobble(emptyings(Untidy{Exact: true})), wobble(emptyings(Untidy{Exact: true, Scatter: 35})); b < a*1.3 {
		t.Errorf("scatter: volumes differ by %.3f, without it by %.3f", b, a)
	}
	most := func(list []*observation) float64 {
		return share(list, func(o *observation) bool { return o.value >= 55_000 })
	}
	if a, b := most(tidy), most(emptyings(Untidy{Boluses: 10})); b < 3*a {
		t.Errorf("boluses: %.2f %% of volumes are large, without them %.2f %%", b, a)
	}
}

// What is said to have happened is what the model did.
func TestTruth(t *testing.T) {
	end := time.Date(2026, 4, 3, 12, 0, 0, 0, time.UTC)
	var told []Event
	o := Options{Seed: 4, Wards: 2, Patients: 30, Days: 30, End: end, Untidy: Usual(), Events: 50, Truth: func(e Event) { told = append(told, e) }}
	looks := map[string][]*observation{}
	for s := range Steps(o) {
		if e, ok := s.body.(*observation); ok && e.device != "" {
			looks[e.device] = append(looks[e.device], e)
		}
	}
	kinds, faults := map[string]int{}, map[string]int{}
	for _, e := range told {
		if strings.HasPrefix(e.Event, "charting-") {
			faults[e.Event]++
			continue
		}
		kinds[e.Event]++
		if e.Onset.IsZero() || e.End.Before(e.Onset) || e.End.After(end) {
			t.Errorf("%+v: impossible times", e)
		}
		// During the event, entries look different from before it.
		for _, l := range looks[e.Drain] {
			at := time.Unix(l.at*60, 0)
			within := at.After(e.Onset) && at.Before(e.End) && l.unit != noUnit
			switch {
			case !within:
			case e.Event == "block" && l.value > 2500 && at.After(e.Onset.Add(10*time.Hour)):
				t.Errorf("%+v: %d µL at %v", e, l.value, at)
			case e.Event == "suction-lost" && l.suction != drain.Lost:
				t.Errorf("%+v: suction %s at %v", e, l.suction, at)
			case e.Event == "suspect-fluid":
				if _, ranked := l.looks.Rank(); ranked {
					t.Errorf("%+v: %s at %v", e, l.looks, at)
				}
			case e.Event == "block" && l.patency == drain.Occluded:
				t.Errorf("%+v: charted as blocked at %v, and should be in silence", e, at)
			}
		}
	}
	if got, want := slices.Sorted(maps.Keys(kinds)), kindsOfEvents(); !slices.Equal(got, want) {
		t.Errorf("events are of %v, want %v", got, want)
	}
	for k, n := range kinds {
		if n < 20 {
			t.Errorf("only %d events are %s", n, k)
		}
	}
	for _, k := range []string{"skipped", "late", "vessel", "wrong", "double"} {
		if n := faults["charting-"+k]; n < 20 {
			t.Errorf("only %d entries are charting-%s", n, k)
		}
	}
}

func kindsOfEvents() (names []string) {
	for _, e := range events {
		names = append(names, e.name)
	}
	slices.Sort(names)
	return names
}
