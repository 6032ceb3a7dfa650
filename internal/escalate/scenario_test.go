package escalate_test

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
)

// The scenario files in testdata hold cases of this form; "#" begins a comment.
//
//	case one line that names it
//	drain biliary 150 mL              compartment and capacity; inactive, type=open
//	placed +0h                        or: placed unknown
//	ended +30h stopped                status of the placement, after placed
//	+4h emptied 40 mL serosanguineous charged medicine-cup
//	+6h check fill 50 % lost
//	+7h site redness pus              or: site clean, site unjudged
//	expect +8h darker high since +4h on 1 2
//	expect +8h says darker Fluid darker: sanguineous, serous before
//	expect +8h no overdue
//	expect +8h level high
//	next +8h +8h15m                   when the next change by itself is, or never
//
// Times count from 2026-03-01 08:00 UTC. An entry may carry besides: unmeasured,
// instilled 20 mL, fill 50 %, estimated, preliminary, entered-in-error, out,
// colour WORD, odour WORD, milked, sluggish, by NAME, id NAME. Its id is its number among the entries otherwise.
// A "next" leaves out the nanosecond by which a limit is first exceeded.
var epoch = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

type scenario struct {
	rules   escalate.Rules
	name    string
	line    int
	subject escalate.Subject
	expects []expectation
}

type expectation struct {
	line int
	at   time.Time
	text string
	hold func(escalate.Rules, escalate.Subject, time.Time) error
}

func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal("no scenarios", err)
	}
	covered := map[string]bool{}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			for _, s := range readScenarios(t, file) {
				t.Run(s.name, func(t *testing.T) {
					for _, e := range s.expects {
						if err := e.hold(s.rules, s.subject, e.at); err != nil {
							t.Errorf("%s:%d: %s: %v", file, e.line, e.text, err)
						}
						for _, f := range escalate.Evaluate(s.rules, s.subject, e.at) {
							covered[f.Rule] = true
						}
					}
				})
			}
		})
	}
	for _, rule := range escalate.RuleNames() {
		if !covered[rule] {
			t.Errorf("no scenario in which %s holds", rule)
		}
		if _, err := os.Stat(filepath.Join("testdata", rule+".txt")); err != nil {
			t.Errorf("rule %s has no file of its own: %v", rule, err)
		}
	}
}

func readScenarios(t testing.TB, file string) []scenario {
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	scenarios, err := parseScenarios(text)
	if err != nil {
		t.Fatalf("%s:%v", file, err)
	}
	return scenarios
}

func parseScenarios(text []byte) ([]scenario, error) {
	var all []scenario
	lines := bufio.NewScanner(bytes.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line, _, _ := strings.Cut(lines.Text(), "#")
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		if words[0] == "case" {
			name := strings.Join(words[1:], " ")
			all = append(all, scenario{name: name, line: n, rules: escalate.Defaults(), subject: escalate.Subject{Drain: drain.Drain{ID: "d", Active: true}}})
			continue
		}
		if len(all) == 0 {
			return nil, fmt.Errorf("%d: a line before the first case", n)
		}
		if err := all[len(all)-1].read(n, words); err != nil {
			return nil, fmt.Errorf("%d: %w", n, err)
		}
	}
	return all, lines.Err()
}

// moment reads "+4h15m", "+2d4h".
func moment(s string) (time.Time, error) {
	rest, ok := strings.CutPrefix(s, "+")
	if !ok {
		return time.Time{}, fmt.Errorf("%q is no time: write +4h", s)
	}
	var days time.Duration
	if d, after, ok := strings.Cut(rest, "d"); ok {
		var n int
		if _, err := fmt.Sscanf(d, "%d", &n); err != nil {
			return time.Time{}, fmt.Errorf("%q: %w", s, err)
		}
		days, rest = time.Duration(n)*24*time.Hour, after
		if rest == "" {
			return epoch.Add(days), nil
		}
	}
	d, err := time.ParseDuration(rest)
	return epoch.Add(days + d), err
}

func (s *scenario) read(line int, words []string) error {
	placement := func() *drain.Placement {
		if n := len(s.subject.Placements); n > 0 {
			return &s.subject.Placements[n-1]
		}
		return nil
	}
	switch words[0] {
	case "rise": // other thresholds than the default: rise 25 % 20 mL, by rate 20 mL
		var percent, day, rate int64
		if _, err := fmt.Sscanf(strings.Join(words[1:], " "), "%d %% %d mL, by rate %d mL", &percent, &day, &rate); err != nil {
			return err
		}
		s.rules.RisePercent, s.rules.RiseVolume, s.rules.RateVolume = drain.MLInt(percent), drain.MLInt(day), drain.MLInt(rate)
		return nil
	case "drain":
		for _, w := range words[1:] {
			if v, ok := drain.ParseML(w); ok {
				s.subject.Drain.Capacity = v
			} else if w == "inactive" {
				s.subject.Drain.Active = false
			} else if strings.HasPrefix(w, "type=") {
				s.subject.Drain.Type = strings.TrimPrefix(w, "type=")
			} else if w != "mL" {
				s.subject.Drain.Compartment = drain.Compartment(w)
			}
		}
		return nil
	case "placed":
		p := drain.Placement{ID: fmt.Sprint("p", len(s.subject.Placements)), Drain: "d", Status: drain.PlacementActive}
		if words[1] != "unknown" {
			at, err := moment(words[1])
			if err != nil {
				return err
			}
			p.Start = at
		}
		s.subject.Placements = append(s.subject.Placements, p)
		return nil
	case "ended":
		p := placement()
		if p == nil {
			return fmt.Errorf("ended before placed")
		}
		if words[1] != "unknown" {
			at, err := moment(words[1])
			if err != nil {
				return err
			}
			p.End = at
		}
		p.Status = drain.PlacementStatus(words[2])
		return nil
	case "beside": // an entry of the patient's other drain, placed at the epoch
		n := len(s.subject.Entries)
		if err := s.entry(words[1:]); err != nil {
			return err
		}
		e := s.subject.Entries[n]
		s.subject.Entries = s.subject.Entries[:n:n]
		if len(s.subject.Siblings) == 0 {
			s.subject.Siblings = []escalate.Sibling{{Drain: drain.Drain{ID: "b", Label: "Drain 2"}, Placed: epoch}}
		}
		b := &s.subject.Siblings[0]
		e.Drain, e.ID = "b", fmt.Sprint("b", len(b.Entries)+1)
		b.Entries = append(b.Entries, e)
		return nil
	case "expect":
		return s.expect(line, words[1:])
	case "next":
		return s.next(line, words[1:])
	}
	return s.entry(words)
}

func (s *scenario) entry(words []string) error {
	at, err := moment(words[0])
	if err != nil {
		return err
	}
	if len(words) < 2 {
		return fmt.Errorf("nothing charted")
	}
	e := drain.Entry{ID: fmt.Sprint(len(s.subject.Entries) + 1), Drain: "d", At: at, Status: "final"}
	rest := words[2:]
	next := func() string {
		if len(rest) == 0 {
			return ""
		}
		w := rest[0]
		rest = rest[1:]
		return w
	}
	volume := func() (drain.Volume, error) {
		w := next()
		v, ok := drain.ParseML(w)
		if !ok {
			return v, fmt.Errorf("%q is no number", w)
		}
		return v, nil
	}
	switch words[1] {
	case "emptied":
		e.Kind = drain.Emptying
		if len(rest) > 0 && rest[0] == "unmeasured" {
			next()
			e.Measured.Absent = "not-performed"
			break
		}
		e.Measured.Known = true
		if e.Measured.Volume, err = volume(); err != nil {
			return err
		}
	case "check":
		e.Kind = drain.Check
	case "site":
		e.Kind = drain.Site
	default:
		return fmt.Errorf("%q is no entry", words[1])
	}
	for len(rest) > 0 {
		switch w := next(); w {
		case "mL", "%":
		case "instilled":
			if e.Instilled, err = volume(); err != nil {
				return err
			}
		case "fill":
			e.Fill.Known = true
			if e.Fill.Value, err = volume(); err != nil {
				return err
			}
		case "estimated":
			e.Estimated = true
		case "preliminary", "entered-in-error", "cancelled", "amended":
			e.Status = w
		case "out":
			e.Dislodged = true
		case "colour":
			e.Colour = next()
		case "id":
			e.ID = next()
		case "odour":
			e.Odour = next()
		case "by":
			e.DoneBy = next()
		case "milked":
			e.Care = append(e.Care, drain.TubingMilked)
		case "patent", "sluggish", "occluded":
			e.Patency = drain.Patency(w)
		case "clean":
			e.Assessed = true
		case "unjudged":
		case "charged", "lost", "off":
			e.Suction = drain.Suction(w)
		case "medicine-cup", "specimen-cup", "graduated-cylinder", "syringe", "reservoir-markings", "scale":
			e.Vessel = drain.Vessel(w)
		case "redness", "swelling", "warmth", "tenderness", "leakage", "suture-loose", "pus":
			e.Signs, e.Assessed = append(e.Signs, drain.Sign(w)), true
		case "clear", "serous", "serosanguineous", "sanguineous", "purulent", "bilious", "chylous", "feculent", "urine-like", "other":
			e.Appearance = drain.Appearance(w)
		default:
			return fmt.Errorf("%q means nothing", w)
		}
	}
	s.subject.Entries = append(s.subject.Entries, e)
	return nil
}

// level is that of concerns that the findings make.
func level(findings []escalate.Finding) string {
	var cs []drain.Concern
	for _, f := range findings {
		cs = append(cs, drain.Concern{Severity: f.Severity, Evidence: []drain.Evidence{{Rule: f.Rule}}})
	}
	return concern.Level(cs)
}

func (s *scenario) expect(line int, words []string) error {
	if len(words) < 3 {
		return fmt.Errorf("expect what?")
	}
	at, err := moment(words[0])
	if err != nil {
		return err
	}
	x := expectation{line: line, at: at, text: strings.Join(words, " ")}
	switch {
	case words[1] == "level":
		x.hold = func(r escalate.Rules, s escalate.Subject, at time.Time) error {
			if got := level(escalate.Evaluate(r, s, at)); got != words[2] {
				return fmt.Errorf("the level is %s", got)
			}
			return nil
		}
	case words[1] == "says": // a rule and its headline
		x.hold = func(r escalate.Rules, s escalate.Subject, at time.Time) error {
			for _, f := range escalate.Evaluate(r, s, at) {
				if f.Rule == words[2] {
					if want := strings.Join(words[3:], " "); f.Headline != want {
						return fmt.Errorf("it says %q", f.Headline)
					}
					return nil
				}
			}
			return fmt.Errorf("it does not hold")
		}
	case words[1] == "no":
		x.hold = func(r escalate.Rules, s escalate.Subject, at time.Time) error {
			for _, f := range escalate.Evaluate(r, s, at) {
				if f.Rule == words[2] || words[2] == "findings" {
					return fmt.Errorf("%s holds: %s", f.Rule, f.Text)
				}
			}
			return nil
		}
	default:
		var since time.Time
		var on []string
		for i := 3; i < len(words); i++ {
			switch words[i] {
			case "since":
				i++
				if since, err = moment(words[i]); err != nil {
					return err
				}
			case "on":
				on, i = words[i+1:], len(words)
			default:
				return fmt.Errorf("%q means nothing here", words[i])
			}
		}
		x.hold = func(r escalate.Rules, s escalate.Subject, at time.Time) error {
			for _, f := range escalate.Evaluate(r, s, at) {
				switch {
				case f.Rule != words[1]:
				case string(f.Severity) != words[2]:
					return fmt.Errorf("it is %s: %s", f.Severity, f.Text)
				case !since.IsZero() && !f.Since.Equal(since):
					return fmt.Errorf("since +%v: %s", f.Since.Sub(epoch), f.Text)
				case on != nil && strings.Join(f.Evidence, " ") != strings.Join(on, " "):
					return fmt.Errorf("on %v: %s", f.Evidence, f.Text)
				default:
					return nil
				}
			}
			return fmt.Errorf("it does not hold")
		}
	}
	s.expects = append(s.expects, x)
	return nil
}

func (s *scenario) next(line int, words []string) error {
	if len(words) != 2 {
		return fmt.Errorf("next wants two times")
	}
	at, err := moment(words[0])
	if err != nil {
		return err
	}
	var want time.Time
	if words[1] != "never" {
		if want, err = moment(words[1]); err != nil {
			return err
		}
	}
	s.expects = append(s.expects, expectation{line: line, at: at, text: "next " + strings.Join(words, " "),
		hold: func(r escalate.Rules, s escalate.Subject, at time.Time) error {
			got, ok := escalate.NextChange(r, s, at)
			if ok != !want.IsZero() || ok && !got.Truncate(time.Microsecond).Equal(want) {
				return fmt.Errorf("the next change is %v (+%v)", ok, got.Sub(epoch))
			}
			return nil
		}})
	return nil
}
