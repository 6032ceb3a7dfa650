package ward

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/drain"
	"tidemark/internal/due"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/plot"
	"tidemark/internal/removal"
	"tidemark/internal/store"
	"tidemark/internal/trend"
	"tidemark/internal/window"
)

// Bound is an end of a span: an instant, or a date, which means the ward's
// day; the zero Bound is open.
type Bound struct {
	At   time.Time
	Date string // YYYY-MM-DD
}

func (b Bound) isZero() bool { return b.At.IsZero() && b.Date == "" }

// resolve gives the instant. A date means the start of the ward's day on it,
// or its end for the end of a span: end=2026-11-25 includes that day.
func (b Bound) resolve(c window.Calendar, end bool) time.Time {
	if b.Date == "" {
		return b.At
	}
	d, err := time.Parse(time.DateOnly, b.Date)
	if err != nil {
		return b.At
	}
	w := c.DayStarting(d.Year(), d.Month(), d.Day())
	if end {
		return w.End
	}
	return w.Start
}

// Span is what a derived answer is asked for.
type Span struct {
	Period      window.Period
	Attribution balance.Attribution
	Start, End  Bound
	Only        string // the one patient whose readings may be shown; "" for all
}

// cut gives the windows of a span. Without bounds it runs from first to now.
func (sp Span) cut(c window.Calendar, first, now time.Time) ([]window.Window, error) {
	start, end := sp.Start.resolve(c, false), sp.End.resolve(c, true)
	if sp.Start.isZero() {
		start = first
		if start.IsZero() || start.After(now) {
			start = c.DayOf(now).Start
		}
	}
	if sp.End.isZero() {
		end = now
	}
	if !start.Before(end) {
		if sp.End.isZero() || sp.Start.isZero() {
			return nil, nil // nothing yet
		}
		return nil, fault.New(fault.Invalid, "value", "The span ends at %s and starts only at %s.", end.Format(time.RFC3339), start.Format(time.RFC3339))
	}
	ws, err := c.Windows(sp.Period, start, end)
	if err != nil {
		return nil, fault.New(fault.Invalid, "too-costly", "%v; ask for a shorter span or a longer period.", err)
	}
	return ws, nil
}

func unknownDrain(id string) error {
	return fault.New(fault.NotFound, "not-found", "No Device/%s is known.", id)
}

// DrainOutput answers $drain-output.
func (s *Service) DrainOutput(ctx context.Context, id string, sp Span) (answer.Output, error) {
	out, _, err := s.output(ctx, id, sp)
	return out, err
}

func (s *Service) output(ctx context.Context, id string, sp Span) (answer.Output, course, error) {
	now := s.Now()
	c, err := s.load(ctx, id)
	if err != nil {
		return answer.Output{}, c, err
	}
	if !c.found {
		return answer.Output{}, c, unknownDrain(id)
	}
	placed, removed := c.span(now)
	if start := sp.Start.resolve(c.settings.Calendar, false); !sp.Start.isZero() && start.Before(placed) {
		// Asked for a time before this stay: of a stay before it, perhaps.
		if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: id}); err != nil {
			return answer.Output{}, c, err
		}
	}
	if sp.Only != "" { // the drain may have been another's before
		c.entries = slices.DeleteFunc(slices.Clone(c.entries), func(e drain.Entry) bool { return e.Patient != sp.Only })
	}
	out := answer.Output{
		Drain: c.drain, Patient: c.patient(now), Zone: c.settings.Calendar.Zone, Period: sp.Period, Attribution: sp.Attribution,
		Now: now, Policy: c.settings.Version, Approved: c.settings.Approved,
	}
	first := placed
	if first.IsZero() {
		first = c.stay(now).Start // the first reading's time
	}
	ws, err := sp.cut(c.settings.Calendar, first, upTo(now))
	if err != nil {
		return answer.Output{}, c, err
	}
	out.Totals = balance.Totals(c.entries, placed, removed, ws, sp.Attribution, c.settings.Balance, upTo(now))
	describe(&c, &out, now)
	return out, c, nil
}

// upTo is where a half-open window ends that what is charted at this very
// instant belongs to: a microsecond on, which is what stores tell apart.
func upTo(now time.Time) time.Time { return now.Add(time.Microsecond) }

// describe fills in rate, trend and appearance as they are now.
func describe(c *course, out *answer.Output, now time.Time) {
	placed, _ := c.span(now)
	ts := c.settings.Trend
	out.TrendSpan, out.TrendOrigin = ts.Span, now.Add(-ts.Span)
	var pts []trend.Point
	intervals := balance.Intervals(c.entries, placed)
	for i := range intervals {
		iv := &intervals[i]
		r, ok := iv.Rate()
		if !ok || iv.End.After(now) {
			continue
		}
		out.Rate = iv
		if iv.End.After(out.TrendOrigin) {
			pts = append(pts, trend.Point{X: iv.Middle().Sub(out.TrendOrigin).Hours(), Y: r})
			out.TrendFrom = append(out.TrendFrom, *iv)
		}
	}
	if iv := out.Rate; iv != nil {
		if u, ok := c.settings.Balance.ReadingU(iv.Entry); ok {
			h, _ := iv.Hours().Float64()
			out.RateU = balance.RateU(iv.Net.Float(), u, h, 0)
		}
	}
	out.Trend = trend.Analyse(pts, ts.Minimum, ts.Alpha)
	var ranks []int
	for _, e := range c.entries {
		if !e.Counts() || e.Appearance == "" || e.At.After(now) {
			continue
		}
		out.Looks = append(out.Looks, e)
		if r, ok := e.Appearance.Rank(); ok {
			ranks = append(ranks, r)
		}
	}
	out.Course = trend.AppearanceCourse(ranks)
}

// FluidBalance answers $fluid-balance.
func (s *Service) FluidBalance(ctx context.Context, patient string, sp Span) (answer.Balance, error) {
	now := s.Now()
	drains, err := s.store.DrainsOf(ctx, patient)
	if err != nil {
		return answer.Balance{}, err
	}
	entries, err := s.store.Entries(ctx, store.EntryQuery{Patient: patient})
	if err != nil {
		return answer.Balance{}, err
	}
	byDrain := map[string][]drain.Entry{}
	var flows []drain.Entry
	var first time.Time
	for _, e := range entries {
		if first.IsZero() || e.At.Before(first) {
			first = e.At
		}
		if e.Drain != "" {
			byDrain[e.Drain] = append(byDrain[e.Drain], e)
		} else {
			flows = append(flows, e)
		}
	}
	settings, err := s.Settings(ctx, drain.Drain{Patient: patient}, nil)
	if err != nil {
		return answer.Balance{}, err
	}
	var des []balance.DrainEntries
	for _, d := range drains {
		c := course{id: d.ID, found: true, drain: d}
		if c.placements, err = s.store.Placements(ctx, d.ID); err != nil {
			return answer.Balance{}, err
		}
		c.placements = slices.DeleteFunc(slices.Clone(c.placements), func(p drain.Placement) bool { return p.Patient != patient })
		placed, removed := c.span(now)
		if !placed.IsZero() && (first.IsZero() || placed.Before(first)) {
			first = placed
		}
		des = append(des, balance.DrainEntries{Drain: d, Placed: placed, Removed: removed, Entries: byDrain[d.ID]})
		delete(byDrain, d.ID)
	}
	// What was charted of a drain counts even if its Device or placement is gone.
	for _, id := range slices.Sorted(maps.Keys(byDrain)) {
		des = append(des, balance.DrainEntries{Drain: drain.Drain{ID: id, Label: "a drain whose registration is gone"}, Entries: byDrain[id]})
	}
	ws, err := sp.cut(settings.Calendar, first, upTo(now))
	if err != nil {
		return answer.Balance{}, err
	}
	return answer.Balance{
		Patient: patient, Period: sp.Period, Attribution: sp.Attribution, Zone: settings.Calendar.Zone, Now: now, Policy: settings.Version, Approved: settings.Approved,
		Windows: balance.Fluid(des, flows, ws, sp.Attribution, settings.Balance, upTo(now)),
	}, nil
}

// DrainStatus answers $escalation-status for a drain.
func (s *Service) DrainStatus(ctx context.Context, id string) (answer.Status, error) {
	now := s.Now()
	c, err := s.load(ctx, id)
	if err != nil {
		return answer.Status{}, err
	}
	if !c.found {
		return answer.Status{}, unknownDrain(id)
	}
	return s.status(ctx, &c, now)
}

func (s *Service) status(ctx context.Context, c *course, now time.Time) (answer.Status, error) {
	st := answer.Status{Drain: c.drain, Patient: c.patient(now), Now: now, Policy: c.settings.Version, Approved: c.settings.Approved}
	st.Findings = c.findings(now)
	st.Level = escalate.Level(st.Findings)
	for _, e := range c.entries {
		if e.Counts() && !e.At.After(now) {
			st.Last, st.LastID = e.At, e.ID
		}
	}
	if placed, _ := c.span(now); c.inPlace(now) {
		st.Due = due.Next(c.drain, c.recent(now), placed, c.settings.Due, now.In(c.settings.Calendar.Zone))
	}
	var err error
	st.Open, err = s.store.Findings(ctx, c.drain.ID, true)
	slices.SortStableFunc(st.Open, func(a, b drain.Finding) int {
		return cmp.Or(b.Severity.Weight()-a.Severity.Weight(), cmp.Compare(a.Rule, b.Rule))
	})
	return st, err
}

func (c *course) findings(now time.Time) []escalate.Finding {
	return escalate.Evaluate(c.settings.Escalate, c.subject(), now)
}

// The due time rests on the last emptying and the rates of three intervals
// before it. Twice as many emptyings leave room for some without a rate, and
// twice as many entries again for checks and site assessments between them.
const (
	recentEmptyings = 8
	latestEntries   = 16
)

// readAhead is how many drains are read at a time for what is due.
const readAhead = 64

// recent are the entries that the due time rests on.
func (c *course) recent(now time.Time) []drain.Entry {
	to := len(c.entries)
	for to > 0 && c.entries[to-1].At.After(now) {
		to--
	}
	from := to
	for n := 0; from > 0 && n < recentEmptyings; {
		from--
		n += emptyings(c.entries[from : from+1])
	}
	return c.entries[from:to]
}

// emptyings counts those that count.
func emptyings(entries []drain.Entry) (n int) {
	for i := range entries {
		if e := &entries[i]; e.Kind == drain.Emptying && e.Counts() {
			n++
		}
	}
	return n
}

// PatientStatus answers for all drains of a patient.
func (s *Service) PatientStatus(ctx context.Context, patient string) ([]answer.Status, error) {
	drains, err := s.store.DrainsOf(ctx, patient)
	if err != nil {
		return nil, err
	}
	return s.statuses(ctx, drains, patient)
}

// LocationStatus answers for all drains of a ward and what is part of it.
func (s *Service) LocationStatus(ctx context.Context, location string) ([]answer.Status, error) {
	drains, err := s.drainsAt(ctx, location)
	if err != nil {
		return nil, err
	}
	return s.statuses(ctx, drains, "")
}

func (s *Service) drainsAt(ctx context.Context, location string) ([]drain.Drain, error) {
	places, err := s.store.PlacesWithin(ctx, location)
	if err != nil {
		return nil, err
	}
	return s.store.DrainsAt(ctx, places)
}

// statuses leaves out drains that are out of the patient without a finding:
// they have no status any more.
func (s *Service) statuses(ctx context.Context, drains []drain.Drain, patient string) ([]answer.Status, error) {
	now := s.Now()
	var out []answer.Status
	for _, d := range drains {
		c, err := s.load(ctx, d.ID)
		if err != nil {
			return nil, err
		}
		if !c.found || patient != "" && c.patient(now) != patient {
			continue
		}
		st, err := s.status(ctx, &c, now)
		if err != nil {
			return nil, err
		}
		if !c.inPlace(now) && len(st.Findings) == 0 && len(st.Open) == 0 {
			continue
		}
		out = append(out, st)
	}
	return out, nil
}

// EmptyingDue answers $emptying-due: the drains in place at a location, the
// soonest first.
func (s *Service) EmptyingDue(ctx context.Context, location string) ([]answer.DueDrain, error) {
	now := s.Now()
	drains, err := s.drainsAt(ctx, location)
	if err != nil {
		return nil, err
	}
	until := upTo(now)
	// The next drains are read while those before them are computed: here, where
	// a panic is one request's.
	type part struct {
		drains []drain.Drain
		latest map[string]store.Latest
		err    error
	}
	parts := make(chan part, 1)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		defer close(parts)
		for some := range slices.Chunk(drains, readAhead) {
			ids := make([]string, len(some))
			for i, d := range some {
				ids[i] = d.ID
			}
			p := part{drains: some}
			p.latest, p.err = s.store.Latest(ctx, ids, until, latestEntries)
			select {
			case parts <- p:
			case <-ctx.Done():
				return
			}
		}
	}()
	var out []answer.DueDrain
	for p := range parts {
		if p.err != nil {
			return nil, p.err
		}
		for _, d := range p.drains {
			row, ok, err := s.due(ctx, d, p.latest[d.ID], now, until)
			if err != nil {
				return nil, err
			}
			if ok {
				out = append(out, row)
			}
		}
	}
	if err := ctx.Err(); err != nil { // the reader may have ended with it
		return nil, err
	}
	slices.SortStableFunc(out, func(a, b answer.DueDrain) int { return a.Due.At.Compare(b.Due.At) })
	return out, nil
}

// due is the next emptying of one drain; ok is false for one that is not in place.
func (s *Service) due(ctx context.Context, d drain.Drain, l store.Latest, now, until time.Time) (row answer.DueDrain, ok bool, err error) {
	c := course{id: d.ID, found: true, drain: d, placements: l.Placements, entries: l.Entries}
	if len(c.entries) == latestEntries && emptyings(c.entries) < recentEmptyings {
		// Checks and site assessments in a row: look back further.
		if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: d.ID, To: until, Last: 64 * latestEntries}); err != nil {
			return row, false, err
		}
	}
	if !c.inPlace(now) {
		return row, false, nil
	}
	if c.settings, err = s.Settings(ctx, d, c.placements); err != nil {
		return row, false, err
	}
	row = answer.DueDrain{Drain: d, Patient: c.patient(now), Zone: c.settings.Calendar.Zone}
	placed, _ := c.span(now)
	if p, ok := c.placement(now); ok {
		row.Site, row.Side = p.Site, p.Side
	}
	row.Due = due.Next(d, c.recent(now), placed, c.settings.Due, now.In(row.Zone))
	return row, true, nil
}

// RemovalReview answers $removal-review.
func (s *Service) RemovalReview(ctx context.Context, id string) (answer.Review, error) {
	now := s.Now()
	c, err := s.load(ctx, id)
	if err != nil {
		return answer.Review{}, err
	}
	if !c.found {
		return answer.Review{}, unknownDrain(id)
	}
	return answer.Review{
		Drain: c.drain, Patient: c.patient(now), Now: now, Policy: c.settings.Version, Approved: c.settings.Approved,
		Review: removal.Check(c.settings.Removal, c.subject(), c.findings(now), c.settings.Calendar, c.settings.Balance, now),
	}, nil
}

// Wards lists the places that drains in place are at, those with the most
// drains first.
func (s *Service) Wards(ctx context.Context) ([]string, error) {
	counts := map[string]int{}
	for after := ""; ; {
		drains, err := s.store.ActiveDrains(ctx, after, sweepBatch)
		if err != nil {
			return nil, err
		}
		for _, d := range drains {
			if d.Ward != "" {
				counts[d.Ward]++
			}
		}
		if len(drains) < sweepBatch {
			break
		}
		after = drains[len(drains)-1].ID
	}
	places := slices.Sorted(maps.Keys(counts))
	slices.SortStableFunc(places, func(a, b string) int { return counts[b] - counts[a] })
	return places, nil
}

// Course gathers what the picture of a drain shows, and whose it is.
func (s *Service) Course(ctx context.Context, id string) (plot.Course, string, error) {
	out, c, err := s.output(ctx, id, Span{Period: window.Day, Attribution: balance.Charted})
	if err != nil {
		return plot.Course{}, "", err
	}
	placed, removed := c.span(out.Now)
	pc := plot.Course{
		Title: c.drain.Label, Zone: out.Zone, Placed: placed, Removed: removed, Now: out.Now,
		Intervals: balance.Intervals(c.entries, placed), Days: out.Totals, Trend: out.Trend, TrendOrigin: out.TrendOrigin,
		Entries: c.entries, Caution: escalate.Caution,
	}
	if p, ok := c.placement(out.Now); ok {
		// The label often names the site already.
		if at := strings.TrimSpace(p.Side + " " + p.Site); !strings.Contains(strings.ToLower(c.drain.Label), strings.ToLower(at)) {
			pc.Subtitle = at
		}
	}
	pc.Findings, err = s.store.Findings(ctx, id, false)
	pc.Findings = slices.DeleteFunc(pc.Findings, func(f drain.Finding) bool { return f.Patient != out.Patient })
	return pc, out.Patient, err
}
