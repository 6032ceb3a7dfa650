package mongo

import (
	"context"
	"slices"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"tidemark/internal/store"
)

// lookers is how many drains are asked for at once: a limit a drain has no
// query that serves several.
const lookers = 8

// Latest implements store.Store.
func (s *Store) Latest(ctx context.Context, drains []string, to time.Time, most int) (map[string]store.Latest, error) {
	drains = slices.Compact(slices.Sorted(slices.Values(drains)))
	out := make(map[string]store.Latest, len(drains))
	for part := range slices.Chunk(drains, 500) {
		placed, err := chosen(ctx, s, choice{index: "fact_drain", filter: bson.D{is("fact.kind", placementKind), in("fact.drain", part)}, order: oldestFirst,
			holds: func(f *fact) bool { return f.Kind == placementKind && slices.Contains(part, f.Drain) }}, (*fact).placement)
		if err != nil {
			return nil, err
		}
		for _, id := range part {
			out[id] = store.Latest{}
		}
		for _, p := range placed {
			l := out[p.Drain]
			l.Placements = append(l.Placements, p)
			out[p.Drain] = l
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	next := make(chan string)
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range min(lookers, len(drains)) {
		wg.Go(func() {
			for id := range next {
				entries, err := s.Entries(ctx, store.EntryQuery{Drain: id, To: to, Last: most})
				if err != nil {
					cancel(err)
					continue
				}
				mu.Lock()
				l := out[id]
				l.Entries = entries
				out[id] = l
				mu.Unlock()
			}
		})
	}
	for _, id := range drains {
		if ctx.Err() != nil {
			break
		}
		next <- id
	}
	close(next)
	wg.Wait()
	if err := context.Cause(ctx); err != nil {
		return nil, err
	}
	return out, nil
}
