package ward

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"tidemark/fhirmap"
	"tidemark/internal/concern"
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
	Expect   store.Expect   // what the caller says is there; the change is refused if it is not
	Rests    store.Expect   // the version, or the absence, on which the change was planned; Any for none
	Unless   *search.Query  // the change was planned on this matching nothing
	Only     string         // the one patient of whom the caller may know; "" for all
	Carried  bool           // it is as it was but for a reference: it was evaluated when it was written
	By       string         // subject of the caller; "" where data are brought in as a whole
}

// A Plan reads what is there and says what to change, with the audit records of
// that. It is made again after a write conflict.
type Plan func(ctx context.Context) ([]Change, []store.AuditRecord, error)

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
	expect store.Expect  // Change.Expect, or what this step rests on
	before store.Facts   // of the current version, for an update or a deletion
	was    store.Version // that version
}

// Commit applies the changes, all or none: it validates, guards against the
// wrong drain, evaluates the rules of every drain that is touched, and
// commits the changes with the concerns that they open, alter or close.
func (s *Service) Commit(ctx context.Context, changes []Change, audit []store.AuditRecord) ([]store.Result, error) {
	return s.Do(ctx, nil, func(context.Context) ([]Change, []store.AuditRecord, error) { return changes, audit, nil })
}

// Do is Commit for changes that are planned on what is there. names are the
// resources and conditions that the plan is about, as far as they are known:
// writers of one of them take turns, planning included.
func (s *Service) Do(ctx context.Context, names []string, plan Plan) ([]store.Result, error) {
	return s.apply(ctx, names, plan, manner{evaluate: true})
}

// Load is Commit for data that are brought in as a whole: no rule evaluates a
// course of which half is still to come. A Sweep over all drains must follow.
func (s *Service) Load(ctx context.Context, changes []Change) ([]store.Result, error) {
	return s.apply(ctx, nil, func(context.Context) ([]Change, []store.AuditRecord, error) { return changes, nil, nil }, manner{})
}

// maxTries bounds how often a step is made again. From its second try on a step
// holds all that it changes, so that only writers of other processes come
// between again.
const maxTries = 20

// manner is how a step is made.
type manner struct {
	evaluate bool     // by the rules
	alone    []string // patients about whom nobody else may write from planning on
}

// apply is the one place where a step is made again, for one reason: what it
// read - the resource, what a condition finds, the concerns that are open - was
// changed by another writer before it was written.
func (s *Service) apply(ctx context.Context, names []string, plan Plan, how manner) ([]store.Result, error) {
	for try := 1; ; try++ {
		results, ps, err := s.step(ctx, names, plan, how)
		if err == nil || !errors.Is(err, errWriteConflict) {
			return results, err
		}
		if try == maxTries {
			return nil, &fault.Error{Kind: fault.Unavailable, RetryAfter: time.Second, Cause: err, Issues: []fault.Issue{{
				Severity: fault.Err, Code: "conflict", Diagnostics: "Other writers keep changing the resource; nothing was written. Send it again.",
			}}}
		}
		for _, p := range ps {
			names = append(slices.Clip(names), p.Key.String())
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(rand.N(time.Duration(try-1)*time.Millisecond + 1)):
		}
	}
}

// step plans and commits once. errWriteConflict is in the chain of its error
// after a write conflict.
func (s *Service) step(ctx context.Context, names []string, plan Plan, how manner) ([]store.Result, []prepared, error) {
	defer s.names.lock(names)()
	if len(how.alone) > 0 {
		unlock, err := s.alone(ctx, how.alone...)
		if err != nil {
			return nil, nil, err
		}
		defer unlock()
	}
	changes, audit, err := plan(ctx)
	if err != nil || len(changes) == 0 {
		return nil, nil, err
	}
	ps := make([]prepared, len(changes))
	var refused Refused
	for i, c := range changes {
		if ps[i], err = s.prepare(c); err != nil {
			refused.add(i, err)
		}
	}
	if err := refused.as(len(changes)); err != nil {
		return nil, ps, err
	}
	results, writes, err := s.commit(ctx, ps, audit, how)
	if err != nil && s.conflicted(ctx, err, ps, writes) {
		err = fmt.Errorf("%w: %w", errWriteConflict, err)
	}
	return results, ps, err
}

// conflicted reports whether a step was refused because another writer changed
// something between its reading and its writing, and not for an expectation
// that the caller stated.
func (s *Service) conflicted(ctx context.Context, err error, ps []prepared, writes []store.Write) bool {
	if errors.Is(err, errWriteConflict) || errors.Is(err, store.ErrMatched) {
		return true
	}
	if !fault.Is(err, fault.Conflict) && !fault.Is(err, fault.Precondition) {
		return false
	}
	for i, w := range writes {
		if w.Facts.Placement != nil && len(w.Claims) > 0 && lostClaim(err) {
			return true // another placement of the drain came between; the guard sees it now
		}
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
	if s.validate != nil && !c.Carried {
		l = *s.validate(p.Resource)
		if l.Failed() && r4.Kind(&l) == fault.Invalid {
			return p, l.As(fault.Invalid)
		}
	}
	broken := l.Failed()
	l.Issues = append(l.Issues, r4.Storable(p.Resource).Issues...)
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

func (s *Service) commit(ctx context.Context, ps []prepared, audit []store.AuditRecord, how manner) ([]store.Result, []store.Write, error) {
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
	if len(how.alone) == 0 {
		defer s.records.share(patientsOf(ps))()
		defer s.drains.lock(touched)()
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
	if err := s.guard(ctx, ps, courses, now); err != nil {
		return nil, nil, err
	}
	writes := make([]store.Write, 0, len(ps)+2)
	var large Refused
	for i := range ps {
		p := &ps[i]
		w := store.Write{Key: p.Key, Method: p.Method, Expect: p.expect, Unless: p.Unless, Facts: p.facts}
		if p.Method != store.Delete {
			w.Body = fhirmap.Body(p.Resource)
			if n := len(w.Body.JSON); s.resource > 0 && n > s.resource {
				large.add(i, fault.New(fault.TooLarge, "too-long", "The %s has %d bytes; at most %d are kept of one resource. Leave attachments out, or refer to them.", p.Key.Type, n, s.resource))
				continue
			}
			w.Doc = search.Extract(p.Resource, s.extract)
			w.Claims = fhirmap.Claims(p.Resource, p.facts)
			if place := p.facts.Placement; place != nil {
				w.Claims = placementClaims(p, ps, courses[place.Drain])
			}
		}
		writes = append(writes, w)
	}
	if err := large.as(len(ps)); err != nil {
		return nil, nil, err
	}
	altered := alteredReadings(ps)
	writes, err := s.corrections(writes, ps, altered, now)
	if err != nil {
		return nil, nil, err
	}
	evaluations := make(map[string]evaluation, len(touched))
	if how.evaluate {
		for _, id := range touched {
			c := courses[id]
			if err := s.settle(ctx, c, now); err != nil {
				return nil, nil, err
			}
			n := c.news(ps, altered)
			from := n.from(now)
			stored, err := s.store.Concerns(ctx, id, concern.Case{Settings: c.settings.Concern, Now: from}.Since())
			if err != nil {
				return nil, nil, err
			}
			if c.found {
				if err := s.look(ctx, c, stored, from, now); err != nil {
					return nil, nil, err
				}
				c.chart(ps)
			}
			j, err := s.evaluate(ctx, c, stored, now, n)
			if err != nil {
				return nil, nil, err
			}
			writes = append(writes, j.writes...)
			evaluations[id] = j
		}
	}
	results, err := s.store.Commit(ctx, writes, audit)
	if err != nil {
		return nil, writes, err
	}
	for _, id := range touched {
		if j, ok := evaluations[id]; ok {
			s.wake(id, j.next)
			s.forget(j.beside...)
		} else {
			s.forget(id)
		}
	}
	s.moved(ctx, ps)
	return results[:len(ps)], writes, nil
}

// moved makes the sweep look at the drains whose whereabouts, and so the limits
// that hold for them, may have changed.
func (s *Service) moved(ctx context.Context, ps []prepared) {
	for _, p := range ps {
		switch {
		case p.Key.Type == "Patient":
			s.mu.Lock()
			delete(s.called, p.Key.ID)
			s.mu.Unlock()
		case p.facts.Stay != nil && p.facts.Stay.Patient != "":
			if drains, err := s.store.Drains(ctx, store.DrainQuery{Patient: p.facts.Stay.Patient}); err == nil {
				for _, d := range drains {
					s.forget(d.ID)
				}
				continue
			}
			s.forgetAll()
		case p.Key.Type == "Encounter", p.Key.Type == "Location" && s.policy().HasOverrides():
			s.forgetAll()
		}
	}
}

// before reads the facts of the current version and pins the write to it, if
// the plan has not. Only resources that concern a drain need it.
func (s *Service) before(ctx context.Context, p *prepared) error {
	p.before, p.was, p.expect = store.Facts{}, store.Version{}, p.Expect
	free := p.Expect == store.Any || p.Expect == store.Exists
	if free && p.Rests != store.Any {
		p.expect, free = p.Rests, false
	}
	switch p.Key.Type {
	case "Observation", "Device", "DeviceUseStatement":
	default:
		return nil
	}
	if p.expect == store.Absent {
		return nil
	}
	v, err := s.store.Read(ctx, p.Key)
	switch {
	case fault.Is(err, fault.NotFound):
		if free && p.Expect == store.Any && p.Method != store.Delete {
			p.expect = store.Absent
		}
		return nil
	case err != nil:
		return err
	case p.expect == p.Rests && p.expect > 0 && v.Number != int64(p.Rests):
		return errWriteConflict
	case v.Deleted():
		if free && p.Expect == store.Any && p.Method != store.Delete {
			p.expect = store.Expect(v.Number)
		}
		return nil
	case free:
		p.expect = store.Expect(v.Number)
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return fault.Wrap(err, "read the stored version of "+p.Key.String())
	}
	p.before, _ = s.decode(n)
	p.was = v
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

// news is what the changes mean to a drain.
func (c *course) news(ps []prepared, altered []string) news {
	n := news{withdrawn: altered}
	for i := range ps {
		p := &ps[i]
		if e := p.facts.Entry; e != nil && e.Drain == c.id && (p.before.Entry == nil || slices.Contains(altered, p.Key.ID)) {
			n.charted = append(n.charted, *e)
		}
	}
	return n
}

func equalEntries(a, b drain.Entry) bool {
	return a.Kind == b.Kind && a.Drain == b.Drain && a.Patient == b.Patient && a.At.Equal(b.At) && a.Status == b.Status &&
		a.Measured.Known == b.Measured.Known && a.Measured.Volume.Equal(b.Measured.Volume) && a.Measured.Absent == b.Measured.Absent &&
		a.Instilled.Equal(b.Instilled) && a.Estimated == b.Estimated && a.Vessel == b.Vessel &&
		a.Appearance == b.Appearance && a.Colour == b.Colour && a.Suction == b.Suction && a.Patency == b.Patency &&
		a.Fill.Known == b.Fill.Known && a.Fill.Value.Equal(b.Fill.Value) &&
		slices.Equal(a.Signs, b.Signs) && a.Assessed == b.Assessed && a.Dislodged == b.Dislodged &&
		a.Odour == b.Odour && slices.Equal(a.Care, b.Care) && a.DoneBy == b.DoneBy
}

// place makes the whereabouts of a drain those that the changes leave.
func (c *course) place(ps []prepared) {
	for i := range ps {
		p := &ps[i]
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
	slices.SortFunc(c.placements, byStart)
}

// chart makes the entries of a drain those that the changes leave.
func (c *course) chart(ps []prepared) {
	gone := map[string]bool{}
	var came []drain.Entry
	for i := range ps {
		p := &ps[i]
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
// patient and time as they are is not evaluated again, so that an entry can be put
// right when its drain has long been out.
func (s *Service) guard(ctx context.Context, ps []prepared, courses map[string]*course, now time.Time) error {
	var refused Refused
	room := dayRoom{s: s, zone: s.policy().Zone(), left: map[string]int{}}
	for i := range ps {
		p := &ps[i]
		if p.Carried {
			continue
		}
		if p.Key.Type == "Patient" && p.Method != store.Delete {
			if err := s.guardLink(ctx, p); fault.Is(err, fault.Rule) {
				refused.add(i, err)
				continue
			} else if err != nil {
				return err
			}
		}
		// That an entry's drain is in the patient is looked at below, and says as much.
		if e := p.facts.Entry; e == nil || e.Drain == "" {
			if err := s.guardMerged(ctx, p); fault.Is(err, fault.Rule) {
				refused.add(i, err)
				continue
			} else if err != nil {
				return err
			}
		}
		if place, b := p.facts.Placement, p.before.Placement; place != nil && p.Only != "" &&
			!courses[place.Drain].known(p.Only, p.Key.ID) && (b == nil || b.Patient != p.Only || b.Drain != place.Drain) {
			refused.add(i, fault.At(fault.Rule, "not-found", "DeviceUseStatement.device", unknownToPatient, place.Drain))
			continue
		}
		if place := p.facts.Placement; place != nil && place.Counts() && courses[place.Drain] != nil {
			if err := s.guardPlacement(ctx, p, ps, courses[place.Drain]); err != nil {
				var list *fault.Error
				if !errors.As(err, &list) {
					return err
				}
				refused.add(i, err)
			}
			continue
		}
		if b := p.before.Placement; b != nil && b.Counts() && b.Drain != "" && (p.facts.Placement == nil || !p.facts.Placement.Counts()) {
			if err := s.guardWithdrawn(ctx, p, ps, courses[b.Drain]); fault.Is(err, fault.Rule) {
				refused.add(i, err)
			} else if err != nil {
				return err
			}
			continue
		}
		e := p.facts.Entry
		if e == nil {
			continue
		}
		if b := p.before.Entry; b != nil && b.Counts() && b.Drain == e.Drain && b.Patient == e.Patient && b.At.Equal(e.At) {
			continue
		}
		var l fault.List
		if skew := s.policy().ClockSkew(); e.At.After(now.Add(skew)) {
			l.Add("value", "Observation.effective", "The time %s lies %s in the future; at most %s is allowed for differences between clocks. Chart it when it has happened.",
				e.At.Format(time.RFC3339), e.At.Sub(now).Round(time.Second), skew)
		}
		if e.Drain != "" && e.Counts() {
			courses[e.Drain].guard(e, p.Only, &l)
			if !l.Failed() {
				if err := room.take(ctx, p.Key.ID, e, &l); err != nil {
					return err
				}
			}
		}
		if err := l.As(fault.Rule); err != nil {
			if merged := s.guardMerged(ctx, p); fault.Is(merged, fault.Rule) {
				err = merged
			}
			refused.add(i, err)
		}
	}
	return refused.as(len(ps))
}

// dayRoom counts what may still be charted of a drain on a day: the rules go over
// all of it again and again, so that one drain must not grow without bound.
type dayRoom struct {
	s    *Service
	zone *time.Location
	left map[string]int // by drain and day
}

func (r *dayRoom) take(ctx context.Context, id string, e *drain.Entry, l *fault.List) error {
	most := r.s.readings
	if most <= 0 {
		return nil
	}
	at := e.At.In(r.zone)
	from := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, r.zone)
	name := e.Drain + " " + from.Format(time.DateOnly)
	left, known := r.left[name]
	if !known {
		there, err := r.s.store.Entries(ctx, store.EntryQuery{Drain: e.Drain, From: from, To: from.AddDate(0, 0, 1), First: most + 1})
		if err != nil {
			return err
		}
		left = most
		for _, x := range there {
			if x.ID != id {
				left--
			}
		}
	}
	r.left[name] = left - 1
	if left <= 0 {
		l.Add("too-costly", "Observation.effective", "Device/%s has %d entries on %s already, the limit for one day: chart each emptying once, and send the values of an instrument as one sum for each emptying.", e.Drain, most, from.Format(time.DateOnly))
	}
	return nil
}

// unknownToPatient is said to those who may know of one patient only: of a
// drain that never was and of somebody else's alike.
const unknownToPatient = "No drain Device/%s of this patient is registered; check the drain's label, or register the Device first."

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
		l.Add("not-found", device, "No drain Device/%s is registered; check the drain's label, or register the Device first.", e.Drain)
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
			l.Add("business-rule", device, "The drain Device/%s has not been placed yet; its placement is only intended: chart the DeviceUseStatement as active first, or check the drain's label.", e.Drain)
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
	return s.guard(ctx, ps, courses, s.Now())
}
