package ward

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/r4"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Validator checks a tree against R4 and the service's own profiles and lists
// every fault.
type Validator func(*fhirjson.Node) *fault.List

// Change is one change that a caller asks for.
type Change struct {
	Method   store.Method
	Key      store.Key      // ID empty: a new one is given
	Resource *fhirjson.Node // nil for a deletion; the service takes it over
	Expect   store.Expect
	Unless   *search.Query // conditional create
}

// NewID makes a logical id. They grow with time, which keeps new resources
// together in an index.
func NewID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.NewString()
	}
	return id.String()
}

// prepared is a change that has been read.
type prepared struct {
	Change
	facts  store.Facts
	before store.Facts // of the current version, for an update or a deletion
	update bool        // a current version is there
}

// Commit applies the changes, all or none: it validates, guards against the
// wrong drain, evaluates the rules of every drain that is touched, and
// commits the changes with the findings that they open, alter or close.
func (s *Service) Commit(ctx context.Context, changes []Change, audit []store.AuditRecord) ([]store.Result, error) {
	return s.apply(ctx, changes, audit, true)
}

// Load is Commit for data that are brought in as a whole: no rule judges a
// course of which half is still to come. A Sweep over all drains must follow.
func (s *Service) Load(ctx context.Context, changes []Change) ([]store.Result, error) {
	return s.apply(ctx, changes, nil, false)
}

func (s *Service) apply(ctx context.Context, changes []Change, audit []store.AuditRecord, judge bool) ([]store.Result, error) {
	ps := make([]prepared, len(changes))
	var refused Refused
	for i, c := range changes {
		var err error
		if ps[i], err = s.prepare(c); err != nil {
			refused.add(i, err)
		}
	}
	if err := refused.as(len(changes)); err != nil {
		return nil, err
	}
	// An update reads the version before it to know which drain it leaves; if
	// another writer comes between, the step is made again from there.
	for try := 0; ; try++ {
		results, err := s.commit(ctx, ps, audit, judge)
		if err == nil || try == 5 || !fault.Is(err, fault.Precondition) || slices.ContainsFunc(changes, func(c Change) bool { return c.Expect > 0 }) {
			return results, err
		}
	}
}

// Refused says which of several changes cannot be made, and why. One change
// alone is refused with its own error.
type Refused struct{ By map[int]*fault.Error }

// Error gives all that is wrong.
func (r *Refused) Error() string {
	var b strings.Builder
	for _, i := range slices.Sorted(maps.Keys(r.By)) {
		fmt.Fprintf(&b, "change %d: %v; ", i, r.By[i])
	}
	return b.String()
}

// Unwrap gives the error of the first change, whose kind is that of all.
func (r *Refused) Unwrap() error { return r.By[slices.Min(slices.Collect(maps.Keys(r.By)))] }

func (r *Refused) add(i int, err error) {
	if r.By == nil {
		r.By = map[int]*fault.Error{}
	}
	r.By[i] = fault.Of(err)
}

func (r *Refused) as(changes int) error {
	switch {
	case len(r.By) == 0:
		return nil
	case changes == 1:
		return r.By[0]
	}
	return r
}

func (s *Service) prepare(c Change) (prepared, error) {
	p := prepared{Change: c}
	if c.Method == store.Delete {
		return p, nil
	}
	if p.Key.ID == "" {
		p.Key.ID = NewID()
	}
	p.Resource.SetAt(1, "id", fhirjson.Str(p.Key.ID))
	var l fault.List
	if s.validate != nil {
		l = *s.validate(p.Resource)
		if l.Failed() && r4.Kind(&l) == fault.Invalid {
			return p, l.As(fault.Invalid)
		}
	}
	broken := l.Failed()
	facts, more := fhirmap.Decode(p.Resource, s.policy().Zone())
	for _, is := range more.Issues {
		// What R4 has found already is not said twice, and a model that does not
		// take a broken resource is no fault of its own.
		if broken && (is.Code == "not-supported" || covered(l.Issues, is)) {
			continue
		}
		l.Issues = append(l.Issues, is)
	}
	p.facts = facts
	return p, l.As(fault.Rule)
}

func covered(list []fault.Issue, is fault.Issue) bool {
	for _, o := range list {
		for _, e := range o.Expression {
			if len(is.Expression) > 0 && (strings.HasPrefix(is.Expression[0], e) || strings.HasPrefix(e, is.Expression[0])) {
				return true
			}
		}
	}
	return false
}

func (s *Service) commit(ctx context.Context, ps []prepared, audit []store.AuditRecord, judge bool) ([]store.Result, error) {
	var touched []string
	for i := range ps {
		p := &ps[i]
		if p.Expect != store.Absent && !(p.Method == store.Post) {
			if err := s.before(ctx, p); err != nil {
				return nil, err
			}
		}
		touched = append(touched, drainsOf(p.facts)...)
		touched = append(touched, drainsOf(p.before)...)
	}
	slices.Sort(touched)
	touched = slices.Compact(touched)
	defer s.lock(touched)()

	now := s.Now()
	if err := s.guard(ctx, ps, now); err != nil {
		return nil, err
	}
	writes := make([]store.Write, 0, len(ps)+2)
	for i := range ps {
		p := &ps[i]
		w := store.Write{Key: p.Key, Method: p.Method, Expect: p.Expect, Unless: p.Unless, Facts: p.facts}
		if p.Method != store.Delete {
			w.Body = fhirmap.Body(p.Resource)
			w.Doc = search.Extract(p.Resource, s.extract)
			w.Claims = claims(p.Resource)
		}
		writes = append(writes, w)
	}
	type wakeup struct {
		drain string
		at    time.Time
		ok    bool
	}
	var wakes []wakeup
	if judge && !s.unlessMatches(ctx, ps) {
		for _, id := range touched {
			c, found, err := s.overlay(ctx, id, ps)
			if err != nil {
				return nil, err
			}
			if !found {
				continue
			}
			ws, next, ok, err := s.evaluate(ctx, c, now, changed(ps))
			if err != nil {
				return nil, err
			}
			writes = append(writes, ws...)
			wakes = append(wakes, wakeup{id, next, ok})
		}
	}
	results, err := s.store.Commit(ctx, writes, audit)
	if err != nil {
		return nil, err
	}
	for _, w := range wakes {
		s.wake(w.drain, w.at, w.ok)
	}
	return results[:len(ps)], nil
}

// unlessMatches looks ahead whether a conditional create will be answered by
// what is there, so that no finding is drawn from a reading that is not kept.
func (s *Service) unlessMatches(ctx context.Context, ps []prepared) bool {
	for _, p := range ps {
		if p.Unless == nil {
			continue
		}
		q := *p.Unless
		q.Count = 1
		if page, err := s.store.Search(ctx, q); err == nil && len(page.Matches) > 0 && len(ps) == 1 {
			return true
		}
	}
	return false
}

// before reads the facts of the current version and pins the write to it.
func (s *Service) before(ctx context.Context, p *prepared) error {
	p.before, p.update = store.Facts{}, false
	v, err := s.store.Read(ctx, p.Key)
	if fault.Is(err, fault.NotFound) || err == nil && v.Deleted() {
		return nil
	}
	if err != nil {
		return err
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return fault.Wrap(err, "read the stored version of "+p.Key.String())
	}
	p.before, _ = fhirmap.Decode(n, s.policy().Zone())
	p.update = true
	if p.Expect == store.Any && len(drainsOf(p.before)) > 0 {
		p.Expect = store.Expect(v.Number)
	}
	return nil
}

func drainsOf(f store.Facts) []string {
	switch {
	case f.Entry != nil && f.Entry.Drain != "":
		return []string{f.Entry.Drain}
	case f.Drain != nil:
		return []string{f.Drain.ID}
	case f.Placement != nil && f.Placement.Drain != "":
		return []string{f.Placement.Drain}
	}
	return nil
}

// changed lists the ids of entries that this step alters or deletes.
func changed(ps []prepared) []string {
	var ids []string
	for _, p := range ps {
		if p.update && p.before.Entry != nil {
			ids = append(ids, p.Key.ID)
		}
	}
	return ids
}

// claims are the identifiers that only one Observation may hold.
func claims(n *fhirjson.Node) []string {
	if n.Str("resourceType") != "Observation" {
		return nil
	}
	var out []string
	for _, id := range n.Each("identifier") {
		if v := id.Str("value"); v != "" {
			out = append(out, id.Str("system")+"|"+v)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// overlay loads a drain's course as it will be once the changes are in.
func (s *Service) overlay(ctx context.Context, id string, ps []prepared) (course, bool, error) {
	c, found, err := s.load(ctx, id, time.Time{})
	if err != nil {
		return c, false, err
	}
	for _, p := range ps {
		gone := p.Method == store.Delete
		switch {
		case p.facts.Drain != nil && p.facts.Drain.ID == id:
			c.drain, found = *p.facts.Drain, true
		case p.before.Drain != nil && p.before.Drain.ID == id && gone:
			found = false
		}
		if p.before.Placement != nil || p.facts.Placement != nil {
			c.placements = slices.DeleteFunc(slices.Clone(c.placements), func(x drain.Placement) bool { return x.ID == p.Key.ID })
			if f := p.facts.Placement; f != nil && f.Drain == id {
				c.placements = append(c.placements, *f)
			}
		}
		if p.before.Entry != nil || p.facts.Entry != nil {
			c.entries = slices.DeleteFunc(slices.Clone(c.entries), func(x drain.Entry) bool { return x.ID == p.Key.ID })
			if f := p.facts.Entry; f != nil && f.Drain == id {
				c.entries = append(c.entries, *f)
			}
		}
	}
	slices.SortFunc(c.entries, func(a, b drain.Entry) int {
		if a.Before(b) {
			return -1
		}
		return 1
	})
	if found {
		c.settings, err = s.settings(ctx, c.drain, c.placements)
	}
	return c, found, err
}

// guard refuses entries on the wrong drain or at an impossible time: contract
// 3.3. Changes of the same step count as made.
func (s *Service) guard(ctx context.Context, ps []prepared, now time.Time) error {
	var refused Refused
	for i, p := range ps {
		e := p.facts.Entry
		if e == nil {
			continue
		}
		var l fault.List
		if skew := s.policy().ClockSkew(); e.At.After(now.Add(skew)) {
			l.Add("value", "Observation.effective", "The time %s lies %s in the future; at most %s is allowed for clocks that differ. Chart it when it has happened.",
				e.At.Format(time.RFC3339), e.At.Sub(now).Round(time.Second), skew)
		}
		if e.Drain != "" && e.Counts() {
			if err := s.guardDrain(ctx, ps, e, &l); err != nil {
				return err
			}
		}
		if err := l.As(fault.Rule); err != nil {
			refused.add(i, err)
		}
	}
	return refused.as(len(ps))
}

func (s *Service) guardDrain(ctx context.Context, ps []prepared, e *drain.Entry, l *fault.List) error {
	d, found, err := s.store.Drain(ctx, e.Drain)
	if err != nil {
		return err
	}
	placements, err := s.store.Placements(ctx, e.Drain)
	if err != nil {
		return err
	}
	for _, p := range ps {
		if p.facts.Drain != nil && p.facts.Drain.ID == e.Drain {
			d, found = *p.facts.Drain, true
		}
		if p.facts.Placement != nil && p.facts.Placement.Drain == e.Drain {
			placements = append(slices.DeleteFunc(slices.Clone(placements), func(x drain.Placement) bool { return x.ID == p.Key.ID }), *p.facts.Placement)
		}
	}
	const device = "Observation.device"
	if !found {
		l.Add("not-found", device, "No drain Device/%s is known; check the drain's label, or register the Device first.", e.Drain)
		return nil
	}
	var real []drain.Placement
	for _, p := range placements {
		if p.Counts() {
			real = append(real, p)
		}
	}
	if len(real) == 0 {
		switch {
		case d.Patient == "":
			l.Add("business-rule", device, "The drain Device/%s has not been placed in any patient: chart its DeviceUseStatement first.", e.Drain)
		case d.Patient != e.Patient:
			l.Add("business-rule", "Observation.subject", "Wrong drain? Device/%s is not a drain of the patient this entry names. Compare the drain's label, site and side with the patient at the bedside.", e.Drain)
		}
		return nil
	}
	var reasons []string
	for _, p := range real {
		switch {
		case p.Holds(e.At) && p.Patient == e.Patient:
			return nil
		case p.Holds(e.At):
			l.Add("business-rule", "Observation.subject", "Wrong drain? At %s Device/%s was not in the patient this entry names. Compare the drain's label, site and side with the patient at the bedside.",
				e.At.Format(time.RFC3339), e.Drain)
			return nil
		case !p.Start.IsZero() && e.At.Before(p.Start):
			reasons = append(reasons, "it was placed only at "+p.Start.Format(time.RFC3339))
		default:
			reasons = append(reasons, "it was removed at "+p.End.Format(time.RFC3339))
		}
	}
	slices.Sort(reasons)
	l.Add("business-rule", "Observation.effective", "Device/%s was not in place at %s: %s. Check the drain and the time.", e.Drain, e.At.Format(time.RFC3339), strings.Join(slices.Compact(reasons), "; "))
	return nil
}

// Validate says what would keep a resource from being written, without
// writing it.
func (s *Service) Validate(ctx context.Context, n *fhirjson.Node) error {
	p, err := s.prepare(Change{Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: cmp.Or(n.Str("id"), NewID())}, Resource: n})
	if err != nil {
		return err
	}
	return s.guard(ctx, []prepared{p}, s.Now())
}
