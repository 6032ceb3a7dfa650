package balance

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"tidemark/internal/drain"
	"tidemark/internal/ucum"
	"tidemark/internal/window"
)

var (
	origin      = time.Date(2026, 10, 24, 5, 0, 0, 0, time.UTC) // the clock goes back the night after
	exactly     = cmp.Options{cmp.Comparer(func(a, b *big.Rat) bool { return (a == nil) == (b == nil) && (a == nil || a.Cmp(b) == 0) }), cmpopts.EquateEmpty()}
	attribution = rapid.SampledFrom([]Attribution{Charted, Spread})
)

// A case is a drain, what was charted of it, and when it is asked about.
type chartCase struct {
	entries            []drain.Entry
	placed, removed    time.Time
	spanStart, spanEnd time.Time
	now                time.Time
	cal                window.Calendar
	period             window.Period
	attribution        Attribution
	settings           Settings
}

var vesselNames = []drain.Vessel{"", "bowl", drain.Syringe, drain.SpecimenCup, drain.GraduatedCylinder}

func drawCase(t *rapid.T) chartCase {
	zone, err := time.LoadLocation(rapid.SampledFrom([]string{"Europe/Berlin", "UTC", "Australia/Lord_Howe"}).Draw(t, "zone"))
	if err != nil {
		t.Fatal(err)
	}
	minute := func(label string, from, to int) time.Time {
		return origin.Add(time.Duration(rapid.IntRange(from, to).Draw(t, label)) * time.Minute)
	}
	c := chartCase{
		cal: window.Standard(zone), now: minute("now", 0, 6000),
		period:      rapid.SampledFrom([]window.Period{window.Hour, window.ShiftPeriod, window.Day}).Draw(t, "period"),
		attribution: attribution.Draw(t, "attribution"), settings: DefaultSettings(),
	}
	c.settings.SharedTolerance = rapid.Bool().Draw(t, "shared")
	c.settings.Vessels[drain.SpecimenCup] = VesselSpec{Graduation: drain.MLInt(10), Tolerance: drain.MLInt(2)}
	if rapid.Bool().Draw(t, "placement known") {
		c.placed = minute("placed", -600, 3000)
	}
	if rapid.Bool().Draw(t, "removed") {
		c.removed = minute("removed", 0, 6000)
	}
	c.spanStart, c.spanEnd = minute("start", -1000, 2000), minute("end", 2001, 6000)
	for i := range rapid.IntRange(0, 12).Draw(t, "entries") {
		e := drain.Entry{
			ID: fmt.Sprintf("e%02d", i), Kind: drain.Emptying,
			At:        origin.Add(time.Duration(rapid.IntRange(0, 200).Draw(t, "at")) * 20 * time.Minute), // equal times are likely
			Status:    rapid.SampledFrom([]string{"final", "final", "corrected", "preliminary", "entered-in-error"}).Draw(t, "status"),
			Vessel:    rapid.SampledFrom(vesselNames).Draw(t, "vessel"),
			Estimated: rapid.IntRange(0, 4).Draw(t, "estimated") == 0,
			Instilled: drain.ML(big.NewRat(rapid.Int64Range(0, 300).Draw(t, "instilled"), 10)),
		}
		if rapid.IntRange(0, 5).Draw(t, "measured") > 0 {
			e.Measured = drain.Measure{Known: true, Volume: drain.ML(big.NewRat(rapid.Int64Range(0, 2000).Draw(t, "volume"), 10))}
		}
		if rapid.IntRange(0, 5).Draw(t, "kind") == 0 {
			e.Kind = drain.Check
		}
		c.entries = append(c.entries, e)
	}
	return c
}

func (c chartCase) windows(t *rapid.T, p window.Period) []window.Window {
	ws, err := c.cal.Windows(p, c.spanStart, c.spanEnd)
	if err != nil {
		t.Fatal(err)
	}
	return ws
}

func (c chartCase) totals(t *rapid.T, p window.Period) []Total {
	return Totals(c.entries, c.placed, c.removed, c.windows(t, p), c.attribution, c.settings, c.now)
}

func shuffled(t *rapid.T, entries []drain.Entry) []drain.Entry {
	seed := rapid.Uint64().Draw(t, "order")
	other := append([]drain.Entry(nil), entries...)
	rand.New(rand.NewPCG(seed, 0)).Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
	return other
}

// The windows of a partition add up to the whole: volumes, time in place, time
// covered and time missing, and so do the published figures, digit for digit.
func TestPartitionAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		whole := c.totals(t, window.Total)[0]
		var sum Total
		var nets []drain.Volume
		var missing, wholeMissing time.Duration
		for _, part := range c.totals(t, c.period) {
			sum.Net, sum.Measured, sum.Instilled = sum.Net.Add(part.Net), sum.Measured.Add(part.Measured), sum.Instilled.Add(part.Instilled)
			sum.InPlace, sum.Covered, sum.Elapsed = sum.InPlace+part.InPlace, sum.Covered+part.Covered, sum.Elapsed+part.Elapsed
			if c.attribution == Charted {
				sum.Readings = append(sum.Readings, part.Readings...)
			}
			for _, m := range part.Missing {
				missing += m.End.Sub(m.Start)
			}
			nets = append(nets, part.Net)
		}
		for _, m := range whole.Missing {
			wholeMissing += m.End.Sub(m.Start)
		}
		if !sum.Net.Equal(whole.Net) || !sum.Measured.Equal(whole.Measured) || !sum.Instilled.Equal(whole.Instilled) {
			t.Fatalf("parts: net %v, measured %v, instilled %v; whole %v, %v, %v",
				sum.Net.Key(), sum.Measured.Key(), sum.Instilled.Key(), whole.Net.Key(), whole.Measured.Key(), whole.Instilled.Key())
		}
		if sum.InPlace != whole.InPlace || sum.Covered != whole.Covered || missing != wholeMissing || sum.Elapsed != whole.Elapsed {
			t.Fatalf("parts: in place %v, covered %v, missing %v, elapsed %v; whole %v, %v, %v, %v", sum.InPlace, sum.Covered, missing, sum.Elapsed,
				whole.InPlace, whole.Covered, wholeMissing, whole.Elapsed)
		}
		if whole.Covered+wholeMissing != whole.InPlace {
			t.Fatalf("covered %v + missing %v ≠ in place %v", whole.Covered, wholeMissing, whole.InPlace)
		}
		if diff := cmp.Diff(whole.Readings, sum.Readings, exactly); c.attribution == Charted && diff != "" {
			t.Fatalf("readings (-whole +parts):\n%s", diff)
		}
		places := rapid.IntRange(0, 3).Draw(t, "places")
		var published drain.Volume
		for i, text := range PublishedSums(nets, places) {
			v, ok := drain.ParseML(text)
			if !ok {
				t.Fatalf("published %q", text)
			}
			published = published.Add(v)
			unit := drain.ML(big.NewRat(1, [...]int64{1, 10, 100, 1000}[places]))
			if off := v.Sub(nets[i]); off.Cmp(unit) > 0 || off.Add(unit).Sign() < 0 || nets[i].Sign() >= 0 && v.Sign() < 0 {
				t.Fatalf("%v is published as %s", nets[i].Key(), text)
			}
		}
		if published.Text(places) != whole.Net.Text(places) {
			t.Fatalf("published parts add up to %v, the whole is published as %s", published, whole.Net.Text(places))
		}
	})
}

// Over a span that holds every interval, both attributions give the exact sum of
// the volumes that count.
func TestWholeIsTheSumOfVolumes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		c.spanStart, c.spanEnd = origin.Add(-24*time.Hour), origin.Add(100*time.Hour)
		var want drain.Volume
		for _, e := range c.entries {
			if v, ok := e.Net(); ok && e.Kind == drain.Emptying && e.Status != "entered-in-error" {
				want = want.Add(v)
			}
		}
		var got drain.Volume
		for _, part := range c.totals(t, c.period) {
			got = got.Add(part.Net)
		}
		if !got.Equal(want) {
			t.Fatalf("windows add up to %v, the volumes to %v", got.Key(), want.Key())
		}
	})
}

func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		want := c.totals(t, c.period)
		c.entries = shuffled(t, c.entries)
		if diff := cmp.Diff(want, c.totals(t, c.period), exactly); diff != "" {
			t.Fatalf("-in order +shuffled:\n%s", diff)
		}
	})
}

// An entry that was added and then withdrawn, whether as an error or removed,
// leaves no trace.
func TestAddingAndDeletingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		want := c.totals(t, c.period)
		extra := drain.Entry{
			ID: "extra", Kind: drain.Emptying, Status: rapid.SampledFrom([]string{"entered-in-error", "cancelled"}).Draw(t, "withdrawn as"),
			At:       origin.Add(time.Duration(rapid.IntRange(0, 4000).Draw(t, "extra at")) * time.Minute),
			Measured: drain.Measure{Known: true, Volume: drain.MLInt(500)},
		}
		c.entries = append(c.entries, extra)
		if diff := cmp.Diff(want, c.totals(t, c.period), exactly); diff != "" {
			t.Fatalf("-without +withdrawn:\n%s", diff)
		}
	})
}

// The same volumes charted in litres, or in cubic inches where exact, give the same
// answers to the last digit.
func TestUnitsDoNotMatter(t *testing.T) {
	milliLitre, err := ucum.Parse("mL")
	if err != nil {
		t.Fatal(err)
	}
	codes := []string{"L", "cL", "dL", "uL", "cm3", "[cin_i]", "[foz_us]"}
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		want := c.totals(t, c.period)
		for i, e := range c.entries {
			if !e.Measured.Known {
				continue
			}
			unit, err := ucum.Parse(rapid.SampledFrom(codes).Draw(t, "unit"))
			if err != nil {
				t.Fatal(err)
			}
			charted, err := ucum.Convert(e.Measured.Volume.Rat(), milliLitre, unit)
			if err != nil {
				t.Fatal(err)
			}
			back, err := ucum.Convert(charted, unit, milliLitre)
			if err != nil {
				t.Fatal(err)
			}
			c.entries[i].Measured.Volume = drain.ML(back)
		}
		if diff := cmp.Diff(want, c.totals(t, c.period), exactly); diff != "" {
			t.Fatalf("-mL +other units:\n%s", diff)
		}
	})
}

// Each window's figures hang together whatever was charted.
func TestTotalsHangTogether(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		for _, total := range c.totals(t, c.period) {
			if total.Coverage.Sign() < 0 || total.Coverage.Cmp(big.NewRat(1, 1)) > 0 {
				t.Fatalf("coverage %v", total.Coverage)
			}
			if total.Complete() != (len(total.Missing) == 0) || total.Complete() != (total.Coverage.Cmp(big.NewRat(1, 1)) == 0) {
				t.Fatalf("complete %v, coverage %v, missing %v", total.Complete(), total.Coverage, total.Missing)
			}
			if !total.Complete() && !total.Preliminary {
				t.Fatal("incomplete, but not preliminary")
			}
			for i, m := range total.Missing {
				if !m.Start.Before(m.End) || m.Start.Before(total.Window.Start) || m.End.After(total.Window.End) || i > 0 && m.Start.Before(total.Missing[i-1].End) {
					t.Fatalf("stretch %d of %v in window %v", i, total.Missing, total.Window)
				}
			}
			if total.HasU != (total.U > 0) || total.N != len(total.Readings) || (total.HasU || total.LowerBound) != (total.N > 0) {
				t.Fatalf("U %v (%v, lower bound %v) of %d readings", total.U, total.HasU, total.LowerBound, total.N)
			}
			if !total.Net.Equal(total.Measured.Sub(total.Instilled)) {
				t.Fatal("net is not measured − instilled")
			}
		}
	})
}

// A balance over a partition adds up too, net = intake − output − drains, and
// its lines add up to its sums; the order of arrival does not matter.
func TestBalanceAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		var flows []drain.Entry
		for i := range rapid.IntRange(0, 12).Draw(t, "flows") {
			e := drain.Entry{
				ID: fmt.Sprintf("f%02d", i), Status: "final",
				Kind:     rapid.SampledFrom([]drain.Kind{drain.Intake, drain.Output, drain.Weight}).Draw(t, "kind"),
				At:       origin.Add(time.Duration(rapid.IntRange(-100, 6000).Draw(t, "at")) * time.Minute),
				Route:    rapid.SampledFrom([]string{"9187-6", "9000-1", "9137-1"}).Draw(t, "route"),
				Measured: drain.Measure{Known: rapid.IntRange(0, 5).Draw(t, "measured") > 0, Volume: drain.ML(big.NewRat(rapid.Int64Range(0, 9000).Draw(t, "volume"), 10))},
			}
			if e.Kind == drain.Weight {
				e.Kilograms = drain.ML(big.NewRat(rapid.Int64Range(0, 1200).Draw(t, "kg"), 10))
			}
			flows = append(flows, e)
		}
		drains := []DrainEntries{
			{Drain: drain.Drain{ID: "1", Label: "Left"}, Placed: c.placed, Removed: c.removed, Entries: c.entries},
			{Drain: drain.Drain{ID: "2", Label: "Left"}, Placed: origin},
		}
		fluid := func(p window.Period) []Balance {
			return Fluid(drains, flows, c.windows(t, p), c.attribution, c.settings, c.now)
		}
		parts, whole := fluid(c.period), fluid(window.Total)[0]
		var sum drain.Volume
		for _, b := range parts {
			if !b.Net.Equal(b.Intake.Sub(b.Output).Sub(b.Drains)) {
				t.Fatal("net is not intake − output − drains")
			}
			var lines drain.Volume
			for _, l := range b.Lines {
				if l.In {
					lines = lines.Add(l.Volume)
				} else {
					lines = lines.Sub(l.Volume)
				}
			}
			if !lines.Equal(b.Net) {
				t.Fatalf("lines add up to %v, the net is %v", lines, b.Net)
			}
			if len(b.Missing) > 0 && !b.Preliminary {
				t.Fatalf("not preliminary, though missing: %s", strings.Join(b.Missing, "; "))
			}
			if b.UrinePerKgH != nil && (b.UrinePerKgH.Sign() < 0 || b.WeightReading == "") {
				t.Fatalf("urine %v mL/kg/h by weight %q", b.UrinePerKgH, b.WeightReading)
			}
			sum = sum.Add(b.Net)
		}
		if !sum.Equal(whole.Net) {
			t.Fatalf("parts add up to %v, the whole is %v", sum.Key(), whole.Net.Key())
		}
		flows = shuffled(t, flows)
		drains[0], drains[1] = drains[1], drains[0]
		drains[1].Entries = shuffled(t, c.entries)
		if diff := cmp.Diff(parts, fluid(c.period), exactly); diff != "" {
			t.Fatalf("-in order +shuffled:\n%s", diff)
		}
	})
}

// A volume that was poured into two cups, or charted in two parts within the time
// of one emptying, makes the same total of everything as one reading, and the same
// rate.
func TestTwoCupsAreOneEmptying(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		c.attribution = Spread
		var parted []drain.Entry
		for _, e := range c.entries {
			if e.Kind != drain.Emptying || !e.Measured.Known || rapid.IntRange(0, 2).Draw(t, "parted") == 0 {
				parted = append(parted, e)
				continue
			}
			// The first cup is read just before the second, out of reach of the
			// emptying before, on the grid of 20 min. All the irrigant is
			// charted with the second.
			first := e
			first.ID += "-first"
			first.Instilled = drain.Volume{}
			first.At = e.At.Add(-time.Duration(rapid.IntRange(0, 4).Draw(t, "minutes before")) * time.Minute)
			first.Measured.Volume = e.Measured.Volume.Mul(big.NewRat(rapid.Int64Range(0, 4).Draw(t, "quarters"), 4))
			e.Measured.Volume = e.Measured.Volume.Sub(first.Measured.Volume)
			if first.At.Before(c.placed) {
				first.At = e.At // else it would be of another stay
			}
			parted = append(parted, first, e)
		}
		whole := c.totals(t, c.period)
		c.entries = parted
		for i, got := range c.totals(t, c.period) {
			if want := whole[i]; !got.Net.Equal(want.Net) || !got.Measured.Equal(want.Measured) || !got.Instilled.Equal(want.Instilled) || got.Covered != want.Covered {
				t.Fatalf("%s: %v (%v less %v) over %v, in one cup %v (%v less %v) over %v", got.Window.Label, got.Net, got.Measured, got.Instilled, got.Covered, want.Net, want.Measured, want.Instilled, want.Covered)
			}
		}
	})
}
