package ward

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/budget"
	"tidemark/internal/concern"
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

// totalBytes is about what a total takes until it is answered: as a tree and as text.
const totalBytes = 4 << 10

// cut gives the windows of a span. Without bounds it runs from first to now.
func (sp Span) cut(ctx context.Context, c window.Calendar, first, now time.Time) ([]window.Window, error) {
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
	return ws, budget.Bytes(ctx, len(ws)*totalBytes)
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
	ws, err := sp.cut(ctx, c.settings.Calendar, first, upTo(now))
	if err != nil {
		return answer.Output{}, c, err
	}
	out.Totals = c.totals(placed, removed, ws, sp.Attribution, sp.Only, upTo(now))
	describe(&c, &out, now)
	return out, c, nil
}

// totals are those of the windows. Where they reach back before this stay of the
// drain, each stay has totals of its own: a window over two stays has two. Of the stays
// of others nothing is told where only one patient's may be shown.
func (c *course) totals(placed, removed time.Time, ws []window.Window, a balance.Attribution, only string, now time.Time) []balance.Total {
	var stays []drain.Placement // by start
	for _, p := range c.placements {
		if p.Counts() && p.Start.Before(placed) && (only == "" || p.Patient == only) {
			stays = append(stays, p)
		}
	}
	if len(stays) == 0 || len(ws) == 0 || !ws[0].Start.Before(placed) {
		return balance.Totals(c.entries, placed, removed, ws, a, c.settings.Balance, now)
	}
	stays = append(stays, drain.Placement{Start: placed, End: removed})
	// What was charted between two stays is of the one before.
	at := func(t time.Time) (i int) {
		for i+1 < len(stays) && !stays[i+1].Start.After(t) {
			i++
		}
		return i
	}
	entries := make([][]drain.Entry, len(stays))
	for _, e := range c.entries {
		i := at(e.At)
		entries[i] = append(entries[i], e)
	}
	var out []balance.Total
	for _, w := range ws {
		for i := at(w.Start); i < len(stays) && (i == 0 || stays[i].Start.Before(w.End)); i++ {
			part := w
			if i > 0 && part.Start.Before(stays[i].Start) {
				part.Start, part.Whole = stays[i].Start, false
			}
			if i+1 < len(stays) && stays[i+1].Start.Before(part.End) {
				part.End, part.Whole = stays[i+1].Start, false
			}
			t := balance.Totals(entries[i], stays[i].Start, stays[i].End, []window.Window{part}, a, c.settings.Balance, now)[0]
			t.Patient = stays[i].Patient
			out = append(out, t)
		}
	}
	return out
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
	intervals := balance.Intervals(c.entries, placed, c.settings.Balance.OneEmptying)
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
		if u, ok := c.settings.Balance.EmptyingU(iv.Emptied); ok {
			h, _ := iv.Hours().Float64()
			out.RateU = balance.RateU(iv.Net().Float(), u, h, 0)
		}
	}
	// mL in 24 h a day are 24 × 24 times mL/h an hour.
	out.Trend = trend.Analyse(pts, ts.Minimum, ts.Alpha).AtLeast(ts.Least.Float() / (24 * 24))
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
	out.Course = appearanceCourse(out.Looks, ranks)
}

// appearanceCourse is the course of the ranks; where the last look is a fluid
// without a rank, it is that look, which is a finding and no shade of another.
func appearanceCourse(looks []drain.Entry, ranks []int) string {
	if n := len(looks); n > 0 {
		last := looks[n-1].Appearance
		if _, ranked := last.Rank(); !ranked && last != drain.OtherLook {
			for i := n - 2; i >= 0; i-- {
				if was := looks[i].Appearance; was != last {
					return fmt.Sprintf("%s, was %s", last, was)
				}
			}
			return string(last)
		}
	}
	return trend.AppearanceCourse(ranks)
}

// FluidBalance answers $fluid-balance.
func (s *Service) FluidBalance(ctx context.Context, patient string, sp Span) (answer.Balance, error) {
	now := s.Now()
	drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: patient})
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
	whole := course{drain: drain.Drain{Patient: patient}}
	if err := s.settle(ctx, &whole, now); err != nil {
		return answer.Balance{}, err
	}
	settings := whole.settings
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
	ws, err := sp.cut(ctx, settings.Calendar, first, upTo(now))
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
	c, err := s.latest(ctx, id, now)
	if err != nil {
		return answer.Status{}, err
	}
	if !c.found {
		return answer.Status{}, unknownDrain(id)
	}
	return s.status(ctx, &c, now)
}

// latest reads where a drain is and what was charted of it last.
func (s *Service) latest(ctx context.Context, id string, now time.Time) (course, error) {
	c, err := s.whereabouts(ctx, id)
	if err != nil || !c.found {
		return c, err
	}
	until := upTo(now)
	if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: id, To: until, Last: latestEntries}); err != nil {
		return c, err
	}
	if c.entries, err = s.further(ctx, id, c.entries, until); err != nil {
		return c, err
	}
	return c, s.settle(ctx, &c, now)
}

// further looks back further where many cups, checks or site assessments stand in
// a row.
func (s *Service) further(ctx context.Context, id string, entries []drain.Entry, until time.Time) ([]drain.Entry, error) {
	if len(entries) == latestEntries && len(drain.Emptyings(entries, apart)) < recentEmptyings {
		return s.store.Entries(ctx, store.EntryQuery{Drain: id, To: until, Last: 8 * latestEntries})
	}
	return entries, nil
}

// status answers from the concerns that are kept: there is no second truth.
func (s *Service) status(ctx context.Context, c *course, now time.Time) (answer.Status, error) {
	st := answer.Status{Drain: c.drain, Patient: c.patient(now), Now: now, Policy: c.settings.Version, Approved: c.settings.Approved}
	for _, e := range c.entries {
		if e.Counts() && !e.At.After(now) {
			st.Last, st.LastID = e.At, e.ID
		}
	}
	if c.inPlace(now) {
		walks, err := s.store.Walks(ctx, st.Patient)
		if err != nil {
			return st, err
		}
		st.Due = c.next(walks, now)
	}
	var err error
	st.Concerns, err = s.open(ctx, c, now)
	st.Level = concern.Level(st.Concerns)
	return st, err
}

// The due time rests on the last emptying and the rates of three intervals
// before it. Twice as many emptyings leave room for some without a rate, and
// three times as many entries for second cups, checks and site assessments.
const (
	recentEmptyings = 8
	latestEntries   = 24
)

// apart is how far apart readings are certainly of two emptyings, whatever the
// policy says.
const apart = time.Hour

// readAhead is how many drains are read at a time for what is due.
const readAhead = 64

// recent are the entries that the due time rests on.
func (c *course) recent(now time.Time) []drain.Entry {
	to := len(c.entries)
	for to > 0 && c.entries[to-1].At.After(now) {
		to--
	}
	from := to
	var last time.Time
	for n := 0; from > 0 && n < recentEmptyings; from-- {
		if e := &c.entries[from-1]; e.Kind == drain.Emptying && e.Counts() && (n == 0 || last.Sub(e.At) > apart) {
			n, last = n+1, e.At
		}
	}
	return c.entries[from:to]
}

// PatientStatus answers for all drains of a patient, wherever they are.
func (s *Service) PatientStatus(ctx context.Context, patient string) ([]answer.Status, error) {
	drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: patient})
	if err != nil {
		return nil, err
	}
	now := s.Now()
	return s.statuses(ctx, drains, func(c *course) bool { return c.patient(now) == patient })
}

// LocationStatus answers for all drains of a ward and what is part of it.
func (s *Service) LocationStatus(ctx context.Context, location string) ([]answer.Status, error) {
	places, drains, err := s.drainsAt(ctx, location)
	if err != nil {
		return nil, err
	}
	return s.statuses(ctx, drains, func(c *course) bool { return places.has(c.where.Place) })
}

// region is a place and all that is part of it, by id.
type region map[string]drain.Place

func (r region) has(place string) bool { _, ok := r[place]; return ok }

// chain is a place and what it is part of, innermost first, as far as it is known.
func (r region) chain(place string) []drain.Place {
	var chain []drain.Place
	for p, ok := r[place]; ok && len(chain) < len(r); p, ok = r[p.PartOf] {
		chain = append(chain, p)
	}
	return chain
}

// drainsAt gives the places of a location and the drains that may be at one of
// them; drain.Where says of each whether it is.
func (s *Service) drainsAt(ctx context.Context, location string) (region, []drain.Drain, error) {
	list, err := s.store.PlacesWithin(ctx, location)
	if err != nil {
		return nil, nil, err
	}
	places := region{}
	var ids []string
	for _, p := range list {
		places[p.ID] = p
		ids = append(ids, p.ID)
	}
	drains, err := s.store.Drains(ctx, store.DrainQuery{Places: ids})
	return places, drains, err
}

// statuses are those of the drains that are asked for. It leaves out drains
// that are out of the patient without a concern: they have no status any more.
func (s *Service) statuses(ctx context.Context, drains []drain.Drain, asked func(*course) bool) ([]answer.Status, error) {
	now := s.Now()
	var out []answer.Status
	for _, d := range drains {
		c, err := s.latest(ctx, d.ID, now)
		if err != nil {
			return nil, err
		}
		if !c.found || !asked(&c) {
			continue
		}
		st, err := s.status(ctx, &c, now)
		if err != nil {
			return nil, err
		}
		if !c.inPlace(now) && len(st.Concerns) == 0 {
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
	places, drains, err := s.drainsAt(ctx, location)
	if err != nil {
		return nil, err
	}
	// The next drains are read while those before them are computed: here, where
	// a panic is one request's.
	type part struct {
		courses []course
		stays   []drain.Stay
		walks   []drain.Walk
		err     error
	}
	parts := make(chan part, 1)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		defer close(parts)
		for some := range slices.Chunk(drains, readAhead) {
			var p part
			p.courses, p.stays, p.walks, p.err = s.lately(ctx, some, latestEntries, now)
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
		for i := range p.courses {
			c := &p.courses[i]
			if err := s.settleBy(ctx, c, ofPatient(p.stays, c.patient(now)), now); err != nil {
				return nil, err
			}
			if !c.inPlace(now) || !places.has(c.where.Place) {
				continue
			}
			row, err := s.due(ctx, c, p.walks, now)
			if err != nil {
				return nil, err
			}
			if err := s.bedside(ctx, &row, places, c.where.Place); err != nil {
				return nil, err
			}
			out = append(out, row)
		}
	}
	if err := ctx.Err(); err != nil { // the reader may have ended with it
		return nil, err
	}
	slices.SortStableFunc(out, func(a, b answer.DueDrain) int { return a.Due.At.Compare(b.Due.At) })
	return out, nil
}

// lately reads what the due times of some drains rest on: what was charted last,
// at most so many entries a drain, where their patients are and when these mean
// to walk.
func (s *Service) lately(ctx context.Context, drains []drain.Drain, most int, now time.Time) ([]course, []drain.Stay, []drain.Walk, error) {
	ids := make([]string, len(drains))
	for i, d := range drains {
		ids[i] = d.ID
	}
	latest, err := s.store.Latest(ctx, ids, upTo(now), most)
	if err != nil {
		return nil, nil, nil, err
	}
	courses := make([]course, len(drains))
	var patients []string
	for i, d := range drains {
		l := latest[d.ID]
		courses[i] = course{id: d.ID, found: true, drain: d, placements: l.Placements, entries: l.Entries}
		patients = append(patients, courses[i].patient(now))
	}
	slices.Sort(patients)
	patients = slices.Compact(patients)
	stays, err := s.store.Stays(ctx, patients...)
	if err != nil {
		return nil, nil, nil, err
	}
	walks, err := s.store.Walks(ctx, patients...)
	return courses, stays, walks, err
}

func ofPatient(stays []drain.Stay, patient string) (own []drain.Stay) {
	for _, s := range stays {
		if s.Patient == patient {
			own = append(own, s)
		}
	}
	return own
}

// due is the next emptying of a drain in place.
func (s *Service) due(ctx context.Context, c *course, walks []drain.Walk, now time.Time) (row answer.DueDrain, err error) {
	if len(c.entries) == latestEntries && len(drain.Emptyings(c.entries, apart)) < recentEmptyings {
		// Many cups, checks or site assessments in a row: look back further.
		if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: c.id, To: upTo(now), Last: 8 * latestEntries}); err != nil {
			return row, err
		}
	}
	return c.dueDrain(walks, now), nil
}

func (c *course) dueDrain(walks []drain.Walk, now time.Time) answer.DueDrain {
	row := c.row(now)
	row.Due = c.next(walks, now)
	return row
}

// row says which drain it is, of whom, and where in the body.
func (c *course) row(now time.Time) answer.DueDrain {
	row := answer.DueDrain{Drain: c.drain, Patient: c.patient(now), Zone: c.settings.Calendar.Zone}
	if p, ok := c.placement(now); ok {
		row.Site, row.Side = p.Site, p.Side
	}
	return row
}

// next is the next emptying of a drain in place, a planned walk taken into account.
func (c *course) next(walks []drain.Walk, now time.Time) due.Due {
	placed, _ := c.span(now)
	local := now.In(c.settings.Calendar.Zone)
	d := due.Next(c.drain, c.recent(now), placed, c.settings.Due, local)
	patient := c.patient(now)
	for _, w := range walks {
		if w.Patient == patient {
			d = d.Before(w, local)
		}
	}
	return d.Look(c.lookAgain(now), local)
}

// lookAgain is by when somebody has to look at the fluid again, zero for no need.
// Of the rules only the one that asks for it is evaluated: a ward has many drains.
func (c *course) lookAgain(now time.Time) time.Time {
	rules := c.settings.Escalate
	if rules.Off[darker] {
		return time.Time{}
	}
	rules.Off = allButDarker
	for _, f := range escalate.Evaluate(rules, c.subject(), now) {
		if f.Rule == darker {
			return f.LookAgain
		}
	}
	return time.Time{}
}

const darker = "darker"

var allButDarker = func() map[string]bool {
	off := map[string]bool{}
	for _, name := range escalate.RuleNames() {
		off[name] = name != darker
	}
	return off
}()

// bedside names the bed and the ward of a row.
func (s *Service) bedside(ctx context.Context, row *answer.DueDrain, places region, place string) error {
	chain := places.chain(place)
	if len(chain) == 1 && chain[0].PartOf != "" { // asked by the bed: the ward is beyond it
		var err error
		if chain, err = s.placeChain(ctx, place); err != nil {
			return err
		}
	}
	if row.Ward = drain.Ward(chain); len(chain) > 0 && row.Ward.ID != chain[0].ID {
		row.Bed = chain[0]
	}
	return nil
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
	open, err := s.open(ctx, &c, now)
	if err != nil {
		return answer.Review{}, err
	}
	return answer.Review{
		Drain: c.drain, Patient: c.patient(now), Now: now, Policy: c.settings.Version, Approved: c.settings.Approved,
		Review: removal.Check(c.settings.Removal, c.subject(), holding(open), c.settings.Calendar, c.settings.Balance, now),
	}, nil
}

// Wards lists the wards that drains in use are at, those with the most drains
// first.
func (s *Service) Wards(ctx context.Context) ([]string, error) {
	now := s.Now()
	counts := map[string]int{}
	for after := ""; ; {
		drains, err := s.store.Drains(ctx, store.DrainQuery{After: after, Limit: sweepBatch})
		if err != nil {
			return nil, err
		}
		for _, d := range drains {
			c, err := s.whereabouts(ctx, d.ID)
			if err == nil {
				err = s.settle(ctx, &c, now)
			}
			if err != nil {
				return nil, err
			}
			chain, err := s.placeChain(ctx, c.where.Place)
			if err != nil {
				return nil, err
			}
			if w := drain.Ward(chain); w.ID != "" {
				counts[w.ID]++
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
		Intervals: balance.Intervals(c.entries, placed, c.settings.Balance.OneEmptying), Days: out.Totals, Trend: out.Trend, TrendOrigin: out.TrendOrigin, TrendSpan: out.TrendSpan,
		Entries: c.entries, Caution: escalate.Caution,
	}
	if p, ok := c.placement(out.Now); ok {
		// The label often names the site already.
		if at := strings.TrimSpace(p.Side + " " + p.Site); !strings.Contains(strings.ToLower(c.drain.Label), strings.ToLower(at)) {
			pc.Subtitle = at
		}
	}
	around, err := s.around(ctx, c.where.Place)
	if err != nil {
		return pc, "", err
	}
	var at answer.DueDrain
	if err := s.bedside(ctx, &at, around, c.where.Place); err != nil {
		return pc, "", err
	}
	pc.Bed = at.Bed.Name
	pc.Concerns, err = s.store.Concerns(ctx, id, time.Time{})
	pc.Concerns = slices.DeleteFunc(pc.Concerns, func(k drain.Concern) bool { return k.Patient != out.Patient })
	return pc, out.Patient, err
}
