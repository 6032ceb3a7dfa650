package ward

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"tidemark/fhirmap"
	"tidemark/internal/fhirjson"
	"tidemark/internal/search"
	"tidemark/internal/store"
)

// corrections adds a Provenance to the writes for each entry that this step
// corrects: where a figure or a look changes, where another person than the one who
// charted it changes anything, and where it is deleted. Without it the history would
// tell that an entry was changed, and nobody who did it or why.
func (s *Service) corrections(writes []store.Write, ps []prepared, altered []string, now time.Time) ([]store.Write, error) {
	for i := range ps {
		p := &ps[i]
		if p.By == "" || p.before.Entry == nil {
			continue
		}
		deleted := p.Method == store.Delete
		if !deleted && (p.facts.Entry == nil || bytes.Equal(writes[i].Body.JSON, p.was.Body.JSON)) {
			continue
		}
		if !deleted && p.By == p.before.Entry.DoneBy && !slices.Contains(altered, p.Key.ID) {
			continue
		}
		reason := ""
		if !deleted {
			before, err := fhirjson.Parse(p.was.Body.JSON)
			if err != nil {
				return nil, err
			}
			reason = addedNotes(before, p.Resource)
		}
		n := fhirmap.Correction(NewID(), p.Key.String(), p.was.Number, p.By, reason, deleted, now)
		if err := s.check(n); err != nil {
			return nil, err
		}
		writes = append(writes, store.Write{Key: store.Key{Type: "Provenance", ID: n.Str("id")}, Method: store.Post, Expect: store.Absent, Body: fhirmap.Body(n), Doc: search.Extract(n, s.extract)})
	}
	return writes, nil
}

// addedNotes are the words that a correction adds to the notes of an entry: the
// reason for it.
func addedNotes(before, after *fhirjson.Node) string {
	old := map[string]bool{}
	for _, n := range before.Each("note") {
		old[n.Str("text")] = true
	}
	var words []string
	for _, n := range after.Each("note") {
		if t := strings.TrimSpace(n.Str("text")); t != "" && !old[n.Str("text")] {
			words = append(words, t)
		}
	}
	return strings.Join(words, "; ")
}
