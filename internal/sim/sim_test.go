package sim

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fhirdate"
	"tidemark/internal/r4"
	"tidemark/internal/store"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func berlin(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone data: ", err)
	}
	return z
}

// script is what the steps write, each after its time, method and key.
func script(o Options) []byte {
	var b []byte
	for s := range Steps(o) {
		b = fmt.Appendf(b, "%s %s %s/%s ", fhirdate.FormatIn(s.At, s.At.Location()), s.Method, s.Type, s.ID)
		b = append(s.AppendJSON(b), '\n')
	}
	return b
}

// chart is what the steps leave behind.
type chart struct {
	zone  *time.Location
	facts map[store.Key]store.Facts
	count Totals
	// statuses of Observations that were written again, and deletions
	again map[string]int
}

// play takes the steps through what a server asks of them.
func play(t *testing.T, o Options) chart {
	t.Helper()
	c := chart{zone: o.Zone, facts: map[store.Key]store.Facts{}, again: map[string]int{}}
	identifiers := map[string]store.Key{}
	var last time.Time
	for s := range Steps(o) {
		k := store.Key{Type: s.Type, ID: s.ID}
		if s.At.Before(last) || s.At.After(o.End) {
			t.Fatalf("%v is posted at %v, after %v and with the end at %v", k, s.At, last, o.End)
		}
		last = s.At
		c.count.Steps++
		_, there := c.facts[k]
		if s.Method == Delete {
			if !there || s.Resource() != nil || len(s.AppendJSON(nil)) > 0 {
				t.Errorf("%v: a deletion needs something to delete, and no body", k)
			}
			delete(c.facts, k)
			c.again["deleted"]++
			continue
		}
		n := s.Resource()
		if got, want := n.Bytes(), s.AppendJSON(nil); !bytes.Equal(got, want) {
			t.Fatalf("%v: the tree is %s, the JSON is %s", k, got, want)
		}
		if n.Str("resourceType") != s.Type || n.Str("id") != s.ID {
			t.Fatalf("%v holds another resource: %s", k, n.Bytes())
		}
		if faults := r4.Validate(n, r4.Options{Type: s.Type}); len(faults.Issues) > 0 {
			t.Fatalf("%v is not valid: %+v\n%s", k, faults.Issues, n.Bytes())
		}
		facts, faults := fhirmap.Decode(n, o.Zone)
		if len(faults.Issues) > 0 {
			t.Fatalf("%v has faults: %+v\n%s", k, faults.Issues, n.Bytes())
		}
		ids := n.Each("identifier")
		if len(ids) == 0 {
			t.Errorf("%v has no identifier", k)
		}
		for _, i := range ids {
			name := i.Str("system") + "|" + i.Str("value")
			if other, taken := identifiers[name]; taken && other != k {
				t.Errorf("%v and %v share the identifier %s", k, other, name)
			}
			identifiers[name] = k
		}
		if s.Type == "Observation" {
			c.count.Observations++
			if there {
				c.again[n.Str("status")]++
			}
			c.entry(t, k, facts.Entry, s.At)
		}
		c.facts[k] = facts
	}
	return c
}

// entry holds an entry against what is known when it is posted.
func (c chart) entry(t *testing.T, k store.Key, e *drain.Entry, posted time.Time) {
	t.Helper()
	if e == nil {
		t.Errorf("%v is an entry that nobody can use", k)
		return
	}
	if e.At.After(posted) {
		t.Errorf("%v is about %v and was posted before, at %v", k, e.At, posted)
	}
	if _, ok := c.facts[store.Key{Type: "Patient", ID: e.Patient}]; !ok {
		t.Errorf("%v is of a patient %q who is not there", k, e.Patient)
	}
	if e.Drain == "" {
		return
	}
	device, ok := c.facts[store.Key{Type: "Device", ID: e.Drain}]
	if !ok || device.Drain.Patient != e.Patient {
		t.Errorf("%v is of a drain %q that is not there or another patient's", k, e.Drain)
	}
	if p := c.facts[store.Key{Type: "DeviceUseStatement", ID: e.Drain + "-placement"}].Placement; p == nil || !p.Holds(e.At) || p.Patient != e.Patient {
		t.Errorf("%v at %v is outside the placement %+v", k, e.At, p)
	}
}

func (c chart) findings(id string, now time.Time) []escalate.Finding {
	s := escalate.Subject{Drain: *c.facts[store.Key{Type: "Device", ID: id}].Drain, Zone: c.zone}
	for _, f := range c.facts {
		if f.Placement != nil && f.Placement.Drain == id {
			s.Placements = append(s.Placements, *f.Placement)
		}
		if f.Entry != nil && f.Entry.Drain == id {
			s.Entries = append(s.Entries, *f.Entry)
		}
	}
	return escalate.Evaluate(escalate.Defaults(), s, now)
}

func (c chart) drains() []string {
	var ids []string
	for _, f := range c.facts {
		if f.Drain != nil {
			ids = append(ids, f.Drain.ID)
		}
	}
	slices.Sort(ids)
	return ids
}

// firstDrains gives the course of each patient's first drain, where no bed sees
// more than one stay.
func firstDrains(o Options) map[string]*Course {
	m := map[string]*Course{}
	for _, b := range newHospital(o.normal()).beds {
		m[fmt.Sprintf("p-%02d-%d-drain-1", b.ward+1, b.number+1)] = b.course
	}
	return m
}

// The demo ward must show what it is there to show, whatever the seed and the
// time of day at which somebody starts it.
func TestDemoShowsItsCourses(t *testing.T) {
	z := berlin(t)
	for seed, now := range []time.Time{
		time.Date(2026, 11, 25, 10, 20, 0, 0, z), time.Date(2026, 7, 1, 2, 3, 0, 0, z), time.Date(2027, 1, 1, 0, 0, 0, 0, z),
		time.Date(2026, 3, 30, 18, 59, 59, 0, z), time.Date(2026, 10, 27, 21, 30, 0, 0, z), time.Date(2026, 2, 28, 6, 45, 0, 0, time.UTC),
	} {
		o := Demo(now, uint64(seed))
		c := play(t, o)
		if n := len(c.drains()); n < 45 || n > 55 {
			t.Errorf("the ward has %d drains, not about 50", n)
		}
		course := firstDrains(o)
		seen := map[string]bool{}
		for _, id := range c.drains() {
			var rules []string
			high := 0
			for _, f := range c.findings(id, now) {
				rules = append(rules, f.Rule)
				// Rounds are not to the minute, so that a day of a steady drain may hold
				// one emptying more than the day before.
				if f.Severity == drain.High && f.Rule != "output-rise" {
					high++
				}
			}
			var shows []string
			name := "second drain"
			if k := course[id]; k != nil {
				name, shows = k.Name, k.Shows
				seen[name] = true
			}
			for _, rule := range shows {
				if !slices.Contains(rules, rule) {
					t.Errorf("seed %d: %s of %s shows %v and not %s", seed, id, name, rules, rule)
				}
			}
			if len(shows) == 0 && (high > 0 || slices.Contains(rules, "stale") || slices.Contains(rules, "overdue")) {
				t.Errorf("seed %d: %s of %s shows %v, and should be quiet", seed, id, name, rules)
			}
		}
		for _, k := range courses {
			if !seen[k.Name] {
				t.Errorf("seed %d: no patient has the course %s", seed, k.Name)
			}
		}
		if want := map[string]int{"corrected": 1, "amended": 1, "entered-in-error": 1, "deleted": 1}; !cmp.Equal(c.again, want) {
			t.Errorf("seed %d: corrections are %v, want %v", seed, c.again, want)
		}
		if got := Count(o); got != c.count {
			t.Errorf("seed %d: Count gives %+v for %+v", seed, got, c.count)
		}
	}
}

func TestStepsDependOnOptionsAlone(t *testing.T) {
	end := time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)
	o := Options{Seed: 7, Wards: 2, Patients: 4, Days: 2, End: end}
	first := script(o)
	if !bytes.Equal(first, script(o)) {
		t.Error("the same options gave different steps")
	}
	o.Seed = 8
	if bytes.Equal(first, script(o)) {
		t.Error("another seed gave the same steps")
	}
}

func TestStepsCanBeLeft(t *testing.T) {
	n := 0
	for range Steps(Demo(time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC), 1)) {
		if n++; n == 1000 {
			break
		}
	}
	if n != 1000 {
		t.Errorf("left after %d steps", n)
	}
}

// The shape of everything that is posted, to be read. Rewrite with -update.
func TestGolden(t *testing.T) {
	const path = "testdata/tiny.txt"
	got := script(Options{Seed: 3, Wards: 1, Patients: 2, Days: 1, End: time.Date(2026, 11, 25, 8, 30, 0, 0, berlin(t)), Zone: berlin(t)})
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

// Beds of a long run see one patient after another, all of them valid, each
// drain removed when its patient goes, and the last patients still there.
func TestLongRun(t *testing.T) {
	o := Options{Seed: 5, Wards: 2, Patients: 5, Days: 14, End: time.Date(2026, 4, 3, 12, 0, 0, 0, berlin(t)), Zone: berlin(t)}
	c := play(t, o) // with the change to summer time in it
	open, closed := 0, 0
	for _, f := range c.facts {
		switch {
		case f.Stay == nil:
		case f.Stay.Open:
			open++
		default:
			closed++
		}
	}
	if open != 10 || closed != 20 {
		t.Errorf("%d stays are open and %d closed, want 10 and 20", open, closed)
	}
	for _, id := range c.drains() {
		device := c.facts[store.Key{Type: "Device", ID: id}].Drain
		p := c.facts[store.Key{Type: "DeviceUseStatement", ID: id + "-placement"}].Placement
		if device.Active != p.End.IsZero() || (p.Status == drain.PlacementActive) != p.End.IsZero() {
			t.Errorf("%s: active %v, placement %s with the end %v", id, device.Active, p.Status, p.End)
		}
	}
	if got := Count(o); got.Steps < c.count.Steps*8/10 || got.Steps > c.count.Steps*12/10 {
		t.Errorf("Count gives %+v for %+v", got, c.count)
	}
}

// The nights in which the clocks change have a round each four hours too, and
// times carry the offset that holds then.
func TestClockChanges(t *testing.T) {
	for _, end := range []time.Time{time.Date(2026, 10, 26, 12, 0, 0, 0, berlin(t)), time.Date(2026, 3, 30, 12, 0, 0, 0, berlin(t))} {
		o := Options{Seed: 2, Wards: 1, Patients: 30, Days: 3, End: end, Zone: berlin(t)}
		c := play(t, o)
		offsets := map[int]bool{}
		course := firstDrains(o)
		for _, id := range c.drains() {
			if k := course[id]; k != nil && len(k.beats) > 0 {
				continue
			}
			var at []time.Time
			for _, f := range c.facts {
				if e := f.Entry; e != nil && e.Drain == id && e.Kind == drain.Emptying {
					at = append(at, e.At)
				}
			}
			slices.SortFunc(at, time.Time.Compare)
			for i, now := range at {
				_, offset := now.In(o.Zone).Zone()
				offsets[offset] = true
				if i > 0 && now.Sub(at[i-1]) > 4*time.Hour+15*time.Minute {
					t.Errorf("%s was emptied at %v and only then at %v", id, at[i-1], now)
				}
			}
		}
		if !offsets[3600] || !offsets[7200] {
			t.Errorf("end %v: offsets are %v, want both", end, offsets)
		}
	}
}

// Nothing is made or lost between the wound and the chart.
func TestFluidBalances(t *testing.T) {
	o := Demo(time.Date(2026, 11, 25, 10, 20, 0, 0, time.UTC), 4).normal()
	h := newHospital(o)
	overflowed := false
	for until := h.start; until <= h.end; until += slice {
		for i := range h.beds {
			h.beds[i].advance(until)
			for _, d := range h.beds[i].tubes {
				if !d.out {
					d.run(until)
				}
				if in, out := d.formed+d.irrigant, d.emptied+d.content+d.pool+d.lost; in != out {
					t.Fatalf("%s: %d µL in, %d µL out or still there", d.id, in, out)
				}
				if d.content < 0 || d.pool < 0 || d.lost < 0 || d.content > d.port.holds*1000 {
					t.Fatalf("%s: content %d, pool %d, lost %d", d.id, d.content, d.pool, d.lost)
				}
				overflowed = overflowed || d.content == d.port.holds*1000
			}
		}
	}
	if !overflowed {
		t.Error("no reservoir ran full, so that the test saw no loss of suction")
	}
}

// Readings are on the marks of their vessel and no more than it holds, but for
// the one that is guessed between two marks and the slip of a digit.
func TestReadingsAreOnTheMarks(t *testing.T) {
	o := Demo(time.Date(2026, 11, 25, 10, 20, 0, 0, time.UTC), 4)
	course := firstDrains(o)
	odd := map[string]int{}
	read := 0
	for s := range Steps(o) {
		e, ok := s.body.(*observation)
		if !ok || e.device == "" || e.vessel == "" {
			continue
		}
		read++
		if v := vessels[e.vessel]; e.value%v.mark != 0 || e.value > v.holds {
			k := course[e.device]
			if k == nil {
				t.Fatalf("%s: %d µL in a %s", e.id, e.value, e.vessel)
			}
			odd[k.Name]++
		}
	}
	delete(odd, "corrected") // ten times too much may still fit
	if want := map[string]int{"wrong-vessel": 1}; !cmp.Equal(odd, want) {
		t.Errorf("readings that cannot be: %v, want %v", odd, want)
	}
	if read < 1000 {
		t.Errorf("only %d readings", read)
	}
}

func TestAppendDecimal(t *testing.T) {
	for _, c := range []struct {
		n      int64
		digits int
		want   string
	}{
		{0, 3, "0"}, {2500, 3, "2.5"}, {30_000, 3, "30"}, {2500, 6, "0.0025"}, {1_000_000, 6, "1"}, {1001, 3, "1.001"},
		{500, 3, "0.5"}, {12_345, 2, "123.45"}, {7, 0, "7"}, {70_000_000, 6, "70"},
	} {
		if got := string(appendDecimal(nil, c.n, c.digits)); got != c.want {
			t.Errorf("%d / 10^%d is written %s, want %s", c.n, c.digits, got, c.want)
		}
	}
}

// BenchmarkSteps writes the JSON of a hospital of 120 wards; an operation is a
// step. Bytes per operation must not grow with the days.
func BenchmarkSteps(b *testing.B) {
	for _, days := range []int{5, 30} {
		b.Run(fmt.Sprintf("%d days", days), func(b *testing.B) {
			o := Demo(time.Date(2026, 11, 25, 10, 20, 0, 0, time.UTC), 1)
			o.Wards, o.Days = 120, days
			b.ReportAllocs()
			var body []byte
			n, size := 0, 0
			for n < b.N {
				for s := range Steps(o) {
					body = s.AppendJSON(body[:0])
					size += len(body)
					if n++; n == b.N {
						break
					}
				}
			}
			b.SetBytes(int64(size / b.N))
		})
	}
}
