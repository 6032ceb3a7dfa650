package ward

import (
	"context"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
	"tidemark/internal/window"
)

// TestMain runs fewer cases than usual, since each waits for the disk dozens of
// times; -rapid.checks asks for more.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if !asked {
		if err := flag.Set("rapid.checks", "10"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// shown is what a drain is evaluated to be: the open concerns, without their ids
// and times of announcement, and all derived answers.
func (h *hospital) shown(t *rapid.T) string {
	ctx := context.Background()
	st, err := h.DrainStatus(ctx, "d1")
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	kept := map[string]drain.Severity{}
	for _, c := range st.Concerns {
		for _, e := range c.Evidence {
			kept[e.Rule] = e.Severity
			lines = append(lines, fmt.Sprintf("%s %s %s %s %v %s", e.Rule, e.Severity, c.Patient, e.Since, e.Readings, escalate.Undated(e.Text)))
		}
		if c.Severity != c.Evidence[0].Severity {
			t.Errorf("%s is %s and rests on %+v", c.Kind, c.Severity, c.Evidence)
		}
	}
	slices.Sort(lines)
	// The rules, evaluated by the whole stay, find what is kept.
	c, err := h.load(ctx, "d1")
	if err != nil {
		t.Fatal(err)
	}
	found := escalate.Evaluate(c.settings.Escalate, c.subject(), h.Now())
	for _, f := range found {
		if kept[f.Rule] != f.Severity {
			t.Errorf("the rules find %s %s, kept is %q", f.Severity, f.Rule, kept[f.Rule])
		}
	}
	if len(found) != len(kept) {
		t.Errorf("the rules find %d, kept are %v", len(found), kept)
	}
	out, err := h.DrainOutput(ctx, "d1", Span{Period: window.Day, Attribution: balance.Spread})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range out.Totals {
		lines = append(lines, fmt.Sprintf("%s %s %v %s %v", w.Window.Label, w.Net, w.Readings, w.Coverage, w.Missing))
	}
	b, err := h.FluidBalance(ctx, "p1", Span{Period: total, Attribution: charted})
	if err != nil {
		t.Fatal(err)
	}
	r, err := h.RemovalReview(ctx, "d1")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(append(lines, "level "+st.Level, "trend "+string(out.Trend.Direction), "course "+out.Course, "due "+st.Due.Words,
		"net "+b.Windows[0].Net.String(), "review "+r.Review.Text), "\n")
}

// reading draws an entry of d1 between placement and the fiftieth hour.
func reading(t *rapid.T, id string) (n obj) {
	defer func() { t.Logf("%s", n.Bytes()) }()
	draw := func() obj {
		hour := float64(rapid.IntRange(0, 100).Draw(t, "half hours")) / 2
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			return check(id, hour, part("suction-state", rapid.SampledFrom([]string{"lost", "charged"}).Draw(t, "suction")))
		case 1:
			return check(id, hour, part("reservoir-fill", quantity(fmt.Sprint(rapid.IntRange(0, 11).Draw(t, "fill")*10), "%")))
		case 2:
			return site(id, hour, part("redness", rapid.Bool().Draw(t, "redness")), part("warmth", rapid.Bool().Draw(t, "warmth")))
		}
		ml := rapid.IntRange(0, 24).Draw(t, "fifths") * 5
		return emptying(id, hour, fmt.Sprint(ml), looks(rapid.SampledFrom([]string{"serous", "serosanguineous", "sanguineous", "purulent"}).Draw(t, "looks")))
	}
	return draw()
}

func readings(t *rapid.T, most int) []obj {
	var out []obj
	for i := range rapid.IntRange(1, most).Draw(t, "number") {
		out = append(out, reading(t, fmt.Sprintf("o%02d", i)))
	}
	return out
}

// permuted draws an order; by number, since a drawn tree prints as nothing.
func permuted(t *rapid.T, set []obj) []obj {
	order := make([]int, len(set))
	for i := range order {
		order[i] = i
	}
	out := make([]obj, 0, len(set))
	for _, i := range rapid.Permutation(order).Draw(t, "order") {
		out = append(out, set[i])
	}
	return out
}

// fresh gives a new hospital for each case, at the hour at which all is charted.
func fresh(tb testing.TB, t *rapid.T) (*hospital, func()) {
	h := open(tb, tb.TempDir())
	h.put(patient("p1"), device("d1"), placement("d1", "p1", t0))
	later := 50 + rapid.IntRange(0, 30).Draw(t, "later")
	h.at(float64(later))
	return h, func() { _ = h.db.Close() }
}

func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		set := readings(rt, 14)
		h, done := fresh(t, rt)
		defer done()
		h.put(set...)
		h.sweep(true)
		want := h.shown(rt)
		h.commit(deletion("Device", "d1"))
		for _, n := range set {
			h.commit(deletion("Observation", n.Str("id")))
		}
		h.put(device("d1"))
		// The same entries on the same drain, one by one in another order.
		for _, n := range permuted(rt, set) {
			h.put(n)
		}
		h.sweep(true)
		if got := h.shown(rt); got != want {
			rt.Errorf("at once:\n%s\none by one:\n%s", want, got)
		}
	})
}

func TestAddingAndTakingBackChangesNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		h, done := fresh(t, rt)
		defer done()
		h.put(readings(rt, 8)...)
		h.sweep(true)
		want := h.shown(rt)
		extra := reading(rt, "extra")
		h.put(extra)
		if rapid.Bool().Draw(rt, "sweep between") {
			h.sweep(true)
		}
		switch rapid.IntRange(0, 2).Draw(rt, "how") {
		case 0:
			h.commit(deletion("Observation", "extra"))
		case 1:
			h.put(status(extra.Clone(), "entered-in-error"))
		default:
			h.put(reading(rt, "extra"))
			h.commit(deletion("Observation", "extra"))
		}
		if got := h.shown(rt); got != want {
			rt.Errorf("before:\n%s\nafter:\n%s", want, got)
		}
	})
}

func TestPartsAddUpToTheWhole(t *testing.T) {
	units := []string{"mL", "cL", "[foz_us]", "L", "[in_i]3"}
	rapid.Check(t, func(rt *rapid.T) {
		h, done := fresh(t, rt)
		defer done()
		for _, n := range readings(rt, 12) {
			if v := n.Get("valueQuantity"); v != nil {
				u := rapid.SampledFrom(units).Draw(rt, "unit")
				n.Set("valueQuantity", fhirjson.Obj("value", fhirjson.Num(fmt.Sprintf("%d.%03d", rapid.IntRange(0, 9).Draw(rt, "n"), rapid.IntRange(0, 999).Draw(rt, "m"))), "system", "http://unitsofmeasure.org", "code", u))
			}
			h.put(n)
		}
		start := t0.Add(time.Duration(rapid.IntRange(0, 20*60).Draw(rt, "from")) * time.Minute)
		end := start.Add(time.Duration(rapid.IntRange(1, 60*60).Draw(rt, "minutes")) * time.Minute)
		for _, a := range []balance.Attribution{balance.Charted, balance.Spread} {
			sp := Span{Period: window.Total, Attribution: a, Start: Bound{At: start}, End: Bound{At: end}}
			whole := h.output(sp).Totals
			if len(whole) != 1 {
				rt.Fatalf("%d totals", len(whole))
			}
			for _, p := range []window.Period{window.Hour, window.ShiftPeriod, window.Day} {
				sp.Period = p
				var sum drain.Volume
				at := start
				for _, w := range h.output(sp).Totals {
					if !w.Window.Start.Equal(at) {
						rt.Errorf("%s: a window starts at %s, the one before ended at %s", p, w.Window.Start, at)
					}
					at, sum = w.Window.End, sum.Add(w.Net)
				}
				if !at.Equal(end) || !sum.Equal(whole[0].Net) {
					rt.Errorf("%s %s: %s to %s, whole %s", a, p, sum.Key(), at, whole[0].Net.Key())
				}
			}
		}
	})
}

// A chain of random steps and times, with restarts and a second process: what
// is open is at every sweep what the rules find, once.
func TestConcernsFollowTheRules(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		h, done := fresh(t, rt)
		defer done()
		hour := h.clock().Sub(t0).Hours()
		live := map[string]bool{}
		for i := range rapid.IntRange(1, 10).Draw(rt, "steps") {
			if rapid.IntRange(0, 3).Draw(rt, "who") == 0 {
				h.Service = h.another(h.db)
			}
			id := fmt.Sprintf("o%d", rapid.IntRange(0, i).Draw(rt, "id"))
			switch n := reading(rt, id); rapid.IntRange(0, 4).Draw(rt, "step") {
			case 0:
				if live[id] {
					h.commit(deletion("Observation", id))
				}
			case 1:
				end := removed(placement("d1", "p1", t0), rapid.SampledFrom([]string{"completed", "stopped"}).Draw(rt, "ended"), h.clock())
				h.put(end)
				h.shown(rt)
				h.put(placement("d1", "p1", t0))
			default:
				h.put(n)
				live[id] = true
			}
			hour += rapid.Float64Range(0, 6).Draw(rt, "hours")
			h.at(hour)
			h.sweep(false)
			before, err := h.db.LastSeq(context.Background())
			if err != nil {
				rt.Fatal(err)
			}
			h.shown(rt)
			h.sweep(true)
			if after, _ := h.db.LastSeq(context.Background()); after != before {
				v, _ := h.db.Changes(context.Background(), before, 10)
				rt.Errorf("a second sweep wrote %s", v[0].JSON())
			}
		}
		all, err := h.db.Concerns(context.Background(), "d1", time.Time{})
		if err != nil {
			rt.Fatal(err)
		}
		for _, f := range all {
			if !f.Open() && f.Until.Before(f.Since) {
				rt.Errorf("%s ended at %s and began at %s", f.Kind, f.Until, f.Since)
			}
		}
	})
}

// BenchmarkCommit is one emptying of a drain that has so many already, with
// validation, guard and rules, durably.
func BenchmarkCommit(b *testing.B) {
	for _, n := range []int{0, 50, 200, 500} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			h := open(b, b.TempDir())
			var cs []Change
			cs = append(cs, puts(patient("p1"))...)
			const drains = 64
			for d := range drains {
				id := fmt.Sprintf("d%d", d)
				cs = append(cs, puts(device(id), placement(id, "p1", t0))...)
				for i := range n {
					cs = append(cs, puts(onDrain(emptying(fmt.Sprintf("%s-%d", id, i), float64(i)/2, "10", looks("serous"), part("suction-state", "charged")), id, "p1"))...)
				}
			}
			h.at(float64(n)/2 + 0.5)
			if _, err := h.Load(context.Background(), cs); err != nil {
				b.Fatal(err)
			}
			h.sweep(true)
			entries := make([]obj, b.N)
			for i := range entries {
				at := float64(n)/2 + 0.5 + float64(i/drains)/4
				entries[i] = onDrain(emptying("x", at, "10", looks("serous"), part("suction-state", "charged")), fmt.Sprintf("d%d", i%drains), "p1")
			}
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				h.at(float64(n)/2 + 0.5 + float64(i/drains)/4)
				c := Change{Method: store.Post, Key: store.Key{Type: "Observation"}, Resource: entries[i], Expect: store.Absent}
				if _, err := h.Commit(context.Background(), []Change{c}, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
