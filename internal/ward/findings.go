package ward

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/drain"
	"tidemark/internal/escalate"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// evaluate compares what the rules find in a course now with the findings
// that are open, and gives the writes that bring these up to date. The caller
// holds the drain's stripe. altered are entries that this step changes: a
// finding that ends while one of its readings is among them, or no longer
// counts, was withdrawn rather than over.
func (s *Service) evaluate(ctx context.Context, c course, now time.Time, altered []string) (writes []store.Write, next time.Time, ok bool, err error) {
	found := c.findings(now)
	open, err := s.store.Findings(ctx, c.drain.ID, true)
	if err != nil {
		return nil, next, false, err
	}
	byRule := make(map[string]drain.Finding, len(open))
	for _, f := range open {
		byRule[f.Rule] = f
	}
	patient := c.drain.Patient
	if p, ok := c.current(now); ok {
		patient = p.Patient
	}
	for _, f := range found {
		old, was := byRule[f.Rule]
		delete(byRule, f.Rule)
		evidence := slices.Clone(f.Evidence)
		slices.Sort(evidence)
		if was {
			if w, ok, err := s.amend(ctx, old, f, evidence, c.settings.Version, now); err != nil {
				return nil, next, false, err
			} else if ok {
				writes = append(writes, w)
			}
			continue
		}
		id, err := s.findingID(ctx, c.drain.ID, f.Rule)
		if err != nil {
			return nil, next, false, err
		}
		fresh := drain.Finding{
			ID: id, Drain: c.drain.ID, Patient: patient, Rule: f.Rule, Severity: f.Severity, Since: f.Since.UTC(),
			Announced: now, Evidence: evidence, Text: f.Text, Policy: c.settings.Version,
		}
		writes = append(writes, s.findingWrite(fresh, nil, store.Absent, store.Post))
	}
	for _, old := range byRule {
		old.Until, old.Withdrawn = now, withdrawn(old, c.entries, altered)
		before, number, err := s.readTree(ctx, store.Key{Type: "DetectedIssue", ID: old.ID})
		if err != nil {
			return nil, next, false, err
		}
		writes = append(writes, s.findingWrite(old, before, store.Expect(number), store.Put))
	}
	slices.SortFunc(writes, func(a, b store.Write) int {
		if a.Key.ID < b.Key.ID {
			return -1
		}
		return 1
	})
	next, ok = escalate.NextChange(c.settings.Escalate, c.subject(), now)
	// An unacknowledged high finding is announced again in time.
	for _, w := range writes {
		if f := w.Facts.Finding; f != nil {
			next, ok = earlier(next, ok, s.announceAt(*f, c.settings.AcknowledgeWithin))
		}
	}
	for _, f := range open {
		next, ok = earlier(next, ok, s.announceAt(f, c.settings.AcknowledgeWithin))
	}
	return writes, next, ok, nil
}

func earlier(a time.Time, ok bool, b time.Time) (time.Time, bool) {
	if b.IsZero() || ok && a.Before(b) {
		return a, ok
	}
	return b, true
}

// announceAt is when a finding is to be announced again, zero for never.
func (s *Service) announceAt(f drain.Finding, within time.Duration) time.Time {
	if !f.Open() || f.Severity != drain.High || !f.Acknowledged.IsZero() || within <= 0 {
		return time.Time{}
	}
	return f.Announced.Add(within)
}

// amend updates an open finding when there is news: other evidence, a worse
// severity, another policy, or the time to announce it again. Severity only
// rises while the condition lasts.
func (s *Service) amend(ctx context.Context, old drain.Finding, f escalate.Finding, evidence []string, version string, now time.Time) (store.Write, bool, error) {
	var st struct{ news, announce bool }
	st.news = !slices.Equal(old.Evidence, evidence) || f.Severity.Weight() > old.Severity.Weight() || old.Policy != version
	if f.Severity.Weight() > old.Severity.Weight() {
		st.announce = true
	}
	if at := s.announceAt(old, s.policy().AcknowledgeWithin()); !at.IsZero() && !now.Before(at) {
		st.announce = true
	}
	if !st.news && !st.announce {
		return store.Write{}, false, nil
	}
	before, number, err := s.readTree(ctx, store.Key{Type: "DetectedIssue", ID: old.ID})
	if err != nil {
		return store.Write{}, false, err
	}
	if f.Severity.Weight() > old.Severity.Weight() {
		old.Severity = f.Severity
	}
	old.Evidence, old.Text, old.Policy = evidence, f.Text, version
	if st.announce {
		old.Announced = now
	}
	return s.findingWrite(old, before, store.Expect(number), store.Put), true, nil
}

// withdrawn reports whether a finding ends because its evidence was taken
// back: a reading of it is altered in this step, or no longer counts.
func withdrawn(f drain.Finding, entries []drain.Entry, altered []string) bool {
	for _, id := range f.Evidence {
		if slices.Contains(altered, id) {
			return true
		}
		i := slices.IndexFunc(entries, func(e drain.Entry) bool { return e.ID == id })
		if i >= 0 && !entries[i].Counts() {
			return true
		}
	}
	return false
}

func (s *Service) findingWrite(f drain.Finding, before *fhirjson.Node, expect store.Expect, m store.Method) store.Write {
	n := fhirmap.Finding(f, before)
	return store.Write{
		Key: store.Key{Type: "DetectedIssue", ID: f.ID}, Method: m, Expect: expect,
		Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract), Facts: store.Facts{Finding: &f},
	}
}

// findingID is the same for everybody who opens the next finding of a drain
// and rule, so that two processes collide instead of both raising it.
func (s *Service) findingID(ctx context.Context, drainID, rule string) (string, error) {
	all, err := s.store.Findings(ctx, drainID, false)
	if err != nil {
		return "", err
	}
	n := 0
	for _, f := range all {
		if f.Rule == rule {
			n++
		}
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%s|%s|%d", drainID, rule, n))
	return hex.EncodeToString(sum[:16]), nil
}

func (s *Service) readTree(ctx context.Context, key store.Key) (*fhirjson.Node, int64, error) {
	v, err := s.store.Read(ctx, key)
	if err != nil {
		return nil, 0, err
	}
	if v.Deleted() {
		return nil, 0, fault.New(fault.Gone, "deleted", "%s has been deleted.", key)
	}
	n, err := fhirjson.Parse(v.JSON())
	if err != nil {
		return nil, 0, fault.Wrap(err, "read "+key.String())
	}
	return n, v.Number, nil
}
