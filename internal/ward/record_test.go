package ward

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/window"
)

const (
	total   = window.Total
	charted = balance.Charted
)

// sum is a drain's total from placement to now.
func (h *hospital) sum(want string) {
	h.Helper()
	out := h.output(Span{Period: total, Attribution: charted})
	if len(out.Totals) != 1 || out.Totals[0].Net.String() != want {
		h.Errorf("total at %s: %v, want %s", h.clock().Format("01-02 15:04"), out.Totals, want)
	}
}

func (h *hospital) output(sp Span) answer.Output {
	h.Helper()
	out, err := h.DrainOutput(context.Background(), "d1", sp)
	if err != nil {
		h.Fatal(err)
	}
	return out
}

// Late entries, corrections and deletions change every derived answer at once.
func TestEveryAnswerFollowsAtOnce(t *testing.T) {
	ctx := context.Background()
	h := newHospital(t)
	h.put(with(device("d1"), "location", reference("Location", "w")), fhirjson.Obj("resourceType", "Location", "id", "w", "name", "Ward"))
	// all words each derived answer.
	all := func() map[string]string {
		t.Helper()
		m := map[string]string{}
		out := h.output(Span{Period: total, Attribution: charted})
		m["output"] = out.Totals[0].Net.String()
		b, err := h.FluidBalance(ctx, "p1", Span{Period: total, Attribution: charted})
		if err != nil {
			t.Fatal(err)
		}
		m["balance"] = b.Windows[0].Net.String()
		for what, get := range map[string]func() ([]answer.Status, error){
			"device":   func() ([]answer.Status, error) { st, err := h.DrainStatus(ctx, "d1"); return []answer.Status{st}, err },
			"patient":  func() ([]answer.Status, error) { return h.PatientStatus(ctx, "p1") },
			"location": func() ([]answer.Status, error) { return h.LocationStatus(ctx, "w") },
		} {
			sts, err := get()
			if err != nil || len(sts) != 1 {
				t.Fatalf("%s: %v %v", what, sts, err)
			}
			m[what] = sts[0].Level + " " + sts[0].LastID
		}
		due, err := h.EmptyingDue(ctx, "w")
		if err != nil || len(due) != 1 {
			t.Fatal(due, err)
		}
		m["due"] = due[0].Due.At.Format("15:04") + " " + string(due[0].Due.Reason)
		r, err := h.RemovalReview(ctx, "d1")
		if err != nil {
			t.Fatal(err)
		}
		for _, it := range r.Review.Items {
			m["review "+it.Name] = string(it.State)
		}
		c, _, err := h.Course(ctx, "d1")
		if err != nil {
			t.Fatal(err)
		}
		m["chart"] = fmt.Sprint(len(c.Intervals))
		return m
	}
	expect := func(step string, want map[string]string) {
		t.Helper()
		got := all()
		for k, v := range want {
			if got[k] != v {
				t.Errorf("%s: %s is %q, want %q", step, k, got[k], v)
			}
		}
	}
	h.at(3)
	h.put(emptying("e1", 3, "30", looks("serous")))
	expect("charted", map[string]string{"output": "30 mL", "balance": "-30 mL", "device": "none e1", "location": "none e1", "due": "15:00 interval-limit", "chart": "1"})
	h.put(status(emptying("e1", 3, "35.5", looks("serous")), "corrected"))
	expect("corrected", map[string]string{"output": "35.5 mL", "balance": "-35.5 mL"})
	h.put(emptying("e0", 2.5, "20", looks("serous"))) // late
	expect("charted late", map[string]string{"output": "55.5 mL", "chart": "2"})
	h.put(status(emptying("e1", 3, "35.5", looks("purulent")), "corrected"))
	expect("purulent", map[string]string{"device": "high e1", "patient": "high e1", "location": "high e1"})
	h.want("suspect-fluid", "high e1")
	h.put(status(emptying("e1", 3, "35.5", looks("purulent")), "entered-in-error"))
	expect("in error", map[string]string{"output": "20 mL", "balance": "-20 mL", "device": "none e0", "location": "none e0", "chart": "1"})
	h.want("suspect-fluid", "high e1 withdrawn")
	h.commit(deletion("Observation", "e0"))
	expect("deleted", map[string]string{"output": "0 mL", "device": "none ", "due": "12:00 interval-limit", "chart": "0"})
}

func TestConditionalCreate(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	numbered := func(n obj) obj {
		return with(n, "identifier", fhirjson.Arr(fhirjson.Obj("system", "http://chart.test", "value", "1")))
	}
	unless := &search.Query{Type: "Observation", Count: 2, Where: []search.Clause{{Param: "identifier", Kind: search.Token,
		Values: []search.Value{{Raw: "http://chart.test|1", System: "http://chart.test", Code: "1"}}}}}
	create := func(n obj) Change {
		n.Delete("id")
		return Change{Method: store.Post, Key: store.Key{Type: "Observation"}, Resource: n, Expect: store.Absent, Unless: unless}
	}
	first := h.commit(create(numbered(check("x", 1, part("suction-state", "charged")))))
	if !first[0].Created {
		t.Fatalf("%+v", first)
	}
	// A plan after a write conflict: the reading, which would raise a finding,
	// is not kept, and nothing is drawn from it. The plan is asked again.
	h.at(2)
	asked := 0
	res, err := h.Do(context.Background(), nil, func(context.Context) ([]Change, []store.AuditRecord, error) {
		if asked++; asked > 1 {
			return nil, nil, nil // it finds what is there
		}
		return []Change{create(numbered(check("x", 2, part("suction-state", "lost"))))}, nil, nil
	})
	if err != nil || len(res) != 0 || asked != 2 {
		t.Errorf("%+v, %v, asked %d times", res, err, asked)
	}
	if fs := h.concerns(); len(fs) != 0 {
		t.Errorf("%v", fs)
	}
	// Without a condition a second one with the identifier is refused, and its
	// findings with it.
	_, err = h.Commit(context.Background(), puts(numbered(check("c3", 2, part("suction-state", "lost")))), nil)
	if !fault.Is(err, fault.Conflict) {
		t.Errorf("%v", err)
	}
	h.want("suction-lost", "")
}

// TestPlansRestOnWhatIsThere: an update whose plan read a version that another
// writer replaces is planned again; an expectation of the caller's is refused.
func TestPlansRestOnWhatIsThere(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c", 1, part("suction-state", "charged")))
	key := store.Key{Type: "Observation", ID: "c"}
	for _, tc := range []struct {
		expect store.Expect
		asked  int
		want   fault.Kind
	}{{store.Any, 2, -1}, {1, 1, fault.Precondition}} {
		asked := 0
		res, err := h.Do(context.Background(), []string{key.String()}, func(ctx context.Context) ([]Change, []store.AuditRecord, error) {
			v, err := h.store.Read(ctx, key)
			if err != nil {
				return nil, nil, err
			}
			if asked++; asked == 1 { // another process writes
				w := store.Write{Key: key, Method: store.Put, Body: v.Body}
				if _, err := h.store.Commit(ctx, []store.Write{w}, nil); err != nil {
					return nil, nil, err
				}
			}
			return []Change{{Method: store.Put, Key: key, Resource: check("c", 1, part("suction-state", "charged")), Expect: tc.expect, Rests: store.Expect(v.Number)}}, nil, nil
		})
		if asked != tc.asked || (err == nil) != (tc.want < 0) || err != nil && !fault.Is(err, tc.want) {
			t.Errorf("expect %d: %+v, %v, asked %d times", tc.expect, res, err, asked)
		}
	}
}

func TestLoadThenSweep(t *testing.T) {
	h := newHospital(t)
	h.at(30)
	h.sweep(true)
	if _, err := h.Load(context.Background(), puts(emptying("e1", 4, "10"), check("c1", 29, part("suction-state", "lost")), emptying("e2", 29.5, "10"))); err != nil {
		t.Fatal(err)
	}
	h.want("suction-lost", "")
	h.sweep(false)
	h.want("suction-lost", "high c1")
	if _, err := h.Load(context.Background(), puts(onDrain(emptying("e3", 4, "10"), "d1", "p2"))); !strings.Contains(refusal(err), "Wrong drain") {
		t.Errorf("loading guards too: %v", err)
	}
}

// An entry dated a little ahead counts when its time has come.
func TestEntryAheadOfTheClock(t *testing.T) {
	h := newHospital(t)
	h.Service.recheck = 0
	h.at(1)
	h.put(check("c1", 1+3.0/60, part("suction-state", "lost")))
	h.want("suction-lost", "")
	h.at(1 + 2.0/60)
	h.sweep(false)
	h.want("suction-lost", "")
	h.at(1 + 3.0/60)
	h.sweep(false)
	h.want("suction-lost", "high c1")
}

// A drain with more entries than anybody charts has right totals and findings:
// the only word on its suction is its first.
func TestLongStay(t *testing.T) {
	h := newHospital(t)
	n := 700
	h.at(float64(n) + 1)
	cs := puts(check("c1", 0.5, part("suction-state", "lost")))
	for i := range n {
		cs = append(cs, puts(emptying(fmt.Sprintf("e%04d", i), float64(i+1), "10"))...)
	}
	h.commit(cs...)
	h.sum("7000 mL")
	h.want("suction-lost", "high c1")
	if f := h.one("suction-lost"); !f.Since.Equal(t0.Add(span(0.5))) {
		t.Errorf("since %s", f.Since)
	}
	h.put(emptying("last", float64(n)+1, "10", part("suction-state", "charged")))
	h.sum("7010 mL")
	h.want("suction-lost", "high c1 over")
	days := h.output(Span{Period: window.Day, Attribution: balance.Spread})
	var sum = days.Totals[0].Net
	for _, d := range days.Totals[1:] {
		sum = sum.Add(d.Net)
	}
	if sum.String() != "7010 mL" || !days.Totals[0].Window.Start.Equal(t0) {
		t.Errorf("the days from %s add up to %s", days.Totals[0].Window.Start, sum)
	}
}

// The stay before this one can be asked for by its dates.
func TestStayBefore(t *testing.T) {
	h := newHospital(t)
	h.at(100)
	h.put(emptying("e1", 1, "11"), emptying("e2", 90, "7"))
	h.put(removed(placement("d1", "p1", t0), "completed", t0.Add(span(2))), with(placement("d1", "p1", t0.Add(span(80))), "id", "use-again"))
	h.sum("7 mL")
	sp := Span{Period: total, Attribution: charted, Start: Bound{Date: "2026-11-23"}}
	// Each stay has a total of its own; of the first, the hour from its last emptying
	// to its removal is not known.
	got := h.output(sp).Totals
	if len(got) != 2 || got[0].Net.String() != "11 mL" || got[1].Net.String() != "7 mL" {
		t.Fatalf("from the first day: %+v", got)
	}
	if first := got[0]; !first.Preliminary || first.InPlace != 2*time.Hour || first.Covered != time.Hour || !first.Window.End.Equal(t0.Add(span(80))) || first.Window.Whole {
		t.Errorf("the first stay: %+v", first)
	}
	sp.Period = window.Day
	for _, day := range h.output(sp).Totals {
		if day.Window.Start.After(t0.Add(span(2))) && day.Window.End.Before(t0.Add(span(80))) && day.Absent != balance.NotInPlace {
			t.Errorf("a day between the stays: %+v", day)
		}
	}
	sp.Period = total
	sp.End = Bound{Date: "2026-11-24"}
	if got := h.output(sp).Totals[0].Net.String(); got != "11 mL" {
		t.Errorf("the first two days: %s", got)
	}
}

// A drain that was another patient's before: a total of theirs says so, and whoever
// may see one patient only is told nothing of the other's stay.
func TestStayOfAnother(t *testing.T) {
	h := newHospital(t)
	h.at(100)
	h.put(removed(placement("d1", "p2", t0), "completed", t0.Add(span(2))), with(placement("d1", "p1", t0.Add(span(80))), "id", "use-again"))
	h.put(with(emptying("e1", 1, "11"), "subject", reference("Patient", "p2")), emptying("e2", 90, "7"))
	sp := Span{Period: total, Attribution: charted, Start: Bound{Date: "2026-11-23"}}
	whose := func() (out []string) {
		for _, x := range h.output(sp).Totals {
			out = append(out, x.Patient+" "+x.Net.String())
		}
		return out
	}
	if got := whose(); !slices.Equal(got, []string{"p2 11 mL", " 7 mL"}) {
		t.Errorf("%q", got)
	}
	sp.Only = "p1"
	if got := whose(); !slices.Equal(got, []string{" 7 mL"}) {
		t.Errorf("to whoever may see p1 only: %q", got)
	}
	if got := h.output(sp).Totals[0]; got.InPlace > 21*time.Hour {
		t.Errorf("the other's stay shows: in place for %v", got.InPlace)
	}
}

// Days and shifts over the ends of summer time, through the service.
func TestClockChanges(t *testing.T) {
	for _, c := range []struct {
		change string
		hours  time.Duration // of the day on which it happens
	}{{"2026-10-25", 25}, {"2027-03-28", 23}} {
		t.Run(c.change, func(t *testing.T) {
			h := newHospital(t)
			h.rule("calendar:\n  zone: Europe/Berlin\n")
			zone := h.policies().Zone()
			day, err := time.ParseInLocation(time.DateOnly, c.change, zone)
			if err != nil {
				t.Fatal(err)
			}
			// The ward's day that holds the change starts at 7 the morning before.
			start := day.AddDate(0, 0, -1).Add(7 * time.Hour)
			h.now = start.Add(72 * time.Hour)
			h.put(placement("d1", "p1", start))
			for i := range 60 {
				h.put(with(emptying(fmt.Sprintf("e%02d", i), 0, "6"), "effectiveDateTime", start.Add(time.Duration(i+1)*time.Hour).Format(time.RFC3339)))
			}
			for _, a := range []balance.Attribution{balance.Charted, balance.Spread} {
				b := Span{Period: window.Day, Attribution: a, Start: Bound{Date: start.Format(time.DateOnly)}, End: Bound{Date: start.Format(time.DateOnly)}}
				out := h.output(b)
				w := out.Totals[0]
				want := map[balance.Attribution]time.Duration{balance.Charted: 6 * (c.hours - 1), balance.Spread: 6 * c.hours}[a]
				if len(out.Totals) != 1 || w.Window.Duration() != c.hours*time.Hour || w.Net.Float() != float64(want) {
					t.Errorf("%s: %v of %v, want %d mL of %d h", a, w.Net, w.Window.Duration(), want, c.hours)
				}
				b.Period = window.ShiftPeriod
				if shifts := h.output(b).Totals; len(shifts) != 2 || shifts[0].Window.Duration() != 12*time.Hour || shifts[1].Window.Duration() != (c.hours-12)*time.Hour {
					t.Errorf("shifts: %v", shifts)
				}
				b.Period = window.Hour
				if hours := h.output(b).Totals; len(hours) != int(c.hours) {
					t.Errorf("%d hours", len(hours))
				}
			}
		})
	}
}

// A drain's ward has thresholds of its own; the drain changes its findings
// when the patient moves there.
func TestWardOverrideFollowsThePatient(t *testing.T) {
	h := newHospital(t)
	h.Service.recheck = 0
	h.rule("overrides:\n  - ward: icu\n    emptying:\n      interval: 2 h\n      grace: 0 min\n")
	stay := func(place string) obj {
		return fhirjson.Obj("resourceType", "Encounter", "id", "s1", "status", "in-progress", "class", fhirjson.Obj("system", "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code", "IMP"),
			"subject", reference("Patient", "p1"), "location", fhirjson.Arr(fhirjson.Obj("location", reference("Location", place), "status", "active")))
	}
	place := func(id, in string) obj {
		n := fhirjson.Obj("resourceType", "Location", "id", id, "name", id)
		if in != "" {
			n.Set("partOf", reference("Location", in))
		}
		return n
	}
	h.put(place("icu", ""), place("ward", ""), place("bed", "ward"), stay("bed"))
	h.at(1)
	h.put(emptying("e1", 1, "10"))
	h.at(3.5)
	h.sweep(false)
	h.want("overdue", "")
	h.put(stay("icu"))
	h.sweep(false)
	h.want("overdue", "low e1")
	h.put(stay("bed"))
	h.sweep(false)
	h.want("overdue", "low e1 over")
	h.put(place("bed", "icu")) // the ward is made part of another
	h.sweep(false)
	h.want("overdue", "low e1") // it came back within two hours
}

func TestDeletedDevice(t *testing.T) {
	h := newHospital(t)
	h.at(1)
	h.put(check("c1", 1, part("suction-state", "lost")))
	h.commit(deletion("Device", "d1"))
	h.want("suction-lost", "high c1 withdrawn")
	if _, err := h.DrainStatus(context.Background(), "d1"); !fault.Is(err, fault.NotFound) {
		t.Errorf("status of it: %v", err)
	}
	h.at(20)
	h.sweep(true)
	h.put(device("d1")) // brought back
	h.want("suction-lost", "high c1 withdrawn; high c1")
}

// Writers on few drains, transactions over many of them in clashing orders,
// sweeps, acknowledgements and a second process: nobody waits forever, and there
// is one open finding for each condition.
func TestConcurrentWriters(t *testing.T) {
	ctx := context.Background()
	h := open(t, t.TempDir())
	const drains = 6
	world := []obj{patient("p1")}
	for d := range drains {
		id := fmt.Sprintf("d%d", d)
		world = append(world, device(id), placement(id, "p1", t0))
	}
	h.put(world...)
	h.at(3)
	services := []*Service{h.Service, h.another(h.db)}
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			s := services[w%2]
			for i := range 8 {
				id := fmt.Sprintf("w%d-%d", w, i)
				hour := 1 + float64(w)/10 + float64(i)/100
				var cs []Change
				if i%2 == 0 {
					for k := range drains { // up or down
						d := k
						if w%2 == 1 {
							d = drains - 1 - k
						}
						cs = append(cs, puts(onDrain(check(fmt.Sprintf("%s-%d", id, d), hour, part("suction-state", "lost")), fmt.Sprintf("d%d", d), "p1"))...)
					}
				} else {
					cs = puts(onDrain(check(id, hour, part("suction-state", "lost"), looks("purulent")), fmt.Sprintf("d%d", i%drains), "p1"))
				}
				if _, err := s.Commit(ctx, cs, nil); err != nil {
					t.Errorf("%s: %v", id, err)
				}
				if i == 4 {
					if _, err := s.Sweep(ctx, true); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	wg.Go(func() {
		for range 10 {
			fs, err := h.db.OpenConcerns(ctx, "", 100)
			if err != nil {
				t.Error(err)
			}
			for _, f := range fs {
				if _, err := h.Acknowledge(ctx, Acknowledgement{Concerns: []string{f.ID}, Action: "Seen", By: "n"}, nil); err != nil && !fault.Is(err, fault.Precondition) {
					t.Error(err)
				}
			}
		}
	})
	wg.Wait()
	h.sweep(true)
	for d := range drains {
		id := fmt.Sprintf("d%d", d)
		fs, err := h.db.Concerns(ctx, id, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		rules := map[string]int{}
		for _, f := range fs {
			rules[f.Kind]++
			if f.Holds("suction-lost") {
				es, err := h.db.Entries(ctx, store.EntryQuery{Drain: id})
				if err != nil {
					t.Fatal(err)
				}
				if len(es) != len(f.Evidence[0].Readings) {
					t.Errorf("%s: %d entries, %d of them evidence", id, len(es), len(f.Evidence[0].Readings))
				}
			}
		}
		for r, n := range rules {
			if n > 1 {
				t.Errorf("%s: %d concerns %s", id, n, r)
			}
		}
		if rules["function"] != 1 {
			t.Errorf("%s: %v", id, rules)
		}
	}
}

func TestUnknownInstances(t *testing.T) {
	ctx := context.Background()
	h := newHospital(t)
	for what, err := range map[string]error{
		"output": second(h.DrainOutput(ctx, "no", Span{Period: total})),
		"status": second(h.DrainStatus(ctx, "no")),
		"review": second(h.RemovalReview(ctx, "no")),
	} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := h.DrainOutput(ctx, "d1", Span{Period: window.Hour, Start: Bound{At: t0.AddDate(-50, 0, 0)}}); !fault.Is(err, fault.Invalid) {
		t.Errorf("fifty years by the hour: %v", err)
	}
	if _, err := h.DrainOutput(ctx, "d1", Span{Period: window.Hour, Start: Bound{At: t0}, End: Bound{At: t0}}); !fault.Is(err, fault.Invalid) {
		t.Errorf("an empty span: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

func TestWards(t *testing.T) {
	h := newHospital(t)
	at := func(id, place string) obj { return with(device(id), "location", reference("Location", place)) }
	h.put(at("d2", "small"), at("d3", "large"), at("d4", "large"), status(at("d5", "closed"), "inactive"))
	got, err := h.Wards(context.Background())
	if err != nil || strings.Join(got, " ") != "large small" {
		t.Errorf("%v, %v", got, err)
	}
}
