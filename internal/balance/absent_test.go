package balance

import (
	"testing"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/window"
)

// A window without a volume says why, and is never 0 mL.
func TestAbsent(t *testing.T) {
	at := func(hours int) time.Time { return origin.Add(time.Duration(hours) * time.Hour) }
	entries := []drain.Entry{
		{ID: "a", Kind: drain.Emptying, Status: "final", At: at(2), Measured: drain.Measure{Known: true, Volume: drain.MLInt(20)}},
		{ID: "b", Kind: drain.Emptying, Status: "final", At: at(10), Measured: drain.Measure{Known: true}}, // a measured zero
	}
	for _, c := range []struct {
		name     string
		from, to int
		a        Attribution
		want     Absent
	}{
		{"emptied in it", 0, 4, Charted, ""},
		{"a measured zero is a volume", 8, 12, Charted, ""},
		{"nothing emptied in it, though an interval covers it", 4, 8, Charted, NothingCharted},
		{"spread has its share", 4, 8, Spread, ""},
		{"nothing charted since the last emptying", 11, 12, Charted, NothingCharted},
		{"nothing known since the last emptying", 11, 12, Spread, NothingKnown},
		{"before placement", -8, -4, Charted, NotInPlace},
		{"after removal", 20, 24, Spread, NotInPlace},
	} {
		ws := []window.Window{{Start: at(c.from), End: at(c.to)}}
		if got := Totals(entries, at(0), at(16), ws, c.a, DefaultSettings(), at(30))[0]; got.Absent != c.want {
			t.Errorf("%s: %q, want %q", c.name, got.Absent, c.want)
		}
	}
}

// A balance of which a whole side was never charted says so, and is preliminary.
func TestDrainOutputOnly(t *testing.T) {
	d := []DrainEntries{{Drain: drain.Drain{ID: "d"}, Placed: origin, Entries: []drain.Entry{
		{ID: "a", Kind: drain.Emptying, Status: "final", At: origin.Add(4 * time.Hour), Measured: drain.Measure{Known: true, Volume: drain.MLInt(20)}},
	}}}
	ws := []window.Window{{Start: origin, End: origin.Add(4*time.Hour + time.Minute)}}
	flow := func(k drain.Kind, route string) drain.Entry {
		return drain.Entry{ID: route, Kind: k, Status: "final", At: origin.Add(time.Hour), Route: route, Measured: drain.Measure{Known: true, Volume: drain.MLInt(100)}}
	}
	for _, c := range []struct {
		flows []drain.Entry
		want  string
	}{
		{nil, "drain output only: neither intake nor urine is charted"},
		{[]drain.Entry{flow(drain.Output, "9137-1")}, "neither intake nor urine is charted"},
		{[]drain.Entry{flow(drain.Intake, "9000-1")}, "no urine is charted"},
		{[]drain.Entry{flow(drain.Output, "9187-6")}, "no intake is charted"},
	} {
		b := Fluid(d, c.flows, ws, Charted, DefaultSettings(), ws[0].End)[0]
		found := false
		for _, m := range b.Missing {
			found = found || m == c.want
		}
		if !found || !b.Preliminary {
			t.Errorf("%q is not among %q, preliminary %v", c.want, b.Missing, b.Preliminary)
		}
	}
}
