package ward

import (
	"context"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fault"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// Informed is somebody who was told: a reference, or words.
type Informed struct{ Reference, Words string }

// Acknowledgement is what $acknowledge records.
type Acknowledgement struct {
	Finding  string
	Action   string
	Note     string
	Informed []Informed
	By       string // subject of the caller: a reference or a name
	Expect   store.Expect
}

// Acknowledge adds a mitigation to the DetectedIssue and a Provenance of it,
// in one step. It says that somebody saw to the finding; it does not close it.
func (s *Service) Acknowledge(ctx context.Context, a Acknowledgement, audit []store.AuditRecord) (store.Version, error) {
	key := store.Key{Type: "DetectedIssue", ID: a.Finding}
	for try := 0; ; try++ {
		n, number, err := s.readTree(ctx, key)
		if err != nil {
			return store.Version{}, err
		}
		if a.Expect > 0 && int64(a.Expect) != number {
			return store.Version{}, fault.New(fault.Precondition, "conflict", "The finding is at version %d now; read it again before acknowledging.", number)
		}
		now := s.Now()
		fhirmap.Acknowledge(n, a.Action, a.Note, a.By, informedWords(a.Informed), now)
		facts, _ := fhirmap.Decode(n, time.UTC)
		issue := store.Write{Key: key, Method: store.Put, Expect: store.Expect(number), Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract), Facts: facts}
		p := fhirmap.Provenance(NewID(), key.String(), number+1, a.By, informedRefs(a.Informed), now)
		prov := store.Write{Key: store.Key{Type: "Provenance", ID: p.Str("id")}, Method: store.Post, Expect: store.Absent, Body: fhirmap.Body(p), Doc: search.Extract(p, s.extract)}
		if err := s.check(n, p); err != nil {
			return store.Version{}, err
		}
		results, err := s.store.Commit(ctx, []store.Write{issue, prov}, audit)
		if err == nil {
			return results[0].Version, nil
		}
		if !fault.Is(err, fault.Precondition) || a.Expect > 0 || try == 5 {
			return store.Version{}, err
		}
	}
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
