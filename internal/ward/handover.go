package ward

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/answer"
	"tidemark/internal/balance"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/policy"
	"tidemark/internal/removal"
	"tidemark/internal/search"
	"tidemark/internal/store"
	"tidemark/internal/window"
)

// Shift says which shift a handover reviews: the one that lasts at a time, the
// running one, the one before it; or, for the zero Shift, the one that ends now
// or ended last.
type Shift struct {
	At   time.Time
	Name string // current, previous or ""
}

// Names of shifts.
const (
	Current  = "current"
	Previous = "previous"
)

const (
	// endsNow is how long before its end a shift is the one to hand over. Ours.
	endsNow = time.Hour
	// lateAfter is how long after its time an entry was charted late: when the board
	// asks about it, too. Ours.
	lateAfter = 2 * time.Hour
	// removedAfter is how long after the shift a drain may have been removed that is
	// still in its handover: it is read from then until the next. Ours.
	removedAfter = 24 * time.Hour
	day          = 24 * time.Hour

	// What a row rests on: three days of hourly emptyings, checks and cups among
	// them. A drain with more of them within two days is read further back.
	handoverEntries = 128
	mostCorrections = 64 // on a sheet, each with at most so many versions
	mostVersions    = 4
)

// in finds the shift.
func (a Shift) in(cal window.Calendar, now time.Time) (window.Window, error) {
	running := cal.ShiftOf(now)
	switch {
	case !a.At.IsZero():
		w := cal.ShiftOf(a.At)
		if w.Start.After(now) {
			return w, fault.New(fault.Invalid, "value", "The shift at %s has not begun.", a.At.Format(time.RFC3339))
		}
		return w, nil
	case a.Name == Current, a.Name == "" && running.End.Sub(now) <= endsNow:
		return running, nil
	}
	return cal.ShiftOf(running.Start.Add(-time.Nanosecond)), nil
}

// Handover answers $handover: the drains in place on a ward, or of a patient, and
// those removed there in the shift or within a day of it, with what the shift brought.
// What it reads does not grow with the length of a stay, nor with the age of the shift.
func (s *Service) Handover(ctx context.Context, of store.Key, asked Shift, a balance.Attribution) (answer.Handover, error) {
	now := s.Now()
	out := answer.Handover{Type: of.Type, ID: of.ID, Attribution: a, Now: now}
	var places region
	var drains []drain.Drain
	var err error
	if of.Type == "Location" {
		places, drains, err = s.drainsAt(ctx, of.ID)
	} else {
		drains, err = s.store.Drains(ctx, store.DrainQuery{Patient: of.ID})
	}
	if err != nil {
		return out, err
	}
	here, err := s.placeChain(ctx, of.ID)
	if err != nil {
		return out, err
	}
	if of.Type == "Location" && len(here) > 0 {
		out.Name = here[0].Name
	}
	var courses []course
	begin := func(p policy.Settings) (err error) {
		if out.Shift, err = asked.in(p.Calendar, now); err != nil {
			return err
		}
		if out.AsOf = out.Shift.End; out.AsOf.After(now) {
			out.AsOf = upTo(now)
		}
		out.Zone, out.Policy, out.Approved = p.Calendar.Zone, p.Version, p.Approved
		return nil
	}
	add := func(c *course, walks []drain.Walk) error {
		row, err := s.handover(ctx, c, &out, walks)
		if err != nil {
			return err
		}
		around := places
		if around == nil {
			if around, err = s.around(ctx, c.where.Place); err != nil {
				return err
			}
		}
		if err := s.bedside(ctx, &row.DueDrain, around, c.where.Place); err != nil {
			return err
		}
		out.Rows = append(out.Rows, row)
		courses = append(courses, *c)
		return nil
	}
	err = s.eachLately(ctx, drains, now, func(c *course, stays []drain.Stay, walks []drain.Walk) error {
		if err := s.settleBy(ctx, c, stays, now); err != nil {
			return err
		}
		if !c.inPlace(now) || of.Type == "Location" && !places.has(c.where.Place) || of.Type == "Patient" && c.patient(now) != of.ID {
			return nil
		}
		if len(courses) == 0 { // the calendar is the ward's, and the policy the first drain's
			if err := begin(c.settings); err != nil {
				return err
			}
		}
		return add(c, walks)
	})
	if err != nil {
		return out, err
	}
	if len(courses) == 0 {
		whole := course{drain: drain.Drain{Ward: of.ID}}
		if err := s.settle(ctx, &whole, now); err != nil {
			return out, err
		}
		if err := begin(whole.settings); err != nil {
			return out, err
		}
	}
	from, to := out.Shift.Start, out.Shift.End.Add(removedAfter)
	if of.Type == "Location" {
		if drains, err = s.removedIn(ctx, from, to); err != nil {
			return out, err
		}
	}
	err = s.eachLately(ctx, drains, now, func(c *course, stays []drain.Stay, walks []drain.Walk) error {
		_, end := c.span(now)
		if c.inPlace(now) || end.Before(from) || end.After(to) || of.Type == "Patient" && c.patient(now) != of.ID {
			return nil
		}
		// Where it was until it was removed.
		if err := s.settleBy(ctx, c, stays, end.Add(-time.Nanosecond)); err != nil {
			return err
		}
		if of.Type == "Location" && !places.has(c.where.Place) {
			return nil
		}
		return add(c, walks)
	})
	if err != nil || len(courses) == 0 {
		return out, err
	}
	if err := s.changed(ctx, &out, courses); err != nil {
		return out, err
	}
	slices.SortStableFunc(out.Rows, func(a, b answer.HandoverRow) int {
		return cmp.Or(byNumber(a.Ward.Name, b.Ward.Name), byNumber(a.Bed.Name, b.Bed.Name), byNumber(a.Drain.Label, b.Drain.Label), cmp.Compare(a.Drain.ID, b.Drain.ID))
	})
	return out, nil
}

// eachLately gives the courses of drains, as far back as a row needs, with the stays
// of their patients.
func (s *Service) eachLately(ctx context.Context, drains []drain.Drain, now time.Time, f func(c *course, stays []drain.Stay, walks []drain.Walk) error) error {
	for some := range slices.Chunk(drains, readAhead) {
		part, stays, walks, err := s.lately(ctx, some, handoverEntries, now)
		if err != nil {
			return err
		}
		for i := range part {
			c := &part[i]
			if err := f(c, ofPatient(stays, c.patient(now)), walks); err != nil {
				return err
			}
		}
	}
	return nil
}

// removedIn are the drains that were removed then, wherever they were, and whose
// removal was charted then too.
func (s *Service) removedIn(ctx context.Context, from, to time.Time) ([]drain.Drain, error) {
	q, err := s.find("DeviceUseStatement", "status", "completed", "_lastUpdated", "ge"+utc(from), "_lastUpdated", "le"+utc(to))
	if err != nil {
		return nil, err
	}
	gone := map[string][]string{} // drains by patient
	for next := true; next; next = q.Cursor != "" {
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, v := range page.Matches {
			n, err := fhirjson.Parse(v.Body.JSON)
			if err != nil {
				return nil, fault.Wrap(err, "read "+v.Key.String())
			}
			if f, _ := s.decode(n); f.Placement != nil && !f.Placement.End.Before(from) && !f.Placement.End.After(to) {
				gone[f.Placement.Patient] = append(gone[f.Placement.Patient], f.Placement.Drain)
			}
		}
		q.Cursor = page.Next
	}
	var out []drain.Drain
	for patient, ids := range gone {
		own, err := s.store.Drains(ctx, store.DrainQuery{Patient: patient})
		if err != nil {
			return nil, err
		}
		for _, d := range own {
			if slices.Contains(ids, d.ID) && !slices.ContainsFunc(out, func(o drain.Drain) bool { return o.ID == d.ID }) {
				out = append(out, d)
			}
		}
	}
	return out, nil
}

// around is a place and what it is part of.
func (s *Service) around(ctx context.Context, place string) (region, error) {
	chain, err := s.placeChain(ctx, place)
	r := region{}
	for _, p := range chain {
		r[p.ID] = p
	}
	return r, err
}

// handover is the row of one drain.
func (s *Service) handover(ctx context.Context, c *course, out *answer.Handover, walks []drain.Walk) (row answer.HandoverRow, err error) {
	now, patient := out.Now, c.patient(out.Now)
	placed, removed := c.span(now)
	days := func(back int) window.Window {
		return window.Window{Start: out.AsOf.Add(-time.Duration(back) * day), End: out.AsOf.Add(-time.Duration(back-1) * day)}
	}
	last, before := days(1), days(2)
	first := before.Start
	if out.Shift.Start.Before(first) {
		first = out.Shift.Start
	}
	if len(c.entries) == handoverEntries {
		if !c.entries[0].At.Before(first.Add(-day)) { // the days of the review for removal begin earlier
			if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: c.id, To: upTo(now), Last: 64 * latestEntries}); err != nil {
				return row, err
			}
		}
		c.unmeasureFirst()
	}
	c.entries = slices.DeleteFunc(slices.Clone(c.entries), func(e drain.Entry) bool { return e.Patient != patient || e.At.Before(placed) })
	if row.Placed = placed; c.inPlace(now) {
		row.DueDrain = c.dueDrain(walks, now)
	} else {
		row.DueDrain, row.Removed = c.row(now), removed
	}
	t := balance.Totals(c.entries, placed, removed, []window.Window{out.Shift, last, before}, out.Attribution, c.settings.Balance, upTo(now))
	row.Shift, row.Last, row.Before = t[0], t[1], t[2]
	var looks []drain.Entry
	var ranks []int
	for _, e := range c.entries {
		if !e.Counts() || !e.At.Before(out.AsOf) {
			continue
		}
		if e.Appearance != "" {
			row.Look = e
			if !e.At.Before(before.Start) {
				looks = append(looks, e)
				if r, ok := e.Appearance.Rank(); ok {
					ranks = append(ranks, r)
				}
			}
		}
		if e.Suction != "" {
			row.Suction = e
		}
		if e.Kind == drain.Site && e.Assessed {
			row.Seen = e
		}
	}
	row.Course = appearanceCourse(looks, ranks)
	all, err := s.kept(ctx, c, out.Shift.Start, now)
	if err != nil {
		return row, err
	}
	var open []drain.Concern
	for _, k := range all {
		if k.Open() {
			open = append(open, k)
		}
		if k.Patient == patient && k.Since.Before(out.AsOf) {
			row.Concerns = append(row.Concerns, k)
		}
	}
	row.Level = concern.Level(open)
	if !row.Removed.IsZero() {
		return row, nil
	}
	row.Removal = removal.Check(c.settings.Removal, c.subject(), holding(open), c.settings.Calendar, c.settings.Balance, now)
	return row, nil
}

// rested is an entry that the figures rest on, and the row that it is in.
type rested struct {
	row   *answer.HandoverRow
	entry drain.Entry
}

// changed adds what was corrected or charted late since the shift began, of the
// entries of the two days and the shift.
func (s *Service) changed(ctx context.Context, out *answer.Handover, courses []course) error {
	known := map[string]rested{}
	refs := make([]string, len(courses))
	for i := range courses {
		refs[i] = "Device/" + courses[i].id
		for _, e := range courses[i].entries {
			known[e.ID] = rested{&out.Rows[i], e}
		}
	}
	first := out.AsOf.Add(-2 * day)
	if out.Shift.Start.Before(first) {
		first = out.Shift.Start
	}
	shown := 0
	for some := range slices.Chunk(refs, readAhead) {
		q, err := s.find("Observation", "device", strings.Join(some, ","), "date", "ge"+utc(first), "_lastUpdated", "ge"+utc(out.Shift.Start))
		if err != nil {
			return err
		}
		for next := true; next; next = q.Cursor != "" {
			page, err := s.store.Search(ctx, q)
			if err != nil {
				return err
			}
			for _, v := range page.Matches {
				switch is, ok := known[v.ID]; {
				case !ok:
				case v.Number == 1:
					is.late(v)
				case shown == mostCorrections:
					out.More++
				default:
					shown++
					if err := s.corrected(ctx, out.Shift.Start, is, v); err != nil {
						return err
					}
				}
			}
			q.Cursor = page.Next
		}
	}
	for i := range out.Rows {
		r := &out.Rows[i]
		slices.SortStableFunc(r.Late, func(a, b answer.Late) int { return a.Entry.At.Compare(b.Entry.At) })
		slices.SortStableFunc(r.Corrections, func(a, b answer.Correction) int { return a.At.Compare(b.At) })
	}
	return s.whoCorrected(ctx, out)
}

// corrected walks back through the versions of an entry to the start of the shift.
func (s *Service) corrected(ctx context.Context, from time.Time, is rested, v store.Version) error {
	for n := 0; v.Number > 1 && !v.At.Before(from) && n < mostVersions; n++ {
		was, err := s.store.ReadVersion(ctx, v.Key, v.Number-1)
		if err != nil {
			return err
		}
		var c answer.Correction
		c.At = v.At
		for to, x := range map[*drain.Entry]store.Version{&c.Before: was, &c.After: v} {
			tree, err := fhirjson.Parse(x.Body.JSON)
			if err != nil {
				return fault.Wrap(err, "read "+x.Key.String())
			}
			if f, _ := s.decode(tree); f.Entry != nil {
				*to = *f.Entry
			}
			to.ID, to.Version = x.ID, x.Number
		}
		is.row.Corrections = append(is.row.Corrections, c)
		v = was
	}
	if v.Number == 1 && !v.At.Before(from) {
		is.late(v)
	}
	return nil
}

// late notes an entry whose first version came long after its time. What was
// brought in from elsewhere came when it was issued there.
func (is rested) late(v store.Version) {
	if v.At.Sub(is.entry.At) <= lateAfter {
		return
	}
	came := v.At
	if n, err := fhirjson.Parse(v.Body.JSON); err == nil {
		if t, err := time.Parse(time.RFC3339, n.Str("issued")); err == nil && t.Before(came) {
			came = t
		}
	}
	if came.Sub(is.entry.At) > lateAfter {
		is.row.Late = append(is.row.Late, answer.Late{Entry: is.entry, Charted: came})
	}
}

// whoCorrected asks the Provenances who made the corrections and why. A version of
// which none speaks changed no figure, and is left out.
func (s *Service) whoCorrected(ctx context.Context, out *answer.Handover) error {
	var targets []string
	for _, r := range out.Rows {
		for _, c := range r.Corrections {
			targets = append(targets, "Observation/"+c.After.ID)
		}
	}
	if len(targets) == 0 {
		return nil
	}
	slices.Sort(targets)
	q, err := s.find("Provenance", "target", strings.Join(slices.Compact(targets), ","), "_lastUpdated", "ge"+utc(out.Shift.Start))
	if err != nil {
		return err
	}
	page, err := s.store.Search(ctx, q)
	if err != nil {
		return err
	}
	said := map[string]answer.Correction{} // by the version that it made
	for _, v := range page.Matches {
		n, err := fhirjson.Parse(v.Body.JSON)
		if err != nil {
			return fault.Wrap(err, "read "+v.Key.String())
		}
		by, reason := fhirmap.Corrected(n)
		for _, t := range n.Each("target") {
			said[t.Str("reference")] = answer.Correction{By: by, Reason: reason, Provenance: v.ID}
		}
	}
	for i := range out.Rows {
		r := &out.Rows[i]
		r.Corrections = slices.DeleteFunc(r.Corrections, func(c answer.Correction) bool {
			_, ok := said[fhirmap.VersionReference("Observation/"+c.After.ID, c.After.Version)]
			return !ok && equalEntries(plain(c.Before), plain(c.After))
		})
		for k := range r.Corrections {
			c := &r.Corrections[k]
			x := said[fhirmap.VersionReference("Observation/"+c.After.ID, c.After.Version)]
			c.By, c.Reason, c.Provenance = x.By, x.Reason, x.Provenance
		}
	}
	return nil
}

// plain is an entry without what says only that it was changed.
func plain(e drain.Entry) drain.Entry {
	if e.Counts() {
		e.Status = ""
	}
	return e
}

// find makes a query of pairs of parameters and values.
func (s *Service) find(typ string, params ...string) (search.Query, error) {
	var pairs []search.Pair
	for i := 0; i < len(params); i += 2 {
		pairs = append(pairs, search.Pair{Name: params[i], Value: params[i+1]})
	}
	q, _, err := search.ParseQuery(typ, pairs, search.ParseOptions{Base: s.extract.Base, Zone: time.UTC, Now: s.Now()})
	q.Count = store.MaxPage
	return q, err
}

func utc(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// byNumber orders names as people do: bed 2 before bed 10.
func byNumber(a, b string) int {
	for a != "" && b != "" {
		x, y := digits(a), digits(b)
		if x > 0 && y > 0 {
			m, n := strings.TrimLeft(a[:x], "0"), strings.TrimLeft(b[:y], "0")
			if c := cmp.Or(cmp.Compare(len(m), len(n)), cmp.Compare(m, n)); c != 0 {
				return c
			}
			a, b = a[x:], b[y:]
			continue
		}
		if a[0] != b[0] {
			break
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(a, b)
}

// digits is how many digits a name begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}
