package ward

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidemark/internal/fault"
)

// sweepBatch is how many drains a sweep lists at a time.
const sweepBatch = 500

// Sweep evaluates every drain whose condition time alone may have changed
// since it was last looked at, and brings its findings up to date. It is
// called every few seconds; a drain that nothing can change is passed over.
// all looks at every drain, as after a start or a change of policy. A drain
// that fails does not keep the others from being looked at; the error names it
// and the next sweep tries it again.
func (s *Service) Sweep(ctx context.Context, all bool) (evaluated int, err error) {
	now := s.Now()
	seen := map[string]bool{}
	var failed []error
	look := func(id string) {
		if seen[id] {
			return
		}
		seen[id] = true
		s.mu.Lock()
		at, known := s.wakeAt[id]
		s.mu.Unlock()
		if known && !all && now.Before(at) {
			return
		}
		evaluated++
		if err := s.Reevaluate(ctx, id); err != nil {
			s.forget(id)
			failed = append(failed, fmt.Errorf("drain %s: %w", id, err))
		}
	}
	for after := ""; ctx.Err() == nil; {
		drains, err := s.store.ActiveDrains(ctx, after, sweepBatch)
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
	// Drains that are no longer active may still have open findings.
	for after := ""; ctx.Err() == nil; {
		fs, err := s.store.OpenFindings(ctx, after, sweepBatch)
		if err != nil {
			return evaluated, errors.Join(append(failed, err)...)
		}
		for _, f := range fs {
			look(f.Drain)
		}
		if len(fs) < sweepBatch {
			break
		}
		after = fs[len(fs)-1].ID
	}
	return evaluated, errors.Join(append(failed, ctx.Err())...)
}

// Reevaluate brings the findings of one drain up to date.
func (s *Service) Reevaluate(ctx context.Context, id string) error {
	defer s.lock([]string{id})()
	open, err := s.store.Findings(ctx, id, true)
	if err != nil {
		return err
	}
	c, err := s.load(ctx, id)
	if err != nil {
		return err
	}
	j, err := s.judge(ctx, &c, open, s.Now(), nil)
	if err == nil && len(j.writes) > 0 {
		_, err = s.store.Commit(ctx, j.writes, nil)
	}
	if errors.Is(err, errOvertaken) || fault.Is(err, fault.Conflict) || fault.Is(err, fault.Precondition) {
		s.forget(id) // another process was first; the next sweep sees what it wrote
		return nil
	}
	if err != nil {
		return err
	}
	s.wake(id, j.next, j.ok)
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
