package fhirmap_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/fhirmap"
	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/due"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/profile"
	"tidemark/internal/r4"
	"tidemark/internal/removal"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// A ward with two drains of one patient, evaluated on the third morning; figures
// are what the rule packages make of it.
var (
	berlin, _ = time.LoadLocation("Europe/Berlin")
	placed    = time.Date(2026, 11, 23, 9, 0, 0, 0, berlin)
	now       = time.Date(2026, 11, 25, 14, 5, 0, 0, berlin)
	settings  = policy.Default().For(nil, drain.Drain{})
	calendar  = window.Standard(berlin)
	left      = drain.Drain{ID: "d1", Patient: "p1", Ward: "w1", Label: "Drain 1, left axilla", Capacity: drain.MLInt(100), Compartment: drain.Wound, Active: true}
	right     = drain.Drain{ID: "d2", Patient: "p1", Label: "", Compartment: drain.Peritoneal, Active: true}
)

func emptied(id string, hours float64, ml string, more ...func(*drain.Entry)) drain.Entry {
	v, _ := drain.ParseML(ml)
	e := drain.Entry{ID: id, Kind: drain.Emptying, Drain: "d1", Patient: "p1", Status: "final", At: placed.Add(time.Duration(hours * float64(time.Hour))),
		Measured: drain.Measure{Known: true, Volume: v}, Vessel: drain.MedicineCup}
	for _, f := range more {
		f(&e)
	}
	return e
}

func looking(a drain.Appearance) func(*drain.Entry) {
	return func(e *drain.Entry) { e.Appearance = a }
}

func course() []drain.Entry {
	return []drain.Entry{
		emptied("e1", 4, "30", looking(drain.Sanguineous)),
		emptied("e2", 8, "25.5", looking(drain.Serosanguineous), func(e *drain.Entry) { e.Instilled = drain.MLInt(10) }),
		emptied("e3", 14, "20", func(e *drain.Entry) { e.Vessel = "" }),
		emptied("e4", 24, "0", func(e *drain.Entry) { e.Measured = drain.Measure{Absent: "not-performed"} }),
		emptied("e5", 30, "12.5", looking(drain.Serous)),
		emptied("e6", 38, "10"),
		emptied("e7", 46, "100", looking(drain.Purulent), func(e *drain.Entry) { e.Status = "preliminary"; e.Suction = drain.Lost }),
	}
}

func subject(d drain.Drain, entries []drain.Entry) escalate.Subject {
	return escalate.Subject{Drain: d, Entries: entries, Zone: berlin,
		Placements: []drain.Placement{{ID: "u1", Drain: d.ID, Patient: "p1", Status: drain.PlacementActive, Start: placed}}}
}

func output(tb testing.TB, entries []drain.Entry, p window.Period, a balance.Attribution) answer.Output {
	tb.Helper()
	ws, err := calendar.Windows(p, placed, now)
	if err != nil {
		tb.Fatal(err)
	}
	out := answer.Output{Drain: left, Patient: "p1", Zone: berlin, Period: p, Attribution: a, Now: now, Policy: "abc123",
		Totals:    balance.Totals(entries, placed, time.Time{}, ws, a, settings.Balance, now),
		TrendSpan: 72 * time.Hour, TrendOrigin: now.Add(-72 * time.Hour)}
	var points []trend.Point
	var ranks []int
	for _, iv := range balance.Intervals(entries, placed, balance.OneEmptying) {
		if r, ok := iv.Rate(); ok {
			points = append(points, trend.Point{X: iv.Middle().Sub(out.TrendOrigin).Hours(), Y: r})
			out.TrendFrom = append(out.TrendFrom, iv)
			out.Rate, out.RateU = &iv, 0.25
		}
	}
	for _, e := range entries {
		if r, ok := e.Appearance.Rank(); ok {
			ranks = append(ranks, r)
		}
		if e.Appearance != "" {
			out.Looks = append(out.Looks, e)
		}
	}
	out.Trend = trend.Analyse(points, settings.Trend.Minimum, settings.Trend.Alpha)
	out.Course = trend.AppearanceCourse(ranks)
	return out
}

func fluids(tb testing.TB) answer.Balance {
	tb.Helper()
	ws, err := calendar.Windows(window.Day, placed, now)
	if err != nil {
		tb.Fatal(err)
	}
	flow := func(id string, kind drain.Kind, hours float64, ml int64, route, label string) drain.Entry {
		e := emptied(id, hours, fmt.Sprint(ml))
		e.Kind, e.Drain, e.Route, e.RouteText, e.Vessel = kind, "", route, label, drain.GraduatedCylinder
		return e
	}
	weight := drain.Entry{ID: "w1", Kind: drain.Weight, Patient: "p1", Status: "final", At: placed, Kilograms: drain.MLInt(70)}
	flows := []drain.Entry{
		flow("i1", drain.Intake, 3, 500, "9000-1", "Fluid intake oral"), flow("i2", drain.Intake, 5, 250, "intake-blood", "Intake of blood products"),
		flow("u1", drain.Output, 6, 400, "9187-6", "Urine output"), weight,
	}
	des := []balance.DrainEntries{{Drain: left, Placed: placed, Entries: course()}, {Drain: right, Placed: placed}}
	return answer.Balance{Patient: "p1", Period: window.Day, Attribution: balance.Charted, Zone: berlin, Now: now, Policy: "abc123",
		Windows: balance.Fluid(des, flows, ws, balance.Charted, settings.Balance, now)}
}

func statuses() []answer.Status {
	kept := func(s escalate.Subject) []drain.Concern {
		return concern.Advance(concern.Case{Settings: concern.Defaults(), Rules: settings.Escalate, Policy: "abc123", Subject: s, Patient: "p1", Now: now}).Concerns
	}
	one := answer.Status{Drain: left, Patient: "p1", Concerns: kept(subject(left, course())), Now: now,
		Last: course()[6].At, LastID: "e7", Due: due.Next(left, course(), placed, settings.Due, now), Policy: "abc123", Approved: "Surgical board 2026-03-01"}
	one.Level = concern.Level(one.Concerns)
	two := answer.Status{Drain: right, Patient: "p1", Concerns: kept(subject(right, nil)), Now: now, Policy: "abc123",
		Due: due.Next(right, nil, placed, settings.Due, now)}
	two.Level = concern.Level(two.Concerns)
	three := answer.Status{Drain: drain.Drain{ID: "d3"}, Level: "none", Now: now, Policy: "abc123"}
	return []answer.Status{one, two, three}
}

func dueRows() []answer.DueDrain {
	row := func(d drain.Drain, entries []drain.Entry, at time.Time) answer.DueDrain {
		return answer.DueDrain{Drain: d, Patient: d.Patient, Site: "axilla", Side: "left", Zone: berlin, Due: due.Next(d, entries, placed, settings.Due, at)}
	}
	soon := emptied("s1", 52.5, "5")
	later := row(right, []drain.Entry{soon}, now)
	atOnce := row(drain.Drain{ID: "d4", Label: "Drain 4"}, nil, now)
	atOnce.Due = due.Due{At: now, Reason: due.HalfFullNow, Words: "A check found it full.", Readings: []string{"c1"}}
	first := row(left, course(), now)
	first.Name = "Alder, Ann"
	first.Ward, first.Bed = drain.Place{ID: "w1", Name: "Ward 1"}, drain.Place{ID: "bed-3", Name: "Bed 3", PartOf: "w1"}
	later.Ward = drain.Place{ID: "w1"}
	return []answer.DueDrain{first, atOnce, later}
}

func review() answer.Review {
	s := subject(left, course())
	return answer.Review{Drain: left, Patient: "p1", Now: now, Policy: "abc123",
		Review: removal.Check(settings.Removal, s, escalate.Evaluate(settings.Escalate, s, now), calendar, settings.Balance, now)}
}

// near is a review with a day at the edge of the threshold.
func near() answer.Review {
	r := review()
	r.Approved = "Board"
	r.Review = removal.Review{MeetsAll: true, Text: "Meets the ward's criteria for review.", Caution: removal.Caution,
		Items: []removal.Item{{Name: "output", State: removal.Met, Near: true, Text: "29 mL", Chance: 0.61, HasChance: true, Evidence: []string{"e1", "e2"}}}}
	return r
}

func lost() drain.Concern {
	return drain.Concern{ID: "f1", Drain: "d1", Patient: "p1", Kind: concern.Function, Severity: drain.High, Since: placed.UTC(), Headline: "suction lost since 10:00",
		Announced: drain.Announced{At: now.UTC(), Reason: concern.Opened}, Policy: "abc123", Evidence: []drain.Evidence{
			{Rule: "suction-lost", Severity: drain.High, Since: placed.UTC(), Text: "The reservoir was charted as lost.", Readings: []string{"e1", "e7"}},
			{Rule: "reservoir-half", Severity: drain.Moderate, Since: now.UTC(), Text: "Half full."},
		}}
}

func closed() drain.Concern {
	c := lost()
	c.Until, c.Withdrawn = now.UTC(), true
	return c
}

// acknowledged is the concern after two acknowledgements, the second of which
// does not hold any more.
func acknowledged() node {
	n := fhirmap.Concern(lost(), nil)
	fhirmap.Acknowledge(n, concern.Acknowledge(lost(), "night nurse", now.Add(time.Minute)).Acknowledged, "Assessed", "", "Practitioner/n1")
	fhirmap.Acknowledge(n, concern.Acknowledge(lost(), "Practitioner/n1", now.Add(time.Hour)).Acknowledged, "Surgeon called", "tube kinked", "Practitioner/s1, ward sister")
	c := lost()
	c.Acknowledged.Void = "acknowledged 10:05, worse since: 210 mL"
	return fhirmap.Concern(c, n)
}

// shift is a shift in review: 25 November, 07:00 to 19:00, at 14:05.
func shift() answer.Handover {
	w := calendar.ShiftOf(now)
	a := answer.Handover{Type: "Location", ID: "w1", Name: "Ward 1", Shift: w, AsOf: now, Attribution: balance.Charted, Zone: berlin, Now: now, Policy: "abc123", More: 2}
	days := []window.Window{w, {Start: now.Add(-24 * time.Hour), End: now}, {Start: now.Add(-48 * time.Hour), End: now.Add(-24 * time.Hour)}}
	t := balance.Totals(course(), placed, time.Time{}, days, balance.Charted, settings.Balance, now)
	e := course()
	was := emptied("e6", 38, "100")
	was.Version = 1
	out := e[5]
	out.Status = "entered-in-error"
	seen := drain.Entry{ID: "s1", Kind: drain.Site, Assessed: true, Signs: []drain.Sign{drain.Redness, drain.SutureLoose}, At: placed, Status: "final"}
	ack := closed()
	ack.Acknowledged = drain.Acknowledged{At: now, By: "Practitioner/n1"}
	a.Rows = []answer.HandoverRow{
		{DueDrain: dueRows()[0], Placed: placed, Shift: t[0], Last: t[1], Before: t[2], Look: e[6], Suction: e[6], Seen: seen, Course: "purulent, was serous", Level: "high",
			Concerns: []drain.Concern{lost(), ack},
			Corrections: []answer.Correction{{Before: was, After: e[5], At: now, By: "Practitioner/n2", Reason: "a nought too many", Provenance: "v3"},
				{Before: was, After: out, At: now}},
			Late: []answer.Late{{Entry: e[4], Charted: now}}, Removal: review().Review},
		{DueDrain: dueRows()[2], Level: "none", Removal: near().Review, Shift: balance.Total{Window: w, Absent: balance.NothingKnown, Preliminary: true},
			Last: balance.Total{Window: days[1], Absent: balance.NothingCharted, Preliminary: true}, Before: balance.Total{Window: days[2], Absent: balance.NotInPlace}},
	}
	return a
}

// written is everything that the encoders write, by the name of its file.
func written(tb testing.TB) map[string][]node {
	w := map[string][]node{
		"drain-output-days":      fhirmap.DrainOutput(output(tb, course(), window.Day, balance.Charted)),
		"drain-output-spread":    fhirmap.DrainOutput(output(tb, course(), window.Total, balance.Spread)),
		"drain-output-no-vessel": fhirmap.DrainOutput(output(tb, []drain.Entry{emptied("e1", 4, "30", func(e *drain.Entry) { e.Vessel = "" })}, window.Total, balance.Charted)),
		"drain-output-nothing":   fhirmap.DrainOutput(output(tb, nil, window.Total, balance.Charted)),
		"fluid-balance":          fhirmap.FluidBalance(fluids(tb)),
		"status-device":          fhirmap.EscalationStatus("Device", "d1", statuses()[:1], now),
		"status-patient":         fhirmap.EscalationStatus("Patient", "p1", statuses(), now),
		"status-location":        fhirmap.EscalationStatus("Location", "w1", nil, now),
		"emptying-due":           fhirmap.EmptyingDue(dueRows(), now),
		"removal-review":         fhirmap.RemovalReview(review()),
		"handover":               fhirmap.Handover(shift()),
		"removal-near":           fhirmap.RemovalReview(near()),
		"concern":                {fhirmap.Concern(lost(), nil), fhirmap.Concern(closed(), fhirmap.Concern(lost(), nil)), acknowledged()},
		"provenance":             {fhirmap.Provenance("v1", []string{"DetectedIssue/f1/_history/2", "DetectedIssue/f2/_history/7"}, "Practitioner/n1", []string{"Practitioner/s1"}, now), fhirmap.Correction("v3", "Observation/e6", 1, "Practitioner/n2", "a nought too many", false, now), fhirmap.Provenance("v2", []string{"DetectedIssue/f1/_history/3"}, "", nil, now)},
	}
	w["collection"] = []node{fhirmap.Collection("http://here.test/fhir", append(slices.Clone(w["status-device"]), w["status-device"][0]), now)}
	return w
}

// Everything that is written is valid R4, and its codes are ours.
func TestWrittenIsValid(t *testing.T) {
	lib, err := profile.New()
	if err != nil {
		t.Fatal(err)
	}
	for name, list := range written(t) {
		if len(list) == 0 {
			t.Errorf("%s: nothing was written", name)
		}
		for i, n := range list {
			l := r4.Validate(n, r4.Options{})
			l.Issues = append(l.Issues, lib.Validate(n).Issues...)
			if err := l.As(fault.Rule); err != nil {
				t.Errorf("%s[%d]: %v", name, i, err)
			}
			if n.Str("resourceType") != "Bundle" {
				displays(t, lib, name, n)
			}
			if c := n.Get("code").Each("coding"); len(c) > 0 && strings.HasPrefix(c[0].Str("code"), "drain-output-total") {
				l, err := lib.Conforms(n, fhirmap.Canonical+"/StructureDefinition/drain-output-total")
				if err != nil || l.Failed() {
					t.Errorf("%s[%d]: %v %v", name, i, err, l.As(fault.Rule))
				}
			}
			if n.Str("resourceType") == "DetectedIssue" {
				if l, err := lib.Conforms(n, fhirmap.Canonical+"/StructureDefinition/escalation"); err != nil || l.Failed() {
					t.Errorf("%s[%d]: %v %v", name, i, err, l.As(fault.Rule))
				}
			}
		}
	}
}

// displays checks that a display of ours is one that the code system gives.
func displays(t *testing.T, lib *profile.Library, name string, n node) {
	t.Helper()
	system, _ := lib.ByURL(fhirmap.Local)
	names := map[string][]string{}
	for _, c := range system.Each("concept") {
		names[c.Str("code")] = []string{c.Str("display")}
		for _, d := range c.Each("designation") {
			names[c.Str("code")] = append(names[c.Str("code")], d.Str("value"))
		}
	}
	var walk func(n node)
	walk = func(n node) {
		if n.Str("system") == fhirmap.Local {
			known, ok := names[n.Str("code")]
			if d := n.Str("display"); !ok || d != "" && !slices.Contains(known, d) {
				t.Errorf("%s: %s is called %q, its names are %q", name, n.Str("code"), d, known)
			}
		}
		for _, m := range n.Members {
			walk(m.Value)
		}
		for _, i := range n.Items {
			walk(i)
		}
	}
	walk(n)
}

func TestGolden(t *testing.T) {
	for name, list := range written(t) {
		var b bytes.Buffer
		for _, n := range list {
			if err := json.Indent(&b, n.Bytes(), "", " "); err != nil {
				t.Fatal(err)
			}
			b.WriteByte('\n')
		}
		golden(t, name+".json", b.Bytes())
	}
}

func TestTable(t *testing.T) {
	w := written(t)
	for _, name := range []string{"drain-output-days", "fluid-balance", "status-patient", "emptying-due", "removal-near"} {
		b := fhirmap.Table(w[name])
		golden(t, name+".csv", b)
		rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) != len(w[name])+1 {
			t.Errorf("%s: %d rows of %d resources", name, len(rows), len(w[name]))
		}
	}
	golden(t, "handover.csv", fhirmap.HandoverTable(shift()))
	if got := string(fhirmap.Table(nil)); strings.Count(got, "\n") != 1 {
		t.Errorf("an empty table is %q", got)
	}
	for in, want := range map[string]string{"": "", "text": "text", "-3.5": "-3.5", "+1": "+1", "=1+1": "'=1+1", "-1+cmd": "'-1+cmd", "@x": "'@x", "\tx": "'\tx", "+49 30": "'+49 30"} {
		if got := fhirmap.Neutral(in); got != want {
			t.Errorf("Neutral(%q) is %q", in, got)
		}
	}
}

// The windows of an answer add up to their total, digit for digit, whatever the
// unit that they were charted in.
func TestPublishedFiguresAddUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var entries []drain.Entry
		for i := range rapid.IntRange(1, 8).Draw(rt, "emptyings") {
			e := emptied(fmt.Sprintf("e%d", i), float64(rapid.IntRange(1, 100).Draw(rt, "half hours"))/2, "0")
			e.Measured.Volume = drain.ML(big.NewRat(int64(rapid.IntRange(0, 1000).Draw(rt, "n")), int64(rapid.IntRange(1, 97).Draw(rt, "d"))))
			entries = append(entries, e)
		}
		for _, a := range []balance.Attribution{balance.Charted, balance.Spread} {
			sum := func(p window.Period) string {
				var s drain.Volume
				for _, n := range fhirmap.DrainOutput(output(t, entries, p, a)) {
					if n.Path("code").Each("coding")[0].Str("code") == "drain-output-rate" {
						continue
					}
					if q := n.Get("valueQuantity"); q != nil {
						v, ok := drain.ParseML(q.Get("value").Text)
						if !ok {
							rt.Fatalf("value %s", q.Get("value").Text)
						}
						s = s.Add(v)
					}
				}
				return s.Key()
			}
			whole := sum(window.Total)
			for _, p := range []window.Period{window.Hour, window.ShiftPeriod, window.Day} {
				if got := sum(p); got != whole {
					rt.Errorf("%s by %s add up to %s, the total is %s", a, p, got, whole)
				}
			}
		}
	})
}

// A concern reads back from its resource as it was, through any number of
// amendments and acknowledgements.
func TestConcernRoundTrip(t *testing.T) {
	moment := rapid.Custom(func(t *rapid.T) time.Time {
		return time.UnixMilli(rapid.Int64Range(1_600_000_000_000, 1_900_000_000_000).Draw(t, "ms")).UTC()
	})
	id := rapid.StringMatching(`[A-Za-z0-9\-\.]{1,64}`)
	text := rapid.StringMatching(`[a-z„“×≥ .\n"]{1,40}`)
	severity := rapid.SampledFrom([]drain.Severity{drain.High, drain.Moderate, drain.Low})
	rapid.Check(t, func(rt *rapid.T) {
		c := drain.Concern{
			ID: id.Draw(rt, "id"), Drain: id.Draw(rt, "drain"), Patient: id.Draw(rt, "patient"), Kind: rapid.SampledFrom(concern.Kinds()).Draw(rt, "kind"),
			Severity: severity.Draw(rt, "severity"), Since: moment.Draw(rt, "since"), Headline: text.Draw(rt, "headline"),
			Announced: drain.Announced{At: moment.Draw(rt, "announced"), Reason: rapid.SampledFrom([]string{concern.Opened, concern.Late}).Draw(rt, "reason")},
			Policy:    rapid.SampledFrom([]string{"", "abc"}).Draw(rt, "policy"),
		}
		for _, rule := range rapid.SliceOfNDistinct(rapid.SampledFrom(escalate.RuleNames()), 1, 3, rapid.ID).Draw(rt, "rules") {
			e := drain.Evidence{Rule: rule, Severity: severity.Draw(rt, "of rule"), Since: moment.Draw(rt, "rule since"), Text: text.Draw(rt, "text")}
			if e.Readings = rapid.SliceOfNDistinct(id, 0, 4, rapid.ID).Draw(rt, "readings"); len(e.Readings) == 0 {
				e.Readings = nil
			}
			slices.Sort(e.Readings)
			c.Evidence = append(c.Evidence, e)
		}
		var before node
		for range rapid.IntRange(0, 3).Draw(rt, "acknowledged") {
			if before == nil {
				before = fhirmap.Concern(c, nil)
			}
			at := moment.Draw(rt, "at")
			a := concern.Acknowledge(c, rapid.SampledFrom([]string{"n", "Practitioner/n1"}).Draw(rt, "by"), at)
			fhirmap.Acknowledge(before, a.Acknowledged, "Seen", "", "")
			if !at.Before(c.Acknowledged.At) {
				c.Acknowledged = a.Acknowledged
			}
		}
		if !c.Acknowledged.At.IsZero() && rapid.Bool().Draw(rt, "worse since") {
			c.Acknowledged.Void = "worse"
		}
		if rapid.Bool().Draw(rt, "closed") {
			c.Until, c.Withdrawn = c.Since.Add(time.Duration(rapid.IntRange(0, 1000).Draw(rt, "lasted"))*time.Second), rapid.Bool().Draw(rt, "withdrawn")
		}
		n := fhirmap.Concern(c, before)
		facts, _ := fhirmap.Decode(n, time.UTC)
		if diff := gocmp.Diff(&c, facts.Concern); diff != "" {
			rt.Errorf("(-written +read):\n%s\n%s", diff, n.Bytes())
		}
		back, err := fhirjson.Parse(fhirmap.Body(n).JSON)
		if err != nil {
			rt.Fatal(err)
		}
		if facts, _ := fhirmap.Decode(back, time.UTC); !gocmp.Equal(&c, facts.Concern) {
			rt.Error("another one from the stored body")
		}
	})
}

// An issue that was written when each rule had one of its own reads as a concern
// of that rule.
func TestIssueOfBefore(t *testing.T) {
	n, err := fhirjson.Parse([]byte(`{"resourceType":"DetectedIssue","id":"f1","extension":[{"url":"http://tidemark.example.org/fhir/StructureDefinition/policy-version","valueString":"abc"},
		{"url":"http://tidemark.example.org/fhir/StructureDefinition/announced","valueDateTime":"2026-11-25T12:00:00Z"}],"status":"final",
		"code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"darker"}]},"severity":"high","patient":{"reference":"Patient/p1"},
		"identifiedPeriod":{"start":"2026-11-25T11:00:00Z"},"implicated":[{"reference":"Device/d1"}],"detail":"It was serous.",
		"evidence":[{"detail":[{"reference":"Observation/o2"},{"reference":"Observation/o1"}]}],"mitigation":[{"action":{"text":"seen"},"date":"2026-11-25T12:30:00Z"}]}`))
	if err != nil {
		t.Fatal(err)
	}
	at := func(h, m int) time.Time { return time.Date(2026, 11, 25, h, m, 0, 0, time.UTC) }
	facts, _ := fhirmap.Decode(n, time.UTC)
	want := &drain.Concern{ID: "f1", Drain: "d1", Patient: "p1", Kind: "darker", Severity: drain.High, Since: at(11, 0), Headline: "It was serous.", Policy: "abc",
		Announced: drain.Announced{At: at(12, 0)}, Acknowledged: drain.Acknowledged{At: at(12, 30), Severity: drain.High, High: []string{"darker"}},
		Evidence: []drain.Evidence{{Rule: "darker", Severity: drain.High, Since: at(11, 0), Text: "It was serous.", Readings: []string{"o1", "o2"}}}}
	if diff := gocmp.Diff(want, facts.Concern); diff != "" {
		t.Error(diff)
	}
}

// Every rule has a name for people, and every compartment a code.
func TestNames(t *testing.T) {
	for _, r := range escalate.RuleNames() {
		if fhirmap.RuleDisplay(r) == r {
			t.Errorf("the rule %s has no name for people", r)
		}
	}
	for _, k := range concern.Kinds() {
		if fhirmap.ConcernDisplay(k) == k {
			t.Errorf("the concern %s has no name for people", k)
		}
	}
	if fhirmap.RuleDisplay("x") != "x" {
		t.Error("an unknown rule is not called by its code")
	}
	for _, c := range []drain.Compartment{drain.Wound, drain.Peritoneal, drain.Biliary, drain.Pleural, drain.Pericardial} {
		code, display, ok := fhirmap.OutputCode(c)
		f, _ := fhirmap.Decode(observation(t, codes(loinc+code)), time.UTC)
		if !ok || display == "" || f.Entry == nil || f.Entry.Kind != drain.Emptying {
			t.Errorf("%s: %s %q", c, code, display)
		}
	}
	if _, _, ok := fhirmap.OutputCode(drain.Unspecified); ok {
		t.Error("an unspecified compartment has a code of LOINC's")
	}
}
