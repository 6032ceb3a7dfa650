package ward

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidemark/internal/concern"
	"tidemark/internal/fault"
	"tidemark/internal/store"
)

// sweepBatch is how many drains a sweep lists at a time.
const sweepBatch = 500

// Sweep evaluates every drain whose condition time alone may have changed
// since it was last looked at, and brings its concerns up to date. It is
// called every few seconds; a drain that nothing can change is passed over.
// all looks at every drain, as after a start or a change of policy. A drain
// that fails does not keep the others from being looked at; the error names it
// and the next sweep tries it again.
func (s *Service) Sweep(ctx context.Context, all bool) (evaluated int, err error) {
	now := s.Now()
	seen := map[string]bool{}
	var failed []error
	if err := s.settleMerges(ctx); err != nil {
		failed = append(failed, err)
	}
	look := func(id string) {
		if seen[id] {
			return
		}
		seen[id] = true
		s.mu.Lock()
		at, known := s.wakeAt[id]
		s.mu.Unlock()
		if known && !all && now.Before(at) || s.rests(id, now) {
			return
		}
		evaluated++
		began := s.Now()
		err := fault.Contain("evaluate the drain", func() error {
			ctx, cancel := context.WithTimeout(ctx, drainTime)
			defer cancel()
			return s.reevaluate(ctx, id, all)
		})
		s.rest(id, began)
		if err != nil {
			if errors.Is(err, fault.ErrPanic) {
				s.log.Error("a drain is skipped: a defect occurred while it was evaluated", "drain", id, "cause", fault.Of(err).Cause)
			}
			s.forget(id)
			failed = append(failed, fmt.Errorf("drain %s: %w", id, err))
		}
	}
	for after := ""; ctx.Err() == nil; {
		drains, err := s.store.Drains(ctx, store.DrainQuery{After: after, Limit: sweepBatch})
		if err != nil {
			return evaluated, errors.Join(append(failed, err)...)
		}
		for _, d := range drains {
			look(d.ID)
		}
		if len(drains) < sweepBatch {
			break
		}
		after = drains[len(drains)-1].ID
	}
	// A drain that is in place is looked at whatever its Device says.
	for after := ""; ctx.Err() == nil; {
		placed, err := s.store.OpenPlacements(ctx, after, sweepBatch)
		if err != nil {
			return evaluated, errors.Join(append(failed, err)...)
		}
		for _, p := range placed {
			if p.Open() && p.Drain != "" {
				look(p.Drain)
			}
		}
		if len(placed) < sweepBatch {
			break
		}
		after = placed[len(placed)-1].ID
	}
	// Drains that are no longer active may still have open concerns.
	for after := ""; ctx.Err() == nil; {
		cs, err := s.store.OpenConcerns(ctx, after, sweepBatch)
		if err != nil {
			return evaluated, errors.Join(append(failed, err)...)
		}
		for _, c := range cs {
			look(c.Drain)
		}
		if len(cs) < sweepBatch {
			break
		}
		after = cs[len(cs)-1].ID
	}
	return evaluated, errors.Join(append(failed, ctx.Err())...)
}

// A drain that takes long must not keep the sweep from all others again and
// again: it rests for a while that grows with what it took, so that it has a
// twentieth of the time at most.
const (
	drainTime = 30 * time.Second // for what the store does for one drain
	longTime  = time.Second
	restShare = 19
	restMost  = 10 * time.Minute
)

func (s *Service) rest(id string, began time.Time) {
	took := s.Now().Sub(began)
	s.mu.Lock()
	defer s.mu.Unlock()
	if took < longTime {
		delete(s.restTo, id)
		return
	}
	s.restTo[id] = began.Add(took + min(restShare*took, restMost))
	s.log.Warn("a drain takes long to evaluate and is skipped for a while", "drain", id, "took", took, "until", s.restTo[id])
}

func (s *Service) rests(id string, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return now.Before(s.restTo[id])
}

// Reevaluate brings the concerns of one drain up to date.
func (s *Service) Reevaluate(ctx context.Context, id string) error {
	return s.reevaluate(ctx, id, false)
}

// reevaluate does so by what the rules need, or by the whole stay.
func (s *Service) reevaluate(ctx context.Context, id string, whole bool) error {
	defer s.drains.lock([]string{id})()
	now := s.Now()
	c, err := s.whereabouts(ctx, id)
	if err != nil {
		return err
	}
	if err := s.settle(ctx, &c, now); err != nil {
		return err
	}
	stored, err := s.store.Concerns(ctx, id, concern.Case{Settings: c.settings.Concern, Now: now}.Since())
	switch {
	case err != nil:
	case c.found && whole:
		err = s.read(ctx, &c, now)
	case c.found:
		err = s.look(ctx, &c, stored, now, now)
	}
	if err != nil {
		return err
	}
	j, err := s.evaluate(ctx, &c, stored, now, news{})
	if err == nil && len(j.writes) > 0 {
		_, err = s.store.Commit(ctx, j.writes, nil)
	}
	if errors.Is(err, errWriteConflict) || fault.Is(err, fault.Conflict) || fault.Is(err, fault.Precondition) {
		s.forget(id) // another process was first; the next sweep sees what it wrote
		return nil
	}
	if err != nil {
		return err
	}
	s.wake(id, j.next)
	return nil
}

// Run sweeps until the context ends.
func (s *Service) Run(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	version := ""
	for {
		v := s.policy().Version()
		err := fault.Contain("sweep", func() error {
			_, err := s.Sweep(ctx, v != version)
			return err
		})
		if ctx.Err() == nil {
			s.swept(err)
			version = v // drains that failed are looked at again all the same
			if err != nil {
				s.log.Error("sweep", "err", err, "cause", fault.Of(err).Cause)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
