package drain_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidemark/internal/drain"
)

var ten = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

func cup(id string, minutes int, ml int64, more ...func(*drain.Entry)) drain.Entry {
	e := drain.Entry{ID: id, Kind: drain.Emptying, Status: "final", At: ten.Add(time.Duration(minutes) * time.Minute), Measured: drain.Measure{Known: true, Volume: drain.MLInt(ml)}}
	for _, m := range more {
		m(&e)
	}
	return e
}

// Within 15 minutes of the first reading, not of the one before: a reading every
// ten minutes is no single emptying of a whole night.
func TestEmptyings(t *testing.T) {
	unmeasured := func(e *drain.Entry) { e.Measured = drain.Measure{Absent: "not-performed"} }
	status := func(s string) func(*drain.Entry) { return func(e *drain.Entry) { e.Status = s } }
	kind := func(k drain.Kind) func(*drain.Entry) { return func(e *drain.Entry) { e.Kind = k } }
	for _, c := range []struct {
		name    string
		entries []drain.Entry
		want    string
	}{
		{"nothing", nil, ""},
		{"two cups a minute apart: 30 + 20 mL", []drain.Entry{cup("a", 0, 30), cup("b", 1, 20)}, "a+b 50 mL at 10:01"},
		{"three cups at one instant: 3 × 30 mL", []drain.Entry{cup("c", 0, 30), cup("b", 0, 30), cup("a", 0, 30)}, "a+b+c 90 mL at 10:00"},
		{"15 minutes after the first", []drain.Entry{cup("a", 0, 30), cup("b", 15, 20)}, "a+b 50 mL at 10:15"},
		{"16 minutes after the first", []drain.Entry{cup("a", 0, 30), cup("b", 16, 20)}, "a 30 mL at 10:00, b 20 mL at 10:16"},
		{"counted from the first", []drain.Entry{cup("a", 0, 1), cup("b", 10, 2), cup("c", 20, 4), cup("d", 30, 8)}, "a+b 3 mL at 10:10, c+d 12 mL at 10:30"},
		{"one without a volume", []drain.Entry{cup("a", 0, 30), cup("b", 1, 0, unmeasured)}, "a+b unknown at 10:01"},
		{"withdrawn readings are none", []drain.Entry{cup("a", 0, 30, status("entered-in-error")), cup("b", 14, 20), cup("c", 16, 1, status("cancelled"))}, "b 20 mL at 10:14"},
		{"a check is no emptying", []drain.Entry{cup("a", 0, 30), cup("b", 1, 0, kind(drain.Check)), cup("c", 2, 0, kind(drain.Site))}, "a 30 mL at 10:00"},
		{"irrigant is taken off each", []drain.Entry{cup("a", 0, 30, func(e *drain.Entry) { e.Instilled = drain.MLInt(25) }), cup("b", 1, 20, func(e *drain.Entry) { e.Instilled = drain.MLInt(30) })}, "a+b -5 mL at 10:01"},
	} {
		var got []string
		for _, e := range drain.Emptyings(c.entries, 15*time.Minute) {
			words := strings.Join(e.IDs(), "+") + " unknown"
			if e.Known {
				words = strings.Join(e.IDs(), "+") + " " + e.Net().String()
			}
			got = append(got, words+e.At().Format(" at 15:04"))
		}
		if got := strings.Join(got, ", "); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Fill of the first reading, darkest appearance, suction of the last.
func TestWhatAnEmptyingShows(t *testing.T) {
	look := func(a drain.Appearance) func(*drain.Entry) { return func(e *drain.Entry) { e.Appearance = a } }
	suction := func(s drain.Suction) func(*drain.Entry) { return func(e *drain.Entry) { e.Suction = s } }
	fill := func(n int64) func(*drain.Entry) {
		return func(e *drain.Entry) { e.Fill = drain.Percent{Known: true, Value: drain.MLInt(n)} }
	}
	milked := func(e *drain.Entry) { e.Care = []drain.Care{drain.TubingMilked} }
	for _, c := range []struct {
		name     string
		readings []drain.Entry
		want     string
	}{
		{"nothing said", []drain.Entry{cup("a", 0, 30)}, "appearance , suction , fill -, milked false"},
		{"one each", []drain.Entry{cup("a", 0, 30, fill(60), look(drain.Serosanguineous), suction(drain.Lost)), cup("b", 2, 10, fill(0), look(drain.Serous), suction(drain.Charged))}, "appearance serosanguineous, suction charged, fill 60, milked false"},
		{"said by one of them", []drain.Entry{cup("a", 0, 30, suction(drain.Lost)), cup("b", 2, 10, fill(40), look(drain.Clear), milked)}, "appearance clear, suction lost, fill 40, milked true"},
		{"of one instant a loss counts", []drain.Entry{cup("a", 0, 30, suction(drain.Charged)), cup("b", 2, 10, suction(drain.Lost)), cup("c", 2, 10, suction(drain.Charged))}, "appearance , suction lost, fill -, milked false"},
		{"a suspect look is not lost beside a dark one", []drain.Entry{cup("a", 0, 30, look(drain.Purulent)), cup("b", 2, 10, look(drain.Sanguineous))}, "appearance purulent, suction , fill -, milked false"},
		{"any look before none and other", []drain.Entry{cup("a", 0, 30, look(drain.OtherLook)), cup("b", 2, 10, look(drain.Serous))}, "appearance serous, suction , fill -, milked false"},
	} {
		e := drain.Emptyings(c.readings, 15*time.Minute)[0]
		f := "-"
		if p := e.Fill(); p.Known {
			f = p.Value.Text(0)
		}
		if got := fmt.Sprintf("appearance %s, suction %s, fill %s, milked %v", e.Appearance(), e.Suction(), f, e.Milked()); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestFoul(t *testing.T) {
	for words, want := range map[string]bool{"": false, "none": false, "not foul": false, "foul": true, " Foul ": true, "offensive": true, "malodorous": true, "musty": false} {
		if got := (drain.Entry{Odour: words}).Foul(); got != want {
			t.Errorf("%q is foul: %v", words, got)
		}
	}
}

// Making emptyings of readings loses none, counts none twice, and does not hang
// on the order of arrival; nor does it change what was read.
func TestEmptyingsKeepEveryReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var entries []drain.Entry
		var want drain.Volume
		for i := range rapid.IntRange(0, 30).Draw(t, "readings") {
			e := cup(fmt.Sprint(100+i), rapid.IntRange(0, 300).Draw(t, "minute"), rapid.Int64Range(0, 90).Draw(t, "mL"))
			want = want.Add(e.Measured.Volume)
			entries = append(entries, e)
		}
		within := time.Duration(rapid.IntRange(0, 60).Draw(t, "within")) * time.Minute
		all := drain.Emptyings(entries, within)
		var sum drain.Volume
		var ids []string
		for i, e := range all {
			sum = sum.Add(e.Net())
			ids = append(ids, e.IDs()...)
			if e.At().Sub(e.First()) > within {
				t.Fatalf("an emptying lasts %v", e.At().Sub(e.First()))
			}
			if i > 0 && e.First().Sub(all[i-1].First()) <= within {
				t.Fatalf("%v belongs to the emptying before", e.IDs())
			}
		}
		if !sum.Equal(want) || len(ids) != len(entries) {
			t.Fatalf("%v in %d readings became %v in %d", want, len(entries), sum, len(ids))
		}
		again := drain.Emptyings(rapid.Permutation(entries).Draw(t, "order"), within)
		for i := range all {
			if !slices.Equal(all[i].IDs(), again[i].IDs()) {
				t.Fatalf("%v, in another order %v", all[i].IDs(), again[i].IDs())
			}
		}
	})
}
