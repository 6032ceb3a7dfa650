package ward

import (
	"context"
	"errors"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/concern"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/store"
)

// Informed is somebody who was told: a reference, or words.
type Informed struct{ Reference, Words string }

// Acknowledgement is what $acknowledge records.
type Acknowledgement struct {
	Concerns []string // ids of the DetectedIssues
	Action   string
	Note     string
	Informed []Informed
	By       string       // subject of the caller: a reference or a name
	Expect   store.Expect // of the one, where there is one
}

// Acknowledge adds a mitigation to each DetectedIssue and one Provenance of them,
// in one step. It says that somebody saw to the concern; it does not close it.
func (s *Service) Acknowledge(ctx context.Context, a Acknowledgement, audit []store.AuditRecord) ([]store.Version, error) {
	var names []string
	for _, id := range a.Concerns {
		names = append(names, store.Key{Type: "DetectedIssue", ID: id}.String())
	}
	results, err := s.Do(ctx, names, func(ctx context.Context) ([]Change, []store.AuditRecord, error) {
		var changes []Change
		var targets []string
		now := s.Now()
		for _, id := range a.Concerns {
			key := store.Key{Type: "DetectedIssue", ID: id}
			n, number, err := s.readTree(ctx, key)
			if err != nil {
				return nil, nil, err
			}
			if a.Expect > 0 && int64(a.Expect) != number {
				return nil, nil, fault.New(fault.Precondition, "conflict", "The concern is at version %d now; read it again before acknowledging.", number)
			}
			facts, _ := fhirmap.Decode(n, time.UTC)
			if facts.Concern == nil {
				return nil, nil, fault.New(fault.Rule, "not-supported", "%s was not written by this service's rules; there is nothing to acknowledge.", key)
			}
			ack := concern.Acknowledge(*facts.Concern, a.By, now)
			fhirmap.Acknowledge(n, ack.Acknowledged, a.Action, a.Note, informedWords(a.Informed))
			changes = append(changes, Change{Method: store.Put, Key: key, Resource: n, Rests: store.Expect(number)})
			targets = append(targets, fhirmap.VersionReference(key.String(), number+1))
		}
		if len(changes) == 0 {
			return nil, nil, nil
		}
		p := fhirmap.Provenance(NewID(), targets, a.By, informedRefs(a.Informed), now)
		return append(changes, Change{Method: store.Post, Key: store.Key{Type: "Provenance", ID: p.Str("id")}, Resource: p, Expect: store.Absent}), audit, nil
	})
	if refused := (*Refused)(nil); errors.As(err, &refused) {
		return nil, refused.Unwrap()
	}
	if err != nil || len(results) == 0 {
		return nil, err
	}
	var out []store.Version
	for _, r := range results[:len(results)-1] { // the last is the Provenance
		out = append(out, r.Version)
	}
	return out, nil
}

// Open lists the ids of the open concerns of a drain, the worst first.
func (s *Service) Open(ctx context.Context, drainID string) ([]string, error) {
	open, err := s.open(ctx, &course{id: drainID}, s.Now())
	var ids []string
	for _, c := range open {
		ids = append(ids, c.ID)
	}
	return ids, err
}

// check validates what the service writes itself, so that a caller's words
// cannot make an invalid resource.
func (s *Service) check(trees ...*fhirjson.Node) error {
	if s.validate == nil {
		return nil
	}
	for _, n := range trees {
		if err := s.validate(n).As(fault.Rule); err != nil {
			return err
		}
	}
	return nil
}

func informedWords(in []Informed) string {
	var out []string
	for _, i := range in {
		switch {
		case i.Words != "":
			out = append(out, i.Words)
		case i.Reference != "":
			out = append(out, i.Reference)
		}
	}
	return strings.Join(out, ", ")
}

func informedRefs(in []Informed) []string {
	var out []string
	for _, i := range in {
		if i.Reference != "" {
			out = append(out, i.Reference)
		}
	}
	return out
}
