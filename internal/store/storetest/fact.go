package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tidemark/internal/drain"
	"tidemark/internal/store"
)

var factTests = []test{
	{name: "entries by range and last", run: entries},
	{name: "an entry keeps every field", run: entryFields},
	{name: "entries follow updates and deletions", run: entriesFollow},
	{name: "what was charted last of many drains", run: latest},
	{name: "drains and placements", run: drains},
	{name: "drains at places", run: drainsAt},
	{name: "active drains in pages", run: activeDrains},
	{name: "concerns", run: concerns},
	{name: "stays", run: stays},
	{name: "places", run: places},
	{name: "walks", run: walks},
}

// bare is a resource of a type that holds nothing but its id.
func bare(tb testing.TB, typ, id string) store.Write {
	tb.Helper()
	return Put(tb, fmt.Sprintf(`{"resourceType":%q,"id":%q,"meta":{}}`, typ, id))
}

func equal(tb testing.TB, what string, got, want any) {
	tb.Helper()
	if d := cmp.Diff(want, got); d != "" {
		tb.Errorf("%s (-want +got):\n%s", what, d)
	}
}

// idsOf gives the ids of a list.
func idsOf[T any](id func(T) string, list []T) []string {
	out := []string{}
	for _, x := range list {
		out = append(out, id(x))
	}
	return out
}

func entryIDs(tb testing.TB, s store.Store, q store.EntryQuery, want ...string) {
	tb.Helper()
	got, err := s.Entries(context.Background(), q)
	if err != nil {
		tb.Fatal(err)
	}
	if ids := idsOf(func(e drain.Entry) string { return e.ID }, got); !slices.Equal(ids, want) {
		tb.Errorf("%+v: got %v, want %v", q, ids, want)
	}
}

func entries(t *testing.T, s store.Store) {
	at := func(minutes int) time.Time { return noon.Add(time.Duration(minutes) * time.Minute) }
	for _, e := range []*drain.Entry{
		entry("b", "d1", "p1", at(0), "1"), entry("a", "d1", "p1", at(0), "2"), entry("c", "d1", "p1", at(10), "3"), entry("d", "d2", "p1", at(5), "4"),
		entry("e", "", "p1", at(7), "5"), entry("f", "d3", "p2", at(7), "6"), entry("g", "d1", "p1", at(10).Add(time.Microsecond), "7"), entry("h", "d1", "p1", at(-100000000), "8"),
	} {
		commit(t, s, with(bare(t, "Observation", e.ID), store.Facts{Entry: e}))
	}
	entryIDs(t, s, store.EntryQuery{Drain: "d1"}, "h", "a", "b", "c", "g")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", From: at(0)}, "a", "b", "c", "g")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", From: at(0), To: at(10)}, "a", "b")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", From: at(0).Add(time.Nanosecond), To: at(10).Add(time.Nanosecond)}, "c")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", From: at(10), To: at(10).Add(time.Microsecond)}, "c")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", Last: 2}, "c", "g")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", To: at(10), Last: 1}, "b")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", First: 2}, "h", "a")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", From: at(0), First: 1}, "a")
	entryIDs(t, s, store.EntryQuery{Patient: "p1", First: 1}, "h")
	entryIDs(t, s, store.EntryQuery{Drain: "d1", Last: 100}, "h", "a", "b", "c", "g")
	entryIDs(t, s, store.EntryQuery{Drain: "none"})
	entryIDs(t, s, store.EntryQuery{Patient: "p1"}, "h", "a", "b", "d", "e", "c", "g")
	entryIDs(t, s, store.EntryQuery{Patient: "p1", From: at(5), To: at(10)}, "d", "e")
	entryIDs(t, s, store.EntryQuery{Patient: "p1", Last: 3}, "e", "c", "g")
	entryIDs(t, s, store.EntryQuery{Patient: "p2"}, "f")
}

func volume(text string) drain.Volume {
	v, ok := drain.ParseML(text)
	if !ok {
		panic("not a volume: " + text)
	}
	return v
}

func entryFields(t *testing.T, s store.Store) {
	full := drain.Entry{
		ID: "full", Kind: drain.Emptying, Drain: "d1", Patient: "p1", At: noon.Add(123456 * time.Microsecond), Status: "preliminary",
		Measured: drain.Measure{Known: true, Volume: volume("12345678901234567890.123456")}, Instilled: volume("1/3"), Estimated: true, Vessel: drain.Syringe,
		Appearance: drain.Serosanguineous, Colour: "straw, a bit \"milky\"", Suction: drain.Lost, Patency: drain.Sluggish, Fill: drain.Percent{Known: true, Value: volume("33.3")},
		Signs: []drain.Sign{drain.Leakage, drain.Redness}, Assessed: true, Dislodged: true, Route: "9108-2", RouteText: "total in", Kilograms: volume("71.5"), DoneBy: "Practitioner/n1",
		Odour: "foul, a bit", Care: []drain.Care{drain.DressingChanged, drain.TubingMilked},
	}
	zero := drain.Entry{ID: "zero", Kind: drain.Check, Drain: "d1", Patient: "p1", At: noon.Add(time.Hour), Status: "final",
		Measured: drain.Measure{Known: true}, Fill: drain.Percent{Known: true}}
	absent := drain.Entry{ID: "absent", Kind: drain.Site, Drain: "d1", Patient: "p1", At: noon.Add(2 * time.Hour), Status: "final", Measured: drain.Measure{Absent: "not-performed"}}
	var want []drain.Entry
	for _, e := range []drain.Entry{full, zero, absent} {
		commit(t, s, with(bare(t, "Observation", e.ID), store.Facts{Entry: &e}))
		e.Version = 1
		want = append(want, e)
	}
	got, err := s.Entries(context.Background(), store.EntryQuery{Drain: "d1"})
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "entries", got, want)
}

func entriesFollow(t *testing.T, s store.Store) {
	put := func(e *drain.Entry) {
		w := bare(t, "Observation", "o")
		w.Facts.Entry = e
		commit(t, s, w)
	}
	put(entry("o", "d1", "p1", noon, "10"))
	put(entry("o", "d1", "p1", noon, "12")) // amount
	got, err := s.Entries(context.Background(), store.EntryQuery{Drain: "d1"})
	if err != nil || len(got) != 1 || got[0].Version != 2 || got[0].Measured.Volume.Key() != "12" {
		t.Errorf("got %+v, %v", got, err)
	}
	put(entry("o", "d1", "p1", noon.Add(time.Hour), "12")) // time
	entryIDs(t, s, store.EntryQuery{Drain: "d1", To: noon.Add(time.Minute)})
	entryIDs(t, s, store.EntryQuery{Drain: "d1"}, "o")
	put(entry("o", "d2", "p2", noon.Add(time.Hour), "12")) // drain and patient
	entryIDs(t, s, store.EntryQuery{Drain: "d1"})
	entryIDs(t, s, store.EntryQuery{Patient: "p1"})
	entryIDs(t, s, store.EntryQuery{Drain: "d2"}, "o")
	entryIDs(t, s, store.EntryQuery{Patient: "p2"}, "o")
	put(nil) // no entry any more
	entryIDs(t, s, store.EntryQuery{Drain: "d2"})
	put(entry("o", "d2", "p2", noon, "1"))
	commit(t, s, remove("Observation", "o"))
	entryIDs(t, s, store.EntryQuery{Drain: "d2"})
	entryIDs(t, s, store.EntryQuery{Patient: "p2"})
	put(entry("o", "d2", "p2", noon, "1"))
	entryIDs(t, s, store.EntryQuery{Drain: "d2"}, "o")
}

func latest(t *testing.T, s store.Store) {
	ctx := context.Background()
	for i := range 9 {
		at := noon.Add(time.Duration(i/2) * time.Minute) // two at a time
		e := entry(fmt.Sprintf("e%d", i), fmt.Sprintf("d%d", i%3), "p1", at, "1")
		commit(t, s, with(bare(t, "Observation", e.ID), store.Facts{Entry: e}))
	}
	putPlacement(t, s, drain.Placement{ID: "u2", Drain: "d1", Patient: "p1", Status: drain.PlacementActive, Start: noon})
	putPlacement(t, s, drain.Placement{ID: "u1", Drain: "d1", Patient: "p2", Status: drain.PlacementCompleted, Start: noon.Add(-time.Hour), End: noon.Add(-time.Minute)})
	putPlacement(t, s, drain.Placement{ID: "u3", Drain: "d4", Patient: "p3", Status: drain.PlacementIntended})
	for _, most := range []int{1, 2, 100} {
		for _, to := range []time.Time{{}, noon, noon.Add(2 * time.Minute), noon.Add(2*time.Minute + time.Microsecond)} {
			drains := []string{"d1", "d4", "d0", "none", "d1"}
			got, err := s.Latest(ctx, drains, to, most)
			if err != nil {
				t.Fatal(err)
			}
			want := map[string]store.Latest{}
			for _, id := range drains {
				var l store.Latest
				if l.Placements, err = s.Placements(ctx, id); err != nil {
					t.Fatal(err)
				}
				if l.Entries, err = s.Entries(ctx, store.EntryQuery{Drain: id, To: to, Last: most}); err != nil {
					t.Fatal(err)
				}
				want[id] = l
			}
			if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" {
				t.Errorf("to %v, %d at most (-want +got):\n%s", to, most, d)
			}
		}
	}
	got, err := s.Latest(ctx, nil, time.Time{}, 1)
	if err != nil || len(got) != 0 {
		t.Errorf("of no drains: %v, %v", got, err)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.Latest(gone, []string{"d1"}, time.Time{}, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("with a context that has ended: %v", err)
	}
}

func putDrain(tb testing.TB, s store.Store, d drain.Drain) {
	tb.Helper()
	commit(tb, s, with(bare(tb, "Device", d.ID), store.Facts{Drain: &d}))
}

func putPlacement(tb testing.TB, s store.Store, p drain.Placement) {
	tb.Helper()
	commit(tb, s, with(bare(tb, "DeviceUseStatement", p.ID), store.Facts{Placement: &p}))
}

func drainIDs(list []drain.Drain) []string {
	return idsOf(func(d drain.Drain) string { return d.ID }, list)
}

func drains(t *testing.T, s store.Store) {
	ctx := context.Background()
	d1 := drain.Drain{ID: "d1", Patient: "p1", Ward: "w1", Label: "Drain 1, left axilla", Type: "bulb", Capacity: volume("100"), Compartment: drain.Wound, Active: true}
	putDrain(t, s, d1)
	putDrain(t, s, drain.Drain{ID: "d2"})
	putDrain(t, s, drain.Drain{ID: "D3", Patient: "p2"})
	got, ok, err := s.Drain(ctx, "d1")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	equal(t, "drain", got, d1)
	if _, ok, err := s.Drain(ctx, "d9"); ok || err != nil {
		t.Error(ok, err)
	}

	p1 := drain.Placement{ID: "x1", Drain: "d2", Patient: "p1", Status: drain.PlacementCompleted, Start: noon, End: noon.Add(time.Hour), Site: "left axilla", Side: "left"}
	p2 := drain.Placement{ID: "x2", Drain: "d2", Patient: "p3", Status: drain.PlacementActive, Start: noon.Add(2 * time.Hour)}
	p0 := drain.Placement{ID: "x0", Drain: "d2", Patient: "p4", Status: drain.PlacementError}
	p3 := drain.Placement{ID: "x00", Drain: "d2", Patient: "p3", Status: drain.PlacementIntended, Start: noon}
	for _, p := range []drain.Placement{p2, p1, p0, p3} {
		putPlacement(t, s, p)
	}
	places, err := s.Placements(ctx, "d2")
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "placements", places, []drain.Placement{p0, p3, p1, p2})
	for p, want := range map[string][]string{"p1": {"d1", "d2"}, "p2": {"D3"}, "p3": {"d2"}, "p4": {}} {
		list, err := s.Drains(ctx, store.DrainQuery{Patient: p})
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "drains of "+p, drainIDs(list), want)
	}
	open, err := s.OpenPlacements(ctx, "", 10)
	equal(t, "placements without an end", open, []drain.Placement{p0, p3, p2})
	if err != nil {
		t.Error(err)
	}
	open, _ = s.OpenPlacements(ctx, "x0", 1)
	equal(t, "a page of them", open, []drain.Placement{p3})
	commit(t, s, remove("DeviceUseStatement", "x1"))
	list, _ := s.Drains(ctx, store.DrainQuery{Patient: "p1"})
	equal(t, "drains of p1 without the placement", drainIDs(list), []string{"d1"})
	commit(t, s, remove("Device", "d1"))
	if _, ok, _ := s.Drain(ctx, "d1"); ok {
		t.Error("a deleted drain is still there")
	}
	d1.Active, d1.Capacity = false, volume("150.5")
	putDrain(t, s, d1)
	got, _, _ = s.Drain(ctx, "d1")
	equal(t, "drain brought back", got, d1)
}

func drainsAt(t *testing.T, s store.Store) {
	ctx := context.Background()
	putDrain(t, s, drain.Drain{Active: true, ID: "a", Ward: "w1"})
	putDrain(t, s, drain.Drain{Active: true, ID: "b", Patient: "p1"})
	putDrain(t, s, drain.Drain{Active: true, ID: "c"})
	putDrain(t, s, drain.Drain{Active: true, ID: "d", Patient: "p2", Ward: "w2"})
	putDrain(t, s, drain.Drain{Active: true, ID: "e"})
	putDrain(t, s, drain.Drain{Active: true, ID: "f"})
	putDrain(t, s, drain.Drain{ID: "g", Ward: "w1"}) // out of use, as is the next
	putDrain(t, s, drain.Drain{ID: "h", Patient: "p1"})
	putPlacement(t, s, drain.Placement{ID: "x1", Drain: "c", Patient: "p1", Status: drain.PlacementActive, Start: noon})
	putPlacement(t, s, drain.Placement{ID: "x2", Drain: "e", Patient: "p1", Status: drain.PlacementCompleted, Start: noon, End: noon.Add(time.Hour)})
	putPlacement(t, s, drain.Placement{ID: "x3", Drain: "f", Patient: "p1", Status: drain.PlacementError, Start: noon})
	// Out of use, and yet in place; by a placement that counts for nothing; of a patient here.
	putDrain(t, s, drain.Drain{ID: "i", Ward: "w5"})
	putDrain(t, s, drain.Drain{ID: "j", Ward: "w5"})
	putDrain(t, s, drain.Drain{ID: "k"})
	putPlacement(t, s, drain.Placement{ID: "x4", Drain: "i", Patient: "p9", Status: drain.PlacementActive, Start: noon})
	putPlacement(t, s, drain.Placement{ID: "x5", Drain: "j", Patient: "p9", Status: drain.PlacementIntended, Start: noon})
	putPlacement(t, s, drain.Placement{ID: "x6", Drain: "k", Patient: "p8", Status: drain.PlacementActive, Start: noon})
	stay := func(id, p string, open bool, places ...string) {
		commit(t, s, with(bare(t, "Encounter", id), store.Facts{Stay: &drain.Stay{ID: id, Patient: p, Open: open, Places: places, Start: noon}}))
	}
	at := func(want []string, places ...string) {
		t.Helper()
		list, err := s.Drains(ctx, store.DrainQuery{Places: append([]string{}, places...)})
		if err != nil {
			t.Fatal(err)
		}
		equal(t, fmt.Sprint("drains at ", places), drainIDs(list), want)
	}
	stay("e1", "p1", true, "w1", "bed1")
	stay("e2", "p2", false, "bed1")
	at([]string{"a"}, "w1") // the stay is in bed1 now
	at([]string{"b", "c"}, "bed1")
	at([]string{"a", "b", "c", "d"}, "bed1", "w1", "w2")
	at([]string{"d"}, "w2", "w3")
	at([]string{})
	stay("e1", "p1", true, "bed1", "w3")
	at([]string{}, "bed1")
	at([]string{"b", "c"}, "w3")
	stay("e1", "p1", false, "w3")
	at([]string{}, "w3")
	at([]string{"i"}, "w5")
	stay("e4", "p8", true, "w6")
	at([]string{"i", "k"}, "w5", "w6")
	stay("e3", "", true, "w4") // nobody's stay is nobody's drain
	at([]string{}, "w4")
}

func activeDrains(t *testing.T, s store.Store) {
	var want []string
	for i := range 9 {
		id := fmt.Sprintf("d%d", i)
		putDrain(t, s, drain.Drain{ID: id, Active: i%3 != 0})
		if i%3 != 0 {
			want = append(want, id)
		}
	}
	var got []string
	for after := ""; ; {
		list, err := s.Drains(context.Background(), store.DrainQuery{After: after, Limit: 2})
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		if len(list) > 2 {
			t.Fatalf("%d with limit 2", len(list))
		}
		got = append(got, drainIDs(list)...)
		after = got[len(got)-1]
	}
	equal(t, "active drains", got, want)
}

func concerns(t *testing.T, s store.Store) {
	ctx := context.Background()
	full := drain.Concern{ID: "f1", Drain: "d1", Patient: "p1", Kind: "fluid", Severity: drain.High, Since: noon.Add(time.Microsecond), Until: noon.Add(time.Hour), Withdrawn: true,
		Headline: "250 mL in 8 h, \"thick\"", Evidence: []drain.Evidence{
			{Rule: "brisk-output", Severity: drain.High, Since: noon.Add(time.Second), Text: "250 mL ran out in 8 h.", Readings: []string{"o1", "o2"}},
			{Rule: "darker", Severity: drain.Moderate, Text: "It was serous."},
		},
		Announced:    drain.Announced{At: noon, Reason: "opened"},
		Acknowledged: drain.Acknowledged{At: noon.Add(time.Minute), By: "Practitioner/n1", Severity: drain.Moderate, High: []string{"brisk-output", "darker"}, Void: "acknowledged 12:01, worse since: 210 mL"}, Policy: "abc"}
	open := drain.Concern{ID: "f2", Drain: "d1", Kind: "function", Severity: drain.Low, Since: noon.Add(2 * time.Hour)}
	tie := drain.Concern{ID: "f0", Drain: "d1", Since: noon.Add(2 * time.Hour)}
	other := drain.Concern{ID: "f3", Drain: "d2", Since: noon}
	put := func(c drain.Concern) {
		t.Helper()
		commit(t, s, with(bare(t, "DetectedIssue", c.ID), store.Facts{Concern: &c}))
	}
	for _, c := range []drain.Concern{full, open, tie, other} {
		put(c)
	}
	for _, c := range []*drain.Concern{&full, &open, &tie, &other} {
		c.Version = 1
	}
	check := func(drainID string, ended time.Time, want ...drain.Concern) {
		t.Helper()
		got, err := s.Concerns(ctx, drainID, ended)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "concerns of "+drainID, got, want)
	}
	all := time.Time{}
	check("d1", all, tie, open, full)
	check("d1", noon.Add(time.Hour), tie, open, full)
	check("d1", noon.Add(time.Hour+time.Microsecond), tie, open)
	check("d2", noon.Add(time.Hour), other)
	check("d9", all)
	var ids []string
	for after := ""; ; {
		list, err := s.OpenConcerns(ctx, after, 2)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		for _, c := range list {
			ids = append(ids, c.ID)
		}
		after = ids[len(ids)-1]
	}
	equal(t, "open concerns", ids, []string{"f0", "f2", "f3"})
	open.Until = noon.Add(3 * time.Hour)
	put(open)
	open.Version = 2
	check("d1", noon.Add(4*time.Hour), tie)
	check("d1", noon.Add(3*time.Hour), tie, open)
	check("d1", all, tie, open, full)
	// It opens again.
	open.Until = time.Time{}
	put(open)
	open.Version = 3
	check("d1", noon.Add(4*time.Hour), tie, open)
	commit(t, s, remove("DetectedIssue", "f0"))
	check("d1", noon.Add(4*time.Hour), open)
}

func stays(t *testing.T, s store.Store) {
	ctx := context.Background()
	a := drain.Stay{ID: "a", Patient: "p1", Open: true, Places: []string{"w1", "b2"}, Start: noon}
	b := drain.Stay{ID: "b", Patient: "p1", Start: noon.Add(time.Hour), Finished: true, End: noon.Add(2 * time.Hour)}
	c := drain.Stay{ID: "c", Patient: "p2", Open: true}
	for _, x := range []drain.Stay{a, b, c} {
		commit(t, s, with(bare(t, "Encounter", x.ID), store.Facts{Stay: &x}))
	}
	got, err := s.Stays(ctx, "p1")
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "stays", got, []drain.Stay{b, a})
	got, _ = s.Stays(ctx, "p2")
	equal(t, "stay without a start", got, []drain.Stay{c})
	got, _ = s.Stays(ctx, "p2", "p1", "p3")
	equal(t, "stays of several", got, []drain.Stay{b, a, c})
	if got, err := s.Stays(ctx); len(got) > 0 || err != nil {
		t.Errorf("stays of nobody: %v, %v", got, err)
	}
	commit(t, s, remove("Encounter", "b"))
	got, _ = s.Stays(ctx, "p1")
	equal(t, "stays after a deletion", got, []drain.Stay{a})
}

func walks(t *testing.T, s store.Store) {
	a := drain.Walk{ID: "a", Patient: "p1", Start: noon.Add(time.Hour), End: noon.Add(2 * time.Hour), Open: true}
	b := drain.Walk{ID: "b", Patient: "p1", Start: noon, Open: true}
	c := drain.Walk{ID: "c", Patient: "p2", Start: noon, Open: true}
	for _, x := range []drain.Walk{a, b, c, {ID: "d", Patient: "p1", Start: noon}} {
		commit(t, s, with(bare(t, "Task", x.ID), store.Facts{Walk: &x}))
	}
	check := func(want []drain.Walk, patients ...string) {
		t.Helper()
		got, err := s.Walks(context.Background(), patients...)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, fmt.Sprint("walks of ", patients), got, want)
	}
	check([]drain.Walk{b, a}, "p1")
	check([]drain.Walk{b, c, a}, "p1", "p2", "p3")
	check(nil, "p3")
	check(nil)
	b.Open = false
	commit(t, s, with(bare(t, "Task", "b"), store.Facts{Walk: &b}))
	commit(t, s, remove("Task", "c"))
	check([]drain.Walk{a}, "p1", "p2")
}

func places(t *testing.T, s store.Store) {
	ctx := context.Background()
	put := func(id, partOf string) {
		t.Helper()
		commit(t, s, with(bare(t, "Location", id), store.Facts{Place: &drain.Place{ID: id, Name: "Name of " + id, PartOf: partOf, Kind: "wa"}}))
	}
	within := func(id string, want ...string) {
		t.Helper()
		got, err := s.PlacesWithin(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, "places within "+id, idsOf(func(p drain.Place) string { return p.ID }, got), want)
		for _, p := range got {
			if self, _, err := s.Place(ctx, p.ID); err != nil || self != p {
				t.Errorf("%+v within %s is %+v alone, %v", p, id, self, err)
			}
		}
	}
	for _, p := range [][2]string{{"house", ""}, {"ward", "house"}, {"room1", "ward"}, {"room2", "ward"}, {"bed1", "room1"}, {"bed2", "room1"}, {"other", "house"}} {
		put(p[0], p[1])
	}
	within("ward", "bed1", "bed2", "room1", "room2", "ward")
	within("bed1", "bed1")
	within("house", "bed1", "bed2", "house", "other", "room1", "room2", "ward")
	p, ok, err := s.Place(ctx, "ward")
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	equal(t, "place", p, drain.Place{ID: "ward", Name: "Name of ward", PartOf: "house", Kind: "wa"})
	if nowhere, err := s.PlacesWithin(ctx, "nowhere"); err != nil || len(nowhere) != 1 || nowhere[0] != (drain.Place{ID: "nowhere"}) {
		t.Error(nowhere, err)
	}
	if _, ok, err := s.Place(ctx, "nowhere"); ok || err != nil {
		t.Error(ok, err)
	}
	put("house", "bed1") // a circle, charted by mistake
	within("ward", "bed1", "bed2", "house", "other", "room1", "room2", "ward")
	put("other", "other")
	within("other", "other")
	put("room1", "other")
	within("other", "bed1", "bed2", "house", "other", "room1", "room2", "ward")
}
