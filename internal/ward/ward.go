// Package ward owns the impure core of the service: it takes changes in
// (validated, guarded against the wrong drain, committed together with the
// findings that they open or close), loads what a derived answer needs, and
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

	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/policy"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Service is the core. Make it with New.
type Service struct {
	store    Store
	policy   func() *policy.Policy
	validate Validator
	extract  search.ExtractOptions
	clock    func() time.Time
	log      *slog.Logger
	recheck  time.Duration
	judged   func(time.Duration)
	swept    func(error)
	stripes  [4096]sync.Mutex // by drain: evaluation and commit of one drain are one step

	mu     sync.Mutex
	wakeAt map[string]time.Time // when the sweep must look at a drain again
}

// Store is the part of the store that the core uses.
type Store interface {
	Commit(ctx context.Context, writes []store.Write, audit []store.AuditRecord) ([]store.Result, error)
	Read(ctx context.Context, key store.Key) (store.Version, error)
	Search(ctx context.Context, q search.Query) (store.Page, error)
	Drain(ctx context.Context, id string) (drain.Drain, bool, error)
	DrainsOf(ctx context.Context, patient string) ([]drain.Drain, error)
	DrainsAt(ctx context.Context, places []string) ([]drain.Drain, error)
	ActiveDrains(ctx context.Context, after string, limit int) ([]drain.Drain, error)
	Placements(ctx context.Context, drainID string) ([]drain.Placement, error)
	Entries(ctx context.Context, q store.EntryQuery) ([]drain.Entry, error)
	Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error)
	Findings(ctx context.Context, drainID string, open bool) ([]drain.Finding, error)
	OpenFindings(ctx context.Context, after string, limit int) ([]drain.Finding, error)
	Stays(ctx context.Context, patient string) ([]drain.Stay, error)
	Place(ctx context.Context, id string) (drain.Place, bool, error)
	PlacesWithin(ctx context.Context, id string) ([]string, error)
	State(ctx context.Context, name string) ([]byte, int64, error)
	SetState(ctx context.Context, name string, value []byte, rev int64) (int64, error)
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
	// Judged is told how long the rules took over one drain, Swept how a sweep
	// ended. Both are called from several goroutines; nil for nobody.
	Judged func(took time.Duration)
	Swept  func(err error)
}

// New makes the core.
func New(st Store, o Options) *Service {
	s := &Service{store: st, policy: o.Policy, validate: o.Validate, extract: o.Extract, clock: o.Clock, log: o.Logger, recheck: o.Recheck, judged: o.Judged, swept: o.Swept, wakeAt: map[string]time.Time{}}
	if s.judged == nil {
		s.judged = func(time.Duration) {}
	}
	if s.swept == nil {
		s.swept = func(error) {}
	}
	return s
}

// lock takes the stripes of the drains, in one order for everybody.
func (s *Service) lock(drains []string) (unlock func()) {
	var idx []int
	for _, d := range drains {
		h := fnv.New32a()
		h.Write([]byte(d))
		idx = append(idx, int(h.Sum32()%uint32(len(s.stripes))))
	}
	slices.Sort(idx)
	idx = slices.Compact(idx)
	for _, i := range idx {
		s.stripes[i].Lock()
	}
	return func() {
		for _, i := range idx {
			s.stripes[i].Unlock()
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
	settings   policy.Settings
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
	s := escalate.Subject{Drain: c.drain, Placements: c.placements, Entries: c.entries, Zone: time.UTC}
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

// read adds what is charted of the current stay, all of it: the last word on a
// state (the suction, the site) may be as old as the stay.
func (s *Service) read(ctx context.Context, c *course, now time.Time) (err error) {
	c.entries = nil
	from, _ := c.span(now)
	if c.entries, err = s.store.Entries(ctx, store.EntryQuery{Drain: c.id, From: from}); err != nil {
		return err
	}
	c.settings, err = s.Settings(ctx, c.drain, c.placements)
	return err
}

// settings finds the policy in force for a drain: its ward's, up the chain of
// places, and its compartment's.
func (s *Service) Settings(ctx context.Context, d drain.Drain, placements []drain.Placement) (policy.Settings, error) {
	p := s.policy()
	if !p.HasOverrides() {
		return p.For(nil, d), nil
	}
	place := d.Ward
	if place == "" {
		patient := d.Patient
		for _, pl := range placements {
			if pl.Counts() {
				patient = pl.Patient
			}
		}
		if patient != "" {
			stays, err := s.store.Stays(ctx, patient)
			if err != nil {
				return policy.Settings{}, err
			}
			for _, st := range stays {
				if st.Open && len(st.Places) > 0 {
					place = st.Places[len(st.Places)-1]
					break
				}
			}
		}
	}
	chain, err := s.placeChain(ctx, place)
	return p.For(chain, d), err
}

// placeChain is the place and all that it is part of, innermost first.
func (s *Service) placeChain(ctx context.Context, place string) ([]string, error) {
	var chain []string
	for place != "" && !slices.Contains(chain, place) && len(chain) < 16 {
		chain = append(chain, place)
		p, ok, err := s.store.Place(ctx, place)
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		place = p.PartOf
	}
	return chain, nil
}

// Now is the service's time.
func (s *Service) Now() time.Time { return s.clock().UTC() }

// wake notes when the sweep must look at the drain again.
func (s *Service) wake(id string, at time.Time, ok bool) {
	if !ok {
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
