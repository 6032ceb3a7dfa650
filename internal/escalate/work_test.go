package escalate_test

import (
	"fmt"
	"regexp"
	"testing"
	"time"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// steady is a drain emptied every so often for so long. What it is charted with at
// all is charted every time: a state that never was is looked for from the start.
func steady(every, during time.Duration) (escalate.Subject, time.Time) {
	s := escalate.Subject{Drain: drain.Drain{ID: "d", Active: true}, Placements: []drain.Placement{{Status: drain.PlacementActive, Start: epoch}}}
	now := epoch
	for i := 0; now.Sub(epoch) < during; i++ {
		now = now.Add(every)
		s.Entries = append(s.Entries, drain.Entry{
			ID: fmt.Sprintf("%05d", i), Kind: drain.Emptying, Status: "final", At: now, Suction: drain.Charged, Vessel: drain.MedicineCup,
			Patency: drain.Patent, Odour: "none", Appearance: drain.Serous, Measured: drain.Measure{Known: true, Volume: drain.MLInt(int64(10 + i%3))},
		})
		if i%64 == 0 {
			s.Entries = append(s.Entries, drain.Entry{ID: fmt.Sprintf("s%05d", i), Kind: drain.Site, Status: "final", At: now, Assessed: true})
		}
	}
	return s, now
}

// What an evaluation looks at does not grow with the length of the course.
func TestWorkOfALongCourse(t *testing.T) {
	short, early := steady(4*time.Hour, 8*24*time.Hour)
	long, late := steady(4*time.Hour, 833*24*time.Hour)
	a, b := escalate.Work(escalate.Defaults(), short, early), escalate.Work(escalate.Defaults(), long, late)
	t.Logf("%d entries: %d looked at; %d entries: %d", len(short.Entries), a, len(long.Entries), b)
	if b > a {
		t.Errorf("%d entries take %d steps, %d take %d", len(short.Entries), a, len(long.Entries), b)
	}
}

// 4,000 readings in a day cost in proportion to 2,000, on a quiet drain and on one
// that bleeds, darkens and stops.
func TestWorkOfADenseDay(t *testing.T) {
	for _, within := range []time.Duration{15 * time.Minute, 0} {
		rules := escalate.Defaults()
		rules.OneEmptying = within
		for name, change := range map[string]func(i, n int, e *drain.Entry){
			"quiet": func(int, int, *drain.Entry) {},
			"rises": func(i, n int, e *drain.Entry) { e.Measured.Volume = drain.MLInt(int64(1 + i*4/n)) },
			"darkens": func(i, n int, e *drain.Entry) {
				e.Appearance = [...]drain.Appearance{drain.Serous, drain.Serosanguineous}[min(1, i*10/n)]
			},
			"stops":  func(i, n int, e *drain.Entry) { e.Measured.Volume = drain.MLInt(int64(max(0, 1-2*i/n))) },
			"silent": func(_, _ int, e *drain.Entry) { e.Suction, e.Appearance = "", "" },
		} {
			work := func(n int) int {
				s, now := steady(24*time.Hour/time.Duration(n), 24*time.Hour)
				for i := range s.Entries {
					change(i, len(s.Entries), &s.Entries[i])
				}
				return escalate.Work(rules, s, now)
			}
			half, whole := work(2000), work(4000)
			t.Logf("%s, one emptying within %v: %d, %d", name, within, half, whole)
			if whole > 3*half {
				t.Errorf("%s, one emptying within %v: 2,000 readings take %d steps, 4,000 take %d", name, within, half, whole)
			}
		}
	}
}

var numbers = regexp.MustCompile(`[0-9]+([.:][0-9]+)?`)

// A headline can be read out on the telephone: at most 120 characters, and at most
// two numbers beside a date.
func TestHeadlines(t *testing.T) {
	date := regexp.MustCompile(` on [0-9]+ [A-Z][a-z]+( [0-9]{4})?`)
	rapid.Check(t, func(t *rapid.T) {
		s, now := drawSubject(t), drawNow(t)
		for _, f := range escalate.Evaluate(escalate.Defaults(), s, now) {
			if n := utf8.RuneCountInString(f.Headline); n == 0 || n > 120 {
				t.Errorf("%s: a headline of %d characters: %s", f.Rule, n, f.Headline)
			}
			if n := numbers.FindAllString(date.ReplaceAllString(f.Headline, ""), -1); len(n) > 2 {
				t.Errorf("%s: a headline with %d numbers: %s", f.Rule, len(n), f.Headline)
			}
			if f.Text == "" || f.Text == f.Headline {
				t.Errorf("%s says %q twice", f.Rule, f.Text)
			}
		}
	})
}
