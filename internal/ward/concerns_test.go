package ward

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// steady puts emptyings of 10 mL every four hours up to the hour, so that no
// rule about time has anything to say.
func (h *hospital) steady(until float64) {
	h.Helper()
	for hour := 4.0; hour <= until; hour += 4 {
		h.at(hour)
		h.put(emptying("steady-"+strings.ReplaceAll(time.Duration(hour*float64(time.Hour)).String(), "h0m0s", ""), hour, "10", part("suction-state", "charged")))
	}
}

func TestRaisedOnceAndEvidenceAdded(t *testing.T) {
	h := newHospital(t)
	h.steady(4)
	h.at(5)
	h.put(check("c1", 5, part("suction-state", "lost")))
	h.want("suction-lost", "high c1")
	first := h.one("suction-lost")
	if !first.Since.Equal(t0.Add(5*time.Hour)) || !first.Announced.At.Equal(t0.Add(5*time.Hour)) || first.Patient != "p1" {
		t.Errorf("raised as %+v", first)
	}
	h.at(5.25)
	h.put(check("c2", 5.25, part("suction-state", "lost")))
	h.want("suction-lost", "high c1 c2")
	f := h.one("suction-lost")
	if f.ID != first.ID || f.Version != 2 || !f.Announced.At.Equal(first.Announced.At) || !f.Since.Equal(first.Since) {
		t.Errorf("amended to %+v from %+v", f, first)
	}
	if !strings.Contains(h.text("suction-lost"), "2 times") {
		t.Errorf("the text does not show both readings: %s", h.text("suction-lost"))
	}
	// What changes nothing writes nothing.
	h.put(check("c3", 5.25, part("reservoir-fill", quantity("10", "%"))))
	if v := h.one("suction-lost").Version; v != 2 {
		t.Errorf("version %d after an entry that has nothing to do with it", v)
	}
	h.level("high")
}

func TestClosedWhenOverAndReopenedAsAnother(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	h.at(2)
	h.put(check("c2", 2, part("suction-state", "charged")))
	h.want("suction-lost", "high c1 over")
	if f := h.one("suction-lost"); !f.Until.Equal(t0.Add(2 * time.Hour)) {
		t.Errorf("ended at %s", f.Until)
	}
	h.level("none")
	// What comes back within two hours is the same concern again, later it is another.
	h.at(3)
	h.put(check("c3", 3, part("suction-state", "lost")))
	h.want("suction-lost", "high c3")
	h.at(3.5)
	h.put(check("c4", 3.5, part("suction-state", "charged")))
	h.at(6)
	h.put(check("c5", 6, part("suction-state", "lost")), emptying("e5", 4, "10"))
	h.want("suction-lost", "high c3 over; high c5")
	if n := len(h.concerns()); n != 2 {
		t.Errorf("%d concerns", n)
	}
}

func TestSeverityRises(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(site("s1", 1, part("redness", true), part("suture", true)))
	h.want("site-signs", "moderate s1")
	h.at(2)
	h.put(site("s2", 2, part("redness", true), part("warmth", true)))
	h.want("site-signs", "high s2")
	f := h.one("site-signs")
	if !f.Since.Equal(t0.Add(time.Hour)) || !f.Announced.At.Equal(t0.Add(2*time.Hour)) {
		t.Errorf("since %s, announced %s", f.Since, f.Announced)
	}
	// It falls again, and the level with it, and nobody is told.
	h.at(3)
	h.put(site("s3", 3, part("redness", true)))
	h.want("site-signs", "moderate s3")
	h.level("moderate")
	if f := h.one("site-signs"); !f.Announced.At.Equal(t0.Add(2 * time.Hour)) {
		t.Errorf("announced %s", f.Announced.At)
	}
	h.at(4)
	h.put(site("s4", 4, part("redness", false)))
	h.want("site-signs", "moderate s3 over")
}

func TestWithdrawn(t *testing.T) {
	lost := check("c1", 1, part("suction-state", "lost"))
	for name, c := range map[string]struct {
		change Change
		life   string
	}{
		"entered in error": {puts(status(lost.Clone(), "entered-in-error"))[0], "high c1 withdrawn"},
		"cancelled":        {puts(status(lost.Clone(), "cancelled"))[0], "high c1 withdrawn"},
		"deleted":          {deletion("Observation", "c1"), "high c1 withdrawn"},
		"corrected":        {puts(status(check("c1", 1, part("suction-state", "charged")), "corrected"))[0], "high c1 withdrawn"},
		"moved to another drain": {puts(onDrain(status(lost.Clone(), "amended"), "d2", "p1"))[0],
			"high c1 withdrawn"},
		"its patient's drain deleted": {deletion("Device", "d1"), "high c1 withdrawn"},
		"placement in error":          {puts(status(placement("d1", "p1", t0), "entered-in-error"))[0], "high c1"}, // in place since its first entry
		"drain removed":               {puts(removed(placement("d1", "p1", t0), "completed", t0.Add(2*time.Hour)))[0], "high c1 over"},
		"amended in nothing that a rule sees": {puts(with(status(lost.Clone(), "amended"), "note", fhirjson.Arr(fhirjson.Obj("text", "seen by two"))))[0],
			"high c1"},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			h.put(device("d2"), placement("d2", "p1", t0))
			h.at(1)
			h.put(lost)
			h.at(2)
			h.commit(c.change)
			h.want("suction-lost", c.life)
			if name == "moved to another drain" {
				fs, err := h.db.Concerns(context.Background(), "d2", h.clock())
				if err != nil || len(fs) != 1 || !fs[0].Holds("suction-lost") {
					t.Errorf("d2 has %v (%v)", fs, err)
				}
			}
		})
	}
}

// A trivial amendment of the evidence in the step that ends the condition does
// not make it withdrawn.
func TestOverThoughEvidenceIsTouched(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	lost := check("c1", 1, part("suction-state", "lost"))
	h.put(lost)
	h.at(2)
	h.put(with(status(lost.Clone(), "amended"), "note", fhirjson.Arr(fhirjson.Obj("text", "x"))), check("c2", 2, part("suction-state", "charged")))
	h.want("suction-lost", "high c1 over")
}

// The figures in the text follow a correction, and so does the severity: what
// a slip of the pen raised falls with it.
func TestCorrectionJudgesAnew(t *testing.T) {
	h := newHospital(t)
	h.at(3)
	h.put(emptying("e0", 1, "0"), emptying("e1", 2, "55"), emptying("e2", 3, "50"))
	if text := h.text("brisk-output"); !strings.Contains(text, "105") {
		t.Errorf("105 mL are not in: %s", text)
	}
	h.put(status(emptying("e2", 3, "52"), "corrected"))
	if text := h.text("brisk-output"); !strings.Contains(text, "107") {
		t.Errorf("after the correction: %s", text)
	}
	h.put(site("s1", 3, part("redness", true), part("pus", true)))
	h.want("site-signs", "high s1")
	h.put(status(site("s1", 3, part("redness", true)), "corrected"))
	h.want("site-signs", "moderate s1")
}

func TestAnnouncedAgainUntilAcknowledged(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	announced := func(want float64) {
		t.Helper()
		if f := h.one("suction-lost"); !f.Announced.At.Equal(t0.Add(span(want))) {
			t.Errorf("announced at %s, want %s", f.Announced.At.Format("15:04"), t0.Add(span(want)).Format("15:04"))
		}
	}
	h.at(1.25)
	h.sweep(false)
	announced(1)
	h.at(1.5) // thirty minutes
	h.sweep(false)
	announced(1.5)
	h.sweep(true)
	if v := h.one("suction-lost").Version; v != 2 {
		t.Errorf("version %d: announced more than once", v)
	}
	// A restart in between changes nothing.
	h.Service = h.another(h.db)
	h.at(1.75)
	h.sweep(true)
	announced(1.5)
	h.at(2.1)
	h.sweep(false)
	announced(2.1)

	f := h.one("suction-lost")
	if _, err := h.Acknowledge(context.Background(), Acknowledgement{Concerns: []string{f.ID}, Action: "Surgeon called", By: "Practitioner/n1"}, nil); err != nil {
		t.Fatal(err)
	}
	h.at(4)
	h.sweep(true)
	announced(2.1)
	// New evidence keeps the acknowledgement.
	h.put(check("c2", 4, part("suction-state", "lost")))
	if f := h.one("suction-lost"); f.Acknowledged.At.IsZero() || len(f.Evidence[0].Readings) != 2 {
		t.Errorf("after new evidence: %+v", f)
	}
	announced(2.1)
}

// An acknowledgement of something milder does not silence what became of it.
func TestRaisedAfterAcknowledgement(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(site("s1", 1, part("redness", true)))
	if _, err := h.Acknowledge(context.Background(), Acknowledgement{Concerns: []string{h.one("site-signs").ID}, Action: "Watched", By: "nurse"}, nil); err != nil {
		t.Fatal(err)
	}
	h.at(2)
	h.put(site("s2", 2, part("redness", true), part("swelling", true)))
	h.at(2.5)
	h.sweep(false)
	if f := h.one("site-signs"); !f.Announced.At.Equal(t0.Add(span(2.5))) {
		t.Errorf("announced at %s", f.Announced.At)
	}
	if _, err := h.Acknowledge(context.Background(), Acknowledgement{Concerns: []string{h.one("site-signs").ID}, Action: "Seen", By: "nurse"}, nil); err != nil {
		t.Fatal(err)
	}
	h.at(3.5)
	h.sweep(true)
	if f := h.one("site-signs"); !f.Announced.At.Equal(t0.Add(span(2.5))) || !f.Acknowledged.At.Equal(t0.Add(span(2.5))) {
		t.Errorf("%+v", f)
	}
}

func TestAcknowledge(t *testing.T) {
	ctx := context.Background()
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	f := h.one("suction-lost")
	a := Acknowledgement{Concerns: []string{f.ID}, Action: "Assessed at the bedside", Note: "tubing was kinked", By: "Practitioner/n1",
		Informed: []Informed{{Reference: "Practitioner/s1"}, {Words: "ward sister"}}, Expect: 7}
	if _, err := h.Acknowledge(ctx, a, nil); !fault.Is(err, fault.Precondition) {
		t.Errorf("another version: %v", err)
	}
	a.Expect = 1
	h.at(1.1)
	vs, err := h.Acknowledge(ctx, a, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(vs) != 1 || vs[0].Number != 2 {
		t.Fatalf("versions %v", vs)
	}
	n, err := fhirjson.Parse(vs[0].JSON())
	if err != nil {
		t.Fatal(err)
	}
	m := n.Each("mitigation")
	if len(m) != 1 || m[0].Path("action").Str("text") != "Assessed at the bedside; tubing was kinked; informed: Practitioner/s1, ward sister" || m[0].Path("author").Str("reference") != "Practitioner/n1" {
		t.Errorf("mitigation %s", n.Get("mitigation").Bytes())
	}
	vs, err = h.db.Changes(ctx, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	last, before := vs[len(vs)-1], vs[len(vs)-2]
	if last.Type != "Provenance" || before.ID != f.ID || before.At != last.At {
		t.Errorf("the last changes are %s and %s", before.Key, last.Key)
	}
	p, err := fhirjson.Parse(last.JSON())
	if err != nil {
		t.Fatal(err)
	}
	if err := validator(t)(p).As(fault.Rule); err != nil {
		t.Error(err)
	}
	if got := p.Each("target")[0].Str("reference"); got != "DetectedIssue/"+f.ID+"/_history/2" {
		t.Errorf("target %s", got)
	}
	if got := len(p.Each("agent")); got != 2 {
		t.Errorf("%d agents", got)
	}
	// It is still open, and closes as ever; acknowledging it then does not open it.
	h.at(2)
	h.commit(deletion("Observation", "c1"))
	h.want("suction-lost", "high c1 withdrawn")
	if _, err := h.Acknowledge(ctx, Acknowledgement{Concerns: []string{f.ID}, Action: "Noted", By: ""}, nil); err != nil {
		t.Fatal(err)
	}
	h.want("suction-lost", "high c1 withdrawn")
	if got := h.one("suction-lost"); !got.Acknowledged.At.Equal(t0.Add(2 * time.Hour)) {
		t.Errorf("acknowledged at %s", got.Acknowledged.At)
	}
	if _, err := h.Acknowledge(ctx, Acknowledgement{Concerns: []string{"nobody"}, Action: "x"}, nil); !fault.Is(err, fault.NotFound) {
		t.Errorf("unknown: %v", err)
	}
	// Words that make no valid resource are refused, and nothing is kept.
	if _, err := h.Acknowledge(ctx, Acknowledgement{Concerns: []string{f.ID}, Action: "x", Informed: []Informed{{Reference: "CareTeam/c1"}}}, nil); !fault.Is(err, fault.Rule) {
		t.Errorf("an informed CareTeam: %v", err)
	}
}

// between is a store in which something happens just after the concerns of a
// drain are read.
type between struct {
	Store
	once func()
}

func (b *between) Concerns(ctx context.Context, id string, ended time.Time) ([]drain.Concern, error) {
	fs, err := b.Store.Concerns(ctx, id, ended)
	if f := b.once; f != nil {
		b.once = nil
		f()
	}
	return fs, err
}

func TestAcknowledgementBetweenIsKept(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	f := h.one("suction-lost")
	b := &between{Store: h.db}
	h.Service = h.another(b)
	b.once = func() {
		if _, err := h.another(h.db).Acknowledge(context.Background(), Acknowledgement{Concerns: []string{f.ID}, Action: "Seen", By: "n"}, nil); err != nil {
			t.Error(err)
		}
	}
	h.at(1.2)
	h.put(check("c2", 1.2, part("suction-state", "lost")))
	h.want("suction-lost", "high c1 c2")
	if got := h.one("suction-lost"); got.Acknowledged.At.IsZero() || got.Version != 3 {
		t.Errorf("%+v", got)
	}
}

// TestTwoProcessesOpenOne: their clocks are two minutes apart, and each opens a
// concern from an entry of its own. There is one, also the second time, and after the
// concerns of the drain were erased.
func TestTwoProcessesOpenOne(t *testing.T) {
	h := newHospital(t)
	b := &between{Store: h.db}
	h.Service = h.another(b)
	for day := range 3 {
		from := 24 * float64(day)
		b.once = func() {
			h.at(from + 1 + 1.0/60)
			if _, err := h.another(h.db).Commit(context.Background(), puts(check(fmt.Sprintf("a%d", day), from+1-1.0/60, part("suction-state", "lost"))), nil); err != nil {
				t.Error(err)
			}
			h.at(from + 1 - 1.0/60)
		}
		h.at(from + 1 - 1.0/60)
		h.put(check(fmt.Sprintf("b%d", day), from+1-1.0/60, part("suction-state", "lost")))
		open := 0
		for _, c := range h.concerns() {
			if c.Open() && c.Kind == "function" {
				open++
			}
		}
		if open != 1 {
			t.Fatalf("day %d: %d open concerns", day, open)
		}
		h.at(from + 2)
		h.put(check(fmt.Sprintf("c%d", day), from+2, part("suction-state", "charged")))
		if day == 1 {
			var e store.Erasure
			for _, c := range h.concerns() {
				key := store.Key{Type: "DetectedIssue", ID: c.ID}
				e.Writes, e.Whole = append(e.Writes, store.Write{Key: key, Method: store.Delete}), append(e.Whole, key)
			}
			if _, err := h.db.Erase(context.Background(), e, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// Another process raises the finding first: the client's entry is taken all
// the same, and there is one finding.
func TestTwoProcessesRaiseOne(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	b := &between{Store: h.db}
	other := h.another(h.db)
	h.Service = h.another(b)
	b.once = func() {
		if _, err := other.Commit(context.Background(), puts(check("c1", 1, part("suction-state", "lost"))), nil); err != nil {
			t.Error(err)
		}
	}
	h.put(check("c2", 1, part("suction-state", "lost")))
	h.want("suction-lost", "high c1 c2")
	// A caller's own expectation is not retried away.
	b.once = func() {
		if _, err := other.Commit(context.Background(), puts(status(check("c2", 1, part("suction-state", "charged")), "amended")), nil); err != nil {
			t.Error(err)
		}
	}
	c := puts(status(check("c2", 1, part("suction-state", "lost")), "amended"))
	c[0].Expect = 1
	if _, err := h.Commit(context.Background(), c, nil); !fault.Is(err, fault.Precondition) {
		t.Errorf("stale If-Match: %v", err)
	}
	// An update without one is made again from what the other left.
	b.once = func() {
		if _, err := other.Commit(context.Background(), puts(status(check("c2", 1.5, part("suction-state", "charged")), "amended")), nil); err != nil {
			t.Error(err)
		}
	}
	h.at(2)
	h.put(status(check("c2", 2, part("suction-state", "lost")), "amended"))
	if v, err := h.db.Read(context.Background(), store.Key{Type: "Observation", ID: "c2"}); err != nil || v.Number != 4 {
		t.Errorf("version %d, %v", v.Number, err)
	}
}

func TestTimeDrivenRules(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(emptying("e1", 1, "10"))
	h.sweep(true)
	// Overdue past 4 h and 60 min of grace, to the minute.
	h.at(6)
	h.sweep(false)
	h.want("overdue", "")
	h.at(6 + 1.0/60)
	h.sweep(false)
	h.want("overdue", "low e1")
	if f := h.one("overdue"); !f.Since.Equal(t0.Add(span(6))) {
		t.Errorf("since %s", f.Since)
	}
	h.level("low")
	for range 3 {
		h.sweep(false)
		h.sweep(true)
	}
	h.Service = h.another(h.db) // a restart
	h.sweep(true)
	if v := h.one("overdue").Version; v != 1 {
		t.Errorf("version %d: fired more than once", v)
	}
	// Moderate past twice the limit.
	h.at(9 + 1.0/60)
	h.sweep(false)
	h.want("overdue", "moderate e1")
	h.level("moderate")
	// Stale from three times the limit: unknown, never none.
	h.at(13)
	h.sweep(false)
	h.want("stale", "moderate e1")
	h.level("unknown-stale")
	h.at(14 * 24)
	h.sweep(false)
	h.level("unknown-stale")
	h.at(14*24 + 1)
	h.sweep(false)
	h.want("long-dwell", "low")
	h.put(emptying("e2", 14*24+1, "30"))
	h.want("overdue", "moderate e1 over")
	h.want("stale", "moderate e1 over")
	h.level("low")
}

// The sweep is idle while nothing can change.
func TestSweepPassesOver(t *testing.T) {
	h := newHospital(t)
	h.Service.recheck = 0
	h.put(device("spare"))
	h.at(1)
	h.put(emptying("e1", 1, "10"))
	h.sweep(true)
	for _, hour := range []float64{1.5, 2, 3, 6} {
		h.at(hour)
		if n := h.sweep(false); n != 0 {
			t.Errorf("%d drains were looked at, %v h after the start", n, hour)
		}
	}
	h.at(6.01)
	if n := h.sweep(false); n != 1 {
		t.Errorf("%d drains were looked at when one is overdue", n)
	}
	h.want("overdue", "low e1")
}

// What another process wrote is looked at within a minute.
func TestSweepSeesOtherProcesses(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(emptying("e1", 1, "10"))
	h.sweep(true)
	other := h.another(h.db)
	if _, err := other.Commit(context.Background(), puts(check("c1", 1, part("suction-state", "lost"))), nil); err != nil {
		t.Fatal(err)
	}
	h.at(1.5 + 1.0/60)
	h.sweep(false)
	if f := h.one("suction-lost"); !f.Announced.At.Equal(t0.Add(span(1.5 + 1.0/60))) {
		t.Errorf("announced again at %s", f.Announced.At)
	}
}

func TestStaleNeverReadsNone(t *testing.T) {
	for name, put := range map[string]func(*hospital){
		"never charted": func(h *hospital) {},
		"charted once":  func(h *hospital) { h.at(1); h.put(emptying("e1", 1, "10")) },
		"start not known": func(h *hospital) {
			h.put(with(placement("d1", "p1", t0), "timingPeriod", fhirjson.Obj("end", "2027-01-01")))
		},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHospital(t)
			put(h)
			h.at(13.1)
			h.sweep(false)
			h.level("unknown-stale")
			h.want("stale", h.life("stale"))
			if h.life("stale") == "" {
				t.Error("no finding was raised")
			}
			before := h.one("stale").Version
			h.at(14) // before midnight, when its words change
			h.sweep(true)
			if v := h.one("stale").Version; v != before {
				t.Errorf("version %d after %d: a condition that goes on is written again", v, before)
			}
		})
	}
}

func TestPolicyChangeRejudges(t *testing.T) {
	h := newHospital(t)
	h.at(3)
	h.put(emptying("e0", 1, "0"), emptying("e1", 2, "55"), emptying("e2", 3, "50"))
	h.want("brisk-output", "high e1 e2")
	old := h.one("brisk-output")
	h.rule("findings:\n  brisk-output:\n    limits:\n      - \"120 mL in 2 h\"\n      - \"200 mL in 8 h\"\n")
	h.sweep(true)
	h.want("brisk-output", "high e1 e2 over")
	h.rule("findings:\n  brisk-output:\n    limits:\n      - \"104 mL in 2 h\"\n      - \"200 mL in 8 h\"\n")
	h.sweep(true)
	h.want("brisk-output", "high e1 e2")
	for _, f := range h.concerns() {
		if f.Holds("brisk-output") && f.Open() && (f.Policy != h.policies().Version() || f.Policy == old.Policy || !strings.Contains(f.Evidence[0].Text, "104")) {
			t.Errorf("evaluated by %s: %s", f.Policy, f.Evidence[0].Text)
		}
	}
}

// A drain of another patient's starts with concerns of its own.
func TestConcernsBelongToThePatient(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	// The placement named the wrong patient, and so did the entry.
	h.put(placement("d1", "p2", t0), onDrain(status(check("c1", 1, part("suction-state", "lost")), "corrected"), "d1", "p2"))
	var open []string
	for _, f := range h.concerns() {
		if f.Open() {
			open = append(open, f.Patient+" "+f.Kind)
		}
	}
	if strings.Join(open, ",") != "p2 function" {
		t.Errorf("open: %v", open)
	}
}

// A drain that fails does not keep the sweep from the others.
func TestSweepGoesOn(t *testing.T) {
	h := newHospital(t)
	h.put(device("d0"), placement("d0", "p1", t0))
	h.Service = h.another(failing{h.db, "d0"})
	h.at(5.1)
	n, err := h.Sweep(context.Background(), true)
	if n != 2 || err == nil || !strings.Contains(err.Error(), "d0") {
		t.Errorf("%d looked at, %v", n, err)
	}
	h.want("overdue", "low")
	if n, _ := h.Sweep(context.Background(), false); n != 1 {
		t.Errorf("%d looked at again, want the one that failed", n)
	}
}

type failing struct {
	Store
	drain string
}

func (f failing) Placements(ctx context.Context, id string) ([]drain.Placement, error) {
	if id == f.drain {
		return nil, fault.New(fault.Unavailable, "transient", "away")
	}
	return f.Store.Placements(ctx, id)
}

// Run looks at every drain as it starts and when the policy has changed, and
// ends with its context.
func TestRun(t *testing.T) {
	h := newHospital(t)
	h.Service.recheck = 0
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost"))) // nothing to do for half an hour
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	sweeps, lookedAt := 0, 0
	h.Service = h.another(watched{h.db, func() {
		if sweeps++; sweeps == 3 {
			h.rule("emptying:\n  interval: 15 min\n  grace: 0 min\n")
		} else if sweeps == 6 {
			cancel()
		}
	}, func() { lookedAt++ }})
	h.Service.recheck = 0
	h.Run(ctx, time.Millisecond)
	if lookedAt != 2 {
		t.Errorf("d1 was looked at %d times in %d sweeps, want at the start and after the change", lookedAt, sweeps)
	}
	h.want("overdue", "moderate")
}

// watched tells when a sweep begins and when a drain is looked at.
type watched struct {
	Store
	sweep, look func()
}

func (w watched) Drains(ctx context.Context, q store.DrainQuery) ([]drain.Drain, error) {
	w.sweep()
	return w.Store.Drains(ctx, q)
}

func (w watched) Placements(ctx context.Context, id string) ([]drain.Placement, error) {
	w.look()
	return w.Store.Placements(ctx, id)
}
