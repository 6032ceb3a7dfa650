package ward

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/store"
)

const placementTiming = "DeviceUseStatement.timing"

// guardPlacement refuses a placement that overlaps another of the same drain,
// whoever the patient, and one whose times leave out what is charted already.
// The course has its placements as this step leaves them. It says nothing of
// the other placement: that may be another patient's.
func (s *Service) guardPlacement(ctx context.Context, p *prepared, ps []prepared, c *course) error {
	now, old := p.facts.Placement, p.before.Placement
	var l fault.List
	if s.overlapping(p, c) {
		l.Add("business-rule", placementTiming, "Device/%s is in place elsewhere at that time, and a drain can be in one place only. "+
			"End that placement first (status completed, timingPeriod.end), or correct the drain or the times of this one.", now.Drain)
	}
	if old != nil && old.Counts() && old.Drain != "" && !(old.Drain == now.Drain && old.Patient == now.Patient && within(*old, *now)) {
		lost, err := s.orphans(ctx, *old, ps, c)
		if err != nil {
			return err
		}
		if n := len(lost); n > 0 {
			l.Add("business-rule", placementTiming, "%s would fall outside this placement and disappear from its answers. "+
				"Keep the times that include them, or correct or withdraw these entries first.", entriesOf(old.Drain, lost))
		}
	}
	return l.As(fault.Rule)
}

// guardWithdrawn refuses that a placement is deleted or entered in error while entries
// rest on it that no other placement holds. Of a drain that has none left, the stay is
// told by its entries.
func (s *Service) guardWithdrawn(ctx context.Context, p *prepared, ps []prepared, c *course) error {
	if c == nil || !slices.ContainsFunc(c.placements, drain.Placement.Counts) {
		return nil
	}
	lost, err := s.orphans(ctx, *p.before.Placement, ps, c)
	if err != nil || len(lost) == 0 {
		return err
	}
	return fault.At(fault.Rule, "business-rule", "DeviceUseStatement.status", "%s rest on this placement and would disappear from every answer. "+
		"Correct or withdraw these entries first, or in the same transaction.", entriesOf(p.before.Placement.Drain, lost))
}

// entriesOf says how many entries these are, and of when.
func entriesOf(drainID string, lost []drain.Entry) string {
	return fmt.Sprintf("%d charted entries of Device/%s, from %s to %s,", len(lost), drainID, lost[0].At.Format(time.RFC3339), lost[len(lost)-1].At.Format(time.RFC3339))
}

// overlapping reports whether another placement of the drain lasts at a time
// at which this one does. One that becomes shorter is let through: that is how
// placements that overlapped before this was refused are put right.
func (s *Service) overlapping(p *prepared, c *course) bool {
	now, old := p.facts.Placement, p.before.Placement
	if old != nil && old.Counts() && old.Drain == now.Drain && within(*now, *old) {
		return false
	}
	return slices.ContainsFunc(c.placements, func(o drain.Placement) bool {
		return o.ID != now.ID && o.Counts() && overlap(*now, o)
	})
}

// overlap reports whether two placements share more than an instant: a drain may
// be placed anew in the minute in which it was removed.
func overlap(a, b drain.Placement) bool {
	before := func(start, end time.Time) bool { return start.IsZero() || end.IsZero() || start.Before(end) }
	return before(a.Start, b.End) && before(b.Start, a.End)
}

// within reports whether a lasts at no time at which b does not.
func within(a, b drain.Placement) bool {
	return (b.Start.IsZero() || !a.Start.IsZero() && !a.Start.Before(b.Start)) && (b.End.IsZero() || !a.End.IsZero() && !a.End.After(b.End))
}

// orphans are the entries within a placement as it was that none holds after this
// step, oldest first.
func (s *Service) orphans(ctx context.Context, old drain.Placement, ps []prepared, c *course) ([]drain.Entry, error) {
	was := course{id: old.Drain}
	if c.id == old.Drain {
		was.placements = c.placements
	} // else this step takes the drain out of it altogether; other placements hold what they hold
	q := store.EntryQuery{Drain: old.Drain, From: old.Start}
	if !old.End.IsZero() {
		q.To = upTo(old.End)
	}
	var err error
	if was.entries, err = s.store.Entries(ctx, q); err != nil {
		return nil, err
	}
	was.chart(ps)
	return slices.DeleteFunc(was.entries, func(e drain.Entry) bool {
		return !e.Counts() || e.Patient != old.Patient || !old.Holds(e.At) ||
			slices.ContainsFunc(was.placements, func(o drain.Placement) bool { return o.Patient == e.Patient && o.Holds(e.At) })
	}), nil
}

// placementClaims make two writers collide who place a drain at the same time,
// also where they are two processes that do not see each other's locks. What
// one claims names the placements that it saw beside its own: the second of two
// that saw the same loses, looks again, and finds the first. And only one
// placement of a drain may be without an end; a step that ends one and opens
// another is left out of this, since its parts come one by one.
func placementClaims(p *prepared, ps []prepared, c *course) []string {
	now := p.facts.Placement
	if c == nil || !now.Counts() {
		return nil
	}
	var beside []string
	for _, o := range c.placements {
		if o.ID == now.ID || !o.Counts() {
			continue
		}
		if overlap(*now, o) {
			return nil // from before overlaps were refused, on its way to be put right
		}
		beside = append(beside, o.ID)
	}
	slices.Sort(beside)
	sum := sha256.Sum256([]byte(strings.Join(beside, " ")))
	claims := []string{"placed-beside|" + now.Drain + "|" + hex.EncodeToString(sum[:12])}
	alone := !slices.ContainsFunc(ps, func(o prepared) bool {
		return o.Key != p.Key && (touches(o.facts, now.Drain) || touches(o.before, now.Drain))
	})
	if now.End.IsZero() && alone {
		claims = append(claims, "in-place|"+now.Drain)
	}
	return claims
}

// lostClaim reports whether another writer holds what placementClaims gave.
func lostClaim(err error) bool {
	is := fault.Of(err).Issues
	return fault.Is(err, fault.Conflict) && len(is) > 0 && is[0].Code == "duplicate" && slices.Contains(is[0].Expression, "DeviceUseStatement.identifier")
}

func touches(f store.Facts, drainID string) bool {
	return f.Placement != nil && f.Placement.Drain == drainID
}

// byStart is the order of placements.
func byStart(a, b drain.Placement) int {
	return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.ID, b.ID))
}
