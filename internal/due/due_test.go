package due

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"tidemark/internal/drain"
)

var seven = time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)

func after(hours float64) time.Time {
	return seven.Add(time.Duration(hours * float64(time.Hour)))
}

func emptied(id string, hours float64, ml int64) drain.Entry {
	return drain.Entry{ID: id, Kind: drain.Emptying, At: after(hours), Status: "final", Measured: drain.Measure{Known: true, Volume: drain.MLInt(ml)}}
}

func check(id string, hours float64, percent int64) drain.Entry {
	return drain.Entry{ID: id, Kind: drain.Check, At: after(hours), Status: "final", Fill: drain.Percent{Known: true, Value: drain.MLInt(percent)}}
}

// The vectors of a level of 50 mL and a limit of 4 h: placed at 07:00, emptied once
// two hours later, so that 10 mL are 5 mL/h.
func TestVectors(t *testing.T) {
	for _, c := range []struct {
		ml     int64
		rate   float64
		hours  float64
		reason Reason
	}{
		{10, 5, 4, IntervalLimit},
		{25, 12.5, 4, IntervalLimit}, // 50/12.5 = 4 h exactly
		{40, 20, 2.5, PredictedHalfFull},
		{100, 50, 1, PredictedHalfFull},
		{0, 0, 4, IntervalLimit},
		{26, 13, 50.0 / 13, PredictedHalfFull}, // just above
	} {
		d := Next(drain.Drain{}, []drain.Entry{emptied("a", 2, c.ml)}, seven, DefaultSettings(), after(2))
		if want := after(2 + c.hours); d.At.Sub(want).Abs() > time.Microsecond || d.Reason != c.reason || !d.HasRate || d.Rate != c.rate {
			t.Errorf("%d mL in 2 h: due %v (%s), rate %v; want %v (%s), %v", c.ml, d.At, d.Reason, d.Rate, want, c.reason, c.rate)
		}
	}
}

func TestNext(t *testing.T) {
	bulb := drain.Drain{ID: "1", Capacity: drain.MLInt(100)}
	irrigated := emptied("a", 2, 60)
	irrigated.Instilled = drain.MLInt(100)
	withdrawn := emptied("b", 3, 90)
	withdrawn.Status = "entered-in-error"
	withdrawnCheck := check("b", 3, 90)
	withdrawnCheck.Status = "cancelled"
	unmeasured := drain.Entry{ID: "b", Kind: drain.Emptying, At: after(3), Status: "final"}
	third := DefaultSettings()
	third.HalfFraction = big.NewRat(3, 10)
	unset := DefaultSettings()
	unset.HalfFraction = nil

	for _, c := range []struct {
		name     string
		drain    drain.Drain
		entries  []drain.Entry
		placed   time.Time
		settings Settings
		now      float64 // hours after 07:00
		at       float64
		reason   Reason
		overdue  bool
		readings string
		words    string
	}{
		{
			name: "no emptying yet: the limit after placement", drain: bulb, placed: seven, settings: DefaultSettings(),
			now: 1, at: 4, reason: IntervalLimit,
			words: "4 h after the placement at 07:00, the longest time between two emptyings.",
		},
		{
			name: "nothing known at all: now", drain: bulb, settings: DefaultSettings(), now: 1, at: 1, reason: IntervalLimit,
			words: "No emptying is charted and the start of the placement is unknown.",
		},
		{
			name: "first reading without a start has no rate", drain: bulb, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 90)}, now: 2, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			// 20, 5, 5 mL/h: the median is 5, the last 5.
			name: "a fall that lasts is believed", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 1, 20), emptied("b", 2, 5), emptied("c", 3, 5)},
			now:     3, at: 7, reason: IntervalLimit, readings: "a,b,c",
		},
		{
			// 20, 25, 4: the median 20 is above the last: 50/20 = 2.5 h.
			name: "one low rate is not", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 1, 20), emptied("b", 2, 25), emptied("c", 3, 4)},
			now:     3, at: 5.5, reason: PredictedHalfFull, readings: "a,b,c",
			words: "50 mL of 100 mL expected 2 h 30 min after the last emptying at 10:00, at 20 mL/h (the median of the last 3 rates, above the last one).",
		},
		{
			// Before the last three there were 80 mL/h, now 10, 10, 40: 50/40 = 1.25 h.
			name: "a rise is believed at once", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 1, 80), emptied("b", 2, 10), emptied("c", 3, 10), emptied("d", 4, 40)},
			now:     4, at: 5.25, reason: PredictedHalfFull, readings: "b,c,d",
			words: "50 mL of 100 mL expected 1 h 15 min after the last emptying at 11:00, at 40 mL/h (the last interval's rate).",
		},
		{
			// 30 and 10: the median of two is 20: 2.5 h.
			name: "two rates", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 1, 30), emptied("b", 2, 10)}, now: 2, at: 4.5, reason: PredictedHalfFull, readings: "a,b",
		},
		{
			name: "the default capacity", placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 50)}, now: 2, at: 4, reason: PredictedHalfFull, readings: "a",
		},
		{
			// 400 mL: 200/60 = 10/3 h.
			name: "a larger reservoir", drain: drain.Drain{Capacity: drain.MLInt(400)}, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 1, 60)}, now: 1, at: 1 + 10.0/3, reason: PredictedHalfFull, readings: "a",
		},
		{
			// 30 mL at 20 mL/h: 1.5 h.
			name: "a lower fraction", drain: bulb, placed: seven, settings: third,
			entries: []drain.Entry{emptied("a", 2, 40)}, now: 2, at: 3.5, reason: PredictedHalfFull, readings: "a",
		},
		{
			name: "no fraction is one half", drain: bulb, placed: seven, settings: unset,
			entries: []drain.Entry{emptied("a", 2, 40)}, now: 2, at: 4.5, reason: PredictedHalfFull, readings: "a",
		},
		{
			// 60 − 100 = −40 mL: predicts nothing.
			name: "a negative net", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{irrigated}, now: 2, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			// Emptied at 10:00 without a reading: the clock starts anew, the rate stays.
			name: "a reset without a reading", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 40), unmeasured}, now: 3, at: 5.5, reason: PredictedHalfFull, readings: "a,b",
		},
		{
			name: "an emptying entered in error", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 40), withdrawn}, now: 3, at: 4.5, reason: PredictedHalfFull, readings: "a",
		},
		{
			name: "a check just below half", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10), check("b", 3, 49)}, now: 3, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			name: "a check at half", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10), check("b", 3, 50)}, now: 3, at: 3, reason: HalfFullNow, readings: "a,b",
			words: "A check at 10:00 found the reservoir 50 % full (limit 50 %).",
		},
		{
			name: "due since the first of several checks", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{check("c", 4, 80), emptied("a", 2, 10), check("b", 3, 60)}, now: 4, at: 3, reason: HalfFullNow, overdue: true, readings: "a,b",
		},
		{
			name: "the last check counts", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10), check("b", 3, 60), check("c", 4, 20)}, now: 4, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			name: "a check that does not say the fill", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10), check("b", 3, 60), {ID: "c", Kind: drain.Check, At: after(4)}}, now: 3, at: 3, reason: HalfFullNow, readings: "a,b",
		},
		{
			name: "no capacity at all", settings: Settings{Limit: time.Hour}, placed: seven,
			entries: []drain.Entry{emptied("a", 2, 10)}, now: 2, at: 3, reason: IntervalLimit, readings: "a",
		},
		{
			name: "a check before the emptying", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{check("b", 1.9, 90), check("c", 2, 90), emptied("a", 2, 10)}, now: 3, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			name: "a check withdrawn", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10), withdrawnCheck}, now: 3, at: 6, reason: IntervalLimit, readings: "a",
		},
		{
			name: "a check before any emptying", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{check("b", 3, 55)}, now: 3, at: 3, reason: HalfFullNow, readings: "b",
		},
		{
			name: "a check when it was due already", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 100), check("b", 3.1, 55)}, now: 3.1, at: 3, reason: PredictedHalfFull, readings: "a,b", overdue: true,
			words: "50 mL of 100 mL expected 1 h after the last emptying at 09:00, at 50 mL/h (the last interval's rate). A check at 10:06 found the reservoir 55 % full (limit 50 %).",
		},
		{
			name: "placed anew after the last emptying", drain: bulb, placed: after(5), settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 2, 10)}, now: 5, at: 9, reason: IntervalLimit,
		},
		{name: "due now", drain: bulb, placed: seven, settings: DefaultSettings(), now: 4, at: 4, reason: IntervalLimit},
		{name: "overdue from the first minute", drain: bulb, placed: seven, settings: DefaultSettings(), now: 4.01, at: 4, reason: IntervalLimit, overdue: true},
		{
			// 30 + 20 mL a minute apart are 50 mL in 4 h 1 min: 12.45 mL/h fills 50 mL in
			// 4 h 1 min, more than the limit of 4 h after the last cup. The second cup alone
			// would be 20 mL in a minute, 1,200 mL/h.
			name: "two cups are one emptying", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 4, 30), emptied("b", 4+1.0/60, 20)}, now: 4.1, at: 8 + 1.0/60, reason: IntervalLimit, readings: "a,b",
		},
		{
			// 3 x 30 mL in 4 h are 22.5 mL/h: 50/22.5 = 2.22 h. The last cup alone is 7.5 mL/h.
			name: "three cups at one instant", drain: bulb, placed: seven, settings: DefaultSettings(),
			entries: []drain.Entry{emptied("a", 4, 30), emptied("b", 4, 30), emptied("c", 4, 30)}, now: 4.1, at: 4 + 20.0/9, reason: PredictedHalfFull, readings: "a,b,c",
			words: "50 mL of 100 mL expected 2 h 13 min after the last emptying at 11:00, at 22.5 mL/h (the last interval's rate).",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := Next(c.drain, c.entries, c.placed, c.settings, after(c.now))
			if d.At.Sub(after(c.at)).Abs() > time.Microsecond || d.Reason != c.reason || d.Overdue != c.overdue {
				t.Errorf("due %v (%s), overdue %v; want %v (%s), %v", d.At, d.Reason, d.Overdue, after(c.at), c.reason, c.overdue)
			}
			if got := strings.Join(d.Readings, ","); got != c.readings {
				t.Errorf("readings %s, want %s", got, c.readings)
			}
			if c.words != "" && d.Words != c.words {
				t.Errorf("words\n%s\nwant\n%s", d.Words, c.words)
			}
			if d.Words == "" {
				t.Error("no words")
			}
		})
	}
}

func TestPlannedWalk(t *testing.T) {
	d := Next(drain.Drain{}, nil, seven, DefaultSettings(), seven) // due at 11:00
	for name, c := range map[string]struct {
		walk drain.Walk
		now  float64 // hours after seven
		due  float64
		late bool
	}{
		"before it is due":         {drain.Walk{Open: true, Start: after(2)}, 0, 2, false},
		"at the start":             {drain.Walk{Open: true, Start: after(2)}, 2, 2, false},
		"the patient has left":     {drain.Walk{Open: true, Start: after(2)}, 2.5, 2, true},
		"past, without an end":     {drain.Walk{Open: true, Start: after(2)}, 3.1, 4, false},
		"past by its end":          {drain.Walk{Open: true, Start: after(2), End: after(2.25)}, 2.3, 4, false},
		"until its end":            {drain.Walk{Open: true, Start: after(2), End: after(5)}, 3.5, 2, true},
		"after it is due":          {drain.Walk{Open: true, Start: after(5)}, 0, 4, false},
		"completed or cancelled":   {drain.Walk{Start: after(2)}, 0, 4, false},
		"nobody says at what time": {drain.Walk{Open: true}, 0, 4, false},
	} {
		got := d.Before(c.walk, after(c.now))
		if !got.At.Equal(after(c.due)) || got.Overdue != c.late || (got.Reason == Planned) != (c.due == 2) {
			t.Errorf("%s: due %v because of %s, overdue %v", name, got.At, got.Reason, got.Overdue)
		}
	}
}

func drawEntries(t *rapid.T) []drain.Entry {
	var entries []drain.Entry
	for i := range rapid.IntRange(0, 8).Draw(t, "entries") {
		id, hours := fmt.Sprint(i), float64(rapid.IntRange(0, 96).Draw(t, "at"))/4
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			entries = append(entries, check(id, hours, rapid.Int64Range(0, 100).Draw(t, "fill")))
		case 1:
			e := emptied(id, hours, 0)
			e.Measured = drain.Measure{Absent: "not-performed"}
			entries = append(entries, e)
		default:
			entries = append(entries, emptied(id, hours, rapid.Int64Range(-20, 200).Draw(t, "volume")))
		}
	}
	return entries
}

// Never later than the limit after the last emptying, whatever was charted, and
// the same whatever the order of arrival; a plan never puts it off.
func TestNeverLaterThanTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := drawEntries(t)
		s := DefaultSettings()
		s.HalfFraction = big.NewRat(rapid.Int64Range(1, 20).Draw(t, "fraction"), 20)
		now := after(float64(rapid.IntRange(0, 30).Draw(t, "now")))
		d := Next(drain.Drain{}, entries, seven, s, now)
		last := seven
		for _, e := range entries {
			if e.Kind == drain.Emptying && e.At.After(last) {
				last = e.At
			}
		}
		if d.At.After(last.Add(s.Limit)) || d.At.Before(last) {
			t.Fatalf("last emptied %v, due %v (%s)", last, d.At, d.Words)
		}
		if d.Overdue != now.After(d.At) {
			t.Fatalf("due %v, now %v, overdue %v", d.At, now, d.Overdue)
		}
		w := drain.Walk{Open: true, Start: after(float64(rapid.IntRange(0, 40).Draw(t, "walk")))}
		if b := d.Before(w, now); b.At.After(d.At) || b.At.Before(d.At) && !b.At.Equal(w.Start) || now.Before(w.Start) && b.At.After(w.Start) {
			t.Fatalf("a walk at %v brought it to %v from %v", w.Start, b.At, d.At)
		}
		seed := rapid.Uint64().Draw(t, "order")
		rand.New(rand.NewPCG(seed, 0)).Shuffle(len(entries), func(i, j int) { entries[i], entries[j] = entries[j], entries[i] })
		if diff := cmp.Diff(d, Next(drain.Drain{}, entries, seven, s, now)); diff != "" {
			t.Fatalf("-in order +shuffled:\n%s", diff)
		}
	})
}

// Of two checks at one instant the fuller counts, in whichever order they arrive.
func TestChecksAtOneInstant(t *testing.T) {
	of := func(id string, fill int64) drain.Entry {
		return drain.Entry{ID: id, Kind: drain.Check, Status: "final", At: after(1), Fill: drain.Percent{Known: true, Value: drain.MLInt(fill)}}
	}
	for _, entries := range [][]drain.Entry{{of("a", 60), of("b", 20)}, {of("b", 20), of("a", 60)}, {of("a", 20), of("b", 60)}} {
		if d := Next(drain.Drain{Capacity: drain.MLInt(100)}, entries, seven, DefaultSettings(), after(2)); d.Level.String() != "60 mL" || d.Reason != HalfFullNow {
			t.Errorf("%v, %s: %s", d.Level, d.Reason, d.Words)
		}
	}
}

// More in any interval, or a smaller reservoir, never makes it due later.
func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := drawEntries(t)
		capacity := rapid.Int64Range(20, 500).Draw(t, "capacity")
		before := Next(drain.Drain{Capacity: drain.MLInt(capacity)}, entries, seven, DefaultSettings(), seven)
		for i, e := range entries {
			if e.Measured.Known {
				entries[i].Measured.Volume = e.Measured.Volume.Add(drain.MLInt(rapid.Int64Range(0, 50).Draw(t, "more")))
			}
		}
		smaller := drain.Drain{Capacity: drain.MLInt(capacity - rapid.Int64Range(0, 19).Draw(t, "less"))}
		if d := Next(smaller, entries, seven, DefaultSettings(), seven); d.At.After(before.At) || d.Rate < before.Rate {
			t.Fatalf("%v at %v mL/h became %v at %v mL/h", before.At, before.Rate, d.At, d.Rate)
		}
	})
}

func ExampleNext() {
	bulb := drain.Drain{ID: "left", Capacity: drain.MLInt(100)}
	entries := []drain.Entry{emptied("first", 2, 40)}
	d := Next(bulb, entries, seven, DefaultSettings(), after(2))
	fmt.Println(d.At.Format("15:04"), d.Reason)
	fmt.Println(d.Words)
	// Output:
	// 11:30 predicted-half-full
	// 50 mL of 100 mL expected 2 h 30 min after the last emptying at 09:00, at 20 mL/h (the last interval's rate).
}

func BenchmarkNext(b *testing.B) {
	var entries []drain.Entry
	for i := range 40 {
		entries = append(entries, emptied(fmt.Sprint(i), float64(4*i), int64(20+i%7)))
	}
	b.ReportAllocs()
	for b.Loop() {
		Next(drain.Drain{}, entries, seven, DefaultSettings(), after(170))
	}
}
