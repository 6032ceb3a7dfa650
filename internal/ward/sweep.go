package ward

import (
	"context"
	"time"

	"tidemark/internal/fault"
)

// sweepBatch is how many drains a sweep lists at a time.
const sweepBatch = 500

// Sweep evaluates every drain whose condition time alone may have changed
// since it was last looked at, and brings its findings up to date. It is
// called every few seconds; a drain that nothing can change is passed over.
// all looks at every drain, as after a start or a change of policy.
func (s *Service) Sweep(ctx context.Context, all bool) (evaluated int, err error) {
	now := s.Now()
	seen := map[string]bool{}
	look := func(id string) error {
		if seen[id] {
			return nil
		}
		seen[id] = true
		s.mu.Lock()
		at, known := s.wakeAt[id]
		s.mu.Unlock()
		if known && !all && now.Before(at) {
			return nil
		}
		evaluated++
		return s.Reevaluate(ctx, id)
	}
	for after := ""; ; {
		drains, err := s.store.ActiveDrains(ctx, after, sweepBatch)
		if err != nil {
			return evaluated, err
		}
		for _, d := range drains {
			if err := look(d.ID); err != nil {
				return evaluated, err
			}
		}
		if len(drains) < sweepBatch {
			break
		}
		after = drains[len(drains)-1].ID
	}
	// Drains that are no longer active may still have open findings.
	for after := ""; ; {
		fs, err := s.store.OpenFindings(ctx, after, sweepBatch)
		if err != nil {
			return evaluated, err
		}
		for _, f := range fs {
			if err := look(f.Drain); err != nil {
				return evaluated, err
			}
		}
		if len(fs) < sweepBatch {
			return evaluated, nil
		}
		after = fs[len(fs)-1].ID
	}
}

// Reevaluate brings the findings of one drain up to date.
func (s *Service) Reevaluate(ctx context.Context, id string) error {
	defer s.lock([]string{id})()
	now := s.Now()
	c, found, err := s.load(ctx, id, time.Time{})
	if err != nil || !found {
		return err
	}
	writes, next, ok, err := s.evaluate(ctx, c, now, nil)
	if err != nil {
		return err
	}
	if len(writes) > 0 {
		if _, err := s.store.Commit(ctx, writes, nil); err != nil {
			// Another process was first; the next sweep sees what it wrote.
			if fault.Is(err, fault.Conflict) || fault.Is(err, fault.Precondition) {
				return nil
			}
			return err
		}
	}
	s.wake(id, next, ok)
	return nil
}

// Run sweeps until the context ends.
func (s *Service) Run(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	version := ""
	for {
		v := s.policy().Version()
		_, err := s.Sweep(ctx, v != version)
		switch {
		case err == nil:
			version = v
		case ctx.Err() == nil:
			s.log.Error("sweep", "err", fault.Of(err).Cause, "text", err.Error())
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
