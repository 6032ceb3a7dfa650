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
	stripes  [256]sync.Mutex // by drain: evaluation and commit of one drain are one step

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
}

// New makes the core.
func New(st Store, o Options) *Service {
	return &Service{store: st, policy: o.Policy, validate: o.Validate, extract: o.Extract, clock: o.Clock, log: o.Logger, wakeAt: map[string]time.Time{}}
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

// MaxCourse is how many entries of one drain an evaluation reads: a reading
// every hour for three weeks, more than any rule looks back at.
const MaxCourse = 512

// course is all that the rules need to know of one drain.
type course struct {
	drain      drain.Drain
	placements []drain.Placement
	entries    []drain.Entry
	settings   policy.Settings
}

// current is the placement in force at t: the latest that began by then.
func (c course) current(t time.Time) (drain.Placement, bool) {
	var best drain.Placement
	found := false
	for _, p := range c.placements {
		if !p.Counts() || p.Start.After(t) {
			continue
		}
		if !found || p.Start.After(best.Start) {
			best, found = p, true
		}
	}
	return best, found
}

// span is from when to when the drain was in place, zero where not known.
func (c course) span(now time.Time) (placed, removed time.Time) {
	if p, ok := c.current(now); ok {
		return p.Start, p.End
	}
	return time.Time{}, time.Time{}
}

func (c course) subject() escalate.Subject {
	return escalate.Subject{Drain: c.drain, Placements: c.placements, Entries: c.entries, Zone: c.settings.Calendar.Zone}
}

// load reads the course of a drain. found is false when no such Device is kept.
func (s *Service) load(ctx context.Context, id string, from time.Time) (c course, found bool, err error) {
	c.drain, found, err = s.store.Drain(ctx, id)
	if err != nil || !found {
		return c, found, err
	}
	if c.placements, err = s.store.Placements(ctx, id); err != nil {
		return c, true, err
	}
	q := store.EntryQuery{Drain: id, From: from}
	if from.IsZero() {
		q.Last = MaxCourse
	}
	if c.entries, err = s.store.Entries(ctx, q); err != nil {
		return c, true, err
	}
	c.settings, err = s.settings(ctx, c.drain, c.placements)
	return c, true, err
}

// settings finds the policy in force for a drain: its ward's, up the chain of
// places, and its compartment's.
func (s *Service) settings(ctx context.Context, d drain.Drain, placements []drain.Placement) (policy.Settings, error) {
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
	s.mu.Lock()
	defer s.mu.Unlock()
	if !ok {
		at = time.Unix(1<<40, 0)
	}
	s.wakeAt[id] = at
}
