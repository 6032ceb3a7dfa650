package ward

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/concern"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// evaluation is what becomes of the concerns of a drain now.
type evaluation struct {
	writes []store.Write // concerns to open, amend and close
	next   time.Time     // when time alone may change something; zero: never
	beside []string      // other drains of the patient that may have to be evaluated again
}

// news is what a step changes in the entries of a drain.
type news struct {
	charted   []drain.Entry // added, or as they are now
	withdrawn []string      // corrected in something that a rule looks at, or withdrawn
}

// from is the earliest time of what is charted anew.
func (n news) from(now time.Time) time.Time {
	for _, e := range n.charted {
		if e.Counts() && e.At.Before(now) {
			now = e.At
		}
	}
	return now
}

// evaluate brings the concerns of a course up to date. The caller holds the drain's
// stripe. The concerns must have been read before the entries: then what another
// process adds in between makes the writes collide with its own.
func (s *Service) evaluate(ctx context.Context, c *course, stored []drain.Concern, now time.Time, n news) (j evaluation, err error) {
	k := concern.Case{
		Settings: c.settings.Concern, Rules: c.settings.Escalate, Policy: c.settings.Version,
		Subject: c.subject(), Gone: !c.found, Stored: stored, Withdrawn: n.withdrawn, Known: c.horizon, Now: now,
	}
	k.Subject.Drain.ID = c.id // of a drain that is gone nothing else is known
	if c.found {
		k.Patient = c.patient(now)
	}
	if c.found && (len(n.withdrawn) > 0 || escalate.MaySwap(k.Rules, k.Subject, now)) {
		if k.Subject.Siblings, err = s.siblings(ctx, c, k.Patient, now); err != nil {
			return j, err
		}
	}
	for _, sibling := range k.Subject.Siblings {
		if len(n.charted) > 0 {
			j.beside = append(j.beside, sibling.Drain.ID)
		}
	}
	for _, e := range n.charted {
		if !e.At.Before(c.horizon) {
			k.Charted = append(k.Charted, e.ID)
		}
	}
	gone, err := s.gone(ctx, c, stored)
	if err != nil {
		return j, err
	}
	k.Withdrawn = append(slices.Clip(k.Withdrawn), gone...)
	began := time.Now()
	step := concern.Advance(k)
	s.evaluated(time.Since(began))
	for {
		taken, err := s.taken(ctx, step.Changed)
		if err != nil {
			return j, err
		}
		if len(taken) == 0 {
			break
		}
		// The drain has had concerns of the kind before, or some were erased. One that is
		// open and was not read with the entries may rest on newer ones.
		all, err := s.store.Concerns(ctx, c.id, time.Time{})
		if err != nil {
			return j, err
		}
		for _, old := range all {
			if slices.ContainsFunc(k.Stored, func(known drain.Concern) bool { return known.ID == old.ID }) {
				continue
			}
			if old.Open() {
				return j, errWriteConflict
			}
			k.Stored = append(slices.Clip(k.Stored), old)
		}
		k.Taken = append(k.Taken, taken...)
		step = concern.Advance(k)
	}
	j.next = step.Wake
	for _, next := range step.Changed {
		if next.Version == 0 {
			j.add(s, next, nil, store.Post, store.Absent)
			continue
		}
		// It rests on the version that was read with it: an acknowledgement that comes
		// between must not be lost.
		before, _, err := s.readTree(ctx, store.Key{Type: "DetectedIssue", ID: next.ID})
		if err != nil {
			return j, err
		}
		j.add(s, next, before, store.Put, store.Expect(next.Version))
	}
	slices.SortFunc(j.writes, func(a, b store.Write) int { return cmp.Compare(a.Key.ID, b.Key.ID) })
	return j, nil
}

// siblings reads the patient's other drains that are in place, and what was charted
// of them lately.
func (s *Service) siblings(ctx context.Context, c *course, patient string, now time.Time) ([]escalate.Sibling, error) {
	if patient == "" {
		return nil, nil
	}
	drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: patient})
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, d := range drains {
		if d.ID != c.id {
			ids = append(ids, d.ID)
		}
	}
	if len(ids) == 0 {
		return nil, nil
	}
	latest, err := s.store.Latest(ctx, ids, upTo(now), latestEntries)
	if err != nil {
		return nil, err
	}
	var all []escalate.Sibling
	for _, d := range drains {
		if d.ID == c.id {
			continue
		}
		other := course{id: d.ID, found: true, drain: d, placements: latest[d.ID].Placements, entries: latest[d.ID].Entries}
		if other.inPlace(now) && other.patient(now) == patient {
			all = append(all, other.subject().Beside(now))
		}
	}
	return all, nil
}

// taken are the ids of new concerns that others have, or had before they were erased.
func (s *Service) taken(ctx context.Context, changed []drain.Concern) (ids []string, err error) {
	for _, c := range changed {
		if c.Version > 0 {
			continue
		}
		switch _, err := s.store.Read(ctx, store.Key{Type: "DetectedIssue", ID: c.ID}); {
		case err == nil:
			ids = append(ids, c.ID)
		case !fault.Is(err, fault.NotFound):
			return nil, err
		}
	}
	return ids, nil
}

// errWriteConflict says that another process changed the concerns meanwhile.
var errWriteConflict = errors.New("another process changed the concerns of the drain")

// gone lists readings on which open concerns rest and that no longer count or were
// deleted, in a step that did not come as far as the concerns.
func (s *Service) gone(ctx context.Context, c *course, stored []drain.Concern) ([]string, error) {
	var out []string
	for _, id := range c.evidence(stored) {
		if i := slices.IndexFunc(c.entries, func(e drain.Entry) bool { return e.ID == id }); i >= 0 {
			if !c.entries[i].Counts() {
				out = append(out, id)
			}
			continue
		}
		v, err := s.store.Read(ctx, store.Key{Type: "Observation", ID: id})
		switch {
		case fault.Is(err, fault.NotFound), err == nil && v.Deleted():
			out = append(out, id)
		case err != nil:
			return nil, err
		}
	}
	return out, nil
}

// evidence lists the readings on which open concerns rest.
func (c *course) evidence(stored []drain.Concern) []string {
	var ids []string
	for _, k := range stored {
		if k.Open() {
			for _, e := range k.Evidence {
				ids = append(ids, e.Readings...)
			}
		}
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}

func (j *evaluation) add(s *Service, c drain.Concern, before *fhirjson.Node, m store.Method, expect store.Expect) {
	n := fhirmap.Concern(c, before)
	j.writes = append(j.writes, store.Write{
		Key: store.Key{Type: "DetectedIssue", ID: c.ID}, Method: m, Expect: expect,
		Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract), Facts: store.Facts{Concern: &c},
	})
}

func (s *Service) readTree(ctx context.Context, key store.Key) (*fhirjson.Node, int64, error) {
	v, err := s.store.Read(ctx, key)
	if err != nil {
		return nil, 0, err
	}
	if v.Deleted() {
		return nil, 0, fault.New(fault.Gone, "deleted", "%s has been deleted.", key)
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return nil, 0, fault.Wrap(err, "read "+key.String())
	}
	if len(n.Get("meta").Members) == 0 {
		n.Delete("meta") // it has its place in a stored body, and would be empty here
	}
	return n, v.Number, nil
}

// The rules look back some days, and further to the last word on a state. So what
// they are given is bounded, however long the stay: the entries of these days, not
// more than so many and not fewer, and those on which an open concern rests. So
// many are one every eight minutes for three days, which no ward charts; where
// there are more, a doubt about the charting says so.
const (
	fewestEntries = 64
	mostEntries   = 512
	mostEvidence  = 64
	firstEntries  = 8 // of a stay without a charted start, since the first of all may not count
)

// look reads what the rules need of the current stay. from is the earliest instant
// that they will be asked about.
func (s *Service) look(ctx context.Context, c *course, stored []drain.Concern, from, now time.Time) (err error) {
	placed, _ := c.span(now)
	start := from.Add(-c.settings.Escalate.LookBack())
	if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: c.id, From: placed, Last: fewestEntries}); err != nil {
		return err
	}
	all := len(c.entries) < fewestEntries
	if !all && start.Before(c.entries[0].At) {
		q := store.EntryQuery{Drain: c.id, From: placed, Last: mostEntries}
		if start.After(placed) {
			q.From = start
		}
		if c.entries, err = s.store.Entries(ctx, q); err != nil {
			return err
		}
		all = len(c.entries) < mostEntries && q.From.Equal(placed)
	}
	c.horizon, c.cut = time.Time{}, time.Time{}
	if len(c.entries) == mostEntries && start.Before(c.entries[0].At) {
		c.cut = c.entries[0].At
	}
	if all {
		return nil
	}
	c.horizon = c.entries[0].At
	c.unmeasureFirst()
	var older []drain.Entry
	if placed.IsZero() { // in place since its first entry
		first, err := s.store.Entries(ctx, store.EntryQuery{Drain: c.id, First: firstEntries})
		if err != nil {
			return err
		}
		older = append(older, first...)
	}
	ids := c.evidence(stored)
	for _, id := range ids[max(0, len(ids)-mostEvidence):] {
		there := func(e drain.Entry) bool { return e.ID == id }
		if slices.ContainsFunc(c.entries, there) || slices.ContainsFunc(older, there) {
			continue
		}
		v, err := s.store.Read(ctx, store.Key{Type: "Observation", ID: id})
		if fault.Is(err, fault.NotFound) || err == nil && v.Deleted() {
			continue
		}
		if err != nil {
			return err
		}
		n, err := fhirjson.Parse(v.Body.JSON)
		if err != nil {
			return fault.Wrap(err, "read "+v.Key.String())
		}
		if f, _ := s.decode(n); f.Entry != nil && f.Entry.Drain == c.id && !f.Entry.At.Before(placed) {
			f.Entry.Version = v.Number
			older = append(older, *f.Entry)
		}
	}
	c.entries = append(older, c.entries...)
	slices.SortStableFunc(c.entries, func(a, b drain.Entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	return nil
}

// unmeasureFirst takes the volume from the first emptying of a course that begins
// later than the stay: since when it collected is not known here.
func (c *course) unmeasureFirst() {
	for i := range c.entries {
		if e := &c.entries[i]; e.Kind == drain.Emptying && e.Counts() {
			c.entries = slices.Clone(c.entries)
			c.entries[i].Measured = drain.Measure{Absent: "unknown"}
			return
		}
	}
}

// open reads the open concerns of a drain as they are kept, the worst first.
func (s *Service) open(ctx context.Context, c *course, now time.Time) ([]drain.Concern, error) {
	all, err := s.kept(ctx, c, now, now)
	return slices.DeleteFunc(all, func(k drain.Concern) bool { return !k.Open() }), err
}

// kept reads the concerns of a drain that are open or ended at or after a time,
// the worst first. What time has brought about since this process last looked is
// kept first, so that an answer and what is kept agree.
func (s *Service) kept(ctx context.Context, c *course, ended, now time.Time) ([]drain.Concern, error) {
	s.mu.Lock()
	at, known := s.wakeAt[c.id]
	s.mu.Unlock()
	if !known || !now.Before(at) {
		if err := s.Reevaluate(ctx, c.id); err != nil {
			// A store that takes no writes still answers with what it has.
			if ctx.Err() != nil || !fault.Is(err, fault.Unavailable) {
				return nil, err
			}
			s.log.Warn("a status is answered from what is kept", "drain", c.id, "err", err)
		}
	}
	stored, err := s.store.Concerns(ctx, c.id, ended)
	if err != nil {
		return nil, err
	}
	all, order := slices.Clone(stored), concern.Kinds()
	slices.SortStableFunc(all, func(a, b drain.Concern) int {
		return cmp.Or(b.Severity.Weight()-a.Severity.Weight(), slices.Index(order, a.Kind)-slices.Index(order, b.Kind), cmp.Compare(a.ID, b.ID))
	})
	return all, nil
}

// holding lists the rules behind concerns.
func holding(open []drain.Concern) []escalate.Finding {
	var fs []escalate.Finding
	for _, c := range open {
		for i, e := range c.Evidence {
			headline := c.Headline // that of the first rule
			if i > 0 {
				headline = fhirmap.RuleDisplay(e.Rule)
			}
			fs = append(fs, escalate.Finding{Rule: e.Rule, Severity: e.Severity, Since: e.Since, Headline: headline, Text: e.Text, Evidence: e.Readings})
		}
	}
	return fs
}
