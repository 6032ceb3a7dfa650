package balance

import (
	"bufio"
	"fmt"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the scenarios name zones

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// A scenario is a file of testdata: what was charted, and for windows cut from
// it the answers, worked out by hand in the file's comments. Lines are words
// separated by blanks; times without an offset are of the scenario's zone.
type scenario struct {
	t        *testing.T
	calendar window.Calendar
	now      time.Time
	drains   []DrainEntries // the first is there from the start
	flows    []drain.Entry
	ws       []window.Window
	checked  int
	lines    map[string][]string // lines and missing words expected, by window
	missing  map[string][]string
}

func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scenarios: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			sc := scenario{t: t, drains: make([]DrainEntries, 1), lines: map[string][]string{}, missing: map[string][]string{}}
			for in, n := bufio.NewScanner(f), 1; in.Scan(); n++ {
				if line := in.Text(); line != "" && !strings.HasPrefix(line, "#") {
					sc.line(fmt.Sprintf("%s:%d", file, n), strings.Fields(line))
				}
			}
			sc.checkLines()
			if sc.checked == 0 {
				t.Error("the scenario checks nothing")
			}
		})
	}
}

func (sc *scenario) line(at string, words []string) {
	sc.t.Helper()
	drained := &sc.drains[len(sc.drains)-1]
	switch words[0] {
	case "zone":
		zone, err := time.LoadLocation(words[1])
		if err != nil {
			sc.t.Fatal(err)
		}
		sc.calendar.Zone = zone
	case "calendar":
		sc.calendar.DayStart = sc.clock(words[1])
		for _, w := range words[2:] {
			name, start, _ := strings.Cut(w, "=")
			sc.calendar.Shifts = append(sc.calendar.Shifts, window.Shift{Name: name, Start: sc.clock(start)})
		}
	case "placed":
		drained.Placed = sc.time(words[1])
	case "removed":
		drained.Removed = sc.time(words[1])
	case "now":
		sc.now = sc.time(words[1])
	case "drain":
		if len(drained.Entries) == 0 {
			sc.drains = sc.drains[:len(sc.drains)-1]
		}
		sc.drains = append(sc.drains, DrainEntries{Drain: drain.Drain{ID: words[1], Label: words[2]}, Placed: sc.time(words[3])})
	case "emptying":
		drained.Entries = append(drained.Entries, sc.entry(drain.Emptying, words[1:4], words[4:]))
	case "intake", "output":
		e := sc.entry(drain.Kind(words[0]), words[1:4], words[6:])
		e.Route, e.RouteText = words[4], words[5]
		sc.flows = append(sc.flows, e)
	case "weight":
		e := sc.entry(drain.Weight, words[1:4], nil)
		e.Kilograms, e.Measured = e.Measured.Volume, drain.Measure{}
		sc.flows = append(sc.flows, e)
	case "cut":
		period, err := window.ParsePeriod(words[1])
		if err != nil {
			sc.t.Fatal(err)
		}
		if sc.ws, err = sc.calendar.Windows(period, sc.time(words[2]), sc.time(words[3])); err != nil {
			sc.t.Fatal(err)
		}
	case "expect":
		sc.expect(at, words[1:])
	case "balance":
		sc.expectBalance(at, words[1:])
	case "words":
		d := sc.drains[0]
		var got []string
		for _, m := range Totals(d.Entries, d.Placed, d.Removed, sc.ws, Charted, DefaultSettings(), sc.now)[sc.window(at, words[1])].Missing {
			got = append(got, m.Words)
		}
		if got, want := strings.Join(got, "; "), strings.Join(words[2:], " "); got != want {
			sc.t.Errorf("%s: words %q, want %q", at, got, want)
		}
	case "line":
		gather(sc.lines, words[1:])
	case "missing":
		gather(sc.missing, words[1:])
	default:
		sc.t.Fatalf("%s: what is %q?", at, words[0])
	}
}

// gather adds what is expected in a window; no words, and nothing is.
func gather(expected map[string][]string, words []string) {
	key := words[0] + " " + words[1]
	var more []string
	if len(words) > 2 {
		more = []string{strings.Join(words[2:], " ")}
	}
	expected[key] = append(expected[key], more...)
}

func (sc *scenario) clock(s string) window.ClockTime {
	c, err := window.ParseClock(s)
	if err != nil {
		sc.t.Fatal(err)
	}
	return c
}

func (sc *scenario) time(s string) time.Time {
	if at, err := time.Parse("2006-01-02T15:04Z07:00", s); err == nil {
		return at
	}
	at, err := time.ParseInLocation("2006-01-02T15:04", s, sc.calendar.Zone)
	if err != nil {
		sc.t.Fatal(err)
	}
	return at
}

// entry reads an id, a time and a volume ("-": not measured), then options.
func (sc *scenario) entry(kind drain.Kind, words, options []string) drain.Entry {
	e := drain.Entry{ID: words[0], Kind: kind, At: sc.time(words[1]), Status: "final"}
	if words[2] != "-" {
		e.Measured = drain.Measure{Known: true, Volume: ml(sc.t, words[2])}
	}
	for _, o := range options {
		key, value, _ := strings.Cut(o, "=")
		switch key {
		case "instilled":
			e.Instilled = ml(sc.t, value)
		case "vessel":
			e.Vessel = drain.Vessel(value)
		case "status":
			e.Status = value
		case "absent":
			e.Measured.Absent = value
		case "estimated":
			e.Estimated = true
		default:
			sc.t.Fatalf("option %q", o)
		}
	}
	return e
}

func ml(t *testing.T, s string) drain.Volume {
	t.Helper()
	v, ok := drain.ParseML(s)
	if !ok {
		t.Fatalf("%q is no volume", s)
	}
	return v
}

func (sc *scenario) window(at, name string) int {
	label := strings.ReplaceAll(name, "_", " ")
	i := slices.IndexFunc(sc.ws, func(w window.Window) bool { return w.Label == label })
	if i < 0 {
		sc.t.Fatalf("%s: no window %q among %v", at, label, sc.ws)
	}
	return i
}

func (sc *scenario) expect(at string, words []string) {
	sc.t.Helper()
	d := sc.drains[0]
	i := sc.window(at, words[1])
	total := Totals(d.Entries, d.Placed, d.Removed, sc.ws, Attribution(words[0]), DefaultSettings(), sc.now)[i]
	var missing []string
	for _, m := range total.Missing {
		const layout = "2006-01-02T15:04"
		missing = append(missing, fmt.Sprintf("%s@%s/%s", m.Reason, m.Start.In(sc.calendar.Zone).Format(layout), m.End.In(sc.calendar.Zone).Format(layout)))
		if m.Words == "" {
			sc.t.Errorf("%s: %v says nothing", at, m)
		}
	}
	sc.compare(at, words[2:], map[string]string{
		"net": total.Net.Key(), "measured": total.Measured.Key(), "instilled": total.Instilled.Key(),
		"n": fmt.Sprint(total.N), "readings": strings.Join(total.Readings, ","),
		"coverage": total.Coverage.RatString(), "missing": strings.Join(missing, ","),
		"inplace": drain.ML(hours(total.InPlace)).Key(), "U": fmt.Sprintf("%.6f", total.U),
		"lower": fmt.Sprint(total.LowerBound), "preliminary": fmt.Sprint(total.Preliminary),
	})
}

func (sc *scenario) balance(at, attribution, name string) Balance {
	return Fluid(sc.present(), sc.flows, sc.ws, Attribution(attribution), DefaultSettings(), sc.now)[sc.window(at, name)]
}

func (sc *scenario) present() []DrainEntries {
	if len(sc.drains) == 1 && sc.drains[0].Entries == nil {
		return nil
	}
	return sc.drains
}

func (sc *scenario) expectBalance(at string, words []string) {
	sc.t.Helper()
	b := sc.balance(at, words[0], words[1])
	urine := "none"
	if b.UrinePerKgH != nil {
		urine = b.UrinePerKgH.RatString()
	}
	sc.compare(at, words[2:], map[string]string{
		"intake": b.Intake.Key(), "output": b.Output.Key(), "drains": b.Drains.Key(), "net": b.Net.Key(),
		"urine": urine, "kg": b.Kilograms.Key(), "U": fmt.Sprintf("%.6f", b.U),
		"lower": fmt.Sprint(b.LowerBound), "preliminary": fmt.Sprint(b.Preliminary),
	})
}

func (sc *scenario) compare(at string, wants []string, got map[string]string) {
	sc.t.Helper()
	for _, w := range wants {
		key, want, _ := strings.Cut(w, "=")
		g, known := got[key]
		if !known {
			sc.t.Fatalf("%s: what is %q?", at, key)
		}
		if g != want {
			sc.t.Errorf("%s: %s = %s, want %s", at, key, g, want)
		}
		sc.checked++
	}
}

// checkLines compares all lines and missing words of each window that has any
// in the file.
func (sc *scenario) checkLines() {
	for key, want := range sc.lines {
		attribution, name, _ := strings.Cut(key, " ")
		var got []string
		for _, l := range sc.balance(key, attribution, name).Lines {
			got = append(got, l.Label+" "+l.Volume.Key()+" "+strings.Join(l.Readings, ","))
		}
		if diff := cmp.Diff(want, got, exactly); diff != "" {
			sc.t.Errorf("%s: lines (-want +got):\n%s", key, diff)
		}
		sc.checked++
	}
	for key, want := range sc.missing {
		attribution, name, _ := strings.Cut(key, " ")
		if diff := cmp.Diff(want, sc.balance(key, attribution, name).Missing, exactly); diff != "" {
			sc.t.Errorf("%s: missing (-want +got):\n%s", key, diff)
		}
		sc.checked++
	}
}

// Published and computed vectors. E1–E7: readings of the given steps; the
// expected figures follow from u = (g/2)/√3 each.
func TestUncertaintyOfATotal(t *testing.T) {
	steps := func(s ...string) []string { return s }
	for _, c := range []struct {
		name      string
		steps     []string
		tolerance int64
		shared    bool
		u         float64
	}{
		{name: "E1 six of 5", steps: steps("5", "5", "5", "5", "5", "5"), u: 3.535534},
		{name: "E2 six of 10", steps: steps("10", "10", "10", "10", "10", "10"), u: 7.071068},
		{name: "E3 six of 50", steps: steps("50", "50", "50", "50", "50", "50"), u: 35.355339},
		{name: "E4 mixed", steps: steps("10", "10", "10", "5", "5", "50"), u: 15.411035},
		{name: "E5 two vessels", steps: steps("2.5", "2.5", "2.5", "2.5", "10", "10"), u: 4.330127},
		{name: "E6 shared tolerance", steps: steps("1", "1", "1", "1", "1", "1"), tolerance: 1, shared: true, u: 3.535534},
		{name: "E7 independent tolerance", steps: steps("1", "1", "1", "1", "1", "1"), tolerance: 1, u: 1.581139},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Settings{Vessels: Vessels{}, SharedTolerance: c.shared}
			start := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
			var entries []drain.Entry
			for i, g := range c.steps {
				v := drain.Vessel("steps of " + g)
				s.Vessels[v] = VesselSpec{Graduation: ml(t, g), Tolerance: drain.MLInt(c.tolerance)}
				entries = append(entries, drain.Entry{
					ID: fmt.Sprint(i), Kind: drain.Emptying, Vessel: v,
					At: start.Add(time.Duration(i) * time.Hour), Measured: drain.Measure{Known: true, Volume: drain.MLInt(30)},
				})
			}
			w := window.Window{Start: start, End: start.Add(24 * time.Hour)}
			total := Totals(entries, start, time.Time{}, []window.Window{w}, Charted, s, w.End)[0]
			if !total.HasU || total.LowerBound || math.Abs(total.U-2*c.u) > 1.5e-6 {
				t.Errorf("U = %.6f (has %v, lower bound %v), want %.6f", total.U, total.HasU, total.LowerBound, 2*c.u)
			}
		})
	}
}

// One reading by its step, and readings of other kinds. An estimate of 50 mL at
// 20 %: 10/√3 = 5.773503; of 5 mL, 1/√3, gives way to the cup's 2.886751.
func TestReadingU(t *testing.T) {
	measured := func(v int64) drain.Measure { return drain.Measure{Known: true, Volume: drain.MLInt(v)} }
	for _, c := range []struct {
		name  string
		entry drain.Entry
		u     float64
		ok    bool
	}{
		{"syringe", drain.Entry{Measured: measured(20), Vessel: drain.Syringe}, 0.288675, true},
		{"medicine cup", drain.Entry{Measured: measured(20), Vessel: drain.MedicineCup}, 0.721688, true},
		{"specimen cup", drain.Entry{Measured: measured(20), Vessel: drain.SpecimenCup}, 2.886751, true},
		{"reservoir markings", drain.Entry{Measured: measured(20), Vessel: drain.ReservoirMarkings}, 7.216878, true},
		{"cylinder", drain.Entry{Measured: measured(20), Vessel: drain.GraduatedCylinder}, 14.433757, true},
		{"scale", drain.Entry{Measured: measured(20), Vessel: drain.Scale}, 0.288675, true},
		{"a measured zero", drain.Entry{Measured: measured(0), Vessel: drain.Syringe}, 0.288675, true},
		{"no vessel", drain.Entry{Measured: measured(20)}, 0, false},
		{"other vessel", drain.Entry{Measured: measured(20), Vessel: "bowl"}, 0, false},
		{"not measured", drain.Entry{Vessel: drain.Syringe}, 0, false},
		{"estimate", drain.Entry{Measured: measured(50), Estimated: true}, 5.773503, true},
		{"estimate in a vessel", drain.Entry{Measured: measured(50), Estimated: true, Vessel: drain.SpecimenCup}, 5.773503, true},
		{"small estimate in a vessel", drain.Entry{Measured: measured(5), Estimated: true, Vessel: drain.SpecimenCup}, 2.886751, true},
		{"estimate of nothing", drain.Entry{Measured: measured(0), Estimated: true}, 0, false},
	} {
		u, ok := DefaultSettings().ReadingU(c.entry)
		if ok != c.ok || math.Abs(u-c.u) > 1e-6 {
			t.Errorf("%s: u = %.6f, %v; want %.6f, %v", c.name, u, ok, c.u, c.ok)
		}
	}
	plain := Settings{Vessels: DefaultVessels()}
	if _, ok := plain.ReadingU(drain.Entry{Measured: measured(50), Estimated: true}); ok {
		t.Error("an estimate has an uncertainty although the policy names no percentage")
	}
}

// E8: 40 mL (steps of 10) in 4 h, both times known to ±5 min:
// u of the length = √2·(5/60)/√3 = 0.068041 h.
func TestRateU(t *testing.T) {
	u := RateU(40, 10/math.Sqrt(12), 4, math.Sqrt2*5/60/math.Sqrt(3))
	if math.Abs(u-0.741464) > 5e-7 {
		t.Errorf("u = %.6f, want 0.741464", u)
	}
}

func TestChanceBelow(t *testing.T) {
	for _, c := range []struct{ value, u, want float64 }{
		{28, 3.535534, 0.714196}, // E9
		{28, 7.071068, 0.611351}, // E10
		{25, 3.535534, 0.921350}, // E11
		{31, 3.535534, 0.388649}, // E12
		{30, 3.5, 0.5},
		{29.9, 0, 1}, {30, 0, 0}, {30.1, 0, 0},
	} {
		if got := ChanceBelow(c.value, c.u, 30); math.Abs(got-c.want) > 5e-7 {
			t.Errorf("ChanceBelow(%v, %v, 30) = %.6f, want %.6f", c.value, c.u, got, c.want)
		}
	}
}

// Intervals: a rate of 30 mL in 12 h is 5/2 mL/h; the second of two emptyings of
// one instant, and the first without a known start, have none.
func TestIntervals(t *testing.T) {
	at := func(hour int) time.Time { return time.Date(2026, 3, 1, hour, 0, 0, 0, time.UTC) }
	emptied := func(id string, hour int, v int64) drain.Entry {
		return drain.Entry{ID: id, Kind: drain.Emptying, At: at(hour), Measured: drain.Measure{Known: true, Volume: drain.MLInt(v)}}
	}
	entries := []drain.Entry{
		emptied("c", 18, 30), emptied("b", 18, 30), emptied("a", 6, 20),
		{ID: "check", Kind: drain.Check, At: at(8)},
		{ID: "d", Kind: drain.Emptying, At: at(20)},
		emptied("e", 23, 12),
	}
	for _, c := range []struct {
		name   string
		placed time.Time
		want   []string
	}{
		{"placement known", at(2), []string{"a 4h known 5", "b+c 12h known 5", "d 2h", "e 3h known 4"}},
		{"placement not known", time.Time{}, []string{"a 0h known first", "b+c 12h known 5", "d 2h", "e 3h known 4"}},
		// Entries of before the placement stay, and the one after it starts there.
		{"placed in between", at(8), []string{"a 0h known first", "b+c 10h known 6", "d 2h", "e 3h known 4"}},
		{"placed at the first emptying", at(6), []string{"a 0h known", "b+c 12h known 5", "d 2h", "e 3h known 4"}},
	} {
		var got []string
		for _, iv := range Intervals(entries, c.placed, OneEmptying) {
			words := strings.Join(iv.IDs(), "+") + " " + iv.Hours().RatString() + "h"
			if iv.Known {
				words += " known"
			}
			if iv.FirstUnknown {
				words += " first"
			}
			if r, ok := iv.PerHour(); ok {
				words += " " + r.RatString()
				exact, _ := r.Float64()
				if f, ok := iv.Rate(); !ok || f != exact {
					t.Errorf("%s: rate %v, %v; want %v", iv.IDs(), f, ok, exact)
				}
			}
			got = append(got, words)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
	if m := Intervals(entries, at(2), OneEmptying)[0].Middle(); !m.Equal(at(4)) {
		t.Errorf("the middle of 02:00 to 06:00 is %v", m)
	}
	if _, ok := Intervals(entries, at(2), OneEmptying)[2].Rate(); ok {
		t.Error("an emptying that was not measured has a rate")
	}
}

func TestPublishedSums(t *testing.T) {
	third := drain.ML(big.NewRat(10, 3))
	for _, c := range []struct {
		figures []drain.Volume
		places  int
		want    []string
	}{
		{nil, 1, []string{}},
		// Running totals 3.33, 6.67, 10 → 3.3, 6.7, 10.
		{[]drain.Volume{third, third, third}, 1, []string{"3.3", "3.4", "3.3"}},
		{[]drain.Volume{third, third, third}, 0, []string{"3", "4", "3"}},
		// Half to even: 0.5 → 0, 1 → 1, 1.5 → 2. A zero in between stays 0.
		{[]drain.Volume{ml(t, "0.5"), ml(t, "0.5"), {}, ml(t, "0.5")}, 0, []string{"0", "1", "0", "1"}},
		// −2.25 → −2.2, −4.5: a negative net is published as such.
		{[]drain.Volume{ml(t, "-2.25"), ml(t, "-2.25")}, 1, []string{"-2.2", "-2.3"}},
	} {
		if diff := cmp.Diff(c.want, PublishedSums(c.figures, c.places)); diff != "" {
			t.Errorf("%v to %d places (-want +got):\n%s", c.figures, c.places, diff)
		}
	}
}
