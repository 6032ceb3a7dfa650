package replay

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/policy"
	"tidemark/internal/sim"
	"tidemark/internal/store"
)

var end = time.Date(2026, 4, 3, 12, 0, 0, 0, time.UTC)

func simulated(o *sim.Options, truth *[]Event) iter.Seq2[Raw, error] {
	o.Truth = func(e sim.Event) { *truth = append(*truth, Event(e)) }
	return func(yield func(Raw, error) bool) {
		for st := range sim.Steps(*o) {
			if !yield(Raw{At: st.At, Key: store.Key{Type: st.Type, ID: st.ID}, JSON: st.AppendJSON(nil)}, nil) {
				return
			}
		}
	}
}

func usual(t testing.TB, so sim.Options, candidates ...Candidate) *Result {
	t.Helper()
	if len(candidates) == 0 {
		candidates = []Candidate{{"default", policy.Default()}}
	}
	o := &Options{Candidates: candidates, Acknowledge: 15 * time.Minute, End: so.End}
	r, err := Run(t.Context(), Decode(simulated(&so, &o.Truth), time.UTC), o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// raws are the entries of one drain, 20 mL of serous fluid every four hours, as
// they were charted five minutes later.
func steady(n int, then ...string) []string {
	lines := []string{
		`{"resourceType":"Location","id":"w1","status":"active","name":"Ward","mode":"instance"}`,
		`{"resourceType":"Device","id":"d1","status":"active","patient":{"reference":"Patient/p1"},"location":{"reference":"Location/w1"}}`,
		`{"resourceType":"DeviceUseStatement","id":"u1","status":"active","subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"timingPeriod":{"start":"2026-03-01T08:00:00Z"}}`,
	}
	for i := range n {
		lines = append(lines, emptying(i, 20, "serous", "charged"))
	}
	return append(lines, then...)
}

// emptying is the i-th, counted from 0, after placement at 08:00.
func emptying(i, ml int, looks, suction string) string {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC).Add(time.Duration(i) * 4 * time.Hour)
	local := `{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"`
	return fmt.Sprintf(`{"resourceType":"Observation","id":"e%d","meta":{"versionId":"1","lastUpdated":"%s"},"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/p1"},"device":{"reference":"Device/d1"},"effectiveDateTime":"%s","issued":"%s","valueQuantity":{"value":%d,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},"component":[{"code":{"coding":[{"system":"http://loinc.org","code":"72290-0"}]},"valueCodeableConcept":%s%s"}]}},{"code":%ssuction-state"}]},"valueCodeableConcept":%s%s"}]}}]}`,
		i, at.Add(5*time.Minute).Format(time.RFC3339), at.Format(time.RFC3339), at.Add(90*time.Minute).Format(time.RFC3339), ml, local, looks, local, local, suction)
}

func file(t *testing.T, o *Options, times Times, lines []string) *Result {
	t.Helper()
	if o.Candidates == nil {
		o.Candidates = []Candidate{{"default", policy.Default()}}
	}
	r, err := Run(t.Context(), Order(Decode(FromNDJSON(strings.NewReader(strings.Join(lines, "\n"))), time.UTC), times), o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *Result) of(ward, kind, rule, severity string) Count {
	for _, c := range r.Counts {
		if c.Ward == ward && c.Concern == kind && c.Rule == rule && string(c.Severity) == severity {
			return c
		}
	}
	return Count{}
}

// A steady drain, and then the reservoir loses its suction twelve hours before it
// holds again: one concern, announced when it is charted, 5 min after it was so.
func TestOneEvent(t *testing.T) {
	lines := steady(12, emptying(12, 20, "serous", "lost"), emptying(13, 20, "serous", "lost"), emptying(14, 20, "serous", "lost"),
		emptying(15, 20, "serous", "charged"), emptying(16, 20, "serous", "charged"), emptying(17, 20, "serous", "charged"))
	lost := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	truth := []Event{{"d1", "suction-lost", lost.Add(-time.Hour), lost.Add(11 * time.Hour)}}
	for _, c := range []struct {
		times Times
		delay float64
	}{{Recorded, 1 + 5./60}, {Issued, 2.5}} {
		r := file(t, &Options{Truth: truth, Acknowledge: 20 * time.Minute}, c.times, lines)
		if r.Drains != 1 || r.Entries != 18 || r.Days < 2.9 || r.Days > 3.1 {
			t.Errorf("%d drains, %.2f days, %d entries", r.Drains, r.Days, r.Entries)
		}
		got := r.of("w1", "function", "suction-lost", "high")
		if got.Concerns != 1 || got.Announcements != 1 || got.Acknowledged != 1 || got.After != 20 {
			t.Errorf("%s: %+v", c.times, got)
		}
		want := Found{Policy: "default", Event: "suction-lost", Events: 1, Telling: 1, AtEntry: 1, PerEvent: 1, AtFirst: 1,
			Looked: Delay{1, 1, 1, c.delay, c.delay}, Any: Delay{1, 1, 1, c.delay, c.delay}, High: Delay{1, 1, 1, c.delay, c.delay}}
		if len(r.Events) != 1 {
			t.Fatalf("events are %+v", r.Events)
		}
		if diff := cmp.Diff(want, r.Events[0]); diff != "" {
			t.Errorf("%s: (-want +got)\n%s", c.times, diff)
		}
		for _, n := range r.False {
			if n.Severity == "high" {
				t.Errorf("%s: needless %+v", c.times, n)
			}
		}
	}
}

// Nobody acknowledges, so that a high concern is announced again and again; then
// somebody does.
func TestRepeats(t *testing.T) {
	lines := steady(6, emptying(6, 20, "serous", "lost"), emptying(7, 20, "serous", "charged"))
	never := file(t, &Options{}, Recorded, lines).of(All, "function", "", "high")
	after := file(t, &Options{Acknowledge: 45 * time.Minute}, Recorded, lines).of(All, "function", "", "high")
	if never.Announcements != 9 || never.Acknowledged != 0 || after.Announcements != 2 || after.Acknowledged != 1 {
		t.Errorf("never acknowledged: %+v; after 45 min: %+v", never, after)
	}
}

// A nurse acknowledged 45 min after the entry, by the DetectedIssue in the data: from
// then on it is quiet, and what its later versions repeat is no second acknowledgement.
func TestAcknowledgementsOfTheData(t *testing.T) {
	issue := func(version int, written, severity string) string {
		return fmt.Sprintf(`{"request":{"method":"PUT","url":"DetectedIssue/i1"},"response":{"lastModified":%q},"resource":{"resourceType":"DetectedIssue","id":"i1","meta":{"versionId":"%d"},"status":"preliminary","severity":%q,"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"function"}]},"patient":{"reference":"Patient/p1"},"implicated":[{"reference":"Device/d1"}],"identifiedPeriod":{"start":"2026-03-02T12:00:00Z"},"mitigation":[{"action":{"text":"seen"},"date":"2026-03-02T12:50:00Z","author":{"reference":"Practitioner/n1"}}]}}`, written, version, severity)
	}
	for i, c := range [][]string{{issue(2, "2026-03-02T12:50:00Z", "high")}, {issue(2, "2026-03-02T12:50:00Z", "high"), issue(3, "2026-03-02T13:30:00Z", "high")}} {
		got := file(t, &Options{}, Recorded, steady(6, append(c, emptying(6, 20, "serous", "lost"), emptying(7, 20, "serous", "charged"))...)).of(All, "function", "", "high")
		if got.Announcements != 2 || got.Acknowledged != 1 || got.After != 45 {
			t.Errorf("%d: %+v", i, got)
		}
	}
}

// Time-driven rules fire at their time, not at the next entry.
func TestTimeAlone(t *testing.T) {
	lines := steady(3)
	last := time.Date(2026, 3, 1, 20, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		after time.Duration
		stale int
	}{{12*time.Hour - time.Minute, 0}, {12*time.Hour + time.Minute, 1}} {
		r := file(t, &Options{End: last.Add(c.after)}, Recorded, lines)
		if got := r.of(All, "charting", "stale", "moderate").Concerns; got != c.stale {
			t.Errorf("%v after the last entry: stale %d times, want %d", c.after, got, c.stale)
		}
	}
}

// A policy without the rule takes the concern away; the other way round adds it.
func TestTwoPolicies(t *testing.T) {
	without, err := policy.Parse([]byte("findings:\n  suction-lost:\n    enabled: false\n"), "without.yaml")
	if err != nil {
		t.Fatal(err)
	}
	lines := steady(6, emptying(6, 20, "serous", "lost"), emptying(7, 20, "serous", "charged"))
	with, less := Candidate{"with", policy.Default()}, Candidate{"without", without}
	for _, c := range []struct {
		two            []Candidate
		added, removed int
	}{{[]Candidate{with, less}, 0, 1}, {[]Candidate{less, with}, 1, 0}, {[]Candidate{with, {"again", policy.Default()}}, 0, 0}} {
		r := file(t, &Options{Candidates: c.two}, Recorded, lines)
		added, removed := 0, 0
		for _, ch := range r.Changed {
			if ch.Ward == All && ch.Concern == "function" {
				added, removed = added+ch.Added, removed+ch.Removed
			}
		}
		if added != c.added || removed != c.removed {
			t.Errorf("%s, then %s: %d added and %d removed, want %d and %d", c.two[0].Name, c.two[1].Name, added, removed, c.added, c.removed)
		}
	}
}

// The same hospital, as its front ends posted it and as a file of what it charted
// in the end, gives nearly the same where nothing was corrected: a file does not
// say how long after its end a placement was charted to have ended.
func TestFileAndStepsAgree(t *testing.T) {
	so := sim.Options{Seed: 3, Patients: 8, Days: 8, End: end, Untidy: sim.Usual(), Events: 50}
	so.Untidy.Corrected, so.Untidy.Doubles = 0, 0
	var truth []Event
	var lines []byte
	last := map[store.Key]bool{}
	steps := slices.Collect(sim.Steps(so))
	for _, st := range slices.Backward(steps) {
		if k := (store.Key{Type: st.Type, ID: st.ID}); !last[k] {
			last[k] = true
			lines = append(append(lines, st.AppendJSON(nil)...), '\n')
		}
	}
	a := &Options{Candidates: []Candidate{{"default", policy.Default()}}, End: end}
	direct, err := Run(t.Context(), Decode(simulated(&so, &truth), time.UTC), a)
	if err != nil {
		t.Fatal(err)
	}
	filed := file(t, &Options{End: end}, Recorded, strings.Split(strings.TrimSpace(string(lines)), "\n"))
	for _, kind := range []string{"fluid", "function", "site"} {
		x, y := direct.of(All, kind, "", "high"), filed.of(All, kind, "", "high")
		if d := x.Concerns - y.Concerns; max(d, -d) > 1 || x.Concerns == 0 && kind == "fluid" {
			t.Errorf("%s: from steps %+v, from a file %+v", kind, x, y)
		}
	}
	if len(truth) == 0 {
		t.Error("nothing happened")
	}
}

func TestFormats(t *testing.T) {
	r := usual(t, sim.Options{Seed: 1, Wards: 2, Patients: 6, Days: 6, End: end, Untidy: sim.Usual(), Events: 60},
		Candidate{"A", policy.Default()}, Candidate{"B", policy.Default()})
	var table, list, tree bytes.Buffer
	for f, b := range map[Format]*bytes.Buffer{Table: &table, CSV: &list, JSON: &tree} {
		if err := r.Write(b, f); err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{"All wards", "Ward ward-01", "Ward ward-02", "B instead of A", "Events:"} {
		if !strings.Contains(table.String(), want) {
			t.Errorf("the table lacks %q:\n%s", want, table.String())
		}
	}
	rows, err := csv.NewReader(&list).ReadAll()
	if err != nil || len(rows) < 50 || rows[0][0] != "section" {
		t.Errorf("CSV: %d rows, %v", len(rows), err)
	}
	var back Result
	if err := json.Unmarshal(tree.Bytes(), &back); err != nil || back.Drains != r.Drains || len(back.Counts) != len(r.Counts) {
		t.Errorf("JSON: %+v, %v", back.Drains, err)
	}
	// The same policy twice changes nothing.
	for _, c := range r.Changed {
		if c != (Changed{}) && (c.Added > 0 || c.Removed > 0 || c.Raised > 0 || c.Lowered > 0) {
			t.Errorf("the same policy twice: %+v", c)
		}
	}
}

func TestBadFiles(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"{", "line 1"},
		{"{}", "neither a resource nor a version"},
		{`{"resourceType":"Device","id":"d"}` + "\n[1]", "line 2"},
		{`{"request":{"method":"PUT","url":"Device/1"},"response":{}}`, "neither a resource nor a version"},
	} {
		_, err := Run(t.Context(), Decode(FromNDJSON(strings.NewReader(c.text)), time.UTC), &Options{Candidates: []Candidate{{"d", policy.Default()}}})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.text, err, c.want)
		}
	}
	for _, text := range []string{"{", `{"drain":"d"}`, `{"drain":"d","event":"e","onset":"2026-03-01T08:00:00Z","end":"2026-02-01T08:00:00Z"}`} {
		if _, err := ReadTruth(strings.NewReader(text)); err == nil {
			t.Errorf("%s is taken for the truth", text)
		}
	}
}
