package replay

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"tidemark/internal/concern"
	"tidemark/internal/drain"
)

// Event is something that really happened to a drain.
type Event struct {
	Drain string    `json:"drain"`
	Event string    `json:"event"`
	Onset time.Time `json:"onset"`
	End   time.Time `json:"end"`
}

// ReadTruth reads events, one a line.
func ReadTruth(r io.Reader) ([]Event, error) {
	var events []Event
	for d := json.NewDecoder(r); ; {
		var e Event
		err := d.Decode(&e)
		if errors.Is(err, io.EOF) {
			return events, nil
		}
		if err == nil && (e.Drain == "" || e.Event == "" || e.Onset.IsZero() || e.End.Before(e.Onset)) {
			err = errors.New("it needs drain, event, onset, and an end that is not before the onset")
		}
		if err != nil {
			return nil, fmt.Errorf("event %d: %w", len(events)+1, err)
		}
		events = append(events, e)
	}
}

// kindOf is the concern that an event should raise; "" for any.
func kindOf(event string) string {
	switch {
	case strings.HasPrefix(event, "bleed"), event == "suspect-fluid":
		return concern.Fluid
	case event == "suction-lost", event == "block", event == "dislodged":
		return concern.Function
	case event == "site-signs":
		return concern.Site
	case event == "neglect", faulty(event):
		return concern.Charting
	}
	return ""
}

// faulty reports whether an event is one of charting only: nothing happened to the
// drain, but its chart is not what it should be.
func faulty(event string) bool { return strings.HasPrefix(event, "charting-") }

// Found is how a policy found the events of a kind. Delays are in hours, from the
// onset to the announcement.
type Found struct {
	Policy string `json:"policy"`
	Event  string `json:"event"`
	Events int    `json:"events"`
	// Looked is how soon the first emptying since the onset was charted: no rule can
	// be sooner, unless it is about time.
	Looked Delay `json:"looked"`
	// Of any severity, and of high severity: how many were announced before they
	// were over, after how long in the median and for nine of ten, and how many
	// within 4 and 12 hours.
	Any  Delay `json:"any"`
	High Delay `json:"high"`
	// AtEntry of Telling: announced with the first entry that says it.
	Telling int `json:"telling"`
	AtEntry int `json:"atEntry"`
	// Announcements of the concern during an event, on average, and at the instant of
	// the first.
	PerEvent float64 `json:"announcementsPerEvent"`
	AtFirst  float64 `json:"announcementsAtFirst"`
}

// Delay is how soon.
type Delay struct {
	Found     int     `json:"found"`
	Within4h  int     `json:"within4h"`
	Within12h int     `json:"within12h"`
	Median    float64 `json:"median"` // of those found
	Ninety    float64 `json:"ninety"` // nine of ten of those found
}

func delay(hours []float64) Delay {
	slices.Sort(hours)
	d := Delay{Found: len(hours), Median: median(hours)}
	for _, h := range hours {
		if h <= 4 {
			d.Within4h++
		}
		if h <= 12 {
			d.Within12h++
		}
	}
	if n := len(hours); n > 0 {
		d.Ninety = hours[min(n-1, n*9/10)]
	}
	return d
}

// Needless is what a policy announced of drains to which nothing had happened.
type Needless struct {
	Policy        string         `json:"policy"`
	Concern       string         `json:"concern"`
	Severity      drain.Severity `json:"severity"`
	Days          float64        `json:"healthyDrainDays"`
	Announcements int            `json:"announcements"`
	Rate          float64        `json:"announcementsPer100"`
	// Rules that were among the evidence, by how often.
	Rules map[string]int `json:"rules"`
}

// aftermath is how long after an event a drain counts as not yet healthy: spans of
// rules still hold what it gave.
const aftermath = 48 * time.Hour

// score holds what was announced against what happened.
func (r *Result) score(all []*course, o *Options) {
	of := map[string][]Event{}
	for _, e := range o.Truth {
		of[e.Drain] = append(of[e.Drain], e)
	}
	for i, candidate := range o.Candidates {
		found := map[string]*seen{}
		healthy := 0.0
		needless := map[countKey]*Needless{}
		for _, c := range all {
			events := of[c.id]
			sick := time.Duration(0)
			var until time.Time
			slices.SortFunc(events, func(a, b Event) int { return a.Onset.Compare(b.Onset) })
			for _, e := range events {
				from, to := e.Onset, e.End.Add(aftermath)
				if faulty(e.Event) {
					from, to = time.Time{}, time.Time{}
				}
				if from.Before(until) {
					from = until
				}
				if to.After(from) {
					sick += c.inPlace(from, to)
					until = to
				}
				if found[e.Event] == nil {
					found[e.Event] = &seen{}
				}
				found[e.Event].event(c, c.lives[i], e)
			}
			healthy += (c.inPlace(time.Time{}, c.now) - sick).Hours() / 24
			for _, a := range c.lives[i].told {
				if a.reason == concern.Closed || slices.ContainsFunc(events, func(e Event) bool {
					if faulty(e.Event) {
						return a.kind == concern.Charting && !a.at.Before(e.Onset) && !a.at.After(e.End)
					}
					return !a.at.Before(e.Onset) && a.at.Before(e.End.Add(aftermath))
				}) {
					continue
				}
				k := countKey{kind: a.kind, severity: a.severity}
				if needless[k] == nil {
					needless[k] = &Needless{Policy: candidate.Name, Concern: a.kind, Severity: a.severity, Rules: map[string]int{}}
				}
				needless[k].Announcements++
				for j, rule := range a.rules {
					if a.ruleSeverity[j] == a.severity {
						needless[k].Rules[rule]++
					}
				}
			}
		}
		var names []string
		for name := range found {
			names = append(names, name)
		}
		slices.Sort(names)
		for _, name := range names {
			r.Events = append(r.Events, found[name].found(candidate.Name, name))
		}
		for _, kind := range concern.Kinds() {
			for _, s := range []drain.Severity{drain.High, drain.Moderate, drain.Low} {
				if n := needless[countKey{kind: kind, severity: s}]; n != nil {
					n.Days, n.Rate = healthy, per100(n.Announcements, healthy)
					r.False = append(r.False, *n)
				}
			}
		}
	}
}

// seen gathers how events of a kind were found.
type seen struct {
	n, telling, atEntry, told, atFirst, opened int
	looked, any, high                          []float64
}

func (s *seen) event(c *course, l *life, e Event) {
	s.n++
	kind := kindOf(e.Event)
	var first, high time.Time
	for _, a := range l.told {
		// The entry that says it may be charted when it is over already.
		if a.reason == concern.Closed || kind != "" && a.kind != kind || a.at.Before(e.Onset) || a.at.After(e.End.Add(8*time.Hour)) {
			continue
		}
		s.told++
		if first.IsZero() {
			first = a.at
			s.opened++
		}
		if high.IsZero() && a.severity == drain.High {
			high = a.at
		}
	}
	if !first.IsZero() {
		s.any = append(s.any, first.Sub(e.Onset).Hours())
		for _, a := range l.told {
			if a.at.Equal(first) && a.reason != concern.Closed {
				s.atFirst++
			}
		}
	}
	if !high.IsZero() {
		s.high = append(s.high, high.Sub(e.Onset).Hours())
	}
	if i := slices.IndexFunc(c.emptied, func(t telling) bool { return !t.at.Before(e.Onset) }); i >= 0 {
		s.looked = append(s.looked, c.emptied[i].charted.Sub(e.Onset).Hours())
	}
	for _, t := range c.telling {
		if t.at.Before(e.Onset) || !t.says(e.Event) {
			continue
		}
		s.telling++
		if !first.IsZero() && !first.After(t.charted) {
			s.atEntry++
		}
		break
	}
}

// says reports whether an entry by itself says what happened.
func (t telling) says(event string) bool {
	switch event {
	case "suspect-fluid":
		_, ranked := t.looks.Rank()
		return t.looks != "" && !ranked
	case "suction-lost":
		return t.suction == drain.Lost
	case "dislodged":
		return t.dislodged
	}
	return false
}

func (s *seen) found(policy, event string) Found {
	f := Found{Policy: policy, Event: event, Events: s.n, Looked: delay(s.looked), Any: delay(s.any), High: delay(s.high), Telling: s.telling, AtEntry: s.atEntry}
	if s.opened > 0 {
		f.PerEvent = float64(s.told) / float64(s.opened)
		f.AtFirst = float64(s.atFirst) / float64(s.opened)
	}
	return f
}
