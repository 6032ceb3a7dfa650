// Package ward owns the impure core of the service: it takes changes in
// (validated, guarded against the wrong drain, committed together with the
// concerns that they open or close), loads what a derived answer needs, and
// sweeps for what time alone brings about. The rules themselves live in
// balance, trend, due, escalate and removal; the FHIR form in fhirmap.
package ward

import (
	"context"
	"hash/fnv"
	"log/slog"
	"slices"
	"sync"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Service is the core. Make it with New.
type Service struct {
	store     Store
	policy    func() *policy.Policy
	validate  Validator
	extract   search.ExtractOptions
	clock     func() time.Time
	log       *slog.Logger
	recheck   time.Duration
	readings  int
	resource  int
	evaluated func(time.Duration)
	swept     func(error)
	drains    stripes // evaluation and commit of one drain are one step
	records   records // of patients
	names     stripes // planning and commit of one resource, or of what one condition finds, are one step

	mu     sync.Mutex
	wakeAt map[string]time.Time // when the sweep must look at a drain again
	restTo map[string]time.Time // before when the sweep does not, since the drain takes long
	called map[string]name      // of patients, as lists show them
}

// name is kept for nameLasts, since another process may change the Patient.
type name struct {
	text string
	at   time.Time
}

const (
	nameLasts = time.Minute
	maxNames  = 10000
)

// Store is the part of the store that the core uses.
type Store interface {
	Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error)
	Read(ctx context.Context, key store.Key) (store.Version, error)
	ReadVersion(ctx context.Context, key store.Key, number int64) (store.Version, error)
	Search(ctx context.Context, q search.Query) (store.Page, error)
	History(ctx context.Context, q store.HistoryQuery) (store.HistoryPage, error)
	Changes(ctx context.Context, after int64, limit int) ([]store.Version, error)
	Erase(ctx context.Context, e store.Erasure, audit []store.AuditRecord) ([]store.Result, error)
	Transactions() bool
	Drain(ctx context.Context, id string) (drain.Drain, bool, error)
	Drains(ctx context.Context, q store.DrainQuery) ([]drain.Drain, error)
	Placements(ctx context.Context, drainID string) ([]drain.Placement, error)
	OpenPlacements(ctx context.Context, after string, limit int) ([]drain.Placement, error)
	Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error)
	Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error)
	Concerns(ctx context.Context, drainID string, ended time.Time) ([]drain.Concern, error)
	OpenConcerns(ctx context.Context, after string, limit int) ([]drain.Concern, error)
	Stays(ctx context.Context, patients ...string) ([]drain.Stay, error)
	Walks(ctx context.Context, patients ...string) ([]drain.Walk, error)
	Place(ctx context.Context, id string) (drain.Place, bool, error)
	PlacesWithin(ctx context.Context, id string) ([]drain.Place, error)
	State(ctx context.Context, name string) ([]byte, int64, error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
	States(ctx context.Context, prefix string) ([]string, error)
}

// Options are what New needs beside the store.
type Options struct {
	Policy   func() *policy.Policy // the policy in force; may change between calls
	Validate Validator
	Extract  search.ExtractOptions
	Clock    func() time.Time
	Logger   *slog.Logger
	// Recheck is after how long the sweep looks at a drain again even when
	// nothing that this process knows of calls for it. Set it (to a minute at
	// most) where other processes write to the same store; zero is never.
	Recheck time.Duration
	// Readings is how many entries of one drain a day may have, Resource how many
	// bytes a resource; 0 for no limit.
	Readings, Resource int
	// Evaluated is told how long the rules took over one drain, Swept how a sweep
	// ended. Both are called from several goroutines; nil for nobody.
	Evaluated func(took time.Duration)
	Swept     func(err error)
}

// New makes the core.
func New(st Store, o Options) *Service {
	s := &Service{store: st, policy: o.Policy, validate: o.Validate, extract: o.Extract, clock: o.Clock, log: o.Logger, recheck: o.Recheck, readings: o.Readings, resource: o.Resource, evaluated: o.Evaluated, swept: o.Swept, wakeAt: map[string]time.Time{}, restTo: map[string]time.Time{}, called: map[string]name{}}
	if s.evaluated == nil {
		s.evaluated = func(time.Duration) {}
	}
	if s.swept == nil {
		s.swept = func(error) {}
	}
	return s
}

// stripes are locks by name. A step takes names before records before drains.
type stripes [4096]sync.Mutex

func stripe(name string, of int) int {
	h := fnv.New32a()
	h.Write([]byte(name))
	return int(h.Sum32() % uint32(of))
}

// lock takes those of the names, in one order for everybody.
func (s *stripes) lock(names []string) (unlock func()) {
	var idx []int
	for _, name := range names {
		idx = append(idx, stripe(name, len(s)))
	}
	slices.Sort(idx)
	idx = slices.Compact(idx)
	for _, i := range idx {
		s[i].Lock()
	}
	return func() {
		for _, i := range idx {
			s[i].Unlock()
		}
	}
}

// course is all that the rules need to know of one drain.
type course struct {
	id         string
	found      bool // the Device is kept
	drain      drain.Drain
	placements []drain.Placement
	entries    []drain.Entry
	cut        time.Time         // from when on entries holds those that figures are about, where that are too many
	horizon    time.Time         // from when on entries holds all of the stay; zero: from its start
	where      drain.Whereabouts // now
	settings   policy.Settings   // in force there
}

// stay is the current stay of the drain in a patient, as the rules see it.
func (c *course) stay(now time.Time) escalate.Stay { return c.subject().Stay(now) }

// placement is the one that the current stay is by.
func (c *course) placement(now time.Time) (drain.Placement, bool) {
	stay := c.stay(now)
	for _, p := range c.placements {
		if p.Counts() && p.Status == stay.Status && p.End.Equal(stay.End) && (p.Start.Equal(stay.Start) || p.Start.IsZero() && !stay.Charted) {
			return p, true
		}
	}
	return drain.Placement{}, false
}

// span is from when to when the drain was in place, zero where not known.
func (c *course) span(now time.Time) (placed, removed time.Time) {
	stay := c.stay(now)
	return stay.PlacedAt(), stay.End
}

// inPlace reports whether the drain is in a patient now; one without any
// placement counts as in place once something is charted of it.
func (c *course) inPlace(now time.Time) bool {
	stay := c.stay(now)
	return stay.Known() && stay.InPlace
}

func (c *course) patient(now time.Time) string {
	if p, ok := c.placement(now); ok {
		return p.Patient
	}
	if c.drain.Patient != "" {
		return c.drain.Patient
	}
	for _, e := range slices.Backward(c.entries) {
		if e.Counts() {
			return e.Patient
		}
	}
	return ""
}

func (c *course) subject() escalate.Subject {
	s := escalate.Subject{Drain: c.drain, Placements: c.placements, Entries: c.entries, Cut: c.cut, Zone: time.UTC}
	if z := c.settings.Calendar.Zone; z != nil {
		s.Zone = z
	}
	return s
}

// load reads the course of a drain.
func (s *Service) load(ctx context.Context, id string) (course, error) {
	c, err := s.whereabouts(ctx, id)
	if err == nil && c.found {
		err = s.read(ctx, &c, s.Now())
	}
	return c, err
}

// whereabouts reads which drain this is and where it is, without what is
// charted of it.
func (s *Service) whereabouts(ctx context.Context, id string) (course, error) {
	c := course{id: id}
	var err error
	if c.drain, c.found, err = s.store.Drain(ctx, id); err != nil {
		return c, err
	}
	c.placements, err = s.store.Placements(ctx, id)
	return c, err
}

// read adds what is charted of the current stay, all of it.
func (s *Service) read(ctx context.Context, c *course, now time.Time) (err error) {
	c.entries = nil
	from, _ := c.span(now)
	if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: c.id, From: from}); err != nil {
		return err
	}
	return s.settle(ctx, c, now)
}

// settle finds out where the drain is now, and the policy in force there.
func (s *Service) settle(ctx context.Context, c *course, now time.Time) error {
	var stays []drain.Stay
	if patient := c.patient(now); patient != "" {
		var err error
		if stays, err = s.store.Stays(ctx, patient); err != nil {
			return err
		}
	}
	return s.settleBy(ctx, c, stays, now)
}

// settleBy is settle for stays that are known.
func (s *Service) settleBy(ctx context.Context, c *course, stays []drain.Stay, now time.Time) error {
	placed, _ := c.span(now)
	c.where = drain.Where(c.drain, placed, stays, now)
	p := s.policy()
	var chain []string
	if p.HasOverrides() {
		places, err := s.placeChain(ctx, c.where.Place)
		if err != nil {
			return err
		}
		for _, pl := range places {
			chain = append(chain, pl.ID)
		}
	}
	if c.settings = p.For(chain, c.drain); c.where.Home {
		c.settings = c.settings.AtHome()
	}
	return nil
}

// Settings are those in force for a drain where it is now.
func (s *Service) Settings(ctx context.Context, d drain.Drain, placements []drain.Placement) (policy.Settings, error) {
	c := course{id: d.ID, found: true, drain: d, placements: placements}
	err := s.settle(ctx, &c, s.Now())
	return c.settings, err
}

// placeChain is the place and all that it is part of, innermost first.
func (s *Service) placeChain(ctx context.Context, place string) ([]drain.Place, error) {
	var chain []drain.Place
	for place != "" && len(chain) < 16 && !slices.ContainsFunc(chain, func(p drain.Place) bool { return p.ID == place }) {
		p, _, err := s.store.Place(ctx, place)
		if err != nil {
			return nil, err
		}
		p.ID = place // also where no Location of that id is kept
		chain = append(chain, p)
		place = p.PartOf
	}
	return chain, nil
}

// Places are the ids of the place where a drain is now, and of all that it is part
// of, innermost first; none where the drain or its place is not known.
func (s *Service) Places(ctx context.Context, drain string) ([]string, error) {
	c, err := s.whereabouts(ctx, drain)
	if err != nil || !c.found {
		return nil, err
	}
	if err := s.settle(ctx, &c, s.Now()); err != nil {
		return nil, err
	}
	chain, err := s.placeChain(ctx, c.where.Place)
	ids := make([]string, len(chain))
	for i, p := range chain {
		ids[i] = p.ID
	}
	return ids, err
}

// Name is the name of a patient as lists show it; "" where none is known.
func (s *Service) Name(ctx context.Context, patient string) (string, error) {
	now := s.Now()
	s.mu.Lock()
	n, ok := s.called[patient]
	s.mu.Unlock()
	if ok && now.Sub(n.at).Abs() < nameLasts || patient == "" {
		return n.text, nil
	}
	switch tree, _, err := s.readTree(ctx, store.Key{Type: "Patient", ID: patient}); {
	case err == nil:
		n = name{fhirmap.PatientName(tree), now}
	case fault.Is(err, fault.NotFound), fault.Is(err, fault.Gone):
		n = name{"", now}
	default:
		return "", err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.called) >= maxNames {
		clear(s.called)
	}
	s.called[patient] = n
	return n.text, nil
}

// Now is the service's time.
func (s *Service) Now() time.Time { return s.clock().UTC() }

// wake notes when the sweep must look at the drain again, zero for never.
func (s *Service) wake(id string, at time.Time) {
	if at.IsZero() {
		at = never
	}
	if s.recheck > 0 {
		if soon := s.Now().Add(s.recheck); soon.Before(at) {
			at = soon
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wakeAt[id] = at
}

var never = time.Unix(1<<40, 0)

// forget makes the next sweep look at the drains.
func (s *Service) forget(drains ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, id := range drains {
		delete(s.wakeAt, id)
	}
}

func (s *Service) forgetAll() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.wakeAt)
}
