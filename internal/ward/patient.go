package ward

import (
	"context"
	"slices"
	"strings"
	"sync"

	"tidemark/internal/drain"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// records are locks by patient: who writes about one shares it, who merges or
// purges his record has it alone. A step takes them behind names and before drains.
type records [1024]sync.RWMutex

func (r *records) of(patients []string) []int {
	var idx []int
	for _, p := range patients {
		idx = append(idx, stripe(p, len(r)))
	}
	slices.Sort(idx)
	return slices.Compact(idx)
}

func (r *records) share(patients []string) (unlock func()) {
	idx := r.of(patients)
	for _, i := range idx {
		r[i].RLock()
	}
	return func() {
		for _, i := range idx {
			r[i].RUnlock()
		}
	}
}

func (r *records) lock(patients []string) (unlock func()) {
	idx := r.of(patients)
	for _, i := range idx {
		r[i].Lock()
	}
	return func() {
		for _, i := range idx {
			r[i].Unlock()
		}
	}
}

// patientsOf are the patients that facts are about.
func patientsOf(ps []prepared) (list []string) {
	for i := range ps {
		for _, f := range []store.Facts{ps[i].facts, ps[i].before} {
			if p := patientOf(f); p != "" && !slices.Contains(list, p) {
				list = append(list, p)
			}
		}
	}
	return list
}

func patientOf(f store.Facts) string {
	switch {
	case f.Entry != nil:
		return f.Entry.Patient
	case f.Drain != nil:
		return f.Drain.Patient
	case f.Placement != nil:
		return f.Placement.Patient
	case f.Stay != nil:
		return f.Stay.Patient
	case f.Walk != nil:
		return f.Walk.Patient
	}
	return ""
}

// alone keeps everybody else from writing about the patients, and from evaluating
// their drains, until it is unlocked.
func (s *Service) alone(ctx context.Context, patients ...string) (unlock func(), err error) {
	free := s.records.lock(patients)
	var ids []string
	for _, p := range patients {
		var drains []drain.Drain
		if drains, err = s.store.Drains(ctx, store.DrainQuery{Patient: p}); err != nil {
			free()
			return nil, err
		}
		for _, d := range drains {
			ids = append(ids, d.ID)
		}
	}
	undrain := s.drains.lock(ids)
	return func() { undrain(); free() }, nil
}

// mergedInto is whose record took up a patient's, "" for nobody's.
func mergedInto(n *fhirjson.Node) string {
	for _, l := range n.Each("link") {
		if _, id, ok := strings.Cut(l.Get("other").Str("reference"), "Patient/"); ok && l.Str("type") == "replaced-by" {
			return id
		}
	}
	return ""
}

// guardMerged refuses what is written about a patient whose record went into
// another's: nobody would find it there.
func (s *Service) guardMerged(ctx context.Context, p *prepared) error {
	id := patientOf(p.facts)
	if id == "" || patientOf(p.before) == id {
		return nil
	}
	n, _, err := s.readTree(ctx, store.Key{Type: "Patient", ID: id})
	if fault.Is(err, fault.NotFound) || fault.Is(err, fault.Gone) {
		return nil // where that matters, others refuse it
	}
	if err != nil {
		return err
	}
	if into := mergedInto(n); into != "" {
		element := "subject"
		if p.Key.Type == "Device" {
			element = "patient"
		}
		return fault.At(fault.Rule, "business-rule", p.Key.Type+"."+element, "The record of Patient/%s was merged into Patient/%s; write it there.", id, into)
	}
	return nil
}

// guardLink keeps the link of a patient whose record went into another's: without
// it, an interface that sends what it knows of him would undo half of a merge.
func (s *Service) guardLink(ctx context.Context, p *prepared) error {
	n, _, err := s.readTree(ctx, p.Key)
	if fault.Is(err, fault.NotFound) || fault.Is(err, fault.Gone) {
		return nil
	}
	if err != nil {
		return err
	}
	if into := mergedInto(n); into != "" && mergedInto(p.Resource) != into {
		return fault.At(fault.Rule, "business-rule", "Patient.link", "The record of %s was merged into Patient/%s, and its link of type replaced-by stays; change Patient/%s instead.", p.Key, into, into)
	}
	return nil
}

// referring gives for a type the ways in which a resource refers to another, as
// alternatives of a search; none when the type cannot.
func referring(typ string, to ...string) (out [][]search.Clause) {
	for _, p := range search.Params(typ) {
		if p.Kind != search.Reference {
			continue
		}
		for _, ref := range to {
			target, _, _ := strings.Cut(ref, "/")
			if p.Targets == nil || slices.Contains(p.Targets, target) {
				out = append(out, []search.Clause{{Param: p.Name, Kind: search.Reference, Values: []search.Value{{Prefix: "eq", Ref: ref}}}})
			}
		}
	}
	return out
}
