package ward

import (
	"cmp"
	"context"
	"errors"
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
	Only     string        // the one patient of whom the caller may know; "" for all
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
	expect store.Expect // Change.Expect, or the version that this step rests on
	before store.Facts  // of the current version, for an update or a deletion
	kept   bool         // a conditional create that what is there answers
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
	// A step rests on what it read: which drain an update leaves, which findings
	// are open. If another writer comes between, it is made again from there.
	for try := 1; ; try++ {
		results, writes, err := s.commit(ctx, ps, audit, judge)
		switch {
		case err == nil:
			return results, nil
		case !s.overtaken(ctx, err, ps, writes):
			return nil, err
		case try == maxTries:
			return nil, &fault.Error{Kind: fault.Unavailable, RetryAfter: time.Second, Cause: err, Issues: []fault.Issue{{
				Severity: fault.Err, Code: "conflict", Diagnostics: "Others change the same drain all the time; nothing was written. Send it again.",
			}}}
		}
	}
}

// maxTries bounds how often a step is made again. Writers of one process take
// turns, so that only those of other processes can overtake it.
const maxTries = 20

// overtaken reports whether a step was refused since another writer changed
// something between its reading and its writing, and not for an expectation
// that the caller stated.
func (s *Service) overtaken(ctx context.Context, err error, ps []prepared, writes []store.Write) bool {
	if errors.Is(err, errOvertaken) {
		return true
	}
	if !fault.Is(err, fault.Conflict) && !fault.Is(err, fault.Precondition) {
		return false
	}
	for i, w := range writes {
		if i < len(ps) && ps[i].expect == ps[i].Expect {
			continue
		}
		switch v, err := s.store.Read(ctx, w.Key); {
		case err != nil:
		case w.Expect == store.Absent, w.Expect > 0 && v.Number != int64(w.Expect):
			return true
		}
	}
	return false
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
	facts, more := s.decode(p.Resource)
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

func (s *Service) decode(n *fhirjson.Node) (store.Facts, *fault.List) {
	return fhirmap.Reader{Zone: s.policy().Zone(), Base: s.extract.Base}.Decode(n)
}

// covered reports whether the list has a fault of the same element, of one
// around it or of one in it.
func covered(list []fault.Issue, is fault.Issue) bool {
	around := func(a, b string) bool {
		rest, ok := strings.CutPrefix(b, a)
		return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
	}
	for _, o := range list {
		for _, e := range o.Expression {
			if len(is.Expression) > 0 && (around(e, is.Expression[0]) || around(is.Expression[0], e)) {
				return true
			}
		}
	}
	return false
}

func (s *Service) commit(ctx context.Context, ps []prepared, audit []store.AuditRecord, judge bool) ([]store.Result, []store.Write, error) {
	var touched []string
	for i := range ps {
		if err := s.before(ctx, &ps[i]); err != nil {
			return nil, nil, err
		}
		touched = append(touched, drainsOf(ps[i].facts)...)
		touched = append(touched, drainsOf(ps[i].before)...)
	}
	slices.Sort(touched)
	touched = slices.Compact(touched)
	defer s.lock(touched)()

	if err := s.lookAhead(ctx, ps); err != nil {
		return nil, nil, err
	}
	now := s.Now()
	courses := make(map[string]*course, len(touched))
	for _, id := range touched {
		c, err := s.whereabouts(ctx, id)
		if err != nil {
			return nil, nil, err
		}
		c.place(ps)
		courses[id] = &c
	}
	if err := s.guard(ps, courses, now); err != nil {
		return nil, nil, err
	}
	writes := make([]store.Write, 0, len(ps)+2)
	for i := range ps {
		p := &ps[i]
		w := store.Write{Key: p.Key, Method: p.Method, Expect: p.expect, Unless: p.Unless, Facts: p.facts}
		if p.Method != store.Delete {
			w.Body = fhirmap.Body(p.Resource)
			w.Doc = search.Extract(p.Resource, s.extract)
			w.Claims = fhirmap.Claims(p.Resource)
		}
		writes = append(writes, w)
	}
	judged := make(map[string]judgement, len(touched))
	if judge {
		altered := alteredReadings(ps)
		for _, id := range touched {
			c := courses[id]
			open, err := s.store.Findings(ctx, id, true)
			if err != nil {
				return nil, nil, err
			}
			if c.found {
				if err := s.read(ctx, c, now); err != nil {
					return nil, nil, err
				}
				c.chart(ps)
			}
			j, err := s.judge(ctx, c, open, now, altered)
			if err != nil {
				return nil, nil, err
			}
			writes = append(writes, j.writes...)
			judged[id] = j
		}
	}
	results, err := s.store.Commit(ctx, writes, audit)
	if err != nil {
		return nil, writes, err
	}
	for _, id := range touched {
		if j, ok := judged[id]; ok {
			s.wake(id, j.next, j.ok)
		} else {
			s.forget(id)
		}
	}
	for i, r := range results[:len(ps)] {
		if r.Existing != ps[i].kept {
			s.forget(drainsOf(ps[i].facts)...) // the look ahead was overtaken
		}
	}
	s.moved(ctx, ps)
	return results[:len(ps)], writes, nil
}

// lookAhead finds the conditional creates that will be answered by what is
// there, so that no finding is drawn from a reading that is not kept.
func (s *Service) lookAhead(ctx context.Context, ps []prepared) error {
	for i := range ps {
		p := &ps[i]
		if p.Unless == nil {
			continue
		}
		q := *p.Unless
		q.Count = 1
		page, err := s.store.Search(ctx, q)
		if err != nil {
			return err
		}
		p.kept = len(page.Matches) > 0
	}
	return nil
}

// moved makes the sweep look at the drains whose ward may have changed, where
// wards have thresholds of their own.
func (s *Service) moved(ctx context.Context, ps []prepared) {
	if !s.policy().HasOverrides() {
		return
	}
	for _, p := range ps {
		switch {
		case p.facts.Stay != nil && p.facts.Stay.Patient != "":
			if drains, err := s.store.DrainsOf(ctx, p.facts.Stay.Patient); err == nil {
				for _, d := range drains {
					s.forget(d.ID)
				}
				continue
			}
			s.forgetAll()
		case p.Key.Type == "Encounter", p.Key.Type == "Location":
			s.forgetAll()
		}
	}
}

// before reads the facts of the current version and pins the write to it. Only
// resources that concern a drain need it.
func (s *Service) before(ctx context.Context, p *prepared) error {
	p.before, p.expect = store.Facts{}, p.Expect
	switch p.Key.Type {
	case "Observation", "Device", "DeviceUseStatement":
	default:
		return nil
	}
	if p.Expect == store.Absent {
		return nil
	}
	v, err := s.store.Read(ctx, p.Key)
	ours := p.Expect == store.Any || p.Expect == store.Exists
	switch {
	case fault.Is(err, fault.NotFound):
		if p.Expect == store.Any && p.Method != store.Delete {
			p.expect = store.Absent
		}
		return nil
	case err != nil:
		return err
	case v.Deleted():
		if p.Expect == store.Any && p.Method != store.Delete {
			p.expect = store.Expect(v.Number)
		}
		return nil
	case ours:
		p.expect = store.Expect(v.Number)
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return fault.Wrap(err, "read the stored version of "+p.Key.String())
	}
	p.before, _ = s.decode(n)
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

// alteredReadings lists the ids of entries that this step takes back, or
// corrects in something that a rule looks at.
func alteredReadings(ps []prepared) []string {
	var ids []string
	for _, p := range ps {
		if p.before.Entry == nil {
			continue
		}
		if p.facts.Entry != nil {
			a, b := *p.before.Entry, *p.facts.Entry
			if a.Counts() == b.Counts() {
				a.Status, b.Status = "", ""
			}
			a.DoneBy, b.DoneBy = "", ""
			a.Version, b.Version = 0, 0
			if equalEntries(a, b) {
				continue
			}
		}
		ids = append(ids, p.Key.ID)
	}
	return ids
}

func equalEntries(a, b drain.Entry) bool {
	return a.Kind == b.Kind && a.Drain == b.Drain && a.Patient == b.Patient && a.At.Equal(b.At) && a.Status == b.Status &&
		a.Measured.Known == b.Measured.Known && a.Measured.Volume.Equal(b.Measured.Volume) && a.Measured.Absent == b.Measured.Absent &&
		a.Instilled.Equal(b.Instilled) && a.Estimated == b.Estimated && a.Vessel == b.Vessel &&
		a.Appearance == b.Appearance && a.Colour == b.Colour && a.Suction == b.Suction && a.Patency == b.Patency &&
		a.Fill.Known == b.Fill.Known && a.Fill.Value.Equal(b.Fill.Value) &&
		slices.Equal(a.Signs, b.Signs) && a.Assessed == b.Assessed && a.Dislodged == b.Dislodged
}

// place makes the whereabouts of a drain those that the changes leave.
func (c *course) place(ps []prepared) {
	for i := range ps {
		p := &ps[i]
		if p.kept {
			continue
		}
		switch {
		case p.facts.Drain != nil && p.Key.ID == c.id:
			c.drain, c.found = *p.facts.Drain, true
		case p.before.Drain != nil && p.Key.ID == c.id && p.Method == store.Delete:
			c.found = false
		}
		if p.before.Placement != nil || p.facts.Placement != nil {
			c.placements = slices.DeleteFunc(slices.Clone(c.placements), func(x drain.Placement) bool { return x.ID == p.Key.ID })
			if f := p.facts.Placement; f != nil && f.Drain == c.id {
				c.placements = append(c.placements, *f)
			}
		}
	}
	slices.SortFunc(c.placements, func(a, b drain.Placement) int { return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.ID, b.ID)) })
}

// chart makes the entries of a drain those that the changes leave.
func (c *course) chart(ps []prepared) {
	gone := map[string]bool{}
	var came []drain.Entry
	for i := range ps {
		p := &ps[i]
		if p.kept {
			continue
		}
		if p.before.Entry != nil {
			gone[p.Key.ID] = true
		}
		if e := p.facts.Entry; e != nil && e.Drain == c.id {
			came = append(came, *e)
		}
	}
	if len(gone) > 0 {
		c.entries = slices.DeleteFunc(slices.Clone(c.entries), func(e drain.Entry) bool { return gone[e.ID] })
	}
	c.entries = append(slices.Clip(c.entries), came...)
	slices.SortStableFunc(c.entries, func(a, b drain.Entry) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
}

// guard refuses entries on the wrong drain or at an impossible time: contract
// 3.3. Changes of the same step count as made. A correction that leaves drain,
// patient and time as they are is not judged again, so that an entry can be put
// right when its drain has long been out.
func (s *Service) guard(ps []prepared, courses map[string]*course, now time.Time) error {
	var refused Refused
	for i, p := range ps {
		if place, b := p.facts.Placement, p.before.Placement; place != nil && p.Only != "" && !p.kept &&
			!courses[place.Drain].known(p.Only, p.Key.ID) && (b == nil || b.Patient != p.Only || b.Drain != place.Drain) {
			refused.add(i, fault.At(fault.Rule, "not-found", "DeviceUseStatement.device", unknownToPatient, place.Drain))
			continue
		}
		e := p.facts.Entry
		if e == nil || p.kept {
			continue
		}
		if b := p.before.Entry; b != nil && b.Counts() && b.Drain == e.Drain && b.Patient == e.Patient && b.At.Equal(e.At) {
			continue
		}
		var l fault.List
		if skew := s.policy().ClockSkew(); e.At.After(now.Add(skew)) {
			l.Add("value", "Observation.effective", "The time %s lies %s in the future; at most %s is allowed for clocks that differ. Chart it when it has happened.",
				e.At.Format(time.RFC3339), e.At.Sub(now).Round(time.Second), skew)
		}
		if e.Drain != "" && e.Counts() {
			courses[e.Drain].guard(e, p.Only, &l)
		}
		if err := l.As(fault.Rule); err != nil {
			refused.add(i, err)
		}
	}
	return refused.as(len(ps))
}

// unknownToPatient is said to those who may know of one patient only: of a
// drain that never was and of somebody else's alike.
const unknownToPatient = "No drain Device/%s of this patient is known; check the drain's label, or register the Device first."

// known reports whether the drain is one of the patient's, by its Device or by
// a placement other than the one with that id.
func (c *course) known(patient, but string) bool {
	return c != nil && c.found && (c.drain.Patient == patient ||
		slices.ContainsFunc(c.placements, func(p drain.Placement) bool { return p.Patient == patient && p.ID != but }))
}

func (c *course) guard(e *drain.Entry, only string, l *fault.List) {
	const device, subject = "Observation.device", "Observation.subject"
	if only != "" && !c.known(only, "") {
		l.Add("not-found", device, unknownToPatient, e.Drain)
		return
	}
	if !c.found {
		l.Add("not-found", device, "No drain Device/%s is known; check the drain's label, or register the Device first.", e.Drain)
		return
	}
	var real []drain.Placement
	planned := false
	for _, p := range c.placements {
		if p.Counts() {
			real = append(real, p)
		}
		planned = planned || p.Status == drain.PlacementIntended
	}
	const atBedside = "Compare the drain's label, site and side with the patient at the bedside."
	if len(real) == 0 {
		switch {
		case planned:
			l.Add("business-rule", device, "The drain Device/%s has not been placed yet, its placement is only intended: chart the DeviceUseStatement as active first, or check the drain's label.", e.Drain)
		case c.drain.Patient == "":
			l.Add("business-rule", device, "The drain Device/%s has not been placed in any patient: chart its DeviceUseStatement first.", e.Drain)
		case c.drain.Patient != e.Patient:
			l.Add("business-rule", subject, "Wrong drain? Device/%s is not a drain of the patient this entry names. %s", e.Drain, atBedside)
		}
		return
	}
	elsewhere := false
	var reasons []string // why the placements in this patient do not hold
	for _, p := range real {
		switch {
		case p.Holds(e.At) && p.Patient == e.Patient:
			return
		case p.Holds(e.At):
			elsewhere = true
		case p.Patient != e.Patient:
		case !p.Start.IsZero() && e.At.Before(p.Start):
			reasons = append(reasons, "it was placed only at "+p.Start.Format(time.RFC3339))
		default:
			reasons = append(reasons, "it was removed at "+p.End.Format(time.RFC3339))
		}
	}
	if elsewhere || len(reasons) == 0 {
		l.Add("business-rule", subject, "Wrong drain? At %s Device/%s was not in the patient this entry names. %s", e.At.Format(time.RFC3339), e.Drain, atBedside)
		return
	}
	slices.Sort(reasons)
	l.Add("business-rule", "Observation.effective", "Device/%s was not in place at %s: %s. Check the drain and the time.", e.Drain, e.At.Format(time.RFC3339), strings.Join(slices.Compact(reasons), "; "))
}

// Validate says what would keep a resource from being written, without
// writing it. To a caller who may know of one patient only it says nothing of
// what is stored of others.
func (s *Service) Validate(ctx context.Context, n *fhirjson.Node, only string) error {
	p, err := s.prepare(Change{Only: only, Method: store.Put, Key: store.Key{Type: n.Str("resourceType"), ID: cmp.Or(n.Str("id"), NewID())}, Resource: n})
	if err != nil {
		return err
	}
	if e := p.facts.Entry; only == "" || e != nil && e.Patient == only {
		if err := s.before(ctx, &p); err != nil {
			return err
		}
	}
	ps := []prepared{p}
	courses := map[string]*course{}
	for _, id := range drainsOf(p.facts) {
		c, err := s.whereabouts(ctx, id)
		if err != nil {
			return err
		}
		c.place(ps)
		courses[id] = &c
	}
	return s.guard(ps, courses, s.Now())
}
