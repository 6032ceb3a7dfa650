package ward

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
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

// judgement is what the rules make of a drain now.
type judgement struct {
	writes []store.Write // findings to raise, amend and close
	next   time.Time     // when time alone may change it, if ok
	ok     bool
}

// judge compares what the rules find in a course now with the findings that
// are open, and gives the writes that bring these up to date. The caller holds
// the drain's stripe. altered are readings that this step corrects or takes
// back. The open findings must have been read before the entries: then what
// another process adds in between makes the writes collide with its own.
func (s *Service) judge(ctx context.Context, c *course, open []drain.Finding, now time.Time, altered []string) (j judgement, err error) {
	var found []escalate.Finding
	patient := ""
	if c.found {
		began := time.Now()
		found, j.next, j.ok = escalate.Judge(c.settings.Escalate, c.subject(), now)
		s.judged(time.Since(began))
		patient = c.patient(now)
	}
	// A finding of the patient before is not this one's.
	is := func(f escalate.Finding) func(drain.Finding) bool {
		return func(o drain.Finding) bool { return o.Rule == f.Rule && o.Patient == patient }
	}
	past := map[string]int{} // findings that there were, by rule
	if slices.ContainsFunc(found, func(f escalate.Finding) bool { return !slices.ContainsFunc(open, is(f)) }) {
		all, err := s.store.Findings(ctx, c.id, false)
		if err != nil {
			return j, err
		}
		var still []drain.Finding
		for _, f := range all {
			past[f.Rule]++
			if f.Open() {
				still = append(still, f)
			}
		}
		if !slices.EqualFunc(open, still, func(a, b drain.Finding) bool { return a.ID == b.ID && a.Version == b.Version }) {
			return j, errOvertaken
		}
	}
	open = slices.Clone(open)
	// Findings are kept to the millisecond, as their resource shows them.
	at := now.Truncate(time.Millisecond)
	for _, f := range found {
		f.Since = f.Since.UTC().Truncate(time.Millisecond)
		f.Evidence = slices.Sorted(slices.Values(f.Evidence))
		i := slices.IndexFunc(open, is(f))
		if i < 0 {
			fresh := drain.Finding{
				ID: findingID(c.id, f.Rule, past[f.Rule]), Drain: c.id, Patient: patient, Rule: f.Rule, Severity: f.Severity, Since: f.Since,
				Announced: at, Evidence: f.Evidence, Text: f.Text, Policy: c.settings.Version,
			}
			j.add(s, fresh, nil, store.Post, store.Absent)
			j.announce(fresh, c.settings.AcknowledgeWithin)
			continue
		}
		old := open[i]
		open = slices.Delete(open, i, i+1)
		revised := revise(old, f, c.settings.Version, c.settings.AcknowledgeWithin, slices.ContainsFunc(old.Evidence, in(altered)), at)
		j.announce(revised, c.settings.AcknowledgeWithin)
		if !same(old, revised) {
			if err := s.update(ctx, &j, revised); err != nil {
				return j, err
			}
		}
	}
	for _, old := range open {
		if old.Until = at; at.Before(old.Since) {
			old.Until = old.Since // the clock of another machine was ahead
		}
		if old.Withdrawn, err = s.withdrawn(ctx, c, old, altered); err != nil {
			return j, err
		}
		if err := s.update(ctx, &j, old); err != nil {
			return j, err
		}
	}
	slices.SortFunc(j.writes, func(a, b store.Write) int { return cmp.Compare(a.Key.ID, b.Key.ID) })
	return j, nil
}

// errOvertaken says that another process changed the findings in between.
var errOvertaken = errors.New("another process changed the findings of the drain")

func in(list []string) func(string) bool {
	return func(s string) bool { return slices.Contains(list, s) }
}

// revise brings an open finding up to what the rules find now. While a
// condition lasts its severity only rises; where a reading that it rests on was
// corrected, or the policy changed, it is judged anew. Its start is where the
// chart has it now: a late entry may move it. A worse severity is news to whoever acknowledged the finding before, so
// that it is announced; so is a high one that nobody acknowledges in time.
func revise(old drain.Finding, f escalate.Finding, version string, within time.Duration, corrected bool, now time.Time) drain.Finding {
	r := old
	r.Evidence, r.Text, r.Policy = f.Evidence, f.Text, version
	anew := corrected || old.Policy != version
	if anew || f.Severity.Weight() > old.Severity.Weight() {
		r.Severity = f.Severity
	}
	// Of what is so since nobody knows when, the rules have no start but the
	// instant of judgement, time after time.
	if f.Text != old.Text || !f.Since.Equal(now) {
		r.Since = f.Since
	}
	at := announceAt(r, within)
	if r.Severity.Weight() > old.Severity.Weight() || !at.IsZero() && !now.Before(at) {
		r.Announced = now
	}
	return r
}

func same(a, b drain.Finding) bool {
	return a.Severity == b.Severity && a.Since.Equal(b.Since) && a.Announced.Equal(b.Announced) && a.Text == b.Text && a.Policy == b.Policy &&
		slices.Equal(a.Evidence, b.Evidence)
}

// announceAt is when a finding is to be announced again, zero for never. What
// was acknowledged before the last announcement was something milder.
func announceAt(f drain.Finding, within time.Duration) time.Time {
	if !f.Open() || f.Severity != drain.High || within <= 0 || !f.Acknowledged.IsZero() && !f.Acknowledged.Before(f.Announced) {
		return time.Time{}
	}
	return f.Announced.Add(within)
}

// announce makes the sweep come back in time for announcing f again.
func (j *judgement) announce(f drain.Finding, within time.Duration) {
	if at := announceAt(f, within); !at.IsZero() && (!j.ok || at.Before(j.next)) {
		j.next, j.ok = at, true
	}
}

// withdrawn reports whether a finding ends because what it rests on was taken
// back, rather than because things got better: a reading of it is altered in
// this step, no longer counts or was deleted, or the drain itself was.
func (s *Service) withdrawn(ctx context.Context, c *course, f drain.Finding, altered []string) (bool, error) {
	if !c.found || slices.ContainsFunc(f.Evidence, in(altered)) {
		return true, nil
	}
	for _, id := range f.Evidence {
		if i := slices.IndexFunc(c.entries, func(e drain.Entry) bool { return e.ID == id }); i >= 0 {
			if !c.entries[i].Counts() {
				return true, nil
			}
			continue
		}
		// Of a stay before, or deleted in a step that did not come this far.
		v, err := s.store.Read(ctx, store.Key{Type: "Observation", ID: id})
		if fault.Is(err, fault.NotFound) {
			return true, nil
		}
		if err != nil {
			return false, err
		}
		if v.Deleted() {
			return true, nil
		}
	}
	return false, nil
}

// update writes the next version of a finding. It rests on the version that
// was read with it: an acknowledgement that comes between must not be lost.
func (s *Service) update(ctx context.Context, j *judgement, f drain.Finding) error {
	before, _, err := s.readTree(ctx, store.Key{Type: "DetectedIssue", ID: f.ID})
	if err != nil {
		return err
	}
	j.add(s, f, before, store.Put, store.Expect(f.Version))
	return nil
}

func (j *judgement) add(s *Service, f drain.Finding, before *fhirjson.Node, m store.Method, expect store.Expect) {
	n := fhirmap.Finding(f, before)
	j.writes = append(j.writes, store.Write{
		Key: store.Key{Type: "DetectedIssue", ID: f.ID}, Method: m, Expect: expect,
		Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract), Facts: store.Facts{Finding: &f},
	})
}

// findingID is the same for everybody who raises the finding of a drain and rule
// behind so many past ones, so that two processes collide instead of both
// raising it.
func findingID(drain, rule string, past int) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s|%s|%d", drain, rule, past))
	return hex.EncodeToString(sum[:16])
}

func (s *Service) readTree(ctx context.Context, key store.Key) (*fhirjson.Node, int64, error) {
	v, err := s.store.Read(ctx, key)
	if err != nil {
		return nil, 0, err
	}
	if v.Deleted() {
		return nil, 0, fault.New(fault.Gone, "deleted", "%s has been deleted.", key)
	}
	n, err := fhirjson.Parse(v.Body.JSON)
	if err != nil {
		return nil, 0, fault.Wrap(err, "read "+key.String())
	}
	if len(n.Get("meta").Members) == 0 {
		n.Delete("meta") // it has its place in a stored body, and would be empty here
	}
	return n, v.Number, nil
}
